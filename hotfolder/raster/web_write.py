"""WebP and AVIF results, through Pillow; 8 bits, dithered, with the picture's profile."""

from __future__ import annotations

import io
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from PIL import Image

from hotfolder.errors import Refuse
from hotfolder.model.destination import Result
from hotfolder.model.encoding import Encoding
from hotfolder.raster.picture import Band, RasterSpec
from hotfolder.raster.result_file import refuse_longer, whole

_EXIF_PREFIX: Final = b"Exif\0\0"
_LOSSLESS_FROM: Final = 100


@dataclass(frozen=True)
class _Kind:
    """A format, and what it can hold."""

    name: str
    """As people write it, and Pillow in capitals."""
    max_side_px: int


_KINDS: Final = {
    # RFC 9649, 2.7.1: 14 bits of the side less one
    "webp": _Kind("WebP", 16_383),
    # libavif's own limit, beyond which other programs do not read
    "avif": _Kind("AVIF", 32_768),
}


class WebFormat:
    """Writes a WebP or an AVIF."""

    def __init__(self, spec: RasterSpec, result: Result) -> None:
        self._kind = kind = _KINDS[result.format]
        if spec.encoding is not Encoding.RGB:
            raise Refuse(
                f"not-rgb-{result.format}",
                f"The {kind.name} that is written here holds RGB, and the picture is "
                f"{_IN_WORDS[spec.encoding]}. Give the destination an RGB profile, as sRGB, or set "
                "its result to another format.",
            )
        refuse_longer(spec, kind.max_side_px, result.format, kind.name)
        self.notes: list[str] = []
        self._spec = spec
        self._result = result

    def write(self, path: Path, bands: Iterable[Band]) -> None:
        """See `FormatWriter`."""
        spec = self._spec
        pixels = whole(bands, spec, bits=8)
        mode = "RGBA" if spec.has_alpha else "RGB"
        image = Image.frombuffer(mode, (spec.width_px, spec.height_px), pixels, "raw", mode, 0, 1)
        extra: dict[str, Any] = {}
        if spec.profile:
            extra["icc_profile"] = spec.profile.data
        if spec.metadata.exif:
            extra["exif"] = _EXIF_PREFIX + spec.metadata.exif
        if spec.metadata.xmp:
            extra["xmp"] = spec.metadata.xmp
        if self._result.format == "webp":
            # without `exact`, colours under full transparency are thrown away
            lossless = self._result.quality >= _LOSSLESS_FROM
            extra |= {"lossless": lossless, "exact": True, "method": 4}
        else:
            extra |= {"subsampling": self._result.subsampling, "range": "full"}
        # a short write to a file, which a full disk causes, would be lost
        encoded = io.BytesIO()
        image.save(encoded, self._kind.name.upper(), quality=self._result.quality, **extra)
        path.write_bytes(encoded.getbuffer())


_IN_WORDS: Final = {Encoding.GREY: "grey", Encoding.CMYK: "CMYK", Encoding.LAB: "Lab"}
