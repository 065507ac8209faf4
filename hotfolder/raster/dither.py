"""8 bits from 16, dithered: smooth skies stay smooth.

``v8 = floor(v16 / 257 + u)`` with a threshold u of 0 ≤ u < 1 that depends on nothing but the
absolute row, column and channel: the mean over an area is kept, a value that 8 bits can hold
(n · 257, so black and white too) comes out exactly, and no band height changes the result.

The thresholds are a tile of blue noise: white noise, high-passed and ranked in turn until its
low frequencies, the ones that an eye sees, are gone (the idea of blue-noise masks: R. A.
Ulichney, "Dithering with blue noise", Proc. IEEE 76 (1988), DOI 10.1109/5.3288; the iteration is
our own). It is computed in integers, so that every machine makes the same tile.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

_SIDE_PX = 128
_LEVELS = 257  # 65535 / 255: steps of 16 bits in one step of 8
_RECIPROCAL = np.uint32(65281)
_RECIPROCAL_BITS = 24
"""``x * 65281 >> 24`` is ``x // 257`` for all x up to 65535 + 256, without a division."""
_ROUNDS = 8
_SEED = 257
_SHIFTS = ((0, 0), (37, 71), (83, 23), (59, 101), (17, 47))
"""Where each channel starts in the tile, so that channels do not move together."""


class Dither:
    """The dither of one picture: `apply` may be called from several threads."""

    def __init__(self, width_px: int, channels: int) -> None:
        planes = [np.roll(_tile(), shift, axis=(0, 1)) for shift in _SHIFTS[:channels]]
        tile = np.stack(planes, axis=-1)
        repeats = -(-width_px // _SIDE_PX)
        self._thresholds = np.ascontiguousarray(np.tile(tile, (1, repeats, 1))[:, :width_px])

    def apply(self, pixels: NDArray[np.uint16], top: int) -> NDArray[np.uint8]:
        """Turn rows into 8 bits.

        Parameters
        ----------
        pixels
            Shape (rows, width, channels), dtype uint16.
        top
            Index of the first row in the picture.
        """
        out = np.empty(pixels.shape, np.uint8)
        sums = np.empty(pixels.shape[1:], np.uint32)
        for row, line in enumerate(pixels):  # one row stays in the cache; the band would not
            thresholds = self._thresholds[(top + row) % _SIDE_PX]
            np.add(line, thresholds, out=sums, dtype=np.uint32)
            np.multiply(sums, _RECIPROCAL, out=sums)
            np.right_shift(sums, _RECIPROCAL_BITS, out=sums)
            out[row] = sums
        return out


@cache
def _tile() -> NDArray[np.uint16]:
    """Thresholds 0 … 256, each equally often (within one), shape (128, 128)."""
    count = _SIDE_PX * _SIDE_PX
    # the raw stream of PCG64 is the same in every version of numpy, other methods need not be
    noise = np.random.PCG64(_SEED).random_raw(count) >> np.uint64(32)
    values = _ranked(noise.astype(np.int64))
    for _ in range(_ROUNDS):
        values = _ranked(256 * values - _blurred(values))
    return (values * _LEVELS // count).astype(np.uint16)


def _blurred(values: NDArray[np.int64]) -> NDArray[np.int64]:
    """256 times a 5 × 5 binomial mean, wrapping around."""
    for axis in (0, 1):
        values = sum(
            weight * np.roll(values, shift, axis)
            for weight, shift in ((1, -2), (4, -1), (6, 0), (4, 1), (1, 2))
        )
    return values


def _ranked(values: NDArray[np.int64]) -> NDArray[np.int64]:
    ranks = np.empty(values.size, dtype=np.int64)
    ranks[np.argsort(values, axis=None, kind="stable")] = np.arange(values.size)
    return ranks.reshape(_SIDE_PX, _SIDE_PX)
