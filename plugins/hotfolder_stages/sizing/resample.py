"""Lanczos resampling of a picture that streams by in blocks of rows.

The rows of a block are resampled across at once and kept only while output rows need them; then
the output rows that can be made are made of the rows kept. Blocks have the same rows whatever
bands the picture came in, so the bands leave no trace.

The kernel is Lanczos' with three lobes, widened by the factor of a reduction, so that it
antialiases; at the picture's edges the weights of what is there are scaled to sum to 1, so that
no rim appears (Turkowski, "Filters for common resampling tasks", in Graphics Gems, 1990; the
renormalisation is common practice).

Ringing is bounded, along each direction. Between two input samples a result stays between them,
or reaches the peak that the samples on *both* sides head for: a wave keeps its crests, while a
step, which one side of it does not head for, is not overshot at all (the kernel alone overshoots
by 7 %). The limit is that of Suresh and Huynh, J. Comput. Phys. 136, 83 (1997), DOI
10.1006/jcph.1997.5745, their alpha being 1/2. A reduction is bounded by the limits of all the
gaps between samples that it covers; from half size down these are samples enough to hold every
crest that remains, and they are the bounds themselves.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import Executor
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotfolder_stages.weighted_sums import Plane, Tile, sum_columns, sum_rows, tiles

Planes = NDArray[np.float32]
"""Shape (planes, rows, width), float32."""

Index = NDArray[np.int64]

LOBES = 3
_GAPS_PER_STEP = 4
_COLUMNS_AT_ONCE = 1024
_SAMPLES_AT_ONCE = 2**16
"""So many fit into a core's own cache together with what bounds them."""


class Kernel:
    """What each output sample of one direction is made of, and bounded by.

    Samples are areas: the centre of output sample i is at (i + 1/2) * in_size / out_size, in
    input samples from the picture's edge. Gap g lies between input samples g - 1 and g.

    Parameters
    ----------
    in_size, out_size
        Samples along the whole picture, before and after.
    """

    def __init__(self, in_size: int, out_size: int) -> None:
        self.in_size, self.out_size = in_size, out_size
        scale = in_size / out_size
        support = LOBES * max(1.0, scale)
        index = np.arange(out_size)
        centre = (index + 0.5) * scale
        taps = min(in_size, math.ceil(2 * support) + 1)
        first = np.floor(centre - support + 0.5).astype(np.int64)
        self.first: Index = np.clip(first, 0, in_size - taps)
        self._centre = centre
        self._support = support
        self._taps = taps
        most = max(1, in_size - 1)
        self.gaps = min(most, 1 + max(0, math.ceil(_GAPS_PER_STEP * (scale - 1))))
        gap = np.floor(centre + 0.5 - (self.gaps - 1) / 2).astype(np.int64)
        self.gap_start: Index = np.clip(gap, 1, 1 + most - self.gaps)
        # Results at the edges are bounded by samples further in than the kernel reaches.
        self.needs_start: Index = np.maximum(0, np.minimum(self.first, self.gap_start - 2))
        bounded = np.maximum(self.first + taps, self.gap_start + self.gaps + 1)
        self.needs_stop: Index = np.minimum(in_size, bounded)

    @property
    def is_identity(self) -> bool:
        """Whether there is nothing to do."""
        return self.in_size == self.out_size

    @cached_property
    def weights(self) -> NDArray[np.float32]:
        """Shape (out_size, taps), of the samples from ``first`` on; each row sums to 1."""
        samples = self.first[:, None] + np.arange(self._taps)
        offsets = (samples + 0.5 - self._centre[:, None]) * (LOBES / self._support)
        weights = np.sinc(offsets) * np.sinc(offsets / LOBES) * (np.abs(offsets) < LOBES)
        return np.asarray(weights / weights.sum(axis=1, keepdims=True), np.float32)

    def tiles(self, start: int, stop: int) -> list[Tile]:
        """The weights of some output samples as matrices."""
        return tiles(self.first, self.weights, start, stop)


