"""Exif blocks (CIPA DC-008-2019, Exif 2.32): read, built from a TIFF's tags, made upright.

A block holds the main directory and, pointed to by it, the Exif, GPS and interoperability
directories. What is built here never holds a thumbnail or a maker note: the one shows the
picture before the work, the other breaks when it is moved.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from hotfolder.raster.ifd import Directory, Reader, TiffStructure, Value, pack, read_directory
from hotfolder.raster.ifd import structure as tiff_structure

ORIENTATION = 274
X_RESOLUTION = 282
Y_RESOLUTION = 283
RESOLUTION_UNIT = 296
EXIF_DIRECTORY = 34665
GPS_DIRECTORY = 34853
INTEROPERABILITY_DIRECTORY = 40965
_NAMES = {0x9214: "SubjectArea"}  # tifffile has the name that another standard gives it
_MAKER_NOTE = 37500
_COLOUR_SPACE = 0xA001
_INTEROPERABILITY_INDEX = 1

DESCRIPTIVE = frozenset({270, 271, 272, 305, 306, 315, 33432}) | frozenset(
    {18246, 18249, *range(40091, 40096)}
)
"""ImageDescription, Make, Model, Software, DateTime, Artist, Copyright (Exif 2.32, table 4); a
rating, as stars and per cent; title, comment, author, keywords and subject in UTF-16 (in no
standard; common practice).
"""

_STORAGE = frozenset(
    {*range(254, 260), 262, 263, 266, 273, *range(277, 282), 284, *range(290, 294), 297, 317}
    | {*range(320, 326), *range(332, 340), *range(341, 348), *range(512, 522), *range(529, 532)}
    | {700, 33723, 34675, EXIF_DIRECTORY, GPS_DIRECTORY, INTEROPERABILITY_DIRECTORY}
)
"""Tags that say how a file stores its pixels (TIFF 6.0), or point to what is read elsewhere."""

_DESCRIPTION = 270
_MAIN = DESCRIPTIVE | {X_RESOLUTION, Y_RESOLUTION, RESOLUTION_UNIT}
_MAX_VALUE_BYTES = 2**20
_UTF_16 = b"UNICODE\0"
_CM_PER_INCH = 2.54


@dataclass(frozen=True)
class ExifDirectories:
    """The directories of an Exif block, without the pointers between them."""

    main: Directory = field(default_factory=dict)
    """Of the picture: tables 3 and 4 of the standard."""

    exif: Directory = field(default_factory=dict)
    """Of the camera."""

    gps: Directory = field(default_factory=dict)
    """Of the place."""

    interoperability: Directory = field(default_factory=dict)
    """Of the colour space."""

    left_out: tuple[str, ...] = field(default=(), compare=False)
    """Names of what stood in the block and is not in them."""

    def __bool__(self) -> bool:
        return any((self.main, self.exif, self.gps, self.interoperability))


def parse(block: bytes) -> ExifDirectories:
    """Read an Exif block.

    Parameters
    ----------
    block
        TIFF-structured, without the ``Exif`` prefix.

    Returns
    -------
    What it holds, thumbnail and maker note left out.

    Raises
    ------
    ValueError
        When its main directory cannot be read; a broken directory below it is left out.
    """

    def read(offset: int, size: int) -> bytes:
        return block[offset : offset + size]

    tiff = tiff_structure(read)
    main, following = read_directory(read, tiff, tiff.first, _MAX_VALUE_BYTES)
    found = below(read, tiff, main)
    if following:  # 4.5.3: the second directory is the thumbnail's
        return replace(found, left_out=(*found.left_out, "Thumbnail"))
    return found


def below(read: Reader, tiff: TiffStructure, main: Directory) -> ExifDirectories:
    """The Exif directories that the main directory of a block or of a TIFF points to."""
    exif = _pointed(read, tiff, main, EXIF_DIRECTORY)
    kept = {tag: value for tag, value in main.items() if tag in _MAIN | {ORIENTATION}}
    if _DESCRIPTION in kept and _is_about_an_array(kept[_DESCRIPTION].data):
        del kept[_DESCRIPTION]
    left_out = [name_of(tag) for tag in sorted(main.keys() - kept.keys() - _STORAGE)]
    left_out += [name_of(_MAKER_NOTE)] if _MAKER_NOTE in exif else []
    return ExifDirectories(
        main=kept,
        exif={
            tag: _in_our_order(value, tiff)
            for tag, value in exif.items()
            if tag not in {_MAKER_NOTE, INTEROPERABILITY_DIRECTORY}
        },
        gps=_pointed(read, tiff, main, GPS_DIRECTORY),
        interoperability=_pointed(read, tiff, exif, INTEROPERABILITY_DIRECTORY),
        left_out=tuple(left_out),
    )


def name_of(tag: int) -> str:
    """Name a tag of any directory.

    Parameters
    ----------
    tag
        Its number.

    Returns
    -------
    The name that its standard gives it; ``"tag 65000"`` for one that is in none.
    """
    import tifffile  # for its table alone; it is not loaded where settings are read

    return _NAMES.get(tag) or tifffile.TIFF.TAGS.get(tag, f"tag {tag}")


def build(directories: ExifDirectories) -> bytes:
    """Serialise an Exif block, little-endian, main directory first.

    Parameters
    ----------
    directories
        What it will hold.

    Returns
    -------
    TIFF-structured bytes, without the ``Exif`` prefix.
    """
    start = 8 + len(pack(_pointing(directories.main, directories, 0, 0), 8))
    tail, exif_at, gps_at = pack_below(directories, start)
    main = pack(_pointing(directories.main, directories, exif_at, gps_at), 8)
    return struct.pack("<2sHI", b"II", 42, 8) + main + tail


def pack_below(
    directories: ExifDirectories, offset: int, *, big: bool = False
) -> tuple[bytes, int, int]:
    """Serialise all but the main directory to stand at `offset`; `big` for a BigTIFF.

    Returns
    -------
    tuple
        The bytes, and the offsets of the Exif and the GPS directory (0: there is none).
    """
    packed = b""
    exif = dict(directories.exif)
    if directories.interoperability:
        exif[INTEROPERABILITY_DIRECTORY] = _pointer(offset, big=big)
        packed += pack(directories.interoperability, offset, big=big)
    exif_at = gps_at = 0
    if exif:
        exif_at = offset + len(packed)
        packed += pack(exif, exif_at, big=big)
    if directories.gps:
        gps_at = offset + len(packed)
        packed += pack(directories.gps, gps_at, big=big)
    return packed, exif_at, gps_at


def orientation(main: Directory) -> int:
    """The orientation, 1 … 8; 1 when it is missing or nonsense."""
    value = main.get(ORIENTATION)
    number = value.integers[0] if value and value.integers else 1
    return number if 1 <= number <= 8 else 1


def resolution_ppi(main: Directory) -> tuple[float, float]:
    """Pixels per inch across and down; 0.0 when unknown.

    The unit is 2 for inches, the default, and 3 for centimetres (TIFF 6.0, section 8); 1 says
    that the numbers are only a ratio.
    """
    unit = main.get(RESOLUTION_UNIT)
    number = unit.integers[0] if unit and unit.integers else 2
    factor = {2: 1.0, 3: _CM_PER_INCH}.get(number, 0.0)
    across, down = resolution(main)
    return across * factor, down * factor


def resolution(main: Directory) -> tuple[float, float]:
    """The numbers of XResolution and YResolution as they are, whatever their unit; 0.0: unknown."""
    across, down = (
        value.rationals[0] if value and value.rationals else 0.0
        for value in (main.get(X_RESOLUTION), main.get(Y_RESOLUTION))
    )
    return across, down


def from_tiff(directories: ExifDirectories) -> bytes | None:
    """Build an Exif block from a TIFF's own tags; None when there is nothing to tell."""
    described = DESCRIPTIVE & directories.main.keys()
    if not (described or directories.exif or directories.gps):
        return None
    upright = _without(directories.main, ORIENTATION)
    return build(replace(directories, main=upright))


