"""Total area coverage: the sum of the four inks' tone values at one place, 0 … 400 %.

ISO 12647-2 names it the tone value sum; the sum of pixel values is its common measure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotfolder import Dither
from hotfolder.colour import over_slabs

_FULL = 65535
_PER_CODE = 257  # of 8 bits


@dataclass(frozen=True)
class Coverage:
    """What was measured so far: codes are 65535 for 100 % of one ink."""

    max_code: int = -1
    """Largest sum."""
    x_px: int = 0
    """The first pixel, row by row, that has it."""
    y_px: int = 0
    """The first pixel, row by row, that has it."""
    above: int = 0
    """Pixels above the limit."""
    total_code: int = 0
    """Sum of all sums."""
    pixels: int = 0
    """How many."""

    @property
    def max_percent(self) -> float:
        """The largest sum, 0 … 400 %."""
        return 100 * max(0, self.max_code) / _FULL

    @property
    def mean_percent(self) -> float:
        """The sum on average, 0 … 400 %."""
        return 100 * self.total_code / _FULL / self.pixels if self.pixels else 0.0

    @property
    def share_above(self) -> float:
        """Share of the pixels above the limit, 0 … 1."""
        return self.above / self.pixels if self.pixels else 0.0

    def plus(self, below: Coverage) -> Coverage:
        """Join with what was measured further down in the picture."""
        most = below if below.max_code > self.max_code else self
        return Coverage(
            most.max_code,
            most.x_px,
            most.y_px,
            self.above + below.above,
            self.total_code + below.total_code,
            self.pixels + below.pixels,
        )


def measured(
    pixels: NDArray[np.uint16], top: int, limit_percent: float, dither: Dither | None = None
) -> Coverage:
    """Measure a band.

    Parameters
    ----------
    pixels
        Shape (rows, width, 4), dtype uint16, 65535 is 100 % ink.
    top
        Index of the first row in the picture.
    limit_percent
        A sum counts as above only when it is more than this.
    dither
        What makes 8 bits of the pixels when they are written; None when 16 are.
    """
    rows, width, _ = pixels.shape
    limit_code = int(np.floor(limit_percent / 100 * _FULL + 1e-6))

    def measure(start: int, stop: int) -> Coverage:
        inks = pixels[start:stop]
        written = dither.apply(inks, top + start) if dither else inks
        sums = written[..., 0].astype(np.uint32)
        for ink in range(1, inks.shape[-1]):
            sums += written[..., ink]
        if dither:
            sums *= _PER_CODE
        place = int(sums.argmax())
        return Coverage(
            max_code=int(sums.flat[place]),
            x_px=place % width,
            y_px=top + start + place // width,
            above=int(np.count_nonzero(sums > limit_code)),
            total_code=int(sums.sum(dtype=np.uint64)),
            pixels=sums.size,
        )

    coverage = Coverage()
    for slab in over_slabs(measure, rows, width):
        coverage = coverage.plus(slab)
    return coverage
