"""Checking one destination's chain of records: in its log, and against the ledger."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from hotfolder.audit.question import make_cursor
from hotfolder.disk.marker import Unreachable, check_marker
from hotfolder.ledger.log_years import LOG_FILE, read_lines
from hotfolder.ledger.packing import unpack
from hotfolder.ledger.record_index import columns
from hotfolder.ledger.record_log import START, link
from hotfolder.model.records import LogLine, read_line, read_record
from hotfolder.pages.words import local_time

_LATER = frozenset({"discarded_at", "share_out_of_gamut", "printed_m2", "machine", "released_for"})
"""Columns that the ledger's table got after there were ledgers."""


@dataclass(frozen=True)
class ChainReport:
    """What the check found."""

    destination: str
    log: str
    """Its path."""
    records: int
    """How many lines were read."""
    unchained: int
    """How many of the first of them have no hash: an older version wrote them."""
    last_sha256: str
    """Of the last line; "" when there is none."""
    faults: tuple[str, ...]
    """Sentences."""
    is_checked: bool = True
    """Whether the log could be looked at: its share may be away."""

    @property
    def is_whole(self) -> bool:
        """Whether nothing speaks against the chain."""
        return not self.faults


def check_chain(db: sqlite3.Connection, destination: str, results: Path) -> ChainReport:
    """Check that each line follows the one before it, and that log and ledger know the same lines.

    A line that a daemon is appending at this moment counts as known.
    """
    log = results / LOG_FILE
    if not log.exists():
        try:
            check_marker(results)
        except Unreachable as error:
            return ChainReport(destination, str(log), 0, 0, "", (str(error),), is_checked=False)
    # the ledger first: what it knows was in the log before
    ledger = make_cursor(db)
    missing = {  # as short as can be: there may be hundreds of thousands
        bytes.fromhex(sha256): number
        for sha256, number in ledger.execute(
            "SELECT line_sha256, number FROM records WHERE destination = ?"
            " AND line_sha256 IS NOT NULL ORDER BY number",
            (destination,),
        )
    }
    faults: list[str] = []
    unknown: list[tuple[int, str, str]] = []
    previous, count, unchained, stopped = START, 0, 0, False
    for count, line in enumerate(_read_lines(log, faults), 1):
        sha256 = link(line)
        record = _read_line(line)
        job = record.job if record else "?"
        said = record.previous_sha256 if record else ""
        if said is None and count == unchained + 1 and not stopped:
            unchained = count
        else:
            stopped = True
            is_continued = count == 1 and said and bytes.fromhex(said) in missing
            if said != previous and not is_continued:
                faults.append(
                    f"line {count} (job {job}) does not follow the line before it: "
                    "a record was changed, removed or inserted there"
                )
            number = missing.pop(bytes.fromhex(sha256), None)
            if number is None:
                unknown.append((count, job, sha256))
            elif record is None or not _is_the_ledgers(ledger, line, record, number):
                faults.append(f"the ledger's record of job {job} is not the one in the log")
        previous = sha256
    faults += _find_strangers(db, unknown)
    # a new log is begun where the old one was taken away: put back in its place, that hides this
    back = f"add its lines to {log}, the earlier first" if count else f"put it back as {log}"
    for number in missing.values():
        job, finished = ledger.execute(
            "SELECT job, finished FROM records WHERE number = ?", (number,)
        ).fetchone()
        faults.append(
            f"the record of job {job} that ended {local_time(finished)} is in the ledger, but not "
            "in the log as it was: changed, removed, or the log was moved away; if somebody took "
            f"it along with results, {back}"
        )
    return ChainReport(
        destination, str(log), count, unchained, previous if count else "", tuple(faults)
    )


def _read_lines(log: Path, faults: list[str]) -> Iterator[bytes]:
    try:
        for line in read_lines(log):
            if line.endswith(b"\n"):
                yield line
            elif _read_line(line):  # an editor saved the log without its last line end
                yield line + b"\n"
            # else it is being written, or a kill tore it
    except FileNotFoundError:
        return
    except OSError as error:
        faults.append(f"the log {log} cannot be read: {error.strerror or error}")


def _read_line(line: bytes) -> LogLine | None:
    try:
        return read_line(line)
    except ValueError:
        return None


def _is_the_ledgers(ledger: sqlite3.Cursor, line: bytes, record: LogLine, number: int) -> bool:
    """Whether the ledger says the same of a job, in the record and in what is asked of it."""
    asked = columns(record)
    del asked["was_held"]  # earlier records of the job decide it too
    row = ledger.execute(_select_line(tuple(asked)), (number,)).fetchone()
    if row is None:
        return False
    latest, stored, *said = row
    try:
        whole = unpack(stored)
    except ValueError:
        return False
    differ = [name for name, ours in zip(asked, said, strict=True) if ours != asked[name]]
    if not latest:  # an older ledger did not keep these of jobs that were released afterwards
        kept = dict(zip(asked, said, strict=True))
        differ = [name for name in differ if name not in _LATER or kept[name] is not None]
    if differ:
        return False
    # the same text is the same record; only another one has to be read
    if not latest or whole == line[:-1].decode():
        return True
    try:
        return (whole and read_record(whole)) == read_record(line)
    except ValueError:
        return False


@cache
def _select_line(names: tuple[str, ...]) -> str:
    """Return the SQL for what the ledger says of a line."""
    return (
        f"SELECT latest, jobs.record, {', '.join(f'records.{name}' for name in names)}"  # noqa: S608
        " FROM records JOIN jobs ON jobs.id = records.job WHERE number = ?"
    )


def _find_strangers(db: sqlite3.Connection, unknown: list[tuple[int, str, str]]) -> list[str]:
    """Lines that the ledger does not know, but for those whose jobs are just now ending."""
    faults = []
    for number, job, sha256 in unknown:
        ending = db.execute(
            "SELECT 1 FROM jobs WHERE id = ? AND state = 'publishing'"
            " UNION SELECT 1 FROM records WHERE line_sha256 = ? AND job = ?",
            (job, sha256, job),
        ).fetchone()
        if ending is None:
            faults.append(
                f"line {number} (job {job}) differs from what the ledger has: it was changed or "
                f"inserted"
            )
    return faults
