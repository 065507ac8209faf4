"""PNG files: their chunks, and their pixels through libpng (W3C, PNG third edition)."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from hotfolder.errors import Refuse
from hotfolder.model.encoding import Encoding
from hotfolder.raster import colour_tags, exif, packets
from hotfolder.raster.foreign import TRY_AGAIN, cut_short, translated
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

SIGNATURE = b"\x89PNG\r\n\x1a\n"
_METRES_PER_INCH = 0.0254
_XMP_KEYWORD = b"XML:com.adobe.xmp"
_TEXTS = {b"tEXt", b"zTXt", b"iTXt"}
_CRITICAL = {b"IHDR", b"PLTE", b"IDAT", b"IEND"}
_CHANNELS = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}
"""Samples per pixel by colour type (PNG, 11.2.1)."""


@dataclass(frozen=True)
class Chunk:
    """One chunk: its type, its content, and whether its checksum fits."""

    type: bytes
    data: bytes
    sound: bool


class PngSource:
    """The rows of a PNG's first picture; decoded as a whole when the first are asked for."""

    def __init__(self, file: OriginalFile, request: Request) -> None:
        limits = request.limits
        check_whole(file.size, limits, "The PNG file")
        self._data = file.read(0, file.size)
        found: dict[bytes, bytes] = {}
        left_out: set[str] = set()
        xmp = None
        for chunk in chunks(self._data):
            if not chunk.sound and chunk.type in _CRITICAL:
                raise Refuse(
                    "damaged",
                    "The file is damaged: a checksum in the PNG is wrong. " + TRY_AGAIN,
                )
            if chunk.sound and chunk.type == b"iTXt" and chunk.data.startswith(_XMP_KEYWORD):
                xmp = _international_text(chunk.data, limits)
            elif chunk.sound and chunk.type in _TEXTS:
                left_out.add(f"PNG text {_keyword(chunk.data)}")
            elif chunk.sound and chunk.type != b"IDAT":
                found.setdefault(chunk.type, chunk.data)
        if len(found.get(b"IHDR", b"")) != 13:
            raise Refuse("damaged", "The file is damaged: the PNG has no header. " + TRY_AGAIN)
        width_px, height_px, bits, kind = struct.unpack_from(">IIBB", found[b"IHDR"])
        has_alpha = kind in {4, 6} or b"tRNS" in found
        encoding = Encoding.GREY if kind in {0, 4} else Encoding.RGB
        samples = encoding.channels + has_alpha
        decoded = width_px * height_px * samples * (2 if bits == 16 else 1)
        stored = width_px * height_px * _CHANNELS.get(kind, 4) * bits // 8
        check_size(width_px, height_px, stored, file.size, limits)
        check_whole(decoded, limits, "The PNG picture")
        self._shape = (height_px, width_px, samples)
        decoded_bits = 16 if bits == 16 else 8  # libpng widens fewer bits to 8
        alpha = encoding.channels if has_alpha else None
        self._layout = SampleLayout(encoding, bits=decoded_bits, alpha=alpha)
        self._pixels: NDArray[np.uint8] | NDArray[np.uint16] | None = None
        notes: list[str] = []
        stated = _code_points(found, encoding, notes)
        icc, problem = (
            (stated.icc, "")
            if stated and stated.is_usable
            else _embedded(found.get(b"iCCP"), limits)
        )
        block, directories = exif.usable(found.get(b"eXIf"), notes)
        said = None
        if icc is None and not problem and not (stated and stated.is_usable):
            said = colour_tags.from_chunks(found, encoding)
            said = said or colour_tags.from_exif(directories, encoding)
        if said:
            notes.append(said.note)
        across, down, unit = _physical(found.get(b"pHYs")) or (0, 0, 0)
        if across:
            aspect = aspect_of(across, down, notes)
        else:
            aspect = aspect_of(*exif.resolution(directories.main), notes)
        metadata = Metadata(
            exif=block,
            xmp=packets.usable_xmp(xmp, limits, notes),
            orientation=exif.orientation(directories.main),
            left_out=tuple(sorted({*directories.left_out, *left_out})),
        )
        self.header = Header(
            format="PNG",
            bits=8 if kind == 3 else bits,
            width_px=width_px,
            height_px=height_px,
            encoding=encoding,
            has_alpha=has_alpha,
            orientation=exif.orientation(directories.main),
            pixel_aspect=aspect,
            ppi=_ppi(across, unit) or plausible_ppi(exif.resolution_ppi(directories.main)[0]),
            icc=icc,
            icc_problem=problem,
            high_dynamic_range=stated.high_dynamic_range if stated else None,
            icc_implied=said.icc if said else None,
            metadata=metadata,
            notes=tuple(notes),
            harmless=frozenset([said.note] if said else []),
        )

    def rows(self, start: int, stop: int) -> Rows:
        """See `RowSource`."""
        return to_rows(self._whole()[start:stop], self._layout)

    def close(self) -> None:
        """See `RowSource`."""
        self._data, self._pixels = b"", None

    def _whole(self) -> NDArray[np.uint8] | NDArray[np.uint16]:
        if self._pixels is None:
            with translated("the PNG picture"):
                self._pixels = imagecodecs.png_decode(self._data).reshape(self._shape)
            self._data = b""
        return self._pixels


