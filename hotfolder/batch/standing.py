"""How a batch stands: its rows and what became of each, in one table for status and report."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from hotfolder.batch.shelf import Line, RowFault, State
from hotfolder.ledger.jobs import JobRow
from hotfolder.model.records import PlacementRecord, end_of

WORDS = ("delivered", "held", "dropped", "refused", "waiting", "missing", "wrong")
"""What becomes of a row.

dropped: it was held, and a person gave it up; waiting: its job has not ended; wrong: it cannot be
done as it says.
"""


@dataclass(frozen=True)
class Standing:
    """A row of the ticket and what became of it.

    state: one of `WORDS`; line: None when the row could not be read at all; job: None when there
    is none; why: what is wrong, or why it was held or refused, as sentences; fault: of a row that
    could not be read, the first.
    """

    row: int
    state: str
    line: Line | None = None
    job: JobRow | None = None
    why: tuple[str, ...] = ()
    fault: RowFault | None = None


def standings(state: State, jobs: Mapping[str, JobRow]) -> list[Standing]:
    """Say of every row of the ticket what became of it, in the order of rows.

    jobs: by name; one that is not there any more counts as waiting.
    """
    faults: dict[int, list[RowFault]] = {}
    for fault in state.faults:
        faults.setdefault(fault.row, []).append(fault)
    found = [
        Standing(row, "wrong", why=tuple(_said(each) for each in said), fault=said[0])
        for row, said in faults.items()
    ]
    found += [_of_line(line, jobs.get(line.job)) for line in state.lines]
    return sorted(found, key=lambda each: each.row)


def counts(found: list[Standing]) -> dict[str, int]:
    """How many rows there are of each of `WORDS`."""
    number = Counter(each.state for each in found)
    return {word: number[word] for word in WORDS}


def _of_line(line: Line, job: JobRow | None) -> Standing:
    if line.problem:
        return Standing(line.row, "missing" if line.missing else "wrong", line, why=(line.problem,))
    if job is None or not job.state.is_end:
        return Standing(line.row, "waiting", line, job)
    record = job.record or {}
    why = tuple(reason["message"] for reason in record.get("reasons", []))
    return Standing(line.row, end_of(job.state, job.record), line, job, why)


def is_dropped(job: JobRow) -> bool:
    """Whether a job is held no more, since a person has given it up."""
    return end_of(job.state, job.record) == "dropped"


def placement_of(job: JobRow) -> PlacementRecord | None:
    """Return the row of a ticket that a job is for; None when it was dropped by itself."""
    said = job.detail.get("placement") or (job.record or {}).get("placement")
    return PlacementRecord.model_validate(said) if said else None


def _said(fault: RowFault) -> str:
    found = f" {fault.got}" if fault.got else ""
    return f"{fault.column}{found}; allowed: {fault.allowed}"
