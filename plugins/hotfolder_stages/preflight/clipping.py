"""How much of a picture has nothing left at its ends.

A *blown* pixel is white and a *blocked* one black in every channel: no detail can be got out of
them. A pixel with a single channel at its limit has lost some of it, or is only a saturated
colour; it is counted apart.

=========  ===========  =====================  =============================
encoding   blown        blocked                a channel at its limit
=========  ===========  =====================  =============================
rgb, grey  all highest  all 0                  any highest or 0
lab        L* 100       L* 0                   (of L* only)
cmyk       no ink       black ink at 100 %     (the same: a channel without
                                               ink is nothing unusual)
=========  ===========  =====================  =============================

Pixels that are fully transparent show nothing and are not counted. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotfolder import Band, Encoding

Mask = NDArray[np.bool_]

_HIGHEST = 65535


@dataclass(frozen=True)
class Clipped:
    """Pixels counted so far."""

    pixels: int = 0
    blown: int = 0
    blocked: int = 0
    any_channel: int = 0

    def plus(self, band: Band, encoding: Encoding) -> Clipped:
        """Count one more band."""
        masks = _at_limits(band.pixels, encoding)
        seen = band.rows * band.pixels.shape[1]
        if band.alpha is not None:
            visible = band.alpha > 0
            masks = [mask & visible for mask in masks]
            seen = int(np.count_nonzero(visible))
        blown, blocked, any_channel = (int(np.count_nonzero(mask)) for mask in masks)
        return Clipped(
            self.pixels + seen,
            self.blown + blown,
            self.blocked + blocked,
            self.any_channel + any_channel,
        )

    def share(self, count: int) -> float:
        """A count as a share of the pixels that show something, 0 … 1."""
        return count / self.pixels if self.pixels else 0.0


def _at_limits(pixels: NDArray[np.uint16], encoding: Encoding) -> list[Mask]:
    """Which pixels are blown, which blocked, and which have a channel at its limit."""
    if encoding is Encoding.CMYK:
        blown, blocked = np.asarray(pixels.max(axis=-1) == 0), pixels[..., 3] == _HIGHEST
        return [blown, blocked, blown | blocked]
    channels = 1 if encoding is Encoding.LAB else pixels.shape[-1]
    high, low = pixels[..., 0] == _HIGHEST, pixels[..., 0] == 0
    blown, blocked, any_channel = high, low, high | low
    for channel in range(1, channels):
        high, low = pixels[..., channel] == _HIGHEST, pixels[..., channel] == 0
        blown, blocked, any_channel = blown & high, blocked & low, any_channel | high | low
    return [blown, blocked, any_channel]
