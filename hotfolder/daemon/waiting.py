"""Jobs that wait for another picture of their folder or batch, by the wish of a stage.

A stage that shares something may find that a picture needs what another one brings, see
`Stage.shares`. The job then stands as ``claimed`` with `Waits` in its row, so that a kill loses
neither the job nor its time. It is worked on once more when a picture that gives something ends in
its folder or batch, when its time is over, or when the stage's settings change.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

from hotfolder.ledger.details import Claimed, Waits
from hotfolder.ledger.reading import JobRow, LedgerReader
from hotfolder.model.answer import Answer
from hotfolder.model.neighbour import Neighbour
from hotfolder.settings.files import Destination
from hotfolder.work.neighbours import find_neighbours, find_shared

_ENDS: Final = {"deliver", "hold"}
_LONGEST_S: Final = 30 * 86400.0


def waits_still(ledger: LedgerReader, row: JobRow, destination: Destination, now: datetime) -> bool:
    """Whether nothing has come yet of what a job waits for; cheap, for jobs that do not wait."""
    waits = row.detail.waits if isinstance(row.detail, Claimed) else None
    if waits is None or row.release is not None or waits.until <= now:
        return False
    if _hash_settings(destination, waits.stage) != waits.settings_sha256:
        return False
    there = find_neighbours(ledger, row, destination).get(waits.stage, ())
    return not any(each.gives and each.job not in waits.seen for each in there)


def find_waits(
    row: JobRow,
    destination: Destination,
    neighbours: Mapping[str, Sequence[Neighbour]],
    answer: Answer,
    now: datetime,
) -> Waits | None:
    """Say for what a job that has been worked on waits; None when it is to end now.

    A person who has released it waits for nothing.
    """
    if answer.work is None or answer.verdict not in _ENDS or row.release is not None:
        return None
    before = row.expect(Claimed).waits
    for name, shared in find_shared(answer.work.findings, destination).items():
        seconds = shared.get("waits_s")
        if not isinstance(seconds, int | float) or seconds <= 0:
            continue
        since = before.since if before and before.stage == name else now
        until = since + timedelta(seconds=min(float(seconds), _LONGEST_S))
        if until <= now:
            continue
        return Waits(
            stage=name,
            since=since,
            until=until,
            what=str(shared.get("waits_for") or "another picture of its folder")[:200],
            seen=tuple(each.job for each in neighbours.get(name, ()) if each.gives),
            settings_sha256=_hash_settings(destination, name),
        )
    return None


def _hash_settings(destination: Destination, stage: str) -> str:
    settings = destination.stage_settings.get(stage)
    said = settings.model_dump_json() if settings is not None else ""
    return hashlib.sha256(said.encode()).hexdigest()
