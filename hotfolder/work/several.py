"""Several files of the same pixels from one job: a web picture and its fallbacks.

The last stage's bands flow once. The first file is written while they do, and the rows are kept in
a scratch file, from which the others are written: each has the same 16 bits to begin with.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from hotfolder.model.destination import Result
from hotfolder.raster.picture import Band, RasterSpec
from hotfolder.raster.scratch import ScratchRows
from hotfolder.raster.writing import ResultWriter, open_result

SUFFIXES = {
    "tiff": ".tif", "jpeg": ".jpg", "png": ".png", "pdf": ".pdf", "jxl": ".jxl", "avif": ".avif",
    "webp": ".webp",
}  # fmt: skip

_MEDIA_TYPES = {
    "tiff": b"image/tiff", "jpeg": b"image/jpeg", "png": b"image/png", "pdf": b"application/pdf",
    "jxl": b"image/jxl", "avif": b"image/avif", "webp": b"image/webp",
}  # fmt: skip
_STATED_TYPE = re.compile(rb"(<dc:format>|dc:format=[\"'])(?:image|application)/[a-z]+")


@dataclass(frozen=True)
class Written:
    """A file that is to be written."""

    path: Path
    result: Result
    """With the format that it has."""
    writer: ResultWriter


@contextlib.contextmanager
def open_results(folder: Path, spec: RasterSpec, result: Result) -> Iterator[tuple[Written, ...]]:
    """Make ready to write all files of a job; none is left when one fails.

    Raises
    ------
    Refuse
        What one of the formats cannot hold, before any pixel is computed.
    """
    with contextlib.ExitStack() as opened:
        found = []
        for each in result.list_files():
            path = folder / f"result{SUFFIXES[each.format]}"
            its_spec = spec if each.format == result.format else _say_format(spec, each.format)
            writer = opened.enter_context(open_result(path, its_spec, each))
            found.append(Written(path, each, writer))
        yield tuple(found)


def write_results(
    files: Sequence[Written], bands: Iterable[Band], spec: RasterSpec, folder: Path
) -> None:
    """Write all files, the first while the bands flow.

    Raises
    ------
    OSError
        When the disk is full or fails.
    """
    first, *others = files
    if not others:
        first.writer.write(bands)
        return
    samples = spec.channels + spec.has_alpha
    with ScratchRows(folder / "result.rows", spec.width_px, samples) as rows:
        first.writer.write(_keep(bands, rows))
        for each in others:
            each.writer.write(_give_again(rows, spec))


def _keep(bands: Iterable[Band], rows: ScratchRows) -> Iterator[Band]:
    for band in bands:
        pixels = band.pixels
        if band.alpha is not None:
            pixels = np.concatenate([pixels, band.alpha[..., np.newaxis]], axis=-1)
        rows.append(pixels)
        yield band


def _give_again(rows: ScratchRows, spec: RasterSpec) -> Iterator[Band]:
    for top, pixels in rows.pieces():
        alpha = np.ascontiguousarray(pixels[..., -1]) if spec.has_alpha else None
        yield Band(top, np.ascontiguousarray(pixels[..., : spec.channels]), alpha)


def _say_format(spec: RasterSpec, form: str) -> RasterSpec:
    """The same with metadata that name this file's format, where they name the first one's."""
    xmp = spec.metadata.xmp
    if xmp is None:
        return spec
    said = _STATED_TYPE.sub(lambda found: found[1] + _MEDIA_TYPES[form], xmp)
    return replace(spec, metadata=replace(spec.metadata, xmp=said))