def chunks(data: bytes) -> Iterator[Chunk]:
    """All chunks from the header to the end.

    Raises
    ------
    Refuse
        When the file ends before its IEND chunk does.
    """
    at = len(SIGNATURE)
    while at + 12 <= len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        kind = data[at + 4 : at + 8]
        content = data[at + 8 : at + 8 + size]
        checksum = data[at + 8 + size : at + 12 + size]
        if len(checksum) < 4:
            break
        sound = zlib.crc32(content, zlib.crc32(kind)) == int.from_bytes(checksum, "big")
        yield Chunk(kind, content, sound)
        if kind == b"IEND":
            return
        at += 12 + size
    raise cut_short("the end of the PNG picture is missing")


def _inflated(data: bytes, limit: int) -> bytes | None:
    """Decompress, but never to more than `limit` bytes; None when it is longer or broken."""
    inflater = zlib.decompressobj()
    try:
        plain = inflater.decompress(data, limit)
    except zlib.error:
        return None
    return plain if inflater.eof else None


def _code_points(
    found: dict[bytes, bytes], encoding: Encoding, notes: list[str]
) -> colour_tags.Stated | None:
    """What cICP states, which goes before an embedded profile (PNG, third edition, 4.3)."""
    if b"cICP" not in found:
        return None
    stated = colour_tags.from_code_points(found[b"cICP"], encoding)
    notes.append(stated.note)
    if stated.is_usable and b"iCCP" in found:
        notes.append("This takes precedence over the embedded profile, which was not used.")
    return stated


def _embedded(chunk: bytes | None, limits: ReadLimits) -> tuple[bytes | None, str]:
    """The embedded profile: a name, a zero, the compression method 0, a zlib stream."""
    if chunk is None:
        return None, ""
    _, _, rest = chunk.partition(b"\0")
    icc = _inflated(rest[1:], limits.max_profile_bytes) if rest[:1] == b"\0" else None
    return icc, "" if icc is not None else "The embedded profile is damaged or too long."


def _international_text(chunk: bytes, limits: ReadLimits) -> bytes:
    """The text of an iTXt chunk: keyword, compression, language, translated keyword, text."""
    rest = chunk[len(_XMP_KEYWORD) + 1 :]
    compressed = rest[:1] == b"\1"
    text = rest[2:].split(b"\0", 2)[-1]
    return (_inflated(text, limits.max_xmp_bytes) or b"") if compressed else text


def _keyword(chunk: bytes) -> str:
    """The keyword of a text chunk: Latin-1, at most 79 bytes (PNG, 11.3.3.2)."""
    keyword = chunk.split(b"\0", 1)[0][:79].decode("latin-1")
    return "".join(each if each.isprintable() else "?" for each in keyword)


def _physical(chunk: bytes | None) -> tuple[int, int, int] | None:
    """Pixels across and down on a length, and its unit, from pHYs (PNG, 11.3.4.3)."""
    if chunk is None or len(chunk) != 9:
        return None
    across, down, unit = struct.unpack(">IIB", chunk)
    return across, down, unit


def _ppi(across: int, unit: int) -> float:
    """Pixels per inch; unit 1 is the metre, 0 says only a ratio."""
    return plausible_ppi(across * _METRES_PER_INCH) if unit == 1 else 0.0
