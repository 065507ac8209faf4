"""Cutting a destination's log into years; `ledger.log_years` says how what is cut off is read.

Only lines before the first one of the present year go, and only as far as the chain is whole and
the ledger knows them. One year at a time: its part is written, read back and compared; then what is
left takes the place of the log, in one rename. A kill between the two leaves a part that has the
same first line as the log, which nobody reads and the next cut goes on with.
"""

from __future__ import annotations

import gzip
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from hotfolder.disk import durable, trees
from hotfolder.errors import StorageError
from hotfolder.ledger.jobs import link
from hotfolder.ledger.log_years import name_part, read_file
from hotfolder.ledger.reading import LedgerReader
from hotfolder.model.records import read_record


@dataclass(frozen=True)
class Cut:
    """What can be cut off a log."""

    log: Path
    part: Path
    """Where it goes."""
    lines: int
    bytes: int
    last_sha256: str
    """Of the last line that goes; what is left begins with a record that says so."""


def find_cut(ledger: LedgerReader, log: Path, this_year: int, *, skip: int = 0) -> Cut | None:
    """Find the lines of the first year in a log that is over; None when there are none.

    skip: so many lines at the beginning are taken for gone, to see what is cut off after them.

    Raises
    ------
    OSError
        When the log cannot be read.
    StorageError
        When the chain is not whole there: `hotfolder audit --verify` says more.
    """
    year, lines, size, previous = 0, 0, 0, ""
    if not durable.is_there(log):
        return None
    for number, line in enumerate(read_file(log), 1):
        if number <= skip:
            previous = link(line)
            continue
        if not line.endswith(b"\n"):
            break
        try:
            record = read_record(line)
        except ValueError as error:
            raise StorageError(f"{log}, line {number}: is no record, so it is not cut") from error
        if lines == 0:
            year = record.finished.year
            if year >= this_year:
                return None
        elif record.previous_sha256 not in {previous, None}:
            raise StorageError(
                f"{log}, line {number}: does not follow the line before it, so the log is not "
                "cut; `hotfolder audit --verify` says more"
            )
        # a clock that ran back does not send a record into a year that has its part already
        if record.finished.year > year:
            break
        previous = link(line)
        known = ledger.read(
            "SELECT 1 FROM records WHERE job = ? AND line_sha256 = ?", (record.job, previous)
        )
        if not known and record.previous_sha256 is not None:
            raise StorageError(
                f"{log}, line {number}: the ledger does not know it, so the log is not cut; "
                "`hotfolder audit --verify` says more"
            )
        lines, size = lines + 1, size + len(line)
    return Cut(log, name_part(log, year), lines, size, previous) if lines else None


def cut(found: Cut) -> None:
    """Move lines from a log to their part; can be called again after a kill.

    Raises
    ------
    OSError
        When something cannot be read or written.
    StorageError
        When a part of that name has other lines.
    """
    log, part = found.log, found.part
    if durable.is_there(part):
        if not _has_lines(part, found):
            raise StorageError(
                f"{part} is there already with other lines, so the log is not cut; move it away"
            )
    else:
        _write_part(found)
    rest = log.with_name(f"{durable.TEMPORARY_PREFIX}{log.name}")
    trees.remove_tree(rest, below=rest.parent)
    with durable.open_to_read(log) as source, rest.open("xb") as target:
        source.seek(found.bytes)
        while piece := source.read(2**20):
            target.write(piece)
    durable.fsync_file(rest)
    rest.replace(log)
    durable.fsync_folder(log.parent)


def _write_part(found: Cut) -> None:
    temporary = found.part.with_name(f"{durable.TEMPORARY_PREFIX}{found.part.name}")
    trees.remove_tree(temporary, below=temporary.parent)
    with temporary.open("xb") as file, gzip.GzipFile("", "wb", 6, file, mtime=0) as packed:
        for line in _first_lines(found):
            packed.write(line)
    durable.fsync_file(temporary)
    with gzip.open(temporary) as again:
        for line in _first_lines(found):
            if again.readline() != line:
                raise OSError(5, "what was written reads back differently", str(temporary))
    durable.move_new(temporary, found.part)


def _first_lines(found: Cut) -> Iterator[bytes]:
    with durable.open_to_read(found.log) as file:
        for _ in range(found.lines):
            yield file.readline()


def _has_lines(part: Path, found: Cut) -> bool:
    lines = read_file(part)
    same = all(next(lines, b"") == line for line in _first_lines(found))
    return same and next(lines, None) is None
