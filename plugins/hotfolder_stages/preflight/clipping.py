"""How much of a picture has nothing left at its ends: values that stand at a limit.

=========  ==============================  ==============================
encoding   highlights                      shadows
=========  ==============================  ==============================
rgb, grey  a channel at its greatest       a channel at 0
lab        L* at 100                       L* at 0
cmyk       no ink at all                   black ink at 100 %
=========  ==============================  ==============================

Pixels that are fully transparent show nothing and are not counted. Common practice, no source;
for cmyk own choice, since a channel without ink is nothing unusual there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotfolder import Band, Encoding

Mask = NDArray[np.bool_]

_GREATEST = 65535


@dataclass(frozen=True)
class Clipped:
    """Pixels counted so far. either: at one limit or at both."""

    pixels: int = 0
    highlights: int = 0
    shadows: int = 0
    either: int = 0

    def plus(self, band: Band, encoding: Encoding) -> Clipped:
        """Count one more band."""
        high, low = _at_limits(band, encoding)
        seen = band.rows * band.pixels.shape[1]
        if band.alpha is not None:
            visible = band.alpha > 0
            high, low = high & visible, low & visible
            seen = int(np.count_nonzero(visible))
        return Clipped(
            self.pixels + seen,
            self.highlights + int(np.count_nonzero(high)),
            self.shadows + int(np.count_nonzero(low)),
            self.either + int(np.count_nonzero(high | low)),
        )

    def share(self, count: int) -> float:
        """A count as a share of the pixels that show something, 0 … 1."""
        return count / self.pixels if self.pixels else 0.0


def _at_limits(band: Band, encoding: Encoding) -> tuple[Mask, Mask]:
    pixels = band.pixels
    if encoding is Encoding.CMYK:
        return np.asarray(pixels.max(axis=-1) == 0), pixels[..., 3] == _GREATEST
    counted = pixels[..., :1] if encoding is Encoding.LAB else pixels
    high = counted[..., 0] == _GREATEST
    low = counted[..., 0] == 0
    for channel in range(1, counted.shape[-1]):
        high |= counted[..., channel] == _GREATEST
        low |= counted[..., channel] == 0
    return high, low
