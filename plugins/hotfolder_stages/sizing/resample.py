"""Lanczos resampling of a picture that streams by in blocks of rows.

Rows are kept only while output rows need them. Every result is one sum of the same samples in the
same order, whatever is computed together with it, so neither bands nor blocks leave a trace.

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
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from hotfolder_stages.sizing.mixing import mix_across, mix_down
from hotfolder_stages.sizing.rows import RowBuffer, Samples

Index = NDArray[np.int64]

LOBES = 3
_GAPS_PER_STEP = 4


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
        taps = min(in_size, math.ceil(2 * support))
        first = np.floor(centre - support + 0.5).astype(np.int64)
        if in_size == out_size:
            taps, first = 1, index
        self.first: Index = np.clip(first, 0, in_size - taps)
        self._centre = centre
        self._support = support
        self._taps = taps
        most = max(1, in_size - 1)
        self.gaps = min(most, 1 + max(0, math.ceil(_GAPS_PER_STEP * (scale - 1))))
        gap = np.floor(centre + 0.5 - (self.gaps - 1) / 2).astype(np.int64)
        # half of an odd number is rounded up, and is half the size all the same
        self.by_samples = in_size + 1 >= 2 * out_size
        self.gap_start: Index = np.clip(gap, 1, 1 + most - self.gaps)
        # Results at the edges are bounded by samples further in than the kernel reaches.
        self.needs_start: Index = np.maximum(0, np.minimum(self.first, self.gap_start - 2))
        bounded = np.maximum(self.first + taps, self.gap_start + self.gaps + 1)
        self.needs_stop: Index = np.minimum(in_size, bounded)

    @cached_property
    def weights(self) -> NDArray[np.float32]:
        """Shape (out_size, taps), of the samples from ``first`` on; each row sums to 1."""
        samples = self.first[:, None] + np.arange(self._taps)
        offsets = (samples + 0.5 - self._centre[:, None]) * (LOBES / self._support)
        weights = np.sinc(offsets) * np.sinc(offsets / LOBES) * (np.abs(offsets) < LOBES)
        return np.asarray(weights / weights.sum(axis=1, keepdims=True), np.float32)


class Across:
    """Resampling along rows: every row by itself.

    Parameters
    ----------
    in_width, out_width
        Columns of the whole picture before and after.
    columns
        The output columns that are wanted.
    """

    def __init__(self, in_width: int, out_width: int, columns: slice) -> None:
        kernel = Kernel(in_width, out_width)
        self._gaps, self._by_samples = kernel.gaps, kernel.by_samples
        self._first, self._weights = kernel.first[columns], kernel.weights[columns]
        self._gap_start = kernel.gap_start[columns]
        # Of a run of columns, the first needs the first sample, and the last the last one.
        self._needs_start, self._needs_stop = (
            kernel.needs_start[columns],
            kernel.needs_stop[columns],
        )

    def mix(self, samples: Samples, out: Samples) -> None:
        """Resample each row of each plane into `out`, which has the wanted columns."""
        mix_across(
            samples,
            self._first,
            self._weights,
            self._gap_start,
            self._gaps,
            self._by_samples,
            self._needs_start,
            self._needs_stop,
            out,
        )


class Down:
    """Resampling along columns, of a picture whose rows come in blocks from its top.

    For each block: fill the `room` for it, `mix` the rows that are `ready`, and `go_on`.

    Parameters
    ----------
    in_height, out_height
        Rows of the whole picture before and after.
    rows
        The output rows that are wanted.
    shape
        Width and planes of the rows.
    """

    def __init__(
        self, in_height: int, out_height: int, rows: slice, shape: tuple[int, int]
    ) -> None:
        self._kernel = Kernel(in_height, out_height)
        self._next, self._stop = rows.start, rows.stop
        self._rows = RowBuffer(shape)

    def room(self, rows: int) -> Samples:
        """Where the next rows go."""
        return self._rows.room(rows)

    @property
    def ready(self) -> range:
        """The output rows that can be made now."""
        stop = int(np.searchsorted(self._kernel.needs_stop, self._rows.stop, side="right"))
        return range(self._next, max(self._next, min(stop, self._stop)))

    def mix(self, rows: range) -> Samples:
        """Make output rows that are ready."""
        kernel, part, kept = self._kernel, slice(rows.start, rows.stop), self._rows.kept
        made = np.empty((len(rows), *kept.shape[1:]), np.float32)
        mix_down(
            kept.reshape(-1),
            self._rows.start,
            kernel.in_size,
            kernel.first[part],
            kernel.weights[part],
            kernel.gap_start[part],
            kernel.gaps,
            kernel.by_samples,
            made[0].size,
            made.reshape(-1),
        )
        return made

    def go_on(self) -> None:
        """Forget the rows that only those needed that are ready."""
        self._next = self.ready.stop
        done = self._next >= self._stop
        self._rows.forget(self._rows.stop if done else int(self._kernel.needs_start[self._next]))
