"""Lines of a log that a ledger does not know, and what rows they make."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from hotfolder.ledger.details import (
    DETAILS,
    Delivered,
    Detail,
    Held,
    Publishing,
    State,
)
from hotfolder.ledger.jobs import Ledger, Restored, link
from hotfolder.ledger.log_years import list_parts, read_file, read_lines
from hotfolder.ledger.record_log import read_last_lines
from hotfolder.logs import get_log
from hotfolder.model.records import (
    Record,
    read_line,
    read_record,
)

_TAIL_BYTES = 64 * 2**10


def find_new_lines(ledger: Ledger, destination: str, log: Path) -> Iterator[bytes]:
    """Lines of a log that follow the last one that the ledger knows.

    One that is there because a kill came before the ledger was told is left to the job itself.
    """
    head = ledger.last_line_of(destination)
    last = read_last_lines(log, _TAIL_BYTES)
    if not last or link(last[-1]) == head:
        return
    places = [place for place, line in enumerate(last) if link(line) == head]
    if places:
        new = last[places[-1] + 1 :]
        if not all(_is_being_ended(ledger, line) for line in new):
            yield from new
        return
    if head is None:
        if ledger.has_records(destination):
            return  # of a version that did not keep the hashes
        new = last if log.stat().st_size <= _TAIL_BYTES else []
        if new and not list_parts(log) and all(_is_being_ended(ledger, line) for line in new):
            return
        yield from read_lines(log)
        return
    is_new = _says_previous(last[0]) == head
    for line in read_file(log):
        whole = line.removesuffix(b"\n") + b"\n"
        if not is_new and _says_previous(whole) == head:
            is_new = True
        if is_new:
            yield whole


def read_records(destination: str, log: Path, lines: Iterator[bytes]) -> Iterator[Restored]:
    """Read rows of jobs that have ended off lines of a log; one that cannot be read is said."""
    for number, line in enumerate(lines, 1):
        try:
            record = read_record(line)
        except ValueError:
            get_log().error("ledger.line_ignored", log=str(log), line=number)
            continue
        whole = line.removesuffix(b"\n") + b"\n"  # an editor may have saved the last without
        yield _restore_ended(record, destination, whole)


def _says_previous(line: bytes) -> str | None:
    try:
        return read_line(line).previous_sha256
    except ValueError:
        return None


def _is_being_ended(ledger: Ledger, line: bytes) -> bool:
    """Whether a line was appended for what the ledger says is being done."""
    try:
        record = read_record(line)
    except ValueError:
        return False
    row = ledger.find_job(record.job)
    if row is None:
        return False
    if row.state is State.HELD:
        return row.expect(Held).discarding is not None
    if row.state is State.DELIVERED:
        return row.expect(Delivered).superseding is not None
    return row.state is State.PUBLISHING and row.expect(Publishing).state.value == record.state


def _restore_ended(record: Record, destination: str, line: bytes) -> Restored:
    state = State(record.state)
    return _restore(record, destination, state, DETAILS[state](), line)


def restore_publishing(plan: Publishing, destination: str) -> Restored:
    """Make the row of a job whose publishing was planned, to be finished as after a kill."""
    return _restore(plan.record, destination, State.PUBLISHING, plan)


def _restore(
    record: Record, destination: str, state: State, detail: Detail, line: bytes | None = None
) -> Restored:
    return Restored(
        id=record.job,
        destination=destination,
        source=record.source.encode("utf-8", "surrogateescape"),
        kind="file" if record.original.sha256 else "special",
        state=state,
        bytes=record.original.bytes,
        sha256=record.original.sha256,
        attempts=record.attempts,
        arrived=record.arrived,
        changed=record.finished,
        detail=detail,
        line=line,
        record=record if line else None,
    )
