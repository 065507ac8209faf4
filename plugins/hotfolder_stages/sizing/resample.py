"""Lanczos resampling of a picture that streams by, row by row.

Each row that arrives is resampled across at once (by Pillow, in double precision) and kept only
while output rows need it; each output row is then the weighted sum of the rows kept, in their
order. No arithmetic knows where a band begins, so any band height gives the same pixels.

The kernel is Lanczos' with three lobes, widened by the factor of a reduction, so that it
antialiases; at the picture's edges the weights of what is there are scaled to sum to 1, so that
no rim appears (Turkowski, "Filters for common resampling tasks", in Graphics Gems, 1990; the
renormalisation is common practice).

Ringing is bounded, along each direction. Between two input samples a result stays between them,
or reaches the peak that the samples on *both* sides head for: a wave keeps its crests, while a
step, which one side of it does not head for, is not overshot at all (the kernel alone overshoots
by 7 %). The limit is that of Suresh and Huynh, J. Comput. Phys. 136, 83 (1997), DOI
10.1006/jcph.1997.5745, their alpha being 1/2. A reduction is bounded by the limits of all the
gaps between samples that it covers.
"""

from __future__ import annotations

import math
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

Planes = NDArray[np.float32]
"""Shape (planes, rows, width), float32."""

LOBES = 3
_GAPS_PER_STEP = 4


@dataclass(frozen=True)
class Taps:
    """What one output sample is made of: input samples ``start``, ``start + 1`` …, weighted.

    gap_start, gap_stop: the gaps that bound it; gap i lies between samples i - 1 and i.
    """

    start: int
    weights: NDArray[np.float32]
    gap_start: int
    gap_stop: int

    @property
    def stop(self) -> int:
        """One past the last input sample."""
        return self.start + len(self.weights)


def taps(index: int, in_size: int, out_size: int) -> Taps:
    """The input samples and weights of output sample `index`.

    Samples are areas: the centre of output sample i is at (i + 1/2) * in_size / out_size, in
    input samples from the picture's edge. Weights sum to 1.
    """
    scale = in_size / out_size
    widen = max(1.0, scale)
    centre = (index + 0.5) * scale
    gap_start, gap_stop = (int(each[0]) for each in _gaps(np.array([index]), in_size, out_size))
    # Results at the edges are bounded by samples further in than the kernel reaches.
    start = max(0, min(gap_start - 2, math.floor(centre - LOBES * widen + 0.5)))
    stop = min(in_size, max(gap_stop + 1, math.floor(centre + LOBES * widen + 0.5)))
    offsets = (np.arange(start, stop) + 0.5 - centre) / widen
    weights = np.sinc(offsets) * np.sinc(offsets / LOBES) * (np.abs(offsets) < LOBES)
    return Taps(start, (weights / weights.sum()).astype(np.float32), gap_start, gap_stop)


