"""A batch's folder ``out/NAME/BATCH/``: beside the results a manifest and the morning report.

They are written whole or not at all, again whenever something of the batch has changed, at most
as often as leaves the daemon time for its work. They hold nothing that the ledger does not have.
"""

from __future__ import annotations

import contextlib
import json
import os
import time
from collections.abc import Callable
from pathlib import Path

from hotfolder.batch.report import (
    Batch,
    SetAsideResult,
    make_manifest_csv,
    make_report,
    make_report_csv,
)
from hotfolder.batch.shelf import Shelf
from hotfolder.disk import trees
from hotfolder.disk.marker import check_marked_above, make_marked_folders
from hotfolder.errors import HotfolderError
from hotfolder.ledger.jobs import Ledger
from hotfolder.ledger.pace import RECENT
from hotfolder.logs import get_log
from hotfolder.model.records import Record, format_time
from hotfolder.settings.files import Destination
from hotfolder.settings.root import DestinationFolders

MANIFEST, REPORT = "manifest.csv", "report"

FILES = frozenset({MANIFEST, f"{REPORT}.html", f"{REPORT}.csv", f"{REPORT}.json"})
"""Names in a batch's folder that are ours and no results."""

_SHARE_OF_TIME = 20
_EVERY_S = 2.0


class BatchFolders:
    """Writes the folders of batches, of each destination in one thread.

    `changed` is safe to call from any thread.
    """

    def __init__(
        self,
        ledger: Ledger,
        shelf: Shelf,
        destination_of: Callable[[str], Destination | None],
        folders_of: Callable[[str], DestinationFolders],
        workers: int,
    ) -> None:
        self._ledger = ledger
        self._shelf = shelf
        self._destination_of = destination_of
        self._folders_of = folders_of
        self._workers = workers
        self._changed = set(shelf.unreported())
        self._due: dict[str, float] = {}
        self._said: dict[tuple[str, str], str] = {}

    def changed(self, destination: str, batch: str) -> None:
        """Remember that a batch's folder is out of date."""
        self._changed.add((destination, batch))

    def planned(self, destination: str, batch: str) -> None:
        """Write a batch's folder at the next chance: a person has just dropped its ticket."""
        self.changed(destination, batch)
        self._due.pop(destination, None)

    def refresh(self, destination_name: str, *, ended: bool = False) -> None:
        """Write what is out of date of a destination, if it is time; `ended`: in any case."""
        started = time.monotonic()
        destination = self._destination_of(destination_name)
        changed = [each for each in list(self._changed) if each[0] == destination_name]
        if not changed or (started < self._due.get(destination_name, 0.0) and not ended):
            return
        for name, batch in sorted(changed):
            self._changed.discard((name, batch))
            if destination is None or destination.file.ticket is None:
                continue
            try:
                self._write(destination, batch)
            except (OSError, HotfolderError) as error:
                self._changed.add((name, batch))  # a convenience; the next turn tries again
                if self._said.get((name, batch)) != str(error):
                    get_log().warning("batch.not_written", batch=batch, reason=str(error))
                self._said[name, batch] = str(error)
            except Exception:  # noqa: BLE001 - logged whole
                # a stage of somebody's own may say what we do not expect: no reason to stop
                get_log().exception("batch.not_written", batch=batch)
            else:
                self._said.pop((name, batch), None)
        now = time.monotonic()
        self._due[destination_name] = now + max(_EVERY_S, _SHARE_OF_TIME * (now - started))

    def next_s(self, destination_name: str) -> float | None:
        """When something of a destination is to be written; None when nothing is out of date."""
        if all(name != destination_name for name, _ in list(self._changed)):
            return None
        return self._due.get(destination_name, 0.0)

    def _write(self, destination: Destination, batch: str) -> None:
        results = self._folders_of(destination.name).results
        from hotfolder.batch.page import render_page  # it loads the templates' whole library

        check_marked_above(results)
        folder = results / batch
        make_marked_folders(folder)
        number = self._shelf.last_record(destination.name, batch)
        made = self._collect(destination, batch, folder)
        document = make_report(made)
        paths = {row["result"] for row in document["placements"] if row["result"]}
        relative = {path: _make_relative(Path(path), folder) for path in paths}
        texts = {
            MANIFEST: "\ufeff" + make_manifest_csv(document, relative),
            f"{REPORT}.csv": "\ufeff" + make_report_csv(document),
            f"{REPORT}.json": json.dumps(document, allow_nan=False, indent=1),
            f"{REPORT}.html": render_page(document, made.standings(), folder),
        }
        for name, text in texts.items():
            trees.replace_text(folder / name, text)
        self._shelf.reported(destination.name, batch, number)

    def _collect(self, destination: Destination, batch: str, folder: Path) -> Batch:
        state = self._shelf.state(destination.name, batch)
        jobs = {}
        for job in {*state.made.values(), *(line.job for line in state.lines if line.job)}:
            with contextlib.suppress(KeyError):  # taken back
                jobs[job] = self._ledger.job(job)
        return Batch(
            name=batch,
            destination=destination,
            state=state,
            jobs=jobs,
            recent=self._ledger.latest_records(destination.name, RECENT),
            workers=self._workers,
            set_aside=_list_set_aside(
                [
                    *self._ledger.superseded_of_batch(destination.name, batch),
                    *(row.record for row in jobs.values() if row.record),
                ],
                folder,
            ),
        )


def _list_set_aside(records: list[Record], folder: Path) -> tuple[SetAsideResult, ...]:
    """What was set aside for the ticket that stands, or one before it; each once."""
    found: dict[tuple[str, str, str], SetAsideResult] = {}
    for record in records:
        superseded, placement = record.superseded, record.placement
        made = {result.path: result.sha256 for result in record.results}
        for each in superseded.files if superseded else ():
            found[record.job, each.was, each.path] = {
                "was": Path(each.was).name,
                "now": _make_relative(Path(each.path), folder) if each.path else "",
                "job": record.job,
                "page": placement.page if placement else "",
                "placement": placement.placement if placement else "",
                "picture": placement.file if placement else record.original.name,
                "edited": each.sha256 not in (None, made.get(each.path)),
                "ticket": superseded.ticket if superseded else "",
                "at": format_time(superseded.at) if superseded else "",
            }
        for each in record.displaced:
            found["", each.was, each.path] = {
                "was": Path(each.was).name,
                "now": _make_relative(Path(each.path), folder),
                "job": "",
                "page": "",
                "placement": "",
                "picture": "",
                "edited": False,
                "ticket": placement.ticket if placement else "",
                "at": format_time(record.finished),
            }
    return tuple(sorted(found.values(), key=lambda each: (each["was"], each["at"])))


def _make_relative(path: Path, folder: Path) -> str:
    return Path(os.path.relpath(path, folder)).as_posix()
