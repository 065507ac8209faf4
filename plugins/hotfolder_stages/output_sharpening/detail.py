"""Which lightness to add to each pixel, from the lightness around it.

The detail of a pixel is its L* less the Gaussian mean of its surroundings. Where the detail is
strong against noise the amount is added in full, where it is not stronger than noise nothing is:
the gain is 1 - noise² / mean detail², the gain of Wiener's filter, the mean taken over a square
as wide as the halo. What is added is bounded. So noise and smooth skies stay as they are, to the
last bit, and no halo is higher than the bound.

A sampled Gaussian kernel is cut off at four sigma; rows and columns beyond the picture repeat
its edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Plane = NDArray[np.float32]

_TRUNCATE = 4.0
_ROUNDING_L = 0.01
"""Detail below this is the rounding of 16-bit values, 0.0015 L*, and of the kernel's weights."""


@dataclass(frozen=True)
class DetailFilter:
    """What is added to L*.

    radius_px: sigma of the Gaussian; amount: share of the detail added; noise_l: detail, in L*,
    that is taken for noise; limit_l: the most that is added or taken, in L*.
    """

    radius_px: float
    amount: float
    noise_l: float
    limit_l: float

    @property
    def margin_rows(self) -> int:
        """Rows above and below that a result depends on."""
        return self._kernel_px + self._window_px // 2

    @property
    def _kernel_px(self) -> int:
        return int(_TRUNCATE * self.radius_px + 0.5)

    @property
    def _window_px(self) -> int:
        return 2 * max(1, math.ceil(2 * self.radius_px)) + 1

    def added(self, lightness: Plane, above: int, below: int) -> tuple[Plane, int]:
        """Lightness to add, and how many pixels met the limit.

        Parameters
        ----------
        lightness
            L*, shape (rows, width), float32, with `above` and `below` rows of surroundings at
            its top and bottom: `margin_rows`, or fewer where the picture ends.

        Returns
        -------
        tuple
            float32, shape (rows - above - below, width): L*, between -limit_l and limit_l, and
            exactly 0 where the detail is not stronger than noise; the number of pixels.
        """
        # Every result sees the same rows, whether they are a band's or the picture's last one
        # repeated, and the filters sum in the same order: bands leave no trace.
        margin = self.margin_rows
        padded = np.pad(lightness, ((margin - above, margin - below), (0, 0)), mode="edge")
        detail = padded - ndimage.gaussian_filter(
            padded, self.radius_px, mode="nearest", truncate=_TRUNCATE
        )
        detail = detail[self._kernel_px : len(detail) - self._kernel_px]
        half = self._window_px // 2
        power = _mean_over_squares(detail * detail, self._window_px)
        core = slice(half, len(detail) - half)
        floor = np.float32(max(self.noise_l, _ROUNDING_L) ** 2)
        gain = 1 - floor / np.maximum(power[core], floor)
        added = np.float32(self.amount) * gain * detail[core]
        limit = np.float32(self.limit_l)
        capped = int(np.count_nonzero(np.abs(added) > limit))
        return np.clip(added, -limit, limit), capped


def _mean_over_squares(plane: Plane, size: int) -> Plane:
    # A running sum would be quicker, but carries its rounding from row to row, and with it the
    # place where a band began.
    weights = np.full(size, 1 / size)
    across = ndimage.correlate1d(plane, weights, axis=1, mode="nearest")
    return np.asarray(ndimage.correlate1d(across, weights, axis=0, mode="nearest"))
