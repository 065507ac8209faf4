"""8 bits from 16, dithered: smooth skies stay smooth.

``v8 = floor(v16 / 257 + u)`` with a threshold u of 0 ≤ u < 1 that depends on nothing but the
absolute row, column and channel: the mean over an area is kept, a value that 8 bits can hold
(n · 257, so black and white too) comes out exactly, and no band height changes the result.

The thresholds are a tile of blue noise, without the low frequencies that an eye sees, made by
the void-and-cluster method (R. A. Ulichney, "The void-and-cluster method for dither array
generation", Proc. SPIE 1913 (1993), DOI 10.1117/12.152707) in integers, so that every machine
makes the same one.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Array
from hotfolder.colour.machine_code import compiled, made, number, seen

_SIDE_PX = 64
_LEVELS = 257  # 65535 / 255: steps of 16 bits in one step of 8
_RECIPROCAL = np.uint32(65281)
_RECIPROCAL_BITS = np.uint32(24)
"""``x * 65281 >> 24`` is ``x // 257`` for all x up to 65535 + 256, without a division."""
_TAKEN = 2**40
_SIGMA_PX = 1.5  # as the method's paper recommends
_SEED = 257
_SHIFTS = ((0, 0), (19, 37), (43, 11), (29, 53), (7, 25))
"""Where each channel starts in the tile, so that channels do not move together."""


class Dither:
    """The dither of one picture: `apply` may be called from several threads.

    Parameters
    ----------
    width_px
        Of the picture.
    channels
        Of its pixels, alpha among them.
    start_px
        Column and row with which the tile begins: a picture on a larger sheet comes out as it does
        alone.
    """

    def __init__(self, width_px: int, channels: int, start_px: tuple[int, int] = (0, 0)) -> None:
        left, top = start_px
        planes = [
            np.roll(_tile(), (down + top, across + left), axis=(0, 1))
            for down, across in _SHIFTS[:channels]
        ]
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

        Returns
        -------
        uint8, of the same shape.
        """
        out = np.empty(pixels.shape, np.uint8)
        rows = np.ascontiguousarray(pixels).reshape(len(pixels), -1)
        _dither(rows, self._thresholds.reshape(_SIDE_PX, -1), top, out.reshape(rows.shape))
        return out


@compiled(seen("u2", 2), seen("u2", 2), number("i8"), made("u1", 2))
def _dither(rows: Array, thresholds: Array, top: int, out: Array) -> None:
    for row in range(len(rows)):
        codes, added, new = rows[row], thresholds[(top + row) % _SIDE_PX], out[row]
        for at in range(len(codes)):
            code = np.uint32(np.uint32(codes[at]) + np.uint32(added[at]))
            new[at] = np.uint8(np.uint32(np.uint32(code * _RECIPROCAL) >> _RECIPROCAL_BITS))


@cache
def _tile() -> NDArray[np.uint16]:
    """Thresholds 0 … 256, each equally often (within one), shape (64, 64)."""
    count = _SIDE_PX * _SIDE_PX
    crowd = _Crowd()
    # the raw stream of PCG64 is the same in every version of numpy, other methods need not be
    for place in np.random.PCG64(_SEED).random_raw(count // 10) % np.uint64(count):
        crowd.add(int(place))
    while True:  # spread the points until the loosest change nothing
        crowd.remove(cluster := crowd.tightest_cluster())
        crowd.add(void := crowd.largest_void())
        if cluster == void:
            break
    spread = crowd.points()
    ranks = np.empty(count, np.int64)
    for rank in reversed(range(len(spread))):
        ranks[cluster := crowd.tightest_cluster()] = rank
        crowd.remove(cluster)
    for place in spread:
        crowd.add(place)
    for rank in range(len(spread), count):
        ranks[void := crowd.largest_void()] = rank
        crowd.add(void)
    return (ranks * _LEVELS // count).astype(np.uint16).reshape(_SIDE_PX, _SIDE_PX)


class _Crowd:
    """Points on a torus, and how crowded each place is: a sum of Gaussians, in integers.

    A place that holds a point scores `_TAKEN` more than its crowding, so that the highest score
    is always a point's and the lowest a free place's.
    """

    def __init__(self) -> None:
        self._scores = np.zeros((_SIDE_PX, _SIDE_PX), np.int64)
        self._flat = self._scores.reshape(-1)

    def add(self, place: int) -> None:
        """Put a point to a place; a second one changes nothing."""
        if self._flat[place] < _TAKEN:
            self._scores += _bump(place)
            self._flat[place] += _TAKEN

    def remove(self, place: int) -> None:
        """Take a point away."""
        self._scores -= _bump(place)
        self._flat[place] -= _TAKEN

    def points(self) -> list[int]:
        """All places that hold a point."""
        return [int(place) for place in np.flatnonzero(self._flat >= _TAKEN)]

    def tightest_cluster(self) -> int:
        """The point in the most crowded place."""
        return int(self._flat.argmax())

    def largest_void(self) -> int:
        """The emptiest free place."""
        return int(self._flat.argmin())


def _bump(place: int) -> NDArray[np.int64]:
    row, column = divmod(place, _SIDE_PX)
    down, along = _SIDE_PX - row, _SIDE_PX - column
    return _bumps()[down : down + _SIDE_PX, along : along + _SIDE_PX]


@cache
def _bumps() -> NDArray[np.int64]:
    """A Gaussian around (0, 0) of the torus, twice along each axis, so that slices shift it."""
    distance = np.minimum(np.arange(_SIDE_PX), _SIDE_PX - np.arange(_SIDE_PX))
    squared = distance[:, np.newaxis] ** 2 + distance**2
    gauss = np.rint(np.exp(-squared / (2 * _SIGMA_PX**2)) * 2**20).astype(np.int64)
    return np.tile(gauss, (2, 2))