def _is_about_an_array(description: bytes) -> bool:
    """Whether a library for arrays wrote the description, to find the shape again."""
    return description.startswith((b'{"shape":', b"shape=("))


def _in_our_order(value: Value, tiff: TiffStructure) -> Value:
    """A text in UTF-16, which has the byte order of its block, in the order that we write.

    Exif 2.32, table 9, does not say in which order it is; some writers have their own. So the one
    is taken in which fewer characters are beyond U+00FF.
    """
    head, text = value.data[: len(_UTF_16)], value.data[len(_UTF_16) :]
    if tiff.order == "<" or head != _UTF_16 or len(text) % 2:
        return value
    if text[::2].count(0) <= text[1::2].count(0):
        return value
    swapped = b"".join(text[at + 1 : at + 2] + text[at : at + 1] for at in range(0, len(text), 2))
    return replace(value, data=head + swapped)


def _pointed(read: Reader, tiff: TiffStructure, directory: Directory, tag: int) -> dict[int, Value]:
    pointer = directory.get(tag)
    if pointer is None or not pointer.integers:
        return {}
    try:
        found, _ = read_directory(read, tiff, pointer.integers[0], _MAX_VALUE_BYTES)
    except ValueError:
        return {}  # metadata never cost a picture its delivery
    return found


