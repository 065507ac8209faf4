"""Exif made true (CIPA DC-008-2019, Exif 2.32): tables 3 to 8 for the tags.

Thumbnail and maker note are gone already when a block has been read: the one shows the picture
before the work, the other breaks when it is moved.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace

from hotfolder import Encoding, ExifDirectories, ExifValue, build_exif, name_exif_tag
from hotfolder_stages.tagging.truth import SOFTWARE, Edition, Text, Texts, Truth

_ASCII, _SHORT, _LONG, _RATIONAL, _UNDEFINED = 2, 3, 4, 5, 7

_ORIENTATION = 274
_X_RESOLUTION = 282
_Y_RESOLUTION = 283
_RESOLUTION_UNIT = 296
_SOFTWARE = 305
_POSITIONING, _CENTRED = 531, 1  # YCbCrPositioning, as libjpeg has it
_DATE_TIME = 306
_TEXT_TAGS = {Text.DESCRIPTION: 270, Text.CREATOR: 315, Text.COPYRIGHT: 33432}
_SECOND_TAGS = {Text.DESCRIPTION: 40092, Text.CREATOR: 40093}
"""Where the same text may stand once more (XPComment, XPAuthor: in no standard)."""

_VERSION = 0x9000
_OLDEST_WITH_OFFSETS = b"0231"
_OUR_VERSION = b"0232"
_OFFSET_TIME = 0x9010
_SUB_SECONDS = 0x9290
_COMPONENTS = 0x9101
_Y_CB_CR = b"\1\2\3\0"
_COLOUR_SPACE = 0xA001
_PIXEL_X = 0xA002
_PIXEL_Y = 0xA003
_UNIQUE_ID = 0xA420
_UNCALIBRATED = 0xFFFF

_STALE = (
    {0x9102, 0x9214, 0xA20E, 0xA20F, 0xA210, 0xA214, 0xA500}
    | {0x8828, 0xA20C, 0xA302, 0xA40B}
    | {0xA004, 0xEA1C, 0xEA1D}
)
"""Tags that count the original's pixels or speak of its encoding: CompressedBitsPerPixel,
SubjectArea, FocalPlane…, SubjectLocation, Gamma. That describe the camera's own pixels: OECF,
SpatialFrequencyResponse, CFAPattern, DeviceSettingDescription. That point to what is not there:
RelatedSoundFile, and room and offset for a maker note (in no standard).
"""


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
    directories: ExifDirectories,
    truth: Truth,
    edition: Edition,
    added: Texts,
    *,
    remove_gps: bool,
) -> EditedExif:
    """A block that says what is true of the result, and besides what it said before."""
    main, doubles = _main(directories, truth, edition, added)
    below, stale = _below(directories, truth, edition)
    removed = [name_exif_tag(tag) for tag in sorted({*doubles, *stale})]
    made = replace(directories, main=main, exif=below)
    if directories.interoperability and not truth.is_srgb:
        made = replace(made, interoperability={})  # it names the original's colour space
        removed.append("InteroperabilityIndex")
    if directories.gps and remove_gps:
        made = replace(made, gps={})
        removed.append("GPS")
    return EditedExif(build_exif(made), (*directories.left_out, *removed))


def _main(
    directories: ExifDirectories, truth: Truth, edition: Edition, added: Texts
) -> tuple[dict[int, ExifValue], set[int]]:
    """The main directory, and the tags that went from it."""
    main = dict(directories.main)
    main[_ORIENTATION] = _short(1)
    main[_SOFTWARE] = _ascii(SOFTWARE)
    main[_DATE_TIME] = _ascii(edition.made.strftime("%Y:%m:%d %H:%M:%S"))
    for tag in (_X_RESOLUTION, _Y_RESOLUTION, _RESOLUTION_UNIT):
        main.pop(tag, None)
    if truth.ppi is not None:
        main[_X_RESOLUTION] = main[_Y_RESOLUTION] = ExifValue(
            _RATIONAL, 1, struct.pack("<II", truth.ppi.numerator, truth.ppi.denominator)
        )
        main[_RESOLUTION_UNIT] = _short(2)
    if _components(truth, edition) == _Y_CB_CR:
        main[_POSITIONING] = _short(_CENTRED)
    gone = {tag for text, tag in _SECOND_TAGS.items() if text in added and tag in main}
    for tag in gone:
        del main[tag]
    main.update({_TEXT_TAGS[text]: _ascii(said) for text, said in added.items()})
    return main, gone


def _below(
    directories: ExifDirectories, truth: Truth, edition: Edition
) -> tuple[dict[int, ExifValue], set[int]]:
    """The Exif directory, and the tags that went from it."""
    components = _components(truth, edition)
    gone = _STALE & directories.exif.keys()
    if components is None:
        gone |= {_COMPONENTS} & directories.exif.keys()
    below = {tag: value for tag, value in directories.exif.items() if tag not in gone}
    below.pop(_SUB_SECONDS, None)  # of the time that is set anew
    if components is not None and _COMPONENTS in below:
        below[_COMPONENTS] = ExifValue(_UNDEFINED, 4, components)
    stated = below.get(_VERSION)
    if stated is None or stated.data < _OLDEST_WITH_OFFSETS:
        below[_VERSION] = ExifValue(_UNDEFINED, 4, _OUR_VERSION)
    below[_OFFSET_TIME] = _ascii(edition.made.isoformat(timespec="seconds")[-6:])
    below[_COLOUR_SPACE] = _short(1 if truth.is_srgb else _UNCALIBRATED)
    below[_PIXEL_X], below[_PIXEL_Y] = _long(truth.width_px), _long(truth.height_px)
    if _UNIQUE_ID in below:
        below[_UNIQUE_ID] = _ascii(edition.instance.hex)
    return below, gone


def _components(truth: Truth, edition: Edition) -> bytes | None:
    """ComponentsConfiguration: Y, Cb and Cr, or Y alone; None where the file has none of them."""
    if edition.format != "jpeg":
        return None
    return {Encoding.RGB: _Y_CB_CR, Encoding.GREY: b"\1\0\0\0"}.get(truth.encoding)


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
