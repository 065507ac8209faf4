"""JPEG XL results (ISO/IEC 18181), through OpenImageIO and libjxl; 8 or 16 bits, with the profile.

The library writes the codestream; Exif and XMP stand beside it in boxes of the file's container
(18181-2), which are put around it here, unaltered.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from pathlib import Path
from typing import Final

import numpy as np

from hotfolder.errors import Refuse
from hotfolder.model.destination import Result
from hotfolder.model.encoding import Encoding
from hotfolder.raster.boxes import walk_boxes
from hotfolder.raster.picture import Band, RasterSpec
from hotfolder.raster.result_file import whole

_CODESTREAM: Final = b"\xff\x0a"
_SIGNATURE: Final = b"\0\0\0\x0cJXL \r\n\x87\n"
_LARGE: Final = 2**32 - 8


class JpegXlFormat:
    """Writes a JPEG XL; at quality 100 no pixel changes."""

    def __init__(self, spec: RasterSpec, result: Result) -> None:
        if spec.encoding not in {Encoding.RGB, Encoding.GREY}:
            raise Refuse(
                "not-rgb-jxl",
                "The JPEG XL that is written here holds RGB or grey. Give the destination such a "
                "profile, or set its result to TIFF.",
            )
        if spec.has_alpha:
            raise Refuse(
                "jxl-alpha",
                "The JPEG XL that is written here holds no transparency. Flatten the picture, or "
                "set the destination's result to PNG or WebP.",
            )
        self.notes: list[str] = []
        self._spec = spec
        self._result = result

    def write(self, path: Path, bands: Iterable[Band]) -> None:
        """See `FormatWriter`.

        Raises
        ------
        OSError
            When the library cannot write the file.
        """
        import OpenImageIO as oiio  # noqa: N813 - as its own documentation has it

        spec, result = self._spec, self._result
        pixels = whole(bands, spec, result.bits)
        header = oiio.ImageSpec(spec.width_px, spec.height_px, spec.channels, pixels.dtype.name)
        if spec.profile:
            data = np.frombuffer(spec.profile.data, np.uint8)
            header.attribute("ICCProfile", oiio.TypeDesc(f"uint8[{len(data)}]"), data)
        header.attribute("jpegxl:distance", to_distance(result.quality))
        bare = path.with_name(f"{path.stem}.codestream.jxl")
        try:
            output = oiio.ImageOutput.create(str(bare))
            if output is None:
                raise OSError(f"no JPEG XL can be written: {oiio.geterror()}")
            done = output.open(str(bare), header) and output.write_image(pixels) and output.close()
            if not done:
                raise OSError(f"the JPEG XL could not be written: {output.geterror()}")
            codestream = find_codestream(bare.read_bytes())
        finally:
            bare.unlink(missing_ok=True)
        with path.open("wb") as file:
            file.write(_SIGNATURE + _box(b"ftyp", b"jxl \0\0\0\0jxl "))
            if spec.metadata.exif:
                file.write(_box(b"Exif", b"\0\0\0\0" + spec.metadata.exif))
            if spec.metadata.xmp:
                file.write(_box(b"xml ", spec.metadata.xmp))
            file.write(_box(b"jxlc", codestream))


def to_distance(quality: int) -> float:
    """Butteraugli distance of a quality, as libjxl's own encoder has it; 0 loses nothing.

    Examples
    --------
    >>> to_distance(100), to_distance(90)
    (0.0, 1.0)
    """
    if quality >= 100:
        return 0.0
    if quality >= 30:
        return round(0.1 + (100 - quality) * 0.09, 6)
    return round(53 / 3000 * quality**2 - 23 / 20 * quality + 25, 6)


def find_codestream(data: bytes) -> bytes:
    """Return the codestream of a file, with or without a container around it.

    Raises
    ------
    OSError
        When there is none.
    """
    if data.startswith(_CODESTREAM):
        return data
    found = b""
    for box in walk_boxes(data):
        if box.type == b"jxlc":
            return box.content(data)
        if box.type == b"jxlp":  # in parts, each behind its number
            found += box.content(data)[4:]
    if not found:
        raise OSError("the library wrote a JPEG XL without a picture")
    return found


def _box(kind: bytes, content: bytes) -> bytes:
    if len(content) > _LARGE:
        return struct.pack(">I4sQ", 1, kind, len(content) + 16) + content
    return struct.pack(">I4s", len(content) + 8, kind) + content
