"""``log.jsonl``: one record a line, each with the hash of the line before it.

A record's ``previous_sha256`` is the SHA-256 of the line before it, line end included, so that
``sed -n 4p log.jsonl | sha256sum`` is what line 5 must say. The first line of all says `START`.
There is one chain per destination. The ledger keeps the hash of every line it knows, and a record
follows the last of those: a log that was moved away or cut continues from what the ledger knows,
and the gap shows.

The order of a job's end: its line is appended, durably; then one transaction says that the job
has ended, with the record and the hash of its line. After a kill between the two the line is
found again by what it says, and not appended a second time.

What the chain proves: that no line before a hash you trust was changed, removed, put in or moved.
What it does not: who can rewrite the log *and* the ledger can make a new chain that is just as
sound. Only a hash that was kept somewhere else (printed, sent, written down) proves that the lines
up to it are still what they were then.
"""

from __future__ import annotations

import hashlib
import json
import threading
from pathlib import Path
from typing import Final

from pydantic import ValidationError

from hotfolder.disk import durable
from hotfolder.ledger.jobs import JobRow, Ledger, State
from hotfolder.model.records import Record, to_json_line

LOG_FILE: Final = "log.jsonl"
START: Final = "0" * 64
"""What the first record of a destination says of the one before it."""

_TAIL_BYTES = 64 * 2**10
_LONG_TAIL_BYTES = 16 * 2**20


class RecordLog:
    """Appends records to logs and commits them. One per daemon; safe from several threads."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._lock = threading.Lock()

    def end(self, log: Path, record: Record, *, again: bool = False) -> JobRow:
        """Append a record, exactly once, and commit that its job has ended with it.

        Parameters
        ----------
        log
            The destination's log; made when it is not there.
        record
            What is to be said; its ``previous_sha256`` is set here.
        again
            Whether an earlier call may have appended it already.

        Raises
        ------
        OSError
            When the log cannot be written; can be called again.
        StorageError
            When the ledger cannot be written; can be called again, with `again`.
        """
        with self._lock:
            durable.make_folders(log.parent)
            durable.end_last_line(log, _is_record)
            line = self._logged(log, record) if again else None
            if line is None:
                previous = self._previous(log, record.destination)
                line = to_json_line(record.model_copy(update={"previous_sha256": previous}))
                durable.append_line(log, line)
            state = State(record.state)
            return self._ledger.end(record.job, state, json.loads(line), link(line))

    def _previous(self, log: Path, destination: str) -> str:
        head = self._ledger.last_line_of(destination)
        lines = last_lines(log, _TAIL_BYTES)
        if not lines:
            return head or START
        last = link(lines[-1])
        if head is None or head == last:
            return last
        # lines that a kill left unknown to the ledger follow the one it knows: theirs is the place
        if any(link(line) == head for line in last_lines(log, _LONG_TAIL_BYTES)):
            return last
        return head

    def _logged(self, log: Path, record: Record) -> bytes | None:
        """The line of this very record among the last ones, whatever it follows."""
        name = json.dumps(record.job).encode("ascii")
        for line in reversed(last_lines(log, _LONG_TAIL_BYTES)):
            if name not in line:
                continue
            try:
                found = Record.model_validate_json(line)
            except ValidationError:
                continue
            if to_json_line(found.model_copy(update={"previous_sha256": None})) == to_json_line(
                record
            ):
                return line
        return None


def link(line: bytes) -> str:
    """Return the SHA-256 of a line, line end included, as the next record has to say it."""
    return hashlib.sha256(line).hexdigest()


def _is_record(line: bytes) -> bool:
    """Whether a line without its end is a whole record all the same."""
    try:
        Record.model_validate_json(line)
    except ValidationError:
        return False
    return True


def last_lines(log: Path, size: int) -> list[bytes]:
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
