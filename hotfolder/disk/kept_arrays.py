"""Arrays that cost time to compute and can always be computed again, kept in one folder.

Each set of arrays is a file. Its name is the hash of all that the arrays depend on, and the same
stands inside, so that a file under another's name is not believed. Neither is one whose bytes do
not have the checksum that it begins with: it was cut off or damaged. It is removed and the arrays
are computed anew. A checksum is enough against damage, and fifteen times as fast as a hash, which
took a fiftieth of a job; whoever could forge one as this user could forge the other.

Nothing here is waited for, and nothing is flushed: a file that a kill or a power cut leaves half
written is found out when it is next read. A file appears under its name in one rename, so that any
number of processes can read and write at once; where two write the same one, the later one stays.
Whoever has mapped the earlier one goes on with it.

A folder or a file that belongs to another user, and a link in their place, are left alone.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import mmap
import os
import secrets
import stat
import time
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Final

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from hotfolder.disk import durable, platforms

Arrays = Mapping[str, NDArray[Any]]
Key = Mapping[str, str | int | float | bool | None]
"""All that arrays depend on, by name."""

SUFFIX: Final = ".points"

_MAGIC: Final = b"hotfolder arrays 2\n"
_CHECKSUM_BYTES: Final = 4
_SIZE_BYTES: Final = 8
_HEAD_BYTES: Final = len(_MAGIC) + _CHECKSUM_BYTES + _SIZE_BYTES
_LONGEST_DESCRIPTION: Final = 2**16
_ALIGNED: Final = 64
_KINDS: Final = frozenset({"<u2", "<i4", "<i8", "<f4", "<f8", "|u1"})
_CHUNK: Final = 2**20
_crc32: Any = imagecodecs.deflate_crc32 if imagecodecs.DEFLATE.available else zlib.crc32
"""Its stub leaves out `memoryview`, which it takes."""
_LEFT_BEHIND_S: Final = 3600.0
"""Age from which a temporary file has no writer any more."""


@dataclass(frozen=True)
class ArrayFolder:
    """A folder of arrays, of limited size."""

    folder: Path
    """Is made when something is first kept in it; the one above must be there."""

    most_bytes: int
    """What all files may take together. Those that were not used for longest go first."""

    @property
    def most_of_one(self) -> int:
        """What one file may take; more is not kept."""
        return self.most_bytes // 4

    def load(self, key: Key) -> Arrays | None:
        """Return kept arrays, mapped read-only; None when there are none that can be believed.

        Reading is enough to use them: a folder that cannot be written to is no hindrance.
        """
        path = self._path(key)
        try:
            if not _is_ours(self.folder.lstat(), stat.S_ISDIR):
                return None
            file = platforms.open_regular(path)
        except OSError:
            return None
        with os.fdopen(file, "rb") as opened:
            try:
                if not _is_ours(os.fstat(opened.fileno()), stat.S_ISREG):
                    return None
                arrays = _read(opened, key)
            except (OSError, ValueError, KeyError, TypeError, RecursionError):
                arrays = None
        with contextlib.suppress(OSError):
            if arrays is None:
                path.unlink()
            else:
                os.utime(path, follow_symlinks=False)
        return arrays

    def save(self, key: Key, arrays: Arrays) -> None:
        """Keep arrays, in place of those that had the same key.

        What takes more than `most_of_one` is not kept.

        Raises
        ------
        OSError
            When they cannot be kept; nothing else is wrong then.
        """
        self._make_folder()
        data = [np.ascontiguousarray(array) for array in arrays.values()]
        size = sum(array.nbytes for array in data)
        if size > self.most_of_one + _LONGEST_DESCRIPTION:
            return
        head, padding = _describe(key, dict(zip(arrays, data, strict=True)))
        parts: list[bytes | memoryview] = [head]
        for array, gap in zip(data, padding, strict=True):
            parts += [gap, array.reshape(-1).view(np.uint8).data]
        checksum = 0
        for part in parts:
            checksum = _checked(part, checksum)
        temporary = self.folder / f"{durable.TEMPORARY_PREFIX}{secrets.token_hex(8)}"
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        flags |= getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NOFOLLOW", 0)
        try:
            with os.fdopen(os.open(temporary, flags, 0o600), "wb") as file:
                file.write(_MAGIC + checksum.to_bytes(_CHECKSUM_BYTES, "little"))
                file.writelines(parts)
            temporary.replace(self._path(key))
        except BaseException:
            with contextlib.suppress(OSError):
                temporary.unlink()
            raise
        self.trim()

    def stamp(self, key: Key) -> tuple[int, int] | None:
        """Tell one version of a file from the next; None while there is none."""
        try:
            found = self._path(key).lstat()
        except OSError:
            return None
        return found.st_ino, found.st_size

    def trim(self) -> None:
        """Remove what was not used for longest, until the rest fits, and what a kill left."""
        found: list[tuple[float, int, Path]] = []
        with os.scandir(self.folder) as entries:
            for entry in entries:
                with contextlib.suppress(OSError):
                    about = entry.stat(follow_symlinks=False)
                    if entry.name.startswith(durable.TEMPORARY_PREFIX):
                        if about.st_mtime < time.time() - _LEFT_BEHIND_S:
                            Path(entry.path).unlink()
                    elif entry.name.endswith(SUFFIX):
                        found.append((about.st_mtime, about.st_size, Path(entry.path)))
        total = sum(size for _, size, _ in found)
        for _, size, path in sorted(found):
            if total <= self.most_bytes:
                break
            with contextlib.suppress(OSError):
                path.unlink()
                total -= size

    def _make_folder(self) -> None:
        with contextlib.suppress(FileExistsError):
            self.folder.mkdir(0o700)
        if not _is_ours(self.folder.lstat(), stat.S_ISDIR):
            raise PermissionError(f"{self.folder} is no folder of this user")

    def _path(self, key: Key) -> Path:
        return self.folder / f"{hashlib.sha256(_as_json(key)).hexdigest()}{SUFFIX}"


def _is_ours(about: os.stat_result, is_kind: Any) -> bool:
    own = os.geteuid() if hasattr(os, "geteuid") else about.st_uid
    return bool(is_kind(about.st_mode)) and about.st_uid == own


def _as_json(value: object) -> bytes:
    return json.dumps(value, sort_keys=True, separators=(",", ":")).encode()


def _describe(key: Key, arrays: Arrays) -> tuple[bytes, list[bytes]]:
    """Return what stands before the arrays, after the checksum, and the gap before each array."""
    rows = []
    for name, array in arrays.items():
        kind = array.dtype.newbyteorder("<").str
        if kind not in _KINDS or array.dtype.str != kind:
            raise TypeError(f"{name} is of {array.dtype}, which is not kept")
        rows.append([name, kind, list(array.shape)])
    said = _as_json({"key": dict(key), "arrays": rows})
    head = len(said).to_bytes(_SIZE_BYTES, "little") + said
    at, gaps = len(_MAGIC) + _CHECKSUM_BYTES + len(head), []
    for array in arrays.values():
        gaps.append(b"\0" * (-at % _ALIGNED))
        at += len(gaps[-1]) + array.nbytes
    return head, gaps


def _checked(part: bytes | memoryview, checksum: int) -> int:
    """Continue a checksum, CRC-32 as zlib has it, over the next part."""
    return int(_crc32(part, checksum))


def _read(file: BinaryIO, key: Key) -> Arrays | None:
    """Check a file and map it. All is read first: an error of the disk is met here, as an error."""
    size = os.fstat(file.fileno()).st_size
    head = file.read(_HEAD_BYTES)
    if len(head) < _HEAD_BYTES or not head.startswith(_MAGIC):
        return None
    expected = int.from_bytes(head[len(_MAGIC) : -_SIZE_BYTES], "little")
    length = int.from_bytes(head[-_SIZE_BYTES:], "little")
    if length > _LONGEST_DESCRIPTION:
        return None
    said = file.read(length)
    checksum = _checked(said, _checked(head[-_SIZE_BYTES:], 0))
    chunk = bytearray(_CHUNK)
    while count := file.readinto(chunk):  # type: ignore[attr-defined]
        checksum = _checked(memoryview(chunk)[:count], checksum)
    if checksum != expected:
        return None
    described = json.loads(said)
    if described["key"] != dict(key):
        return None
    mapped = mmap.mmap(file.fileno(), size, access=mmap.ACCESS_READ)
    at, found = _HEAD_BYTES + length, {}
    for name, kind, shape in described["arrays"]:
        if kind not in _KINDS:
            return None
        at += -at % _ALIGNED
        count = int(np.prod(shape))
        array = np.frombuffer(mapped, np.dtype(kind), count, at) if count else np.empty(0, kind)
        found[name] = array.reshape(shape)
        at += array.nbytes
    return found if at == size else None
