"""Which lightness to add to each pixel, from the lightness around it.

The detail of a pixel is its L* less the Gaussian mean of its surroundings. Where detail is strong
against noise the amount is added in full, where it is not stronger than noise nothing is: the
gain is 1 - noise² / mean detail², the gain of Wiener's filter. What is added is bounded. So noise
and smooth skies stay as they are, to the last bit, and no halo is higher than the bound.

Noise is what the quietest place nearby has: mean detail², over squares of 12 pixels or four
sigma, whichever is wider, is compared with the least of them within 32 pixels. Grain is
everywhere alike, so it is found to be noise wherever it is; an edge or a branch has something
quieter beside it. That is the idea of minimum statistics (R. Martin, IEEE Trans. Speech Audio
Process. 9, 504 (2001), DOI 10.1109/89.928915), in two dimensions instead of time; the three
times by which detail has to exceed it is ours, and what pure noise does by chance. As an even
texture, such as sand, looks like grain, noise is never taken to be more than a limit.

The sampled Gaussian kernel is cut off at four sigma; rows and columns beyond the picture repeat
its edge.
"""

from __future__ import annotations

import math
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from hotfolder_stages.weighted_sums import RESULTS_PER_TILE, sum_columns, sum_rows, tiles

Plane = NDArray[np.float32]

_TRUNCATE = 4.0
_ROUNDING_L = 0.01
"""Detail below this is the rounding of 16-bit values, 0.0015 L*, and of the kernel's weights."""

_UNSEEN_L = np.float32(0.0007)
"""Half a step of 16-bit L*: less is not worth changing a pixel."""

_CELL_PX = 4
_NEARBY_CELLS = 8
_ABOVE_NOISE = 3.0
_ROWS_PER_TASK = 2 * RESULTS_PER_TILE


@dataclass(frozen=True)
class DetailFilter:
    """What is added to L*.

    radius_px: sigma of the Gaussian; amount: share of the detail added; noise_l, most_noise_l:
    the least and the most detail, in L*, that is taken for noise; limit_l: the most that is added
    or taken, in L*.
    """

    radius_px: float
    amount: float
    noise_l: float
    most_noise_l: float
    limit_l: float

    @property
    def kernel_px(self) -> int:
        """Rows and columns on each side that the Gaussian reaches."""
        return reach_px(self.radius_px)

    @property
    def mean_cells(self) -> int:
        """Cells on each side over which detail² is averaged."""
        return max(1, math.ceil(2 * self.radius_px / _CELL_PX))

    @property
    def margin_cells(self) -> int:
        """Rows of cells above and below that a gain depends on."""
        return self.mean_cells + _NEARBY_CELLS + 1

    def gain(self, power: Plane) -> Plane:
        """Share of the amount, 0 … 1, for each cell of mean detail²; both (rows, width)."""
        size = 2 * self.mean_cells + 1
        # A running sum would be quicker, but carries its rounding from cell to cell.
        weights = np.full(size, 1 / size)
        for axis in (0, 1):
            power = ndimage.correlate1d(power, weights, axis=axis, mode="nearest")
        quietest = ndimage.minimum_filter(power, 2 * _NEARBY_CELLS + 1, mode="nearest")
        least = max(self.noise_l, _ROUNDING_L)
        most = max(self.most_noise_l, least)
        noise = np.clip(_ABOVE_NOISE * quietest, np.float32(least**2), np.float32(most**2))
        return np.asarray(1 - noise / np.maximum(power, noise), np.float32)


def kernel(radius_px: float) -> NDArray[np.float64]:
    """The sampled Gaussian of sigma `radius_px`; its weights sum to 1."""
    reach = reach_px(radius_px)
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / radius_px) ** 2)
    return np.asarray(weights / weights.sum())


def reach_px(radius_px: float) -> int:
    """Samples on each side of the kernel's centre."""
    return int(_TRUNCATE * radius_px + 0.5)


