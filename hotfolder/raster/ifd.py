"""TIFF image file directories as plain data: parsed from any byte order, packed again.

Exif, GPS and interoperability data are such directories (CIPA DC-008, 4.5 and 4.6), whether
they stand in a TIFF or in the Exif block of a JPEG or PNG. A value keeps its type and its
bytes; nothing is interpreted that need not be.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

Reader = Callable[[int, int], bytes]
"""Bytes at an offset: ``read(offset, size)``; shorter than asked at the end of the file."""

TYPE_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4,
              16: 8, 17: 8, 18: 8, 129: 1}  # fmt: skip
"""Bytes per value of each TIFF 6.0, BigTIFF and Exif 3.0 (129, UTF-8) type."""

_SWAP_UNITS = {3: 2, 4: 4, 5: 4, 8: 2, 9: 4, 10: 4, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
_INTEGERS = {1: "B", 3: "H", 4: "I", 13: "I", 16: "Q", 18: "Q"}
_BIG_ONLY = {16, 17, 18}
_MAX_ENTRIES = 4096
_MAX_PAGES = 1000


@dataclass(frozen=True)
class Value:
    """A tag's value."""

    type: int
    """Number of the TIFF type."""

    count: int
    """How many values."""

    data: bytes
    """Their bytes in little-endian order."""

    @property
    def integers(self) -> tuple[int, ...]:
        """The values as integers; empty when they are of another kind."""
        code = _INTEGERS.get(self.type)
        return struct.unpack(f"<{self.count}{code}", self.data) if code else ()

    @property
    def rationals(self) -> tuple[float, ...]:
        """The values of a RATIONAL as numbers; a division by zero is 0."""
        if self.type != 5:
            return ()
        numbers = struct.unpack(f"<{2 * self.count}I", self.data)
        return tuple(
            over / under if under else 0.0
            for over, under in zip(numbers[::2], numbers[1::2], strict=True)
        )


Directory = Mapping[int, Value]


@dataclass(frozen=True, slots=True)
class Entry:
    """What a directory says of a tag, whose value is not read yet."""

    tag: int
    type: int
    count: int
    field: bytes
    """The values where they fit, else their offset."""
    where: int
    """That offset; without meaning where they fit."""

    @property
    def size(self) -> int:
        """Bytes of the values; 0 when the type is unknown."""
        return TYPE_SIZES.get(self.type, 0) * self.count

    @property
    def end(self) -> int:
        """Offset just behind the values; 0 where they fit into the entry."""
        return self.where + self.size if self.size > len(self.field) else 0

    def data(self, read: Reader) -> bytes:
        """The values in the file's byte order; fewer at the end of the file."""
        return read(self.where, self.size) if self.end else self.field[: self.size]


@dataclass(frozen=True)
class TiffStructure:
    """How a TIFF-structured block is to be read: byte order, classic or BigTIFF, first offset."""

    order: str
    big: bool
    first: int

    @property
    def pointer(self) -> str:
        """Format of an offset."""
        return "Q" if self.big else "I"


def structure(read: Reader) -> TiffStructure:
    """Read the header of a TIFF-structured block.

    Raises
    ------
    ValueError
        When it is none.
    """
    head = read(0, 16)
    order = {b"II": "<", b"MM": ">"}.get(head[:2])
    if order is None or len(head) < 8:
        raise ValueError("the TIFF header is missing")
    magic = struct.unpack_from(f"{order}H", head, 2)[0]
    if magic == 42:
        return TiffStructure(order, big=False, first=struct.unpack_from(f"{order}I", head, 4)[0])
    if magic == 43 and len(head) == 16:
        return TiffStructure(order, big=True, first=struct.unpack_from(f"{order}Q", head, 8)[0])
    raise ValueError("the TIFF header is missing")


