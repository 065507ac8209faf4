"""A person's decision goes with its picture when a corrected ticket moves it to another place.

Who releases a page with a change decides about a picture at a size. When a ticket then moves the
picture and asks for nothing else of it, the job that is made for its new place is made with that
decision: otherwise the change would be lost without a word, or the same question be asked again.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace
from typing import Final

from hotfolder.batch.changes import hash_placement
from hotfolder.batch.shelf import NewJob
from hotfolder.ledger.details import State
from hotfolder.ledger.jobs import JobRow
from hotfolder.model.records import PlacementRecord, Release
from hotfolder.settings.files import Destination

_DECIDED_FOR: Final = "decided for page "


def carry_releases(
    new: Iterable[NewJob], made: Iterable[JobRow], asked: Collection[str], destination: Destination
) -> list[NewJob]:
    """Give new jobs the decisions about jobs that differ from them in nothing but their place.

    Parameters
    ----------
    new
        Jobs that a plan adds.
    made
        Jobs of the batch that are there, in the order in which they were made.
    asked
        Jobs that the ticket asks for still: what was decided of those stays theirs.
    destination
        Whose settings the new jobs are made with.

    Returns
    -------
    The new jobs, in their order.
    """
    released = [
        (row.placement, decision)
        for row in reversed(list(made))
        if row.id not in asked and (decision := _find_decision(row)) and row.placement
    ]
    found = []
    for job in new:
        for each in released:
            was, decision = each
            if _is_moved(was, job.placement, destination):
                released.remove(each)
                job = replace(job, release=_tell(decision, was))  # noqa: PLW2901
                break
        found.append(job)
    return found


def _find_decision(row: JobRow) -> Release | None:
    """The decision by which a job was delivered, or is about to be."""
    if row.state in {State.HELD, State.REFUSED}:
        return None
    return row.release or (row.record.release if row.record else None)


def _is_moved(was: PlacementRecord, now: PlacementRecord, destination: Destination) -> bool:
    """Whether a row asks for what another one asked for, under another name."""
    if (was.sha256, was.changes) != (now.sha256, now.changes) or was.name == now.name:
        return False
    as_before = hash_placement(now.sha256, now.changes, destination, was.name)
    return as_before == was.fingerprint


def _tell(decision: Release, was: PlacementRecord) -> Release:
    """The decision, with the place for which it was made."""
    if _DECIDED_FOR in decision.why:
        return decision
    where = f"{_DECIDED_FOR}{was.page}, before the ticket moved the picture"
    why = f"{decision.why} ({where})" if decision.why else where
    return decision.model_copy(update={"why": why})
