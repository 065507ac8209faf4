"""Whether a file of boxes, of chunks, or with a flat picture has arrived to its end.

Lengths alone are looked at, in bounded reads (see `complete`). Bare codestreams of JPEG XL and
OpenEXR files do not say where they end in a place that is quickly found: of them only a last part
is noticed that has not arrived at all, and the reader finds the rest.

Sources: ISO/IEC 14496-12, 4.2 (boxes); RFC 9649, 2.4 (WebP); `psd_read`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from hotfolder.raster.boxes import AVIF_BRANDS, HEIC_BRANDS, brands

Read = Callable[[int, int], bytes]
"""Bytes at an offset: ``read(offset, size)``; fewer at the end of the file."""

_MOST_BOXES = 4096
_EMPTY_TAIL: Final = 256
PSD: Final = b"8BPS"
PSD_TAIL: Final = 4096
"""So many zeros at the end of a PSD are a doubt: its last rows are black, or have not arrived."""
_CUT: Final = "The file ends before its picture does."
_HEAD = 4096
_CHUNK = 2**20
_MOST_CHUNKS = 1024
_NEEDED: Final = {
    b"ftyp": ({b"meta"}, {b"mdat"}),
    b"JXL ": ({b"jxlc", b"jxlp"},),
    b"jP  ": ({b"jp2c"},),
}
"""By the type of the first box (of an AVIF or HEIC, a JPEG XL, a JPEG 2000): one of each of these
is a picture, and what comes behind is no part of it."""


def find_missing_end(read: Read, size: int, head: bytes) -> str:
    """Say why a file has not arrived to its end; "" when it has, or when nobody can say.

    Parameters
    ----------
    read
        Reads the file.
    size
        Of the file, in bytes.
    head
        Its first 16 bytes.
    """
    end: int | None = size
    is_named = head[4:8] == b"ftyp" and len(head) >= 12 and 0 not in head[8:12]
    if is_named and not brands(read(0, _HEAD)) & (AVIF_BRANDS | HEIC_BRANDS):
        return ""  # a video, say: the reader says what it is
    if head[4:8] in _NEEDED:
        end = _find_end_of_boxes(read, size, _NEEDED[head[4:8]])
    elif head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        end = 8 + int.from_bytes(head[4:8], "little")
    elif head.startswith(b"\xff\x4f\xff\x51"):
        end = _find_end_mark(read, size)
    elif head.startswith(PSD):
        return "" if _has_flat_picture(read, size) else _CUT
    elif not head.startswith((b"\xff\x0a", b"\x76\x2f\x31\x01")):
        return ""
    if end is None or end > size:
        return _CUT
    if end > _EMPTY_TAIL and not read(end - _EMPTY_TAIL, _EMPTY_TAIL).strip(b"\0"):
        return "The last part of the picture is missing: the file has only zeros there."
    return ""


def _find_end_of_boxes(read: Read, size: int, needed: tuple[set[bytes], ...]) -> int | None:
    """Where the last box ends that is needed; None when one is missing."""
    found: set[bytes] = set()
    at = 0
    for _ in range(_MOST_BOXES):
        head = read(at, 16)
        length, kind = int.from_bytes(head[:4], "big"), head[4:8]
        if length == 1:
            length = int.from_bytes(head[8:16], "big")
        if length == 0 and any(kind in each for each in needed):
            length = size - at  # to the end of the file, wherever that is
        if len(head) < 8 or length < 8 or at + length > size:
            break
        found.add(kind)
        at += length
        if all(found & each for each in needed) and not read(at, 1):
            return at
    return at if all(found & each for each in needed) else None


def _find_end_mark(read: Read, size: int) -> int | None:
    """Where the codestream of a JPEG 2000 ends: its mark stands nowhere within the data."""
    last = b""
    for at in range(0, min(size, _CHUNK * _MOST_CHUNKS), _CHUNK):
        part = last + read(at, _CHUNK)
        if (found := part.find(b"\xff\xd9")) >= 0:
            return at - len(last) + found + 2
        last = part[-1:]
    return None


def _has_flat_picture(read: Read, size: int) -> bool:
    """Whether a PSD or PSB has its sections, and its flat picture as long as it says."""
    head = read(0, 26)
    if len(head) < 26:
        return False
    large = head[5] == 2
    channels, height = int.from_bytes(head[12:14], "big"), int.from_bytes(head[14:18], "big")
    width, depth = int.from_bytes(head[18:22], "big"), int.from_bytes(head[22:24], "big")
    at = 26
    for wide in (4, 4, 8 if large else 4):
        length = read(at, wide)
        at += wide + int.from_bytes(length, "big")
        if len(length) < wide or at + 2 > size:
            return False
    rows = channels * height
    compression = int.from_bytes(read(at, 2), "big")
    if compression == 0:
        return at + 2 + rows * ((width * depth + 7) // 8) <= size
    if compression == 1:
        # the rows' lengths stand first; they are summed by the reader, which says if rows miss
        return at + 2 + rows * (4 if large else 2) < size
    return True
