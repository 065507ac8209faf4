"""JPEG files: their markers, and their pixels through libjpeg-turbo.

libjpeg fills what is missing of a cut file with grey and says nothing; so the markers are
walked to the end of the picture first (ITU-T T.81, annex B).
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass, field

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from hotfolder.errors import Refuse
from hotfolder.model.encoding import Encoding
from hotfolder.raster import colour_tags, exif, packets
from hotfolder.raster.foreign import cut_short, translated
from hotfolder.raster.original_file import OriginalFile
from hotfolder.raster.picture import Metadata
from hotfolder.raster.samples import SampleLayout, to_rows
from hotfolder.raster.source import (
    Header,
    ReadLimits,
    Request,
    Rows,
    aspect_of,
    check_size,
    check_whole,
    plausible_ppi,
)

_SOI, _EOI, _SOS = 0xD8, 0xD9, 0xDA
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_WITHOUT_LENGTH = frozenset({0x01, *range(0xD0, 0xD8)})
_NEXT_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
"""In entropy-coded data: neither a stuffed byte, nor a restart marker, nor a fill byte."""

_EXIF = b"Exif\0\0"
_XMP = b"http://ns.adobe.com/xap/1.0/\0"
_XMP_EXTENSION = b"http://ns.adobe.com/xmp/extension/\0"
_MORE_PICTURES = b"MPF\0"  # CIPA DC-007
_ICC = b"ICC_PROFILE\0"
_IMAGE_RESOURCES = b"Photoshop 3.0\0"
_ADOBE = b"Adobe"
_JFIF = b"JFIF\0"


@dataclass
class Markers:
    """What the markers of one JPEG picture say."""

    width_px: int = 0
    height_px: int = 0
    bits: int = 0
    components: int = 0
    jfif_ppi: float = 0.0
    """0.0 when the file does not say."""
    jfif_density: tuple[int, int] = (0, 0)
    """Across and down, in whatever unit."""
    adobe: bool = False
    """There is an APP14 marker of the kind that goes with inverted CMYK. exif_data, xmp,."""
    exif_data: bytes | None = None
    xmp: bytes | None = None
    resources: bytes = b""
    """Contents without their prefixes."""
    icc_parts: dict[int, bytes] = field(default_factory=dict)
    icc_count: int = 0
    left_out: set[str] = field(default_factory=set)
    """Names of what else there is."""
    complete: bool = False


class JpegSource:
    """The rows of a JPEG; decoded as a whole when the first are asked for."""

    def __init__(self, file: OriginalFile, request: Request) -> None:
        limits = request.limits
        check_whole(file.size, limits, "The JPEG file")
        self._data = file.read(0, file.size)
        markers = walk(self._data)
        if not markers.components:
            raise cut_short("it has no picture in it")
        if not markers.complete:
            raise cut_short("the end of the JPEG picture is missing")
        decoded = markers.width_px * markers.height_px * markers.components
        check_size(markers.width_px, markers.height_px, decoded, file.size, limits)
        check_whole(decoded, limits, "The JPEG picture")
        encoding = {1: Encoding.GREY, 3: Encoding.RGB, 4: Encoding.CMYK}.get(markers.components)
        if encoding is None or markers.bits != 8:
            raise Refuse(
                "unsupported",
                f"The JPEG has {markers.components} channels of {markers.bits} bits, which "
                "cannot be read here. Save it as a TIFF and drop that.",
            )
        self._inverted = encoding is Encoding.CMYK and markers.adobe
        self._layout = SampleLayout(encoding, bits=8)
        self._pixels: NDArray[np.uint8] | None = None
        self.header = _header(markers, encoding, limits)

    def rows(self, start: int, stop: int) -> Rows:
        """See `RowSource`."""
        stored = self._whole()[start:stop]
        return to_rows(np.bitwise_not(stored) if self._inverted else stored, self._layout)

    def close(self) -> None:
        """See `RowSource`."""
        self._data, self._pixels = b"", None

    def _whole(self) -> NDArray[np.uint8]:
        if self._pixels is None:
            with translated("the JPEG picture"):
                pixels = imagecodecs.jpeg8_decode(self._data)
                expected = (
                    self.header.height_px,
                    self.header.width_px,
                    self.header.encoding.channels,
                )
                self._pixels = pixels.reshape(expected)
            self._data = b""
        return self._pixels


def walk(data: bytes) -> Markers:
    """Collect what the markers say, from the first to the end of the first picture.

    Raises
    ------
    Refuse
        When a marker's segment is cut short.
    """
    markers = Markers()
    at = 2
    while (found := re.compile(rb"\xff[^\x00\xff]").search(data, at)) is not None:
        code = data[found.start() + 1]
        at = found.end()
        if code == _EOI:
            markers.complete = True
            break
        if code in _WITHOUT_LENGTH:
            continue
        length = int.from_bytes(data[at : at + 2], "big")
        body = data[at + 2 : at + length]
        if length < 2 or len(body) != length - 2:
            raise cut_short("it ends within its description")
        at += length
        _take(markers, code, body)
        if code == _SOS:
            following = _NEXT_MARKER.search(data, at)
            at = following.start() if following else len(data)
    return markers


def _take(markers: Markers, code: int, body: bytes) -> None:
    if code in _FRAMES and len(body) >= 6 and not markers.components:
        markers.bits, markers.height_px, markers.width_px, markers.components = struct.unpack_from(
            ">BHHB", body
        )
    elif code == 0xE0 and body.startswith(_JFIF) and len(body) >= 12:
        unit, across, down = struct.unpack_from(">BHH", body, 7)
        markers.jfif_density = across, down
        # JFIF 1.02: unit 1 is dots per inch, 2 dots per centimetre, 0 only a ratio
        markers.jfif_ppi = across * {1: 1.0, 2: 2.54}.get(unit, 0.0)
    elif code == 0xE1 and body.startswith(_EXIF) and markers.exif_data is None:
        markers.exif_data = body[len(_EXIF) :]
    elif code == 0xE1 and body.startswith(_XMP) and markers.xmp is None:
        markers.xmp = body[len(_XMP) :]
    elif code == 0xE2 and body.startswith(_ICC) and len(body) >= 14:
        # ICC.1:2022, annex B.4: number of the part, from 1, and how many there are
        markers.icc_parts.setdefault(body[12], body[14:])
        markers.icc_count = body[13]
    elif code == 0xED and body.startswith(_IMAGE_RESOURCES):
        markers.resources += body[len(_IMAGE_RESOURCES) :]
    elif code == 0xE1 and body.startswith(_XMP_EXTENSION):
        markers.left_out.add("extended XMP")
    elif code == 0xE2 and body.startswith(_MORE_PICTURES):
        markers.left_out.add("more pictures")
    elif code == 0xFE:
        markers.left_out.add("JPEG comment")
    elif code == 0xEE and body.startswith(_ADOBE):
        markers.adobe = True


def _header(markers: Markers, encoding: Encoding, limits: ReadLimits) -> Header:
    notes: list[str] = []
    block, directories = exif.usable(markers.exif_data, notes)
    exif_ppi = exif.resolution_ppi(directories.main)[0]
    icc, problem = None, ""
    if markers.icc_parts:
        numbers = range(1, markers.icc_count + 1)
        if all(number in markers.icc_parts for number in numbers):
            icc = b"".join(markers.icc_parts[number] for number in numbers)
        else:
            problem = "Parts of the embedded profile are missing."
    records = packets.from_image_resources(markers.resources) if markers.resources else None
    said = None if icc or problem else colour_tags.from_exif(directories, encoding)
    if said:
        notes.append(said.note)
    # 1 × 1 without a unit is what writers put there that do not know
    density: tuple[float, float] = markers.jfif_density
    if not markers.jfif_ppi and density in {(0, 0), (1, 1)}:
        density = exif.resolution(directories.main)
    aspect = aspect_of(*density, notes)
    return Header(
        format="JPEG",
        bits=8,
        width_px=markers.width_px,
        height_px=markers.height_px,
        encoding=encoding,
        orientation=exif.orientation(directories.main),
        ppi=plausible_ppi(markers.jfif_ppi) or plausible_ppi(exif_ppi),
        pixel_aspect=aspect,
        icc=icc,
        icc_problem=problem,
        icc_implied=said.icc if said else None,
        metadata=Metadata(
            exif=block,
            xmp=packets.usable_xmp(markers.xmp, limits, notes),
            iptc=packets.usable(records, limits, notes),
            orientation=exif.orientation(directories.main),
            left_out=tuple(sorted({*directories.left_out, *markers.left_out})),
        ),
        notes=tuple(notes),
        harmless=frozenset([said.note] if said else []),
    )