def _gaps(
    index: NDArray[np.int64], in_size: int, out_size: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and one past the last gap that bounds output samples; all have as many."""
    scale = in_size / out_size
    most = max(1, in_size - 1)
    count = min(most, 1 + max(0, math.ceil(_GAPS_PER_STEP * (scale - 1))))
    start = np.floor((index + 0.5) * scale + 0.5 - (count - 1) / 2).astype(np.int64)
    start = np.clip(start, 1, 1 + most - count)
    return start, start + count


def _limits(
    before: NDArray[np.float32],
    left: NDArray[np.float32],
    right: NDArray[np.float32],
    after: NDArray[np.float32],
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Least and greatest value between `left` and `right`, two samples and their neighbours."""
    half = np.float32(0.5)
    from_left = left + half * (left - before)
    from_right = right + half * (right - after)
    least = np.minimum(np.minimum(left, right), np.maximum(from_left, from_right))
    greatest = np.maximum(np.maximum(left, right), np.minimum(from_left, from_right))
    return least, greatest


class Across:
    """Resampling along rows: every row by itself."""

    def __init__(self, in_width: int, out_width: int) -> None:
        self._out_width = out_width
        self._same = in_width == out_width
        self._gap_start, gap_stop = _gaps(np.arange(out_width), in_width, out_width)
        self._gaps = int(gap_stop[0] - self._gap_start[0])

    def __call__(self, planes: Planes, threads: Executor) -> Planes:
        """Resample each row of each plane to the new width; shape (planes, rows, out_width)."""
        if self._same:
            return planes
        made = np.empty((*planes.shape[:2], self._out_width), np.float32)

        def work(part: tuple[int, slice]) -> None:
            made[part] = self._rows(planes[part])

        list(threads.map(work, _parts(len(planes), planes.shape[1])))
        return made

    def _rows(self, rows: NDArray[np.float32]) -> NDArray[np.float32]:
        size = (self._out_width, len(rows))
        mixed = np.asarray(Image.fromarray(rows).resize(size, Image.Resampling.LANCZOS))
        padded = np.pad(rows, ((0, 0), (2, 2)), mode="edge")  # sample i is at i + 2
        samples = [padded[:, at : at + rows.shape[1] + 1] for at in range(4)]
        least, greatest = _limits(*samples)
        bounded = np.maximum(mixed, self._over_gaps(least, np.minimum))
        return np.asarray(np.minimum(bounded, self._over_gaps(greatest, np.maximum), out=bounded))

    def _over_gaps(self, limit: NDArray[np.float32], extreme: np.ufunc) -> NDArray[np.float32]:
        """The extreme of a limit over the gaps of each output sample.

        A window of any length is covered by two whose length is a power of two.
        """
        window, length = limit, 1
        while 2 * length <= self._gaps:
            window = extreme(window[:, :-length], window[:, length:])
            length *= 2
        bound = np.take(window, self._gap_start, axis=1)
        if length < self._gaps:
            last = np.take(window, self._gap_start + self._gaps - length, axis=1)
            extreme(bound, last, out=bound)
        return bound


class Down:
    """Resampling along columns, of a picture whose rows come in blocks from its top.

    Parameters
    ----------
    in_height, out_height
        Rows of the whole picture before and after.
    first, stop
        The output rows that are wanted.
    """

    def __init__(self, in_height: int, out_height: int, first: int, stop: int) -> None:
        self._heights = (in_height, out_height)
        self._next = first
        self._stop = stop
        self._kept: Planes | None = None
        self._kept_start = 0

    def push(self, block: Planes, threads: Executor) -> Planes:
        """Take the next rows; return the output rows that can be made now, none perhaps."""
        kept = block if self._kept is None else np.concatenate([self._kept, block], axis=1)
        kept_stop = self._kept_start + kept.shape[1]
        ready: list[Taps] = []
        upcoming = None
        for index in range(self._next, self._stop):
            upcoming = self._taps(index)
            if upcoming.stop > kept_stop:
                break
            ready.append(upcoming)
        self._next += len(ready)
        made = np.empty((kept.shape[0], len(ready), kept.shape[2]), np.float32)

        def work(part: tuple[int, slice]) -> None:
            plane, columns = part
            _mix_rows(
                kept[plane, :, columns],
                self._kept_start,
                self._heights[0],
                ready,
                made[plane, :, columns],
            )

        list(threads.map(work, _parts(len(kept), kept.shape[2])))
        needed = kept_stop if self._next >= self._stop or upcoming is None else upcoming.start
        needed = min(needed, kept_stop)
        self._kept = kept[:, needed - self._kept_start :]
        self._kept_start = needed
        return made

    def _taps(self, index: int) -> Taps:
        if self._heights[0] == self._heights[1]:
            return Taps(index, np.ones(1, np.float32), 0, 0)
        return taps(index, *self._heights)


def _parts(planes: int, size: int) -> list[tuple[int, slice]]:
    """Each plane in two halves, so that two threads are busy to the end."""
    half = (size + 1) // 2
    halves = (slice(0, half), slice(half, size))[: min(2, size)]
    return [(plane, part) for plane in range(planes) for part in halves]


def _mix_rows(
    rows: NDArray[np.float32],
    start: int,
    height: int,
    ready: list[Taps],
    made: NDArray[np.float32],
) -> None:
    """Fill `made` with one weighted and bounded sum for each of `ready`.

    rows: those from `start` on, of a picture of `height` rows.
    """
    term = np.empty_like(rows[0])
    limits: dict[int, tuple[NDArray[np.float32], NDArray[np.float32]]] = {}
    for index, tap in enumerate(ready):
        mixed = made[index]
        np.multiply(rows[tap.start - start], tap.weights[0], out=mixed)
        for offset in range(1, len(tap.weights)):
            np.multiply(rows[tap.start - start + offset], tap.weights[offset], out=term)
            np.add(mixed, term, out=mixed)
        gaps = range(tap.gap_start, tap.gap_stop)
        for gap in gaps:
            if gap not in limits:
                at = [min(max(gap + each, 0), height - 1) - start for each in (-2, -1, 0, 1)]
                limits[gap] = _limits(*(rows[each] for each in at))
        for gap in [each for each in limits if each < tap.gap_start]:
            del limits[gap]
        if gaps:
            least = _extreme([limits[gap][0] for gap in gaps], np.minimum)
            greatest = _extreme([limits[gap][1] for gap in gaps], np.maximum)
            np.minimum(np.maximum(mixed, least, out=mixed), greatest, out=mixed)


def _extreme(rows: list[NDArray[np.float32]], extreme: np.ufunc) -> NDArray[np.float32]:
    found = rows[0]
    for row in rows[1:]:
        found = extreme(found, row)
    return found
