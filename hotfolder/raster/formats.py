"""Which formats of originals there are: how each is recognised, and who reads it.

A format is a module with a function that tells it by a file's first bytes, and a reader
(`source.RowSource`). What is in no row here is named by `strangers` and refused.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from hotfolder.raster.avif_read import is_avif, open_avif
from hotfolder.raster.exr_read import ExrSource, is_exr
from hotfolder.raster.heic_read import is_heic, open_heic
from hotfolder.raster.jpeg2000_read import is_jpeg_2000, open_jpeg_2000
from hotfolder.raster.jpeg_read import JpegSource
from hotfolder.raster.jxl_read import JxlSource, is_jpeg_xl
from hotfolder.raster.original_file import OriginalFile
from hotfolder.raster.png_read import SIGNATURE, PngSource
from hotfolder.raster.psd_read import PsdSource, is_psd
from hotfolder.raster.source import Request, RowSource
from hotfolder.raster.strangers import HEAD_BYTES, refuse_stranger
from hotfolder.raster.tiff_read import TiffSource
from hotfolder.raster.webp_read import is_webp, open_webp

_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_RAW_AT_8 = b"CR"
"""A camera's raw file begins like a TIFF, and goes on like this."""


@dataclass(frozen=True)
class FileFormat:
    """One format."""

    name: str
    """What people call it."""
    matches: Callable[[bytes], bool]
    """Tells it by a file's first bytes."""
    open: Callable[[OriginalFile, Request], RowSource]
    """Its reader."""


FORMATS: Final = (
    FileFormat("TIFF", lambda head: head.startswith(_TIFF) and head[8:10] != _RAW_AT_8, TiffSource),
    FileFormat("JPEG", lambda head: head.startswith(b"\xff\xd8\xff"), JpegSource),
    FileFormat("PNG", lambda head: head.startswith(SIGNATURE), PngSource),
    FileFormat("JPEG XL", is_jpeg_xl, JxlSource),
    FileFormat("AVIF", is_avif, open_avif),
    FileFormat("HEIC", is_heic, open_heic),
    FileFormat("WebP", is_webp, open_webp),
    FileFormat("JPEG 2000", is_jpeg_2000, open_jpeg_2000),
    FileFormat("OpenEXR", is_exr, ExrSource),
    FileFormat("PSD", is_psd, PsdSource),
)
"""Every format that is read, in the order in which they are looked for."""


def find_format(file: OriginalFile) -> FileFormat:
    """Find who reads a file.

    Raises
    ------
    Refuse
        ``not-a-picture``, which says what it is.
    """
    head = file.read(0, HEAD_BYTES)
    for each in FORMATS:
        if each.matches(head):
            return each
    *names, last = (each.name for each in FORMATS)
    raise refuse_stranger(head, f"{', '.join(names)} and {last}")
