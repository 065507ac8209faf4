"""PNG results, through libpng; what the library does not write is put in as chunks."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable
from pathlib import Path

import imagecodecs

from hotfolder.errors import Refuse
from hotfolder.model.destination import Result
from hotfolder.model.encoding import Encoding
from hotfolder.raster.picture import Band, RasterSpec
from hotfolder.raster.png_read import SIGNATURE
from hotfolder.raster.result_file import whole

_HEADER_END = len(SIGNATURE) + 12 + 13  # IHDR, the first chunk, has 13 bytes of content
_LEVEL = 1  # measured: 4 takes one and a half times to twice as long for 1 to 8 per cent
_METRES_PER_INCH = 0.0254
_KEYWORD = b"XML:com.adobe.xmp"


class PngFormat:
    """Writes a PNG of 8 or 16 bits, RGB or grey, with or without alpha."""

    def __init__(self, spec: RasterSpec, result: Result) -> None:
        if spec.encoding is Encoding.CMYK:
            raise Refuse(
                "cmyk-png",
                "A PNG cannot hold CMYK colours. Set the destination's result to TIFF or JPEG, "
                "or give it an RGB profile.",
            )
        if spec.encoding is Encoding.LAB:
            raise Refuse(
                "lab-result",
                "A PNG cannot hold Lab colours. Let the destination convert the picture, "
                "or set its result to TIFF.",
            )
        self.notes: list[str] = []
        self._spec = spec
        self._result = result

    def write(self, path: Path, bands: Iterable[Band]) -> None:
        """See `FormatWriter`."""
        pixels = whole(bands, self._spec, self._result.bits)
        if pixels.shape[-1] == 1:
            pixels = pixels[..., 0]
        encoded = memoryview(imagecodecs.png_encode(pixels, _LEVEL))
        del pixels
        metadata = self._spec.metadata
        if metadata.iptc:
            self.notes.append("A PNG cannot hold IPTC data; they were left out.")
        with path.open("wb") as file:
            file.write(encoded[:_HEADER_END])
            file.write(self._chunks())
            file.write(encoded[_HEADER_END:])

    def _chunks(self) -> bytes:
        """iCCP, pHYs, eXIf and the XMP text, which all stand before the pixels (PNG, 5.6)."""
        spec, parts = self._spec, []
        if spec.profile:
            compressed = zlib.compress(spec.profile.data)
            parts.append(_chunk(b"iCCP", b"ICC profile\0\0" + compressed))
        if spec.ppi:
            per_metre = round(spec.ppi / _METRES_PER_INCH)
            parts.append(_chunk(b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1)))
        if spec.metadata.exif:
            parts.append(_chunk(b"eXIf", spec.metadata.exif))
        if spec.metadata.xmp:
            # keyword, not compressed, no language, no translated keyword
            parts.append(_chunk(b"iTXt", _KEYWORD + b"\0\0\0\0\0" + spec.metadata.xmp))
        return b"".join(parts)


def _chunk(kind: bytes, content: bytes) -> bytes:
    checksum = zlib.crc32(content, zlib.crc32(kind))
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", checksum)
