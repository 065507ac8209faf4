"""AVIF files (AV1 Image File Format 1.1): their items, and their pixels through libavif."""

from __future__ import annotations

from functools import partial

import imagecodecs

from hotfolder.model.encoding import Encoding
from hotfolder.raster import colour_tags
from hotfolder.raster.boxes import AVIF_BRANDS, brands
from hotfolder.raster.headers import Blocks, make_header
from hotfolder.raster.heif_items import Picture, read_primary
from hotfolder.raster.original_file import OriginalFile
from hotfolder.raster.samples import SampleLayout
from hotfolder.raster.source import Header, Request, check_page, check_size, check_whole
from hotfolder.raster.whole import WholeSource

_WORKING = 3.0
"""Memory in use over that of the decoded pixels (measured: 2.4 at 12 megapixels)."""
CROPPED = (
    "The file asks for a part of its picture (clean aperture); all of it was taken. "
    "If it shows too much, export it cropped."
)
OTHERS = "The file holds more pictures beside the one that it names first, which was taken."


def is_avif(head: bytes) -> bool:
    """Tell by its first bytes whether a file is an AVIF."""
    return bool(brands(head) & AVIF_BRANDS)


def open_avif(file: OriginalFile, request: Request) -> WholeSource:
    """Read what an AVIF says about its picture; see `source.RowSource`.

    Raises
    ------
    Refuse
        ``damaged`` or ``too-large``.
    Hold
        ``no-such-page`` or ``narrow-range``.
    """
    check_whole(file.size, request.limits, "The AVIF file")
    data = file.read(0, file.size)
    picture = read_primary(data)
    check_page(1, request.reading)
    encoding = Encoding.GREY if picture.channels == 1 else Encoding.RGB
    samples = encoding.channels + picture.has_alpha
    decoded = picture.width_px * picture.height_px * samples * (1 if picture.bits == 8 else 2)
    check_size(picture.width_px, picture.height_px, decoded, file.size, request.limits)
    check_whole(int(decoded * _WORKING), request.limits, "The AVIF picture")
    header = describe(picture, encoding, request, orientation=picture.orientation)
    alpha = encoding.channels if picture.has_alpha else None
    layout = SampleLayout(encoding, bits=picture.bits, alpha=alpha)
    decode = partial(imagecodecs.avif_decode, data, index=0, numthreads=2)
    return WholeSource(header, layout, samples, decode, "the AVIF picture")


def describe(picture: Picture, encoding: Encoding, request: Request, *, orientation: int) -> Header:
    """Make the header of an AVIF, from what its items say."""
    stated = None
    if picture.code_points is not None and picture.icc is None:
        stated = colour_tags.from_code_points(picture.code_points, encoding)
    notes = [CROPPED] if picture.is_cropped else []
    notes += [OTHERS] if picture.others else []
    blocks = Blocks(icc=picture.icc, stated=stated, exif=picture.exif, xmp=picture.xmp)
    return make_header(
        "AVIF", (picture.width_px, picture.height_px), picture.bits, encoding, blocks,
        request.limits, has_alpha=picture.has_alpha, orientation=orientation, notes=notes,
        harmless=frozenset({OTHERS}),
    )  # fmt: skip
