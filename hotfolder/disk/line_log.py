"""Logs of lines that are only appended to, durably: a line is there whole, or not at all.

As in `hotfolder.disk.durable`, every function lets `OSError` pass.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Callable, Iterator
from io import FileIO
from pathlib import Path

from hotfolder.disk import durable, platforms

_TAIL = 64 * 2**10


def append_line(path: str | Path, line: bytes) -> int:
    """Append one line to a log of lines, durably; the line end is added when it is missing.

    A last line without its end is what a crash left of an append that never returned, so it is
    cut off first, and whoever appended it appends it again. After an error the log is cut back
    to what it was. There must be one writer at a time.

    Returns
    -------
    int
        Number of bytes of a torn line that were cut off; 0 as a rule.

    Raises
    ------
    ValueError
        When `line` is more than one line, or empty.
    """
    text = line.removesuffix(b"\n")
    if not text or b"\n" in text:
        raise ValueError("exactly one line can be appended")
    is_new = not os.path.lexists(path)
    with _opened_log(path) as file:
        size = file.seek(0, os.SEEK_END)
        whole = _end_of_last_line(file.fileno(), size)
        if whole < size:
            file.truncate(whole)
        try:
            file.seek(whole)
            durable.write_all(file.fileno(), text + b"\n")
            platforms.sync_file(file.fileno())
        except OSError:
            with contextlib.suppress(OSError):  # the next append heals what this cannot
                file.truncate(whole)
            raise
    if is_new:
        durable.fsync_folder(Path(path).parent)
    return size - whole


def end_last_line(path: str | Path, is_whole: Callable[[bytes], bool]) -> None:
    """Give the last line of a log its end back, durably, when only that is missing.

    An editor may have saved the log without it. is_whole: whether such a line is all there; one
    that is not is what a crash left, and stays for `append_line` to cut off.
    """
    if not durable.is_there(path):
        return
    with _opened_log(path) as file:
        size = file.seek(0, os.SEEK_END)
        start = _end_of_last_line(file.fileno(), size)
        file.seek(start)
        if start < size and is_whole(file.read(size - start)):
            file.seek(size)
            durable.write_all(file.fileno(), b"\n")
            platforms.sync_file(file.fileno())


@contextlib.contextmanager
def _opened_log(path: str | Path) -> Iterator[FileIO]:
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
    flags |= getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NONBLOCK", 0)
    with os.fdopen(os.open(path, flags, 0o644), "r+b", 0) as file:
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise OSError(errno.EINVAL, "not a regular file", str(path))
        yield file


def _end_of_last_line(file: int, size: int) -> int:
    """Offset just after the last line end, looking backwards piece by piece; 0 without any."""
    end = size
    while end > 0:
        start = max(0, end - _TAIL)
        os.lseek(file, start, os.SEEK_SET)
        piece = b""
        while len(piece) < end - start:
            more = os.read(file, end - start - len(piece))
            if not more:
                break
            piece += more
        found = piece.rfind(b"\n")
        if found >= 0:
            return start + found + 1
        end = start
    return 0
