"""What an AVIF or HEIC file says of its primary picture (ISO/IEC 23008-12): size, colours, turn.

Only lengths and numbers are looked at, before a codec sees a byte.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

from hotfolder.errors import Refuse
from hotfolder.raster.boxes import Box, walk_boxes
from hotfolder.raster.foreign import TRY_AGAIN

_XMP_TYPE = b"application/rdf+xml"
_MOST_EXTENTS = 4096
_ALPHA = (
    b"urn:mpeg:mpegB:cicp:systems:auxiliary:alpha",
    b"urn:mpeg:hevc:2015:auxid:1",
)
"""auxC types of alpha planes (ISO/IEC 23008-12; the second of HEVC's annex)."""

_TURNS = {
    (0, None): 1, (1, None): 8, (2, None): 3, (3, None): 6,
    (0, 0): 4, (1, 0): 5, (2, 0): 2, (3, 0): 7,
    (0, 1): 2, (1, 1): 7, (2, 1): 4, (3, 1): 5,
}  # fmt: skip
"""Quarter turns to the left (irot), then a mirroring (imir: 0 upside down, 1 left to right), as an
orientation of Exif."""


@dataclass
class Picture:
    """The primary picture."""

    width_px: int = 0
    """As stored."""
    height_px: int = 0
    """As stored."""
    bits: int = 8
    """Per channel."""
    channels: int = 3
    """1 for grey."""
    icc: bytes | None = None
    """The embedded profile."""
    code_points: bytes | None = None
    """Primaries, curve, matrix and range; see `colour_tags.from_code_points`."""
    orientation: int = 1
    """Of the stored pixels, in Exif's numbers."""
    is_cropped: bool = False
    """A part of the stored pixels is meant (clap)."""
    has_alpha: bool = False
    """Another item is its alpha plane."""
    exif: bytes | None = None
    """Its Exif block."""
    xmp: bytes | None = None
    """Its XMP packet."""
    others: int = 0
    """How many other full pictures there are."""


@dataclass
class _Item:
    kind: bytes = b""
    mime: bytes = b""
    is_hidden: bool = False
    properties: list[int] = field(default_factory=list)
    extents: list[tuple[int, int]] = field(default_factory=list)
    in_idat: bool = False
    refers: set[tuple[bytes, int]] = field(default_factory=set)


def read_primary(data: bytes) -> Picture:
    """Read what a file says of its primary picture.

    Raises
    ------
    Refuse
        ``damaged`` when it says nothing of one.
    """
    try:
        return _read(data)
    except (struct.error, LookupError, ValueError, StopIteration) as error:
        raise Refuse(
            "damaged",
            f"The file is damaged: the description of its picture cannot be read. {TRY_AGAIN}",
        ) from error


def _read(data: bytes) -> Picture:
    meta = next(box for box in _list(data, 0, len(data)) if box.type == b"meta")
    items: dict[int, _Item] = {}
    primary, idat = 0, b""
    properties: list[tuple[bytes, bytes]] = []
    for box in _list(data, meta.start + 4, meta.end):
        content = box.content(data)
        match box.type:
            case b"pitm":
                primary = struct.unpack_from(">I" if content[0] else ">H", content, 4)[0]
            case b"iinf":
                _read_infos(content, items)
            case b"iloc":
                _read_places(content, items)
            case b"iref":
                _read_references(content, items)
            case b"idat":
                idat = content
            case b"iprp":
                for inner in _list(data, box.start, box.end):
                    if inner.type == b"ipco":
                        properties = [
                            (each.type, each.content(data))
                            for each in _list(data, inner.start, inner.end)
                        ]
                    elif inner.type == b"ipma":
                        _read_associations(inner.content(data), items)
    own = items[primary]
    picture = Picture(
        others=sum(
            number != primary and not each.is_hidden and each.kind in {b"av01", b"hvc1", b"grid"}
            and not each.refers & {(b"auxl", primary), (b"thmb", primary)}
            for number, each in items.items()
        )
    )  # fmt: skip
    angle, axis = 0, None
    for index in own.properties:
        kind, content = properties[index]
        match kind:
            case b"ispe":
                picture.width_px, picture.height_px = struct.unpack_from(">II", content, 4)
            case b"pixi":
                picture.channels = content[4]
                picture.bits = max(content[5 : 5 + content[4]])
            case b"colr" if content[:4] in {b"prof", b"rICC"}:
                picture.icc = content[4:]
            case b"colr" if content[:4] == b"nclx":
                first, curve = struct.unpack_from(">HH", content, 4)
                # the decoder makes RGB of the full range of it, whatever the matrix
                if max(first, curve) < 256 and (first, curve) != (2, 2):
                    picture.code_points = bytes((first, curve, 0, 1))
            case b"av1C" if len(content) >= 3 and picture.bits == 8:
                # AV1-ISOBMFF, 2.3.3: high_bitdepth, twelve_bit, monochrome
                picture.bits = 8 if not content[2] & 0x40 else 12 if content[2] & 0x20 else 10
                picture.channels = 1 if content[2] & 0x10 else picture.channels
            case b"irot":
                angle = content[0] & 3
            case b"imir":
                axis = content[0] & 1
            case b"clap":
                picture.is_cropped = True
    picture.orientation = _TURNS[angle, axis]
    for item in items.values():
        if (b"auxl", primary) in item.refers:
            auxiliary = [content[4:] for kind, content in _of(item, properties) if kind == b"auxC"]
            picture.has_alpha |= any(each.startswith(_ALPHA) for each in auxiliary)
        if (b"cdsc", primary) in item.refers:
            block = _bytes_of(item, data, idat)
            if item.kind == b"Exif" and len(block) > 4:
                # ISO/IEC 23008-12, A.2.1: an offset to the TIFF header goes first
                picture.exif = block[4 + int.from_bytes(block[:4], "big") :]
            elif item.kind == b"mime" and item.mime == _XMP_TYPE:
                picture.xmp = block
    if not (picture.width_px and picture.height_px):
        raise ValueError("no size")
    return picture


def _list(data: bytes, start: int, end: int) -> list[Box]:
    return list(walk_boxes(data, start, end))


def _of(item: _Item, properties: list[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
    return [properties[index] for index in item.properties if index < len(properties)]


def _bytes_of(item: _Item, data: bytes, idat: bytes) -> bytes:
    source = idat if item.in_idat else data
    return b"".join(source[at : at + size] for at, size in item.extents)


def _read_infos(content: bytes, items: dict[int, _Item]) -> None:
    """Read iinf: a list of infe (8.11.6)."""
    for box in walk_boxes(content, 6 if content[0] == 0 else 8):
        if box.type != b"infe":
            continue
        body = box.content(content)
        version = body[0]
        if version < 2:
            continue
        number, at = (
            struct.unpack_from(">H", body, 4)[0] if version == 2 else
            struct.unpack_from(">I", body, 4)[0]
        ), (8 if version == 2 else 10)  # fmt: skip
        item = items.setdefault(number, _Item())
        item.kind = body[at : at + 4]
        item.is_hidden = bool(body[3] & 1)
        if item.kind == b"mime":
            item.mime = body[at + 4 :].split(b"\0")[1]


def _read_places(content: bytes, items: dict[int, _Item]) -> None:
    """Read iloc: where each item's bytes are (8.11.3)."""
    version = content[0]
    offset_size, length_size = content[4] >> 4, content[4] & 15
    base_size = content[5] >> 4
    index_size = content[5] & 15 if version in {1, 2} else 0
    at = 6
    wide = version == 2

    def take(size: int) -> int:
        nonlocal at
        at += size
        return int.from_bytes(content[at - size : at], "big")

    for _ in range(take(4 if wide else 2)):
        if at >= len(content):
            return
        item = items.setdefault(take(4 if wide else 2), _Item())
        if version in {1, 2}:
            item.in_idat = take(2) & 15 == 1
        take(2)
        base = take(base_size)
        for _ in range(min(take(2), _MOST_EXTENTS)):
            take(index_size)
            offset = take(offset_size)
            item.extents.append((base + offset, take(length_size)))


def _read_references(content: bytes, items: dict[int, _Item]) -> None:
    """Read iref: which item is about which (8.11.12)."""
    size = 4 if content[0] else 2
    for box in walk_boxes(content, 4):
        body = box.content(content)
        numbers = [
            int.from_bytes(body[at : at + size], "big")
            for at in (0, *range(size + 2, len(body) - size + 1, size))
        ]
        items.setdefault(numbers[0], _Item()).refers |= {
            (box.type, number) for number in numbers[1:]
        }


def _read_associations(content: bytes, items: dict[int, _Item]) -> None:
    """Read ipma: which properties an item has (ISO/IEC 23008-12, 9.3.1)."""
    number_size = 4 if content[0] else 2
    index_size = 2 if content[3] & 1 else 1
    at = 8
    for _ in range(int.from_bytes(content[4:8], "big")):
        if at + number_size >= len(content):
            return
        number = int.from_bytes(content[at : at + number_size], "big")
        count = content[at + number_size]
        at += number_size + 1
        listed = items.setdefault(number, _Item()).properties
        for _ in range(count):
            index = int.from_bytes(content[at : at + index_size], "big")
            index &= 0x7FFF if index_size == 2 else 0x7F
            at += index_size
            if index:
                listed.append(index - 1)
