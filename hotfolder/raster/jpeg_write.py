"""JPEG results, through Pillow and libjpeg-turbo; 8 bits, dithered."""

from __future__ import annotations

import io
import struct
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from PIL import Image

from hotfolder.errors import Refuse
from hotfolder.model.destination import Result
from hotfolder.model.encoding import Encoding
from hotfolder.raster import exif
from hotfolder.raster.packets import to_image_resources
from hotfolder.raster.picture import Band, RasterSpec
from hotfolder.raster.result_file import refuse_longer, whole

MAX_SIDE_PX = 65_500
"""libjpeg's JPEG_MAX_DIMENSION; ITU-T T.81 would allow 65535."""

_SEGMENT_BYTES = 65_533
_EXIF_PREFIX = b"Exif\0\0"
_XMP_BYTES = 65_502  # XMP part 3: what is left of a segment after its signature
_MODES = {Encoding.RGB: "RGB", Encoding.GREY: "L", Encoding.CMYK: "CMYK"}


class JpegFormat:
    """Writes a baseline JPEG; CMYK inverted and marked so, as everyone expects it."""

    def __init__(self, spec: RasterSpec, result: Result) -> None:
        if spec.encoding is Encoding.LAB:
            raise Refuse(
                "lab-result",
                "A JPEG cannot hold Lab colours. Let the destination convert the picture, "
                "or set its result to TIFF.",
            )
        if spec.has_alpha:
            raise Refuse(
                "jpeg-alpha",
                "A JPEG cannot hold transparency. Flatten the picture, "
                "or set the destination's result to TIFF or PNG.",
            )
        refuse_longer(spec, MAX_SIDE_PX, "jpeg", "JPEG")
        self.notes: list[str] = []
        self._spec = spec
        self._result = result

    def write(self, path: Path, bands: Iterable[Band]) -> None:
        """See `FormatWriter`."""
        spec = self._spec
        pixels = whole(bands, spec, bits=8)
        mode = _MODES[spec.encoding]
        image = Image.frombuffer(mode, (spec.width_px, spec.height_px), pixels, "raw", mode, 0, 1)
        extra: dict[str, Any] = {}
        if spec.ppi:
            extra["dpi"] = (spec.ppi, spec.ppi)
        if spec.profile:
            extra["icc_profile"] = spec.profile.data
        # inks are no chroma: subsampling would take three of the four inks' sharpness
        cmyk = spec.encoding is Encoding.CMYK
        subsampling = "4:4:4" if cmyk else self._result.subsampling
        # Pillow loses the rest of a short write to a file, which a full disk causes
        encoded = io.BytesIO()
        image.save(
            encoded,
            "JPEG",
            quality=self._result.quality,
            subsampling=subsampling,
            **extra,
            **self._metadata(),
        )
        path.write_bytes(encoded.getbuffer())

    def _metadata(self) -> dict[str, bytes]:
        metadata = self._spec.metadata
        options = {}
        if metadata.exif and (block := self._fitting_exif(metadata.exif)):
            options["exif"] = _EXIF_PREFIX + block
        if metadata.xmp:
            if len(metadata.xmp) <= _XMP_BYTES:
                options["xmp"] = metadata.xmp
            else:
                self.notes.append("The XMP data are too long for a JPEG and were left out.")
        if metadata.iptc:
            body = b"Photoshop 3.0\0" + to_image_resources(metadata.iptc)
            if len(body) <= _SEGMENT_BYTES:
                options["extra"] = b"\xff\xed" + struct.pack(">H", len(body) + 2) + body
            else:
                self.notes.append("The IPTC data are too long for a JPEG and were left out.")
        return options

    def _fitting_exif(self, block: bytes) -> bytes | None:
        """The block; when a segment cannot hold it, without its thumbnail and maker note."""
        limit = _SEGMENT_BYTES - len(_EXIF_PREFIX)
        if len(block) <= limit:
            return block
        try:
            smaller = exif.build(exif.parse(block))
        except ValueError:
            smaller = block
        if len(smaller) <= limit:
            return smaller
        self.notes.append("The Exif data are too long for a JPEG and were left out.")
        return None