class _Bounds:
    """Least and greatest value of some output samples, as places among those of the gaps.

    axis: 0 down, 1 across; at: the input sample that an array begins with.
    """

    def __init__(self, kernel: Kernel, start: int, stop: int, at: int, axis: int) -> None:
        self._axis, self._count = axis, kernel.gaps
        gap = kernel.gap_start[start:stop]
        self._first, self._stop = int(gap[0]), int(gap[-1]) + kernel.gaps
        wanted = np.arange(self._first - 2, self._stop + 1)
        self._samples = np.clip(wanted, 0, kernel.in_size - 1) - at
        inside = wanted[0] >= 0 and wanted[-1] < kernel.in_size
        self._slice = slice(int(self._samples[0]), int(self._samples[-1]) + 1) if inside else None
        self._places = gap - self._first
        self._many = kernel.in_size >= 2 * kernel.out_size

    def clip(self, samples: Plane, mixed: Plane) -> None:
        """Bring results within the limits of the samples around them."""
        lines = samples.shape[1 - self._axis]
        step = max(16, _SAMPLES_AT_ONCE // len(self._samples))
        for at in range(0, lines, step):
            if self._axis == 0:
                self._clip(samples[:, at : at + step], mixed[:, at : at + step])
            else:
                self._clip(samples[at : at + step], mixed[at : at + step])

    def _clip(self, samples: Plane, mixed: Plane) -> None:
        if self._slice is None:
            around = np.take(samples, self._samples, axis=self._axis)
        else:
            around = self._cut(samples, self._slice)
        size = self._stop - self._first
        four = [self._cut(around, slice(each, each + size)) for each in range(4)]
        if self._many:
            least = self._over_gaps(np.minimum(four[1], four[2]), np.minimum)
            greatest = self._over_gaps(np.maximum(four[1], four[2]), np.maximum)
            np.minimum(np.maximum(mixed, least, out=mixed), greatest, out=mixed)
            return
        least, greatest = _limits(*four)
        np.maximum(mixed, self._over_gaps(least, np.minimum), out=mixed)
        np.minimum(mixed, self._over_gaps(greatest, np.maximum), out=mixed)

    def _cut(self, array: Plane, part: slice) -> Plane:
        return array[part] if self._axis == 0 else array[:, part]

    def _over_gaps(self, limit: Plane, extreme: Callable[..., Plane]) -> Plane:
        """The extreme of a limit over the gaps of each output sample.

        A window of any length is covered by two whose length is a power of two.
        """
        window, length = limit, 1
        while 2 * length <= self._count:
            window = extreme(
                self._cut(window, slice(0, -length)), self._cut(window, slice(length, None))
            )
            length *= 2
        bound = np.take(window, self._places, axis=self._axis, mode="clip")
        if length < self._count:
            ends = self._places + self._count - length
            last = np.take(window, ends, axis=self._axis, mode="clip")
            extreme(bound, last, out=bound)
        return bound


def _limits(before: Plane, left: Plane, right: Plane, after: Plane) -> tuple[Plane, Plane]:
    """Least and greatest value between `left` and `right`, two samples and their neighbours."""
    half = np.float32(0.5)
    from_left = left - before
    from_left *= half
    from_left += left
    from_right = right - after
    from_right *= half
    from_right += right
    least = np.maximum(from_left, from_right)
    np.minimum(least, np.minimum(left, right), out=least)
    greatest = np.minimum(from_left, from_right, out=from_left)
    np.maximum(greatest, np.maximum(left, right, out=from_right), out=greatest)
    return least, greatest


class Across:
    """Resampling along rows: every row by itself."""

    def __init__(self, in_width: int, out_width: int) -> None:
        self._kernel = Kernel(in_width, out_width)
        if self._kernel.is_identity:
            return
        self._parts = []
        for start in range(0, out_width, _COLUMNS_AT_ONCE):
            stop = min(start + _COLUMNS_AT_ONCE, out_width)
            over = self._kernel.tiles(start, stop)
            self._parts.append((start, stop, over, _Bounds(self._kernel, start, stop, 0, axis=1)))

    def __call__(self, planes: Planes, threads: Executor) -> Planes:
        """Resample each row of each plane to the new width; shape (planes, rows, out_width)."""
        if self._kernel.is_identity:
            return planes
        made = np.empty((*planes.shape[:2], self._kernel.out_size), np.float32)

        def work(task: tuple[int, tuple[int, int, list[Tile], _Bounds]]) -> None:
            plane, (start, stop, over, bounds) = task
            mixed = np.empty((planes.shape[1], stop - start), np.float32)
            sum_columns(planes[plane], mixed, over)
            bounds.clip(planes[plane], mixed)
            made[plane, :, start:stop] = mixed

        tasks = [(plane, part) for plane in range(len(planes)) for part in self._parts]
        _do_all(threads, work, tasks)
        return made


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
        self._kernel = Kernel(in_height, out_height)
        self._next = first
        self._stop = stop
        self._kept: Planes | None = None
        self._kept_start = 0

    def push(self, block: Planes, threads: Executor) -> Planes:
        """Take the next rows; return the output rows that can be made now, none perhaps."""
        kept = block if self._kept is None else np.concatenate([self._kept, block], axis=1)
        kept_stop = self._kept_start + kept.shape[1]
        if self._kernel.is_identity:
            ready, needs = min(kept_stop, self._stop), np.arange(self._kernel.in_size)
        else:
            ready = int(np.searchsorted(self._kernel.needs_stop, kept_stop, side="right"))
            ready, needs = min(ready, self._stop), self._kernel.needs_start
        ready = max(ready, self._next)
        made = self._made(kept, self._next, ready, threads)
        self._next = ready
        needed = kept_stop if ready >= self._stop else min(int(needs[ready]), kept_stop)
        # A copy, so that the rows that are done with do not stay in memory with it.
        self._kept = kept[:, needed - self._kept_start :].copy()
        self._kept_start = needed
        return made

    def _made(self, kept: Planes, start: int, stop: int, threads: Executor) -> Planes:
        at = self._kept_start
        if self._kernel.is_identity:
            return kept[:, start - at : stop - at]
        made = np.empty((kept.shape[0], stop - start, kept.shape[2]), np.float32)
        if start == stop:
            return made
        over = self._kernel.tiles(start, stop)
        bounds = _Bounds(self._kernel, start, stop, at, axis=0)

        def work(task: tuple[int, int]) -> None:
            plane, left = task
            columns = slice(left, left + _COLUMNS_AT_ONCE)
            samples = kept[plane, :, columns]
            mixed = np.empty((stop - start, samples.shape[1]), np.float32)
            sum_rows(samples, at, mixed, over)
            bounds.clip(samples, mixed)
            made[plane, :, columns] = mixed

        lefts = range(0, kept.shape[2], _COLUMNS_AT_ONCE)
        _do_all(threads, work, [(plane, left) for plane in range(len(kept)) for left in lefts])
        return made


def _do_all(threads: Executor, work: Callable[[Any], None], tasks: list[Any]) -> None:
    for _ in threads.map(work, tasks):
        pass
