"""What the writers of all formats share: the bands they are given, and their 8 bits."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Protocol

import numpy as np

from hotfolder.disk.durable import Digest
from hotfolder.errors import Refuse
from hotfolder.raster.dither import Dither
from hotfolder.raster.picture import Band, RasterSpec, Stored


class FormatWriter(Protocol):
    """Writes one file of one format; ``notes`` says what could not be written."""

    notes: list[str]

    def write(self, path: Path, bands: Iterable[Band]) -> Digest | None:
        """Consume all bands; the file is complete when this returns.

        The digest is returned where it was computed on the way.
        """


class Samples:
    """The numbers of a band as they go into a file: alpha last, 16 bits or dithered 8."""

    def __init__(self, spec: RasterSpec, bits: int) -> None:
        self.count = spec.channels + spec.has_alpha
        self.dtype = np.dtype(np.uint8 if bits == 8 else np.uint16)
        self._dither = Dither(spec.width_px, self.count, spec.dither_from_px) if bits == 8 else None

    def of(self, band: Band) -> Stored:
        """Shape (rows, width, samples), dtype `dtype`, C-contiguous."""
        pixels = band.pixels
        if band.alpha is not None:
            pixels = np.concatenate([pixels, band.alpha[..., np.newaxis]], axis=-1)
        if self._dither:
            return self._dither.apply(pixels, band.top)
        return np.ascontiguousarray(pixels)


def refuse_longer(spec: RasterSpec, max_side_px: int, code: str, name: str) -> None:
    """Refuse a result that a format cannot hold; code, name: the format's.

    Raises
    ------
    Refuse
        As ``jpeg-too-large``, when a side is longer.
    """
    if max(spec.width_px, spec.height_px) > max_side_px:
        raise Refuse(
            f"{code}-too-large",
            f"The result would have {spec.width_px} x {spec.height_px} pixels, but {name} allows "
            f"{max_side_px} along a side. Set the destination's result to another format, as TIFF, "
            "or its size smaller.",
        )


def checked(bands: Iterable[Band], spec: RasterSpec) -> Iterator[Band]:
    """The same bands, after making sure that they are the picture that `spec` promises.

    Raises
    ------
    ValueError
        When rows are missing, repeated, or of another shape.
    """
    top = 0
    for band in bands:
        expected = (band.rows, spec.width_px, spec.channels)
        if band.top != top or band.pixels.shape != expected:
            raise ValueError(
                f"a band at row {band.top} of shape {band.pixels.shape}; "
                f"expected row {top}, {expected}"
            )
        if (band.alpha is not None) != spec.has_alpha:
            raise ValueError(f"the band at row {band.top} and its picture disagree about alpha")
        top += band.rows
        yield band
    if top != spec.height_px:
        raise ValueError(f"{top} rows of a picture of {spec.height_px}")


def whole(bands: Iterable[Band], spec: RasterSpec, bits: int) -> Stored:
    """The picture in one array, for formats whose library wants it so."""
    samples = Samples(spec, bits)
    out = np.empty((spec.height_px, spec.width_px, samples.count), samples.dtype)
    for band in checked(bands, spec):
        out[band.top : band.top + band.rows] = samples.of(band)
    return out
