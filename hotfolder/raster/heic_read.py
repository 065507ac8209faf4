"""HEIC files (ISO/IEC 23008-12 with HEVC), through pillow-heif, where that is installed.

It is no dependency: codecs for HEVC are under other licences than hotfolder, and under patents.
"""

from __future__ import annotations

import io
from typing import Any

import numpy as np

from hotfolder.errors import Refuse
from hotfolder.model.encoding import Encoding
from hotfolder.raster import colour_tags
from hotfolder.raster.boxes import AVIF_BRANDS, HEIC_BRANDS, brands
from hotfolder.raster.foreign import translated
from hotfolder.raster.headers import Blocks, make_header
from hotfolder.raster.heif_items import read_primary
from hotfolder.raster.original_file import OriginalFile
from hotfolder.raster.picture import Stored
from hotfolder.raster.samples import SampleLayout
from hotfolder.raster.source import Request, check_page, check_size, check_whole
from hotfolder.raster.whole import WholeSource

_WORKING = 2.5
"""Memory in use over that of four decoded channels (measured: 1.5 to 2 at 12 megapixels)."""
_OTHERS = "The file holds more pictures beside the one that it names first, which was taken."


def is_heic(head: bytes) -> bool:
    """Tell by its first bytes whether a file is an HEIC, or another HEIF that is no AVIF."""
    found = brands(head)
    return bool(found & HEIC_BRANDS) and not found & (AVIF_BRANDS | {b"crx "})


def open_heic(file: OriginalFile, request: Request) -> WholeSource:
    """Read what an HEIC says about its picture; see `source.RowSource`.

    The codec turns and crops the picture as the file asks.

    Raises
    ------
    Refuse
        ``no-reader`` when pillow-heif is not installed; ``damaged`` or ``too-large``.
    Hold
        ``no-such-page`` or ``narrow-range``.
    """
    heif = _load()
    check_whole(file.size, request.limits, "The HEIC file")
    data = file.read(0, file.size)
    picture = read_primary(data)
    check_page(1, request.reading)
    decoded = picture.width_px * picture.height_px * 4 * (1 if picture.bits == 8 else 2)
    check_size(picture.width_px, picture.height_px, decoded, file.size, request.limits)
    check_whole(int(decoded * _WORKING), request.limits, "The HEIC picture")
    with translated("the HEIC picture"):
        opened: Any = heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False)
        mode, size_px = str(opened.mode), (int(opened.size[0]), int(opened.size[1]))
        check_size(*size_px, decoded, file.size, request.limits)
    encoding = Encoding.GREY if mode.startswith("L") else Encoding.RGB
    has_alpha = "A" in mode.partition(";")[0] or "a" in mode.partition(";")[0]
    stated = None
    if picture.code_points is not None and picture.icc is None:
        stated = colour_tags.from_code_points(picture.code_points, encoding)
    blocks = Blocks(icc=picture.icc, stated=stated, exif=picture.exif, xmp=picture.xmp)
    header = make_header(
        "HEIC", size_px, picture.bits, encoding, blocks, request.limits,
        has_alpha=has_alpha, orientation=1, notes=[_OTHERS] if picture.others else [],
        harmless=frozenset({_OTHERS}),
    )  # fmt: skip
    samples = encoding.channels + has_alpha
    bits = picture.bits if "16" in mode else 8
    layout = SampleLayout(
        encoding,
        bits=bits,
        alpha=encoding.channels if has_alpha else None,
        associated="a" in mode.partition(";")[0],
    )

    def decode() -> Stored:
        # what has more than 8 bits comes shifted to the upper end of 16, where white is too dark
        return np.asarray(opened) >> (16 - bits) if bits > 8 else np.asarray(opened)

    return WholeSource(header, layout, samples, decode, "the HEIC picture")


def _load() -> Any:
    try:
        import pillow_heif
    except ImportError as error:
        raise Refuse(
            "no-reader",
            "The file is an HEIC picture, which is read only where its reader is installed beside "
            "hotfolder: `pipx inject hotfolder pillow-heif`. Or export the picture as a TIFF or "
            "JPEG XL with its profile embedded, and drop that.",
        ) from error
    return pillow_heif
