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

from hotfolder_stages.output_sharpening.filters import (
    CELL_PX,
    add_detail,
    find_detail,
    least_around,
    mean_around,
)

Plane = NDArray[np.float32]

_TRUNCATE = 4.0
_ROUNDING_L = 0.01
"""Detail below this is the rounding of 16-bit values, 0.0015 L*, and of the kernel's weights."""

_UNSEEN_L = 0.0007
"""Half a step of 16-bit L*: less is not worth changing a pixel."""

_NEARBY_CELLS = 8
_ABOVE_NOISE = 3.0
_ROWS_PER_TASK = 64


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
    def mean_cells(self) -> int:
        """Cells on each side over which detail² is averaged."""
        return max(1, math.ceil(2 * self.radius_px / CELL_PX))

    @property
    def margin_cells(self) -> int:
        """Rows of cells above and below that a gain depends on."""
        return self.mean_cells + _NEARBY_CELLS + 1

    def gain(self, power: Plane) -> Plane:
        """Share of the amount, 0 … 1, for each cell of mean detail²; both (rows, width)."""
        # A running sum would be quicker, but carries its rounding from cell to cell.
        mean, quietest = np.empty_like(power), np.empty_like(power)
        mean_around(power, self.mean_cells, mean)
        least_around(mean, _NEARBY_CELLS, quietest)
        least = max(self.noise_l, _ROUNDING_L)
        most = max(self.most_noise_l, least)
        noise = np.clip(_ABOVE_NOISE * quietest, np.float32(least**2), np.float32(most**2))
        return np.asarray(1 - noise / np.maximum(mean, noise), np.float32)


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
        self._half = _half_kernel(made.radius_px)
        cells = math.ceil(width_px / CELL_PX)
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
        known = self._height if ended else _whole_cells(self._arrived - self._reach)
        if known > self._known:
            self._learn(known, threads)
        margin = self._filter.margin_cells * CELL_PX
        ready = self._height if ended else _whole_cells(self._known - margin)
        return self._give(max(ready, self._given), threads)

    def _learn(self, stop: int, threads: Executor) -> None:
        """Detail and its mean square for rows from `_known` to `stop`."""
        start, at = self._known, self._arrived - len(self._lightness)
        detail = np.empty((stop - start, self._width), np.float32)
        power = np.empty((math.ceil(len(detail) / CELL_PX), self._power.shape[1]), np.float32)

        def work(first: int) -> None:
            rows = slice(first - start, min(first + _ROWS_PER_TASK, stop) - start)
            cells = power[rows.start // CELL_PX : math.ceil(rows.stop / CELL_PX)]
            find_detail(self._lightness, at, first, self._height, self._half, detail[rows], cells)

        for _ in threads.map(work, range(start, stop, _ROWS_PER_TASK)):
            pass
        self._detail = np.concatenate([self._detail, detail])
        self._power = np.concatenate([self._power, power])
        self._known = stop
        keep = max(at, stop - self._reach)
        self._lightness = self._lightness[keep - at :]

    def _give(self, stop: int, threads: Executor) -> Plane:
        start, self._given = self._given, stop
        if start == stop:
            return np.empty((0, self._width), np.float32)
        cells = math.ceil(self._known / CELL_PX)
        at = cells - len(self._power)
        gain = self._filter.gain(self._power)
        added = np.empty((stop - start, self._width), np.float32)
        in_all = math.ceil(self._height / CELL_PX)
        made = self._filter
        numbers = np.array([made.amount, made.limit_l, _UNSEEN_L], np.float32)

        def work(first: int) -> tuple[int, int]:
            rows = slice(first - start, min(first + _ROWS_PER_TASK, stop) - start)
            counts = np.zeros(2, np.int64)
            add_detail(self._detail[rows], first, gain, at, in_all, numbers, added[rows], counts)
            return int(counts[0]), int(counts[1])

        for limited, left in threads.map(work, range(start, stop, _ROWS_PER_TASK)):
            self.limited += limited
            self.left_alone += left
        self._detail = self._detail[stop - start :]
        keep = max(at, stop // CELL_PX - self._filter.margin_cells)
        self._power = self._power[keep - at :]
        return added

    @property
    def _reach(self) -> int:
        return len(self._half) - 1


def _half_kernel(radius_px: float) -> Plane:
    """The kernel from its centre, as `find_detail` takes it: of odd length, with a 0 if need be."""
    half = kernel(radius_px)[reach_px(radius_px) :]
    return np.append(half, np.zeros(1 - len(half) % 2)).astype(np.float32)


def _whole_cells(rows: int) -> int:
    return max(0, rows - rows % CELL_PX)
