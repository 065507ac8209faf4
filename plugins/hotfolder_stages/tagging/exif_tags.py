"""Exif made true (CIPA DC-008-2019, Exif 2.32): tables 3 to 8 for the tags.

Thumbnail and maker note are gone already when a block has been read: the one shows the picture
before the work, the other breaks when it is moved.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace

from hotfolder import ExifDirectories, ExifValue, build_exif
from hotfolder_stages.tagging.truth import SOFTWARE, Text, Texts, Truth

_ASCII, _SHORT, _LONG, _RATIONAL, _UNDEFINED = 2, 3, 4, 5, 7

_ORIENTATION = 274
_X_RESOLUTION = 282
_Y_RESOLUTION = 283
_RESOLUTION_UNIT = 296
_SOFTWARE = 305
_TEXT_TAGS = {Text.DESCRIPTION: 270, Text.CREATOR: 315, Text.COPYRIGHT: 33432}

_VERSION = 0x9000
_COLOUR_SPACE = 0xA001
_PIXEL_X = 0xA002
_PIXEL_Y = 0xA003
_UNCALIBRATED = 0xFFFF

_STALE = {
    0x9102: "CompressedBitsPerPixel",
    0x9214: "SubjectArea",
    0xA20E: "FocalPlaneXResolution",
    0xA20F: "FocalPlaneYResolution",
    0xA210: "FocalPlaneResolutionUnit",
    0xA214: "SubjectLocation",
    0xA500: "Gamma",
}
"""Tags that count the original's pixels or speak of its encoding."""


@dataclass(frozen=True)
class EditedExif:
    """A block, and which tags of the original it lacks."""

    block: bytes
    removed: tuple[str, ...]


def texts(directories: ExifDirectories) -> Texts:
    """The texts in an Exif block, as far as it has them."""
    found = {}
    for text, tag in _TEXT_TAGS.items():
        value = directories.main.get(tag)
        said = _said(value) if value else ""
        if said:
            found[text] = said
    return found


def edited(
    directories: ExifDirectories, truth: Truth, added: Texts, *, remove_gps: bool
) -> EditedExif:
    """A block that says what is true of the result, and besides what it said before."""
    removed = [name for tag, name in _STALE.items() if tag in directories.exif]
    main = dict(directories.main)
    main[_ORIENTATION] = _short(1)
    main[_SOFTWARE] = _ascii(SOFTWARE)
    for tag in (_X_RESOLUTION, _Y_RESOLUTION, _RESOLUTION_UNIT):
        main.pop(tag, None)
    if truth.ppi is not None:
        main[_X_RESOLUTION] = main[_Y_RESOLUTION] = ExifValue(
            _RATIONAL, 1, struct.pack("<II", truth.ppi.numerator, truth.ppi.denominator)
        )
        main[_RESOLUTION_UNIT] = _short(2)
    main.update({_TEXT_TAGS[text]: _ascii(said) for text, said in added.items()})

    below = {tag: value for tag, value in directories.exif.items() if tag not in _STALE}
    below.setdefault(_VERSION, ExifValue(_UNDEFINED, 4, b"0232"))
    below[_COLOUR_SPACE] = _short(1 if truth.is_srgb else _UNCALIBRATED)
    below[_PIXEL_X], below[_PIXEL_Y] = _long(truth.width_px), _long(truth.height_px)

    made = replace(directories, main=main, exif=below)
    if directories.interoperability and not truth.is_srgb:
        made = replace(made, interoperability={})  # it names the original's colour space
        removed.append("InteroperabilityIndex")
    if directories.gps and remove_gps:
        made = replace(made, gps={})
        removed.append("GPS")
    return EditedExif(build_exif(made), tuple(removed))


def _said(value: ExifValue) -> str:
    return value.data.split(b"\0")[0].decode("utf-8", errors="replace").strip()


def _ascii(text: str) -> ExifValue:
    # The standard has 7-bit ASCII here; UTF-8 is what readers expect since. Common practice.
    data = text.encode() + b"\0"
    return ExifValue(_ASCII, len(data), data)


def _short(number: int) -> ExifValue:
    return ExifValue(_SHORT, 1, struct.pack("<H", number))


def _long(number: int) -> ExifValue:
    return ExifValue(_LONG, 1, struct.pack("<I", number))
