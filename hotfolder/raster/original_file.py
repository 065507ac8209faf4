"""The original as an open file: regular, never a link or a device, read at any offset."""

from __future__ import annotations

import os
import stat
import threading
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hotfolder.errors import Refuse
from hotfolder.raster.foreign import cut_short


class OriginalFile:
    """A regular file opened for reading; `read` may be called from several threads.

    Raises
    ------
    Refuse
        ``not-a-file`` for a folder, link, pipe or device, ``empty-file`` for no content.
    OSError
        When it cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        self._check_kind(path.lstat().st_mode)
        # Between lstat and open the name may come to mean something else: no link is followed,
        # a pipe does not block, and what was opened is looked at again.
        self.handle = open(path, "rb", buffering=0, opener=_open_plainly)  # noqa: SIM115
        try:
            status = os.fstat(self.handle.fileno())
            self._check_kind(status.st_mode)
            self._check_content(status.st_size)
        except BaseException:
            self.handle.close()
            raise
        self.size = status.st_size
        self._lock = threading.Lock()

    def read(self, offset: int, size: int) -> bytes:
        """Up to `size` bytes at `offset`; fewer at the end of the file."""
        size = min(size, max(0, self.size - offset))
        parts = []
        with self._lock:
            self.handle.seek(min(offset, self.size))
            while size > 0 and (part := self.handle.read(size)):
                parts.append(part)
                size -= len(part)
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def read_into(self, offset: int, array: NDArray[np.generic]) -> None:
        """Fill a C-contiguous array from `offset`.

        Raises
        ------
        Refuse
            When the file ends before the array is full.
        """
        view = array.reshape(-1).view("u1").data
        done = 0
        with self._lock:
            self.handle.seek(offset)
            while done < len(view):
                count = self.handle.readinto(view[done:])
                if not count:
                    raise cut_short("the picture's last rows are missing")
                done += count

    def close(self) -> None:
        """Close the file."""
        self.handle.close()

    @staticmethod
    def _check_kind(mode: int) -> None:
        if not stat.S_ISREG(mode):
            kind = (
                "a folder"
                if stat.S_ISDIR(mode)
                else "a link"
                if stat.S_ISLNK(mode)
                else "a pipe or a device"
            )
            raise Refuse("not-a-file", f"This is {kind}, not a picture. Drop the file itself.")

    @staticmethod
    def _check_content(size: int) -> None:
        if not size:
            raise Refuse("empty-file", "The file is empty. Export or copy it again and drop it.")


def _open_plainly(path: str, flags: int) -> int:
    return os.open(path, flags | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))
