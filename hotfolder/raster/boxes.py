"""Boxes of the ISO base media file format (ISO/IEC 14496-12, 4.2): length, type, content.

AVIF, HEIC, JPEG XL and JPEG 2000 files are made of them.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

_MOST_BOXES = 4096
AVIF_BRANDS: Final = frozenset({b"avif", b"avis"})
HEIC_BRANDS: Final = frozenset({
    b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"hevm", b"hevs",
    b"mif1", b"mif2", b"msf1",
})  # fmt: skip
"""Of HEVC, and of pictures of any codec (ISO/IEC 23008-12, annex B)."""


@dataclass(frozen=True)
class Box:
    """One box."""

    type: bytes
    """Four bytes."""
    start: int
    """Offset of its content."""
    end: int
    """Offset just behind it; beyond the data where these are cut short."""
    to_the_end: bool = False
    """It has no length and goes to the end of the file."""

    def content(self, data: bytes) -> bytes:
        """Its bytes; fewer where the data are cut short."""
        return data[self.start : self.end]


def walk_boxes(data: bytes, start: int = 0, end: int | None = None) -> Iterator[Box]:
    """Walk through boxes that follow each other; what is no box ends it."""
    stop = len(data) if end is None else min(end, len(data))
    at = start
    for _ in range(_MOST_BOXES):
        if at + 8 > stop:
            return
        size, kind = struct.unpack_from(">I4s", data, at)
        head = 8
        if size == 1:
            if at + 16 > stop:
                return
            size, head = struct.unpack_from(">Q", data, at + 8)[0], 16
        to_the_end = size == 0
        if to_the_end:
            size = stop - at
        if size < head:
            return
        yield Box(kind, at + head, at + size, to_the_end)
        at += size


def brands(head: bytes) -> frozenset[bytes]:
    """Return the brands of a file whose first box is ``ftyp``, the major one among them."""
    first = next(walk_boxes(head), None)
    if first is None or first.type != b"ftyp":
        return frozenset()
    content = first.content(head)
    listed = {content[at : at + 4] for at in range(8, len(content) - 3, 4)}
    return frozenset({content[:4], *listed})


def major_brand(head: bytes) -> bytes:
    """Return the brand that a file's first box names first; ``b""`` when it has none."""
    return head[8:12] if head[4:8] == b"ftyp" else b""