class AddedLightness:
    """The lightness to add to a picture whose rows come from its top.

    Parameters
    ----------
    height_px, width_px
        Of the whole picture.
    """

    def __init__(self, made: DetailFilter, height_px: int, width_px: int) -> None:
        self._filter = made
        self._height, self._width = height_px, width_px
        self._columns = tiles(*self._blur(0, width_px, width_px), 0, width_px)
        cells = math.ceil(width_px / _CELL_PX)
        self._spread_columns = tiles(*_between_cells(0, width_px, cells), 0, width_px)
        self._lightness = np.empty((0, width_px), np.float32)
        self._detail = np.empty((0, width_px), np.float32)
        self._power = np.empty((0, cells), np.float32)
        self._arrived = self._known = self._given = 0
        self.limited = 0
        self.left_alone = 0

    def push(self, lightness: Plane, threads: Executor) -> Plane:
        """Take the next rows of L*; return what to add to the rows that are ready.

        Parameters
        ----------
        lightness
            Shape (rows, width), float32, 0 … 100.

        Returns
        -------
        float32, shape (rows that are ready, width): L*, between -limit_l and limit_l, and exactly
        0 where the detail is not stronger than noise.
        """
        self._arrived += len(lightness)
        self._lightness = np.concatenate([self._lightness, lightness])
        ended = self._arrived == self._height
        known = self._height if ended else _whole_cells(self._arrived - self._filter.kernel_px)
        if known > self._known:
            self._learn(known, threads)
        margin = self._filter.margin_cells * _CELL_PX
        ready = self._height if ended else _whole_cells(self._known - margin)
        return self._give(max(ready, self._given), threads)

    def _learn(self, stop: int, threads: Executor) -> None:
        """Detail and its mean square for rows from `_known` to `stop`."""
        start, at = self._known, self._arrived - len(self._lightness)
        fresh = np.empty((stop - start, self._width), np.float32)

        def work(first: int) -> None:
            last = min(first + _ROWS_PER_TASK, stop)
            first_sample, weights = self._blur(first, last, self._height)
            over = tiles(first_sample, weights, 0, last - first)
            blurred = np.empty((last - first, self._width), np.float32)
            sum_rows(self._lightness, at, blurred, over)
            out = fresh[first - start : last - start]
            sum_columns(blurred, out, self._columns)
            np.subtract(self._lightness[first - at : last - at], out, out=out)

        for _ in threads.map(work, range(start, stop, _ROWS_PER_TASK)):
            pass
        self._detail = np.concatenate([self._detail, fresh])
        self._power = np.concatenate([self._power, _mean_squares(fresh)])
        self._known = stop
        keep = max(at, stop - self._filter.kernel_px)
        self._lightness = self._lightness[keep - at :]

    def _give(self, stop: int, threads: Executor) -> Plane:
        start, self._given = self._given, stop
        if start == stop:
            return np.empty((0, self._width), np.float32)
        cells = math.ceil(self._known / _CELL_PX)
        at = cells - len(self._power)
        gain = self._filter.gain(self._power)
        wide = np.empty((len(gain), self._width), np.float32)
        sum_columns(gain, wide, self._spread_columns)
        added = np.empty((stop - start, self._width), np.float32)
        in_all = math.ceil(self._height / _CELL_PX)
        limit = np.float32(self._filter.limit_l)
        amount = np.float32(self._filter.amount)

        def work(first: int) -> tuple[int, int]:
            last = min(first + _ROWS_PER_TASK, stop)
            out = added[first - start : last - start]
            over = tiles(*_between_cells(first, last, in_all), 0, last - first)
            sum_rows(wide, at, out, over)
            out *= amount
            out *= self._detail[first - start : last - start]
            size = np.abs(out)
            limited = int(np.count_nonzero(size > limit))
            if limited:
                np.clip(out, -limit, limit, out=out)
            seen = size >= _UNSEEN_L
            out *= seen
            return limited, out.size - int(np.count_nonzero(seen))

        for limited, left in threads.map(work, range(start, stop, _ROWS_PER_TASK)):
            self.limited += limited
            self.left_alone += left
        self._detail = self._detail[stop - start :]
        keep = max(at, stop // _CELL_PX - self._filter.margin_cells)
        self._power = self._power[keep - at :]
        return added

    def _blur(
        self, start: int, stop: int, size: int
    ) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        """First sample and weights of the Gaussian mean; what is beyond the edge is the edge."""
        weights = kernel(self._filter.radius_px)
        reach = len(weights) // 2
        taps = min(len(weights), size)
        index = np.arange(start, stop)
        first = np.clip(index - reach, 0, size - taps)
        samples = np.clip(index[:, None] + np.arange(-reach, reach + 1), 0, size - 1)
        made = np.zeros((len(index), taps))
        rows = np.broadcast_to(np.arange(len(index))[:, None], samples.shape)
        np.add.at(made, (rows, samples - first[:, None]), np.broadcast_to(weights, samples.shape))
        return first, made.astype(np.float32)


def _between_cells(
    start: int, stop: int, cells: int
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """First cell and weights of two that give a pixel its value between the cells' centres."""
    place = np.clip((np.arange(start, stop) + 0.5) / _CELL_PX - 0.5, 0, cells - 1)
    taps = min(2, cells)
    first = np.minimum(place.astype(np.int64), cells - taps)
    share = (place - first).astype(np.float32)
    return first, np.stack([1 - share, share], axis=1)[:, :taps]


def _mean_squares(detail: Plane) -> Plane:
    """Mean of detail² in cells; those at the picture's right and bottom repeat its edge."""
    rows, width = detail.shape
    missing = (-rows % _CELL_PX, -width % _CELL_PX)
    squares = detail * detail
    if any(missing):
        squares = np.pad(squares, ((0, missing[0]), (0, missing[1])), mode="edge")
    for _ in range(2):
        # Rows into one, then the transposed again, on a quarter of the numbers.
        total = squares[0::_CELL_PX] + squares[1::_CELL_PX]
        total += squares[2::_CELL_PX]
        total += squares[3::_CELL_PX]
        squares = total.T
    return np.ascontiguousarray(squares, np.float32) / np.float32(_CELL_PX**2)


def _whole_cells(rows: int) -> int:
    return max(0, rows - rows % _CELL_PX)
