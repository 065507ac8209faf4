"""``log.jsonl``: one record a line, each with the hash of the line before it.

A record's ``previous_sha256`` is the SHA-256 of the line before it, line end included, so that
``sed -n 4p log.jsonl | sha256sum`` is what line 5 must say. The first line of all says `START`.
There is one chain per destination, and one log: it goes along when settings move the results
(`log_places`). The ledger keeps the hash of every line it knows, and a record follows the last of
those: a log that was moved away or cut continues from what the ledger knows, and the gap shows.

The order of a job's end: its line is appended, durably; then one transaction says that the job
has ended, with the record and the hash of its line. After a kill between the two the line is
found again by what it says, and not appended a second time.

What the chain proves: that no line before a hash you trust was changed, removed, put in or moved.
What it does not: anyone who can rewrite both the log and the ledger can forge a new chain that is
just as sound. Only a hash that was kept somewhere else (printed, sent, written down) proves that
the lines up to it are still what they were then.
"""

from __future__ import annotations

import contextlib
import json
import threading
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Final

from hotfolder.disk import durable, line_log
from hotfolder.errors import StorageError
from hotfolder.ledger.jobs import JobRow, Ledger, link
from hotfolder.ledger.log_places import LogPlaces
from hotfolder.ledger.log_years import LOG_FILE
from hotfolder.model.places import Places
from hotfolder.model.records import RECORD_SCHEMA_VERSION, Record, read_record, to_json_line

__all__ = ["LOG_FILE", "START", "RecordLog", "link", "read_last_lines"]

START: Final = "0" * 64
"""What the first record of a destination says of the one before it."""

_TAIL_BYTES = 64 * 2**10
_LONG_TAIL_BYTES = 16 * 2**20


class RecordLog:
    """Appends records to logs and commits them. One per daemon; safe from several threads."""

    def __init__(self, ledger: Ledger, look: Callable[[Path], None] = lambda _log: None) -> None:
        """Prepare; look: raises `StorageError` when the share that a log is on is away."""
        self._ledger = ledger
        self._look = look
        self._log_places = LogPlaces(ledger.path.parent)
        self._locks: defaultdict[str, threading.Lock] = defaultdict(threading.Lock)

    def end(
        self, log: Path, record: Record, *, again: bool = False, before: Path | None = None
    ) -> JobRow:
        """Append a record, exactly once, and commit that its job has ended with it.

        Parameters
        ----------
        log
            The destination's log; made when it is not there.
        record
            What is to be said; its ``previous_sha256`` is set here.
        again
            Whether an earlier call may have appended it already.
        before
            The log to which it may have been appended then, where settings have moved the results
            since; one that cannot be read is taken for one without it.

        Raises
        ------
        OSError
            When the log cannot be written; can be called again.
        StorageError
            When the ledger cannot be written; can be called again, with `again`.
        """
        with self._locks[record.destination]:  # a share that hangs keeps no other log waiting
            durable.make_folders(log.parent)
            self._log_places.bring(record.destination, log)
            line_log.end_last_line(log, _is_record)
            record = _write_down(record, self._ledger.places)
            line = _find_line(log, record, self._ledger.places) if again else None
            if again and line is None and before is not None:
                with contextlib.suppress(OSError):
                    line = _find_line(before, record, self._ledger.places)
            if line is None:
                previous = self._find_previous(log, record.destination)
                record = _prepare(record, previous)
                line = to_json_line(record)
                line_log.append_line(log, line)
                self._check_appended(log, line)
            return self._ledger.end(record, line)

    def _check_appended(self, log: Path, line: bytes) -> None:
        """See that a line lies on its share: one that has just gone has a log of one line under it.

        Raises
        ------
        StorageError
            When the share is away; the line is appended when it is back.
        """
        try:
            self._look(log)
        except StorageError:
            with contextlib.suppress(OSError):
                if log.read_bytes() == line:
                    log.unlink()
            raise

    def _find_previous(self, log: Path, destination: str) -> str:
        head = self._ledger.last_line_of(destination)
        lines = read_last_lines(log, _TAIL_BYTES)
        if not lines:
            return head or START
        last = link(lines[-1])
        if head is None or head == last:
            return last
        # lines that a kill left unknown to the ledger follow the one it knows: theirs is the place
        if any(link(line) == head for line in read_last_lines(log, _LONG_TAIL_BYTES)):
            return last
        return head


def _find_line(log: Path, record: Record, places: Places) -> bytes | None:
    """Find the line of this very record among the last ones, whatever it follows."""
    name = json.dumps(record.job).encode("ascii")
    for line in reversed(read_last_lines(log, _LONG_TAIL_BYTES)):
        if name not in line:
            continue
        try:
            # of an earlier version, or of before the root was moved
            found = _write_down(read_record(line), places)
        except ValueError:
            continue
        # of any version: an older program may have been killed after it appended it
        if to_json_line(_prepare(found, None)) == to_json_line(_prepare(record, None)):
            return line
    return None


def _prepare(record: Record, previous_sha256: str | None) -> Record:
    """Return a record as this version writes it, after a line with this hash."""
    changes = {"schema_version": RECORD_SCHEMA_VERSION, "previous_sha256": previous_sha256}
    return record.model_copy(update=changes)


def _write_down(record: Record, places: Places) -> Record:
    """Return a record with paths as they are written today, wherever the root was then."""
    return places.shorten_record(places.find_record(record))


def _is_record(line: bytes) -> bool:
    """Whether a line without its end is a whole record all the same."""
    try:
        read_record(line)
    except ValueError:
        return False
    return True


def read_last_lines(log: Path, size: int) -> list[bytes]:
    """Return whole lines from the last `size` bytes of a log, and at least the last one.

    A torn line at the end, which a kill may leave and the next append cuts off, is left out.
    """
    try:
        with durable.open_to_read(log) as file:
            end = file.seek(0, 2)
            while True:
                start = max(0, end - size)
                file.seek(start)
                lines = file.read(end - start).splitlines(keepends=True)
                if start:
                    lines = lines[1:]  # it may begin before what was read
                if lines and not lines[-1].endswith(b"\n"):
                    lines.pop()
                if lines or start == 0:
                    return lines
                size *= 4
    except FileNotFoundError:
        return []
