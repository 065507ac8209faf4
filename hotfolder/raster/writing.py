"""Writing a result: one file, from the last stage's bands.

What may be written is decided when the result is opened, before any pixel is computed. Metadata
come only from ``spec.metadata``; no tag of the original gets past it. Making the file durable
and putting it into its place is somebody else's work.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from types import TracebackType
from typing import Self

from hotfolder.disk.durable import Digest
from hotfolder.model.destination import Result
from hotfolder.raster.jpeg_write import JpegFormat
from hotfolder.raster.jxl_write import JpegXlFormat
from hotfolder.raster.pdf_write import PdfFormat
from hotfolder.raster.picture import Band, RasterSpec
from hotfolder.raster.png_write import PngFormat
from hotfolder.raster.result_file import FormatWriter
from hotfolder.raster.tiff_write import TiffFormat
from hotfolder.raster.web_write import WebFormat

_FORMATS: dict[str, Callable[[RasterSpec, Result], FormatWriter]] = {
    "tiff": TiffFormat,
    "jpeg": JpegFormat,
    "png": PngFormat,
    "pdf": PdfFormat,
    "jxl": JpegXlFormat,
    "avif": WebFormat,
    "webp": WebFormat,
}


class ResultWriter:
    """A result about to be written; `notes` says, afterwards, what its format cannot hold."""

    def __init__(self, path: Path, writer: FormatWriter) -> None:
        self._path = path
        self._writer = writer
        self.digest: Digest | None = None
        """Of what was written, where the format could be hashed meanwhile."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What could not be written, as plain sentences."""
        return tuple(self._writer.notes)

    def write(self, bands: Iterable[Band]) -> None:
        """Write the picture, and consume `bands` to the end.

        Raises
        ------
        OSError
            When the disk is full or fails.
        ValueError
            When the bands are not the picture that was promised.
        """
        self.digest = self._writer.write(self._path, bands)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if error is not None:
            self._path.unlink(missing_ok=True)


def open_result(path: Path, spec: RasterSpec, result: Result) -> ResultWriter:
    """Make ready to write `spec` as `result` says; half a file is removed when writing fails.

    A JPEG has 8 bits, whatever ``result.bits`` says; 8 bits are made from 16 by dithering.

    Raises
    ------
    Refuse
        ``cmyk-png``, ``lab-result``, ``jpeg-alpha``, ``jpeg-too-large``, ``pdf-alpha``,
        ``pdf-too-large``, ``no-ppi``, ``no-output-profile``, ``not-rgb-webp``,
        ``webp-too-large`` and the like of the other formats: the format cannot hold this
        picture; ``bigtiff``: the settings do not want it so large. The message says what to set.
    """
    return ResultWriter(path, _FORMATS[result.format](spec, result))
