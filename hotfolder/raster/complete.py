"""Whether a picture file has arrived to its end, told from its container alone.

Nothing is decoded: only lengths, offsets and end marks are looked at, in bounded reads, so that
this may run in the process that must never be brought down by a file. A file that passes can
still be damaged inside; one that does not pass is not whole.

A file can have its full size long before its bytes: copy programs set it first. Size and time
say nothing then, but the end of the container is still missing.

Sources: JPEG, ITU-T T.81 Annex B; PNG, W3C Portable Network Graphics, third edition, clause 5;
TIFF 6.0, section 2; BigTIFF, design of the libtiff project.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hotfolder.disk import pulse
from hotfolder.disk.platforms import open_regular
from hotfolder.raster import ifd
from hotfolder.raster.complete_others import PSD, PSD_TAIL, find_missing_end

_CHUNK = 2**20
_TAIL = 64 * 2**10
_MAX_JPEG_SCAN = 256 * 2**20
_MAX_JPEG_SEGMENTS = 4096
_MAX_PNG_CHUNKS = 2**20
_MAX_DIRECTORIES = 64
_MAX_SEGMENTS = 2**22
_EMPTY_TAIL_COMPRESSED = 256
_EMPTY_TAIL_UNCOMPRESSED = 2**20

_UNSIGNED = frozenset({3, 4, 13, 16, 18})
"""TIFF types of unsigned integers of 2, 4 and 8 bytes."""
_COMPRESSION, _SUB_DIRECTORIES = 259, 330
_SEGMENTS = ((273, 279), (324, 325))
"""Tags of the offsets and byte counts of strips, and of tiles."""


@dataclass(frozen=True)
class Completeness:
    """Whether a file has arrived to its end."""

    complete: bool
    reason: str = ""
    """Why not, as a plain sentence; "" when it is complete."""
    certain: bool = True
    """False when the file may be whole all the same: an uncompressed picture whose last part is
    black looks like one whose last part has not arrived."""


_PERHAPS = "The last rows of the picture are all zero: they are black, or have not arrived."
COMPLETE = Completeness(complete=True)


def container_end(source: int | str | Path) -> Completeness:
    """Tell whether the container in a file ends where it should.

    Parameters
    ----------
    source
        A path, or a descriptor open for reading; its position may change.

    Returns
    -------
    Completeness
        JPEG: there is an end mark behind the picture's data. PNG: the chunks lead to ``IEND``.
        TIFF and BigTIFF: every directory, value, strip and tile lies inside the file, and the last
        one is not empty. Others that are read: see `complete_others`. What else there is counts as
        complete: the reader says what it is.

    Raises
    ------
    OSError
        When the file cannot be opened or read.
    """
    if isinstance(source, int):
        return _container_end(_File(source))
    number = open_regular(source)
    try:
        return _container_end(_File(number))
    finally:
        os.close(number)


class _Cut(Exception):
    """The container does not end where it should; the message says how that shows."""


class _Doubt(_Cut):
    """It may not end where it should."""


class _File:
    """Bounded reads at any place."""

    def __init__(self, number: int) -> None:
        self._number = number
        self.size = os.fstat(number).st_size

    def read(self, offset: int, size: int) -> bytes:
        """Read what there is: fewer bytes at the end of the file, none behind it."""
        if offset >= self.size:
            return b""
        os.lseek(self._number, offset, os.SEEK_SET)
        parts = []
        while size > 0 and (part := os.read(self._number, size)):
            parts.append(part)
            pulse.beat()
            size -= len(part)
        return b"".join(parts)

    def is_empty(self, start: int, end: int) -> bool:
        """Whether all bytes from `start` to `end` are zero; there must be some."""
        return end > start and not any(
            self.read(at, min(_CHUNK, end - at)).strip(b"\0") for at in range(start, end, _CHUNK)
        )


def _container_end(file: _File) -> Completeness:
    try:
        _check(file, file.read(0, 16))
    except _Doubt as found:
        return Completeness(complete=False, reason=str(found), certain=False)
    except _Cut as found:
        return Completeness(complete=False, reason=str(found))
    return COMPLETE


def _check(file: _File, head: bytes) -> None:
    if not head.strip(b"\0"):
        raise _Cut("The file is empty.")
    if head.startswith(b"\xff\xd8"):
        _check_jpeg(file)
    elif head.startswith(b"\x89PNG\r\n\x1a\n"):
        _check_png(file)
    elif head[:4] in {b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"}:
        _check_tiff(file)
    elif reason := find_missing_end(file.read, file.size, head):
        raise _Cut(reason)
    elif head.startswith(PSD) and file.is_empty(max(0, file.size - PSD_TAIL), file.size):
        raise _Doubt(_PERHAPS)


def _check_jpeg(file: _File) -> None:
    data = _start_of_jpeg_data(file)
    # inside the data a marker byte is always followed by zero, so an end mark there is one; the
    # usual file has it in its last bytes, and others have more pictures or notes behind it
    if b"\xff\xd9" in file.read(max(data, file.size - _TAIL), _TAIL):
        return
    last = b""
    for at in range(data, min(file.size, data + _MAX_JPEG_SCAN), _CHUNK):
        chunk = file.read(at, _CHUNK)
        if b"\xff\xd9" in last + chunk:
            return
        last = chunk[-1:]
    raise _Cut("The file ends before its picture does: the end mark of the JPEG is missing.")


def _start_of_jpeg_data(file: _File) -> int:
    """Offset just behind the header of the first scan."""
    at = 2
    for _ in range(_MAX_JPEG_SEGMENTS):
        head = file.read(at, 4)
        if len(head) < 4 or head[0] != 0xFF:
            break
        marker = head[1]
        if marker == 0xFF:  # a fill byte, B.1.1.2
            at += 1
        elif marker == 0x01 or 0xD0 <= marker <= 0xD7:  # markers without a length
            at += 2
        else:
            at += 2 + int.from_bytes(head[2:], "big")
            if marker == 0xDA:
                return at
    raise _Cut("The file ends before its picture begins: the JPEG has only the start of a header.")


def _check_png(file: _File) -> None:
    at = 8
    for _ in range(_MAX_PNG_CHUNKS):
        head = file.read(at, 8)
        kind = head[4:]
        if len(head) < 8 or not kind.isalpha():
            break
        at += 12 + int.from_bytes(head[:4], "big")
        if at > file.size:
            break
        if kind == b"IEND":
            return
    raise _Cut("The file ends before its picture does: the end mark of the PNG is missing.")


@dataclass(frozen=True)
class _Segment:
    """The strip or tile that ends last in the file."""

    start: int
    end: int
    compressed: bool


def _check_tiff(file: _File) -> None:
    try:
        tiff = ifd.structure(file.read)
    except ValueError as error:
        raise _Cut(f"The file ends before its picture does: {error}.") from error
    waiting = [tiff.first]
    seen: set[int] = set()
    last: _Segment | None = None
    while waiting and len(seen) < _MAX_DIRECTORIES:
        offset = waiting.pop(0)
        if offset == 0 or offset in seen:
            continue
        seen.add(offset)
        values, following = _directory(file, tiff, offset)
        waiting += [*_numbers(values.get(_SUB_DIRECTORIES)), following]
        for segment in _last_segments(file, values):
            if last is None or segment.end > last.end:
                last = segment
    if last is None:
        raise _Cut("The file ends before its picture does: the TIFF says nothing of its rows.")
    _check_not_empty(file, last)


def _directory(
    file: _File, tiff: ifd.TiffStructure, offset: int
) -> tuple[dict[int, NDArray[np.uint64]], int]:
    """Values of a directory that are wanted, and where the next one is."""
    try:
        entries, following = ifd.read_entries(file.read, tiff, offset)
    except ValueError as error:
        raise _Cut(f"The file ends before its picture does: {error}.") from error
    if following is None or any(entry.end > file.size for entry in entries):
        raise _Cut("The file ends before its picture does: a part of the TIFF is missing.")
    values = {}
    for entry in entries:
        if entry.tag not in _WANTED or entry.tag in values or entry.type not in _UNSIGNED:
            continue
        if entry.count <= _MAX_SEGMENTS:
            data = entry.data(file.read)
            if len(data) < entry.size:  # somebody has cut the file while it is read
                raise _Cut("The file ends before its picture does: a part of the TIFF is missing.")
            of_kind = np.dtype(f"{tiff.order}u{ifd.TYPE_SIZES[entry.type]}")
            values[entry.tag] = np.frombuffer(data, of_kind).astype(np.uint64)
    return values, following


_WANTED = frozenset({_COMPRESSION, _SUB_DIRECTORIES, *(tag for pair in _SEGMENTS for tag in pair)})


def _last_segments(file: _File, values: dict[int, NDArray[np.uint64]]) -> Iterator[_Segment]:
    """Check that the strips and tiles of a directory are inside the file; yield the last one."""
    compressed = _numbers(values.get(_COMPRESSION)) not in ([], [1])
    for offsets_tag, counts_tag in _SEGMENTS:
        offsets = values.get(offsets_tag)
        if offsets is None or not offsets.size:
            continue
        counts = values.get(counts_tag, np.ones_like(offsets))
        both = min(offsets.size, counts.size)
        offsets, counts = offsets[:both], counts[:both]
        size = np.uint64(file.size)
        # the subtraction wraps only where the first comparison has settled it already
        if np.any((counts > 0) & ((offsets > size) | (counts > size - offsets))):
            raise _Cut("The file ends before its picture does: some of its rows are missing.")
        ends = np.where(counts > 0, offsets + counts, 0)
        if ends.size:
            index = int(ends.argmax())
            yield _Segment(int(offsets[index]), int(ends[index]), compressed)


def _check_not_empty(file: _File, last: _Segment) -> None:
    if last.compressed:
        start = max(last.start, last.end - _EMPTY_TAIL_COMPRESSED)
        if last.end - start >= 16 and file.is_empty(start, last.end):
            raise _Cut("The last rows of the picture are missing: the file has only zeros there.")
        return
    start = last.end - min(_EMPTY_TAIL_UNCOMPRESSED, last.end // 4)
    if file.is_empty(start, last.end):
        raise _Doubt(_PERHAPS)


def _numbers(values: NDArray[np.uint64] | None) -> list[int]:
    return [] if values is None else [int(value) for value in values[:_MAX_DIRECTORIES]]
