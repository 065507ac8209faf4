"""How a batch stands: its rows and what became of each, in one table for status and report."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from hotfolder.batch.shelf import BatchState, Line, RowFault
from hotfolder.ledger.reading import JobRow
from hotfolder.model.records import Record

WORDS = ("delivered", "held", "discarded", "refused", "waiting", "missing", "wrong")
"""What becomes of a row.

discarded: it was held, and a person gave it up; waiting: its job has not ended; wrong: it cannot
be done as it says.
"""


@dataclass(frozen=True)
class Standing:
    """A row of the ticket and what became of it."""

    row: int
    state: str
    """One of `WORDS`."""
    line: Line | None = None
    """None when the row could not be read at all."""
    job: JobRow | None = None
    why: tuple[str, ...] = ()
    """What is wrong, or why it was held or refused, as sentences."""
    fault: RowFault | None = None
    """What is wrong first in a row that could not be read."""

    @property
    def record(self) -> Record | None:
        """What is said of its job in the end; None while it has not ended."""
        return self.job.record if self.job else None


def find_standings(state: BatchState, jobs: Mapping[str, JobRow]) -> list[Standing]:
    """Say of every row of the ticket what became of it, in the order of rows.

    jobs: by name; one that is not there any more counts as waiting.
    """
    faults: dict[int, list[RowFault]] = {}
    for fault in state.faults:
        faults.setdefault(fault.row, []).append(fault)
    found = [
        Standing(row, "wrong", why=tuple(_describe(each) for each in said), fault=said[0])
        for row, said in faults.items()
    ]
    found += [_follow_line(line, jobs.get(line.job)) for line in state.lines]
    return sorted(found, key=lambda each: each.row)


def count_words(found: list[Standing]) -> dict[str, int]:
    """How many rows there are of each of `WORDS`."""
    number = Counter(each.state for each in found)
    return {word: number[word] for word in WORDS}


def _follow_line(line: Line, job: JobRow | None) -> Standing:
    if line.problem:
        return Standing(line.row, "missing" if line.missing else "wrong", line, why=(line.problem,))
    if job is None or not job.state.is_end:
        return Standing(line.row, "waiting", line, job)
    why = tuple(reason.message for reason in job.record.reasons) if job.record else ()
    return Standing(line.row, job.end or job.state, line, job, why)


def _describe(fault: RowFault) -> str:
    found = f" {fault.got}" if fault.got else ""
    return f"{fault.column}{found}; allowed: {fault.allowed}"
