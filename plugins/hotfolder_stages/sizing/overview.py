"""A small picture of the whole original, gathered while it flows by, to show what is cropped."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hotfolder import Band, RasterSpec
from hotfolder.colour import flattened

MOST_PX = 480
"""Of its long side: enough to see what is cropped."""
_PER_PIXEL = 2
"""Samples averaged for one of its pixels, along a side: every original pixel would cost more."""


class Overview:
    """Takes samples of every band, in order."""

    def __init__(self, raster: RasterSpec) -> None:
        self._raster = raster
        self._step = max(1, -(-max(raster.width_px, raster.height_px) // (MOST_PX * _PER_PIXEL)))
        self._rows: list[NDArray[np.uint16]] = []

    def add(self, band: Band) -> None:
        """Take samples of a band."""
        step = self._step
        rows = slice(-band.top % step, None, step)
        alpha = None if band.alpha is None else band.alpha[rows, ::step]
        found = flattened(band.pixels[rows, ::step], alpha, self._raster.encoding)
        self._rows.append(np.array(found))

    def picture(self) -> NDArray[np.uint16]:
        """The picture, in the original's colours: shape (rows, width, channels)."""
        samples = np.concatenate(self._rows)
        height, width = (max(1, side // _PER_PIXEL) for side in samples.shape[:2])
        if min(samples.shape[:2]) < _PER_PIXEL:
            return samples
        whole = samples[: height * _PER_PIXEL, : width * _PER_PIXEL].astype(np.float32)
        parts = whole.reshape(height, _PER_PIXEL, width, _PER_PIXEL, -1)
        made: NDArray[np.uint16] = np.rint(parts.mean((1, 3))).astype(np.uint16)
        return made