def read_entries(read: Reader, tiff: TiffStructure, offset: int) -> tuple[list[Entry], int | None]:
    """Read what a directory says of its tags, and the offset of the next (0: none; None: cut off).

    Raises
    ------
    ValueError
        When there is no directory at `offset`.
    """
    counter = "Q" if tiff.big else "H"
    head_size, pointer_size = struct.calcsize(counter), struct.calcsize(tiff.pointer)
    head = read(offset, head_size)
    if offset < 8 or len(head) < head_size:
        raise ValueError("the directory of the TIFF is missing")
    count = struct.unpack(f"{tiff.order}{counter}", head)[0]
    if not 0 < count <= _MAX_ENTRIES:
        raise ValueError("the directory of the TIFF is empty")
    form = struct.Struct(f"{tiff.order}HH{2 * tiff.pointer}")
    table = read(offset + head_size, count * form.size + pointer_size)
    if len(table) < count * form.size:
        raise ValueError("the directory of the TIFF is cut short")
    entries = []
    for at in range(0, count * form.size, form.size):
        tag, kind, values, where = form.unpack_from(table, at)
        field = table[at + form.size - pointer_size : at + form.size]
        entries.append(Entry(tag, kind, values, field, where))
    rest = table[count * form.size :]
    complete = len(rest) == pointer_size
    return entries, struct.unpack(f"{tiff.order}{tiff.pointer}", rest)[0] if complete else None


def read_directory(
    read: Reader, tiff: TiffStructure, offset: int, max_bytes: int
) -> tuple[dict[int, Value], int]:
    """Read one directory and the offset of the next (0: none).

    A value that is longer than `max_bytes`, of an unknown type or outside the file is left out;
    so is what comes after four times as much, since every entry may point to the same bytes.

    Raises
    ------
    ValueError
        When there is no directory at `offset`.
    """
    entries, following = read_entries(read, tiff, offset)
    found: dict[int, Value] = {}
    left = 4 * max_bytes
    for entry in entries:
        size = entry.size
        if not 0 < size <= min(left, max_bytes) or len(data := entry.data(read)) != size:
            continue
        left -= size
        unit = _SWAP_UNITS.get(entry.type, 1)
        if tiff.order == ">" and unit > 1:
            data = b"".join(data[at : at + unit][::-1] for at in range(0, size, unit))
        found.setdefault(entry.tag, Value(entry.type, entry.count, data))
    return found, following or 0


def directories(
    read: Reader, tiff: TiffStructure, max_bytes: int
) -> Iterator[tuple[int, dict[int, Value]]]:
    """The chain of directories with their offsets, up to a thousand.

    A loop ends it, and so does a directory after the first that cannot be read.

    Raises
    ------
    ValueError
        When the first cannot be read.
    """
    seen: set[int] = set()
    offset = tiff.first
    while offset not in seen and len(seen) < _MAX_PAGES:
        try:
            directory, following = read_directory(read, tiff, offset, max_bytes)
        except ValueError:
            if seen:
                return
            raise
        seen.add(offset)
        yield offset, directory
        offset = following


def pack(directory: Directory, offset: int, *, big: bool = False) -> bytes:
    """Serialise a directory that will stand at `offset`: little-endian, its values behind it.

    The result has an even length, so that another directory may follow it. Nothing is chained
    to it. Values of types that only BigTIFF knows are left out of a classic one.
    """
    counter, entry, pointer, inline = ("<Q", "<HHQ", "<Q", 8) if big else ("<H", "<HHI", "<I", 4)
    tags = sorted(tag for tag in directory if big or directory[tag].type not in _BIG_ONLY)
    table = struct.pack(counter, len(tags))
    values_at = offset + len(table) + len(tags) * (struct.calcsize(entry) + inline) + inline
    values = b""
    for tag in tags:
        value = directory[tag]
        table += struct.pack(entry, tag, value.type, value.count)
        if len(value.data) <= inline:
            table += value.data.ljust(inline, b"\0")
        else:
            table += struct.pack(pointer, values_at + len(values))
            values += value.data + b"\0" * (len(value.data) % 2)
    return table + struct.pack(pointer, 0) + values