def _pointing(
    main: Directory, directories: ExifDirectories, exif_at: int, gps_at: int
) -> dict[int, Value]:
    pointing = _without(main, EXIF_DIRECTORY, GPS_DIRECTORY)
    if directories.exif or directories.interoperability:
        pointing[EXIF_DIRECTORY] = _pointer(exif_at)
    if directories.gps:
        pointing[GPS_DIRECTORY] = _pointer(gps_at)
    return pointing


def _without(directory: Mapping[int, Value], *tags: int) -> dict[int, Value]:
    return {tag: value for tag, value in directory.items() if tag not in tags}


def _pointer(offset: int, *, big: bool = False) -> Value:
    """An offset as LONG, or as IFD8 (type 18) of BigTIFF."""
    if big:
        return Value(18, 1, struct.pack("<Q", offset))
    return Value(4, 1, struct.pack("<I", offset))


def usable(block: bytes | None, notes: list[str]) -> tuple[bytes | None, ExifDirectories]:
    """The block, built anew and upright, and what it said; nothing, with a note, when damaged."""
    if block is None:
        return None, ExifDirectories()
    try:
        if _has_no_entries(block):  # some programs write one where they have nothing to say
            return None, ExifDirectories()
        directories = parse(block)
    except (ValueError, struct.error):
        notes.append("Its Exif data are damaged and were left out.")
        return None, ExifDirectories()
    main = dict(directories.main)
    if ORIENTATION in main:
        main[ORIENTATION] = Value(3, 1, struct.pack("<H", 1))
    return build(replace(directories, main=main)), directories


def _has_no_entries(block: bytes) -> bool:
    """Whether the main directory is there and its count of entries is zero."""
    first = tiff_structure(lambda offset, size: block[offset : offset + size]).first
    return block[first : first + 2] == b"\0\0"


def colour_space(directories: ExifDirectories) -> Literal["sRGB", "Adobe RGB (1998)"] | None:
    """Return what Exif says about colour: ColorSpace 1 is sRGB; 0xFFFF with "R03" is Adobe RGB.

    Exif 2.32, 4.6.5 B, and DCF 2.0, table 5; some cameras write 2 in place of 0xFFFF (common
    practice, no source).
    """
    stated = directories.exif.get(_COLOUR_SPACE)
    index = directories.interoperability.get(_INTEROPERABILITY_INDEX)
    number = stated.integers[0] if stated and stated.integers else 0
    if number == 1:
        return "sRGB"
    if number in {2, 0xFFFF} and index is not None and index.data.startswith(b"R03"):
        return "Adobe RGB (1998)"
    return None
