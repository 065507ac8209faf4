"""Where each destination's log is: its records stay together when settings move the results.

A log goes on where the results go. What was written before stays in the folder that settings have
left, and is copied to the new one before a line is added there: so one log has all records of a
destination, whether it is checked, copied, or the ledger is made anew from it. The note of where a
log was stands beside the ledger and not in it: an older ledger may be put back.

What cannot be copied, since its disk is away or another log is in its place, is noted as left
behind and tried again at the next start.
"""

from __future__ import annotations

import errno
import json
import threading
from collections import deque
from collections.abc import Iterator
from enum import Enum
from pathlib import Path
from typing import Final, NamedTuple

from hotfolder.disk import durable, line_log, platforms
from hotfolder.ledger.jobs import link
from hotfolder.ledger.log_years import list_parts, read_lines
from hotfolder.logs import get_log
from hotfolder.model.places import Places
from hotfolder.model.records import read_line

NOTES: Final = "logs.json"
"""Name of the note, in the private folder of a root."""

_START = "0" * 64


class _Noted(NamedTuple):
    now: str
    """Path of the log; below the root, relative to it."""
    left: tuple[str, ...]
    """Logs of before whose lines are not in it."""


class LogPlaces:
    """Knows where logs are; safe from several threads."""

    def __init__(self, private: Path) -> None:
        self.file = private / NOTES
        self._places = Places.of(private.parent)
        self._lock = threading.Lock()
        self._noted = self._read()

    def left_behind(self, destination: str) -> list[Path]:
        """Return logs of a destination whose records are not in its log of today."""
        noted = self._noted.get(destination)
        return [Path(self._places.find(each)) for each in noted.left] if noted else []

    def bring(self, destination: str, log: Path, *, again: bool = False) -> None:
        """Bring the records of before to where a destination's log is now.

        Parameters
        ----------
        destination
            Its name.
        log
            Where its log is, or will be.
        again
            Whether what was left behind earlier is tried again.

        Raises
        ------
        OSError
            When the new place cannot be written; can be called again.
        """
        now = self._places.shorten(str(log))
        noted = self._noted.get(destination)
        if noted is None:
            self._note(destination, _Noted(now, ()))
            return
        if noted.now == now and not (again and noted.left):
            return
        before = list(noted.left) if again or noted.now != now else []
        if noted.now != now:
            before.append(noted.now)
        left = [each for each in before if each != now and not self._carry(each, destination, log)]
        self._note(destination, _Noted(now, tuple(dict.fromkeys(left))))

    def _carry(self, before: str, destination: str, log: Path) -> bool:
        """Copy a log of before to the new place; whether nothing of it is missing there now."""
        old = Path(self._places.find(before))
        try:
            how = _compare(log, old)
        except OSError as error:
            reason = error.strerror or str(error)
        else:
            if how is not _Is.ANOTHER:
                if how is not _Is.WHOLE:
                    _copy(old, log, goes_on=how is _Is.GOING_ON)
                    get_log().info(
                        "log.brought", destination=destination, log=str(log), before=str(old)
                    )
                return True
            reason = f"{log} has other records"
        get_log().warning("log.left_behind", destination=destination, log=str(old), reason=reason)
        return False

    def _note(self, destination: str, noted: _Noted) -> None:
        with self._lock:
            self._noted = {**self._noted, destination: noted}
            temporary = self.file.with_suffix(".new")
            with temporary.open("w", encoding="utf-8") as file:
                file.write(json.dumps(self._noted, indent=1))
                file.flush()
                platforms.sync_file(file.fileno())
            temporary.replace(self.file)
            durable.fsync_folder(self.file.parent)

    def _read(self) -> dict[str, _Noted]:
        try:
            found = json.loads(self.file.read_bytes())
            return {
                str(name): _Noted(str(now), tuple(map(str, left)))
                for name, (now, left) in found.items()
            }
        except (OSError, ValueError, TypeError, AttributeError):
            return {}  # lost or spoilt: logs that are moved from now on are known


class _Is(Enum):
    """What a log is, compared with one of before."""

    OLDER = "it has the first of its lines, or none"
    GOING_ON = "its first line follows the last one there"
    WHOLE = "it has all of its lines"
    ANOTHER = "none of these"


def _compare(log: Path, old: Path) -> _Is:
    """Say what a log is to one of before.

    Raises
    ------
    OSError
        When one of them cannot be read.
    """
    if not durable.is_there(old) and not list_parts(old):
        first = _read_previous(next(read_lines(log), b""))
        # its folder is there without it, or it was moved by hand, together with the results
        if old.parent.is_dir() or first in {None, _START}:
            return _Is.WHOLE
        raise FileNotFoundError(errno.ENOENT, "it is not there", str(old))
    ours, theirs = _whole_lines(log), _whole_lines(old)
    start, last = next(ours, None), b""
    for number, last in enumerate(theirs):
        line = next(ours, None) if number else start
        if line is None:
            return _Is.OLDER
        if line != last:
            if number:
                return _Is.ANOTHER
            break
    else:
        return _Is.WHOLE
    last = next(iter(deque(theirs, maxlen=1)), last)
    follows = start is not None and _read_previous(start) == link(last)
    return _Is.GOING_ON if follows and not list_parts(log) else _Is.ANOTHER


def _whole_lines(log: Path) -> Iterator[bytes]:
    """Lines of a log, without one that a kill tore."""
    for line in read_lines(log):
        if line.endswith(b"\n"):
            yield line
        elif _is_record(line):  # an editor saved the log without its last line end
            yield line + b"\n"


def _read_previous(line: bytes) -> str | None:
    """What a line says of the one before it; "" when it is none that can be read."""
    try:
        return read_line(line).previous_sha256 if line else ""
    except ValueError:
        return ""


def _is_record(line: bytes) -> bool:
    try:
        read_line(line)
    except ValueError:
        return False
    return True


def _copy(old: Path, log: Path, *, goes_on: bool) -> None:
    """Put what a log of before has in the place of one that has part of it."""
    durable.make_folders(log.parent)
    for part in list_parts(old):
        if not durable.is_there(log.with_name(part.name)):
            durable.copy_new(part, log.with_name(part.name))
    if not durable.is_there(old):
        return
    ours = list(_whole_lines(log)) if goes_on else []
    # a name that no other act gives: the log is not whole under it until it has been renamed
    new = durable.temporary_name(log.with_name(f"brought {log.name}"))
    new.unlink(missing_ok=True)
    durable.copy_new(old, new)
    line_log.end_last_line(new, _is_record)
    for line in ours:
        line_log.append_line(new, line)
    new.replace(log)
    durable.fsync_folder(log.parent)
