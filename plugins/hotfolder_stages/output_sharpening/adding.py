"""The lightness to add to a picture whose rows come from its top, a few at a time.

Four steps follow each other, each a few rows behind the one before: detail and contrast; their
means; what is added by the noise nearby; the balance of light (`detail` says what they are for).
Between two steps lie rings of rows, no longer than the later step is behind; so what is kept of a
picture depends on its width alone.

Each core has columns of its own, with as many beside them as the steps look at, and takes all steps
of a few rows at a time: what one has made is still near the processor when the next one reads it,
and no core waits for another.
"""

from __future__ import annotations

from concurrent.futures import Executor
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from hotfolder import rows_per_band
from hotfolder.colour import cpu_count
from hotfolder_stages.output_sharpening.detail import (
    ABOVE_NOISE,
    DetailFilter,
    Plane,
    half_kernel,
)
from hotfolder_stages.output_sharpening.filters import (
    COLUMNS_AT_ONCE,
    QUIET_PX,
    balance,
    find_detail,
    find_excess,
    find_steps,
    least_down,
    sum_down,
)

_UNSEEN_L = 0.0007
"""Half a step of 16-bit L*: less is not worth changing a pixel."""

_LARGEST_FACTOR = 1.5
"""By so much at most the weaker side of a halo is strengthened. No source."""

_QUIET_STEPS = (1, 2, 4, 8, 16, 16, 16, 1)
"""The least of 1 + their sum; of what is there twice the least is the same."""

_PIXELS_AT_ONCE = 120_000
"""That one core takes through all steps. Of a picture 5,500 pixels wide, with half of its columns
for each of two cores, a million took a third longer, and 60,000 or 180,000 as long."""

_LEAST_ROWS = 16
_LEAST_TILES = 2
"""Of `COLUMNS_AT_ONCE` for a core: fewer would be computed for those beside them above all."""

_LINE = 16
"""Numbers that a processor fetches at once."""


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
        self._behind = sum(_rows_behind(made))
        tiles = -(-width_px // COLUMNS_AT_ONCE)
        count = max(1, min(cpu_count(), tiles // _LEAST_TILES))
        edges = [tiles * each // count * COLUMNS_AT_ONCE for each in range(count)]
        self._parts = [
            _Columns(made, height_px, width_px, left, right)
            for left, right in pairwise([*edges, width_px])
        ]
        self._arrived = self._done = 0

    @property
    def limited(self) -> int:
        """Pixels that met the limit."""
        return int(self._counts[0])

    @property
    def left_alone(self) -> int:
        """Pixels to which nothing was added."""
        return int(self._counts[1])

    @property
    def applied(self) -> float:
        """Share of the amount that was added, 0 … 1: of all detail, by its power."""
        _, _, added, power = self._counts
        asked = self._filter.amount * power
        return float(added / asked) if asked else 0.0

    @property
    def _counts(self) -> NDArray[np.float64]:
        """Shape (4,): the same however many cores there are."""
        counts = np.concatenate([each.counts for each in self._parts])
        return np.asarray(counts.sum(axis=0))

    def push(self, lightness: Plane, threads: Executor) -> Plane:
        """Take the next rows of L*; return what to add to the rows that are ready.

        Parameters
        ----------
        lightness
            Shape (rows, width), float32, 0 … 100.

        Returns
        -------
        float32, shape (rows, width), for the next rows, of which there may be none: L*, between
        -limit_l and limit_l, and exactly 0 where the detail is not stronger than noise.
        """
        self._arrived += len(lightness)
        top, ready = self._done, max(self._done, self._arrived - self._behind)
        self._done = self._height if self._arrived == self._height else ready
        added = np.empty((self._done - top, self._width), np.float32)
        for _ in threads.map(lambda part: part.push(lightness, added, top), self._parts):
            pass
        return added


class _Columns:
    """Some columns of the picture, by one core.

    Parameters
    ----------
    height_px, width_px
        Of the whole picture.
    left, right
        The columns, the last one not included; their tiles begin at `left`.
    """

    def __init__(
        self, made: DetailFilter, height_px: int, width_px: int, left: int, right: int
    ) -> None:
        self._behind = _rows_behind(made)
        # what a step knows of columns beside ours need be true no farther than the next one looks
        beside = sum(self._behind)
        self._first, self._last = max(left - beside, 0), min(right + beside, width_px)
        self._own = (left - self._first, right - self._first)
        self._filter = made
        self._height, self._width = height_px, self._last - self._first
        self._half = half_kernel(made.radius_px)
        self._gate = made.gate
        least = self._gate[2]
        self._steps_by = np.array([made.amount, made.limit_l, least, ABOVE_NOISE], np.float32)
        self._balance_by = np.array([made.limit_l, _UNSEEN_L, _LARGEST_FACTOR], np.float32)
        rows = max(_LEAST_ROWS, rows_per_band(self._width, _PIXELS_AT_ONCE))
        self._rows = min(rows, height_px)
        self._done = [0, 0, 0, 0]
        self._arrived = 0
        self.counts = np.zeros((-(-(right - left) // COLUMNS_AT_ONCE), 4))
        """Of each tile: pixels that were limited, pixels that are left alone, the sum of added
        times detail, and of detail²."""
        first, near, quiet, light = self._behind
        self._room = np.empty((4, _columns(COLUMNS_AT_ONCE + 2 * max(self._behind))), np.float32)
        to_steps, to_end = near + quiet, near + quiet + light
        self._lightness = self._ring(first + max(to_steps, len(self._half) - 1))
        self._detail = self._ring(to_end)
        self._power, self._excess, self._most = (self._ring(QUIET_PX) for _ in range(3))
        self._steps = self._ring(light)
        self._wide = self._around(_steps_of(made.side_px), first)
        self._fine, self._coarse = (
            self._around(_steps_of(made.power_side_px), near) for _ in range(2)
        )
        self._lows = self._around(_QUIET_STEPS, QUIET_PX, least=True)
        self._given, self._taken = (
            self._around(_steps_of(made.light_side_px), light) for _ in range(2)
        )

    def push(self, lightness: Plane, added: Plane, top: int) -> None:
        """Take the next rows of the whole picture; write to our columns what is ready.

        Parameters
        ----------
        added
            Whole rows that are ready, from row `top` of the picture on.
        """
        ours = lightness[:, self._first : self._last]
        for start in range(0, len(ours), self._rows):
            self._take(ours[start : start + self._rows])
            self._turn(added, top)
        while self._arrived == self._height and self._done[-1] < self._height:
            self._turn(added, top)

    def _take(self, lightness: Plane) -> None:
        first = self._arrived
        self._arrived += len(lightness)
        for ring, at in ((self._lightness, 0), (self._wide.rows, self._wide.reach)):
            places = np.arange(first + at, self._arrived + at) % len(ring)
            ring[places, : self._width] = lightness

    def _turn(self, added: Plane, top: int) -> None:
        """Go as far with each step as those before it allow, and not more rows than may come."""
        for step, work in enumerate((self._find_detail, self._find_excess, self._find_steps)):
            work(*self._go_on(step))
        self._balance(*self._go_on(3), added, top)

    def _go_on(self, step: int) -> tuple[int, int]:
        """The rows that a step does now."""
        known = self._done[step - 1] if step else self._arrived
        first = self._done[step]
        last = known if known == self._height else max(first, known - self._behind[step])
        self._done[step] = min(last, first + self._rows)
        return first, self._done[step]

    def _find_detail(self, first: int, last: int) -> None:
        wide, fine, coarse = self._wide, self._fine, self._coarse
        wide.go_on(self._arrived, first)
        find_detail(
            self._room,
            self._lightness,
            wide.rows,
            first,
            last,
            self._height,
            self._width,
            self._half,
            self._filter.side_px,
            self._detail,
            fine.rows,
            fine.reach,
            coarse.rows,
            coarse.reach,
        )

    def _find_excess(self, first: int, last: int) -> None:
        fine, coarse, lows = self._fine, self._coarse, self._lows
        fine.go_on(self._done[0], first)
        coarse.go_on(self._done[0], first)
        find_excess(
            self._room,
            fine.rows,
            coarse.rows,
            first,
            last,
            self._width,
            self._filter.power_side_px,
            self._gate,
            self._power,
            self._excess,
            self._most,
            lows.rows,
            lows.reach,
        )

    def _find_steps(self, first: int, last: int) -> None:
        self._lows.go_on(self._done[1], first)
        find_steps(
            self._room,
            self._lows.rows,
            self._detail,
            self._lightness,
            self._power,
            self._excess,
            self._most,
            first,
            last,
            self._width,
            self._steps_by,
            self._steps,
            self._given.rows,
            self._taken.rows,
            self._given.reach,
        )

    def _balance(self, first: int, last: int, added: Plane, top: int) -> None:
        self._given.go_on(self._done[2], first)
        self._taken.go_on(self._done[2], first)
        balance(
            self._room,
            self._given.rows,
            self._taken.rows,
            self._steps,
            self._detail,
            first,
            last,
            self._width,
            *self._own,
            self._filter.light_side_px,
            self._balance_by,
            added,
            top,
            self._first,
            self.counts,
        )

    def _ring(self, behind: int) -> Plane:
        """Room for the rows that a step needs which is so many rows behind."""
        return np.empty((behind + self._rows, _columns(self._width)), np.float32)

    def _around(self, steps: tuple[int, ...], behind: int, *, least: bool = False) -> _Around:
        return _Around(self._height, self._width, steps, behind + self._rows, least=least)


def _rows_behind(made: DetailFilter) -> tuple[int, int, int, int]:
    """How many rows, and columns, each step looks at beyond those that it makes."""
    wide, near, light = made.side_px - 1, made.power_side_px - 1, made.light_side_px - 1
    return max(wide, len(half_kernel(made.radius_px)) - 1), near, QUIET_PX, light


class _Around:
    """A ring of rows that becomes one of sums, or least values, of the rows around each.

    Parameters
    ----------
    height, width
        Of the whole picture.
    steps
        How far apart the rows are that are added, first, second and so on.
    ahead
        By so many rows at most those that come are ahead of those that are needed.
    """

    def __init__(
        self, height: int, width: int, steps: tuple[int, ...], ahead: int, *, least: bool
    ) -> None:
        self.reach = sum(steps) // 2
        """Rows above and below that take part; the picture's first row is this row of the ring."""
        self.rows = np.empty((self.reach + ahead, _columns(width)), np.float32)
        self._height, self._width = height, width
        self._steps = np.array(steps)
        self._loop = least_down if least else sum_down
        self._worked_on = self.rows.view(np.int32) if least else self.rows
        self._came = 0
        self._last_row: Plane | None = None

    def go_on(self, known: int, needed: int) -> None:
        """Add up what has come.

        Parameters
        ----------
        known
            The picture's rows that were put into the ring.
        needed
            The first row whose sum is still needed.
        """
        if not known:
            return
        rows, reach, before = self.rows, self.reach, self._came
        if not before:
            rows[:reach] = rows[reach]
        came = known + reach
        if known == self._height:
            if self._last_row is None:
                self._last_row = rows[(came - 1) % len(rows)].copy()
            came = max(before, came)
            end = min(self._height + 2 * reach, needed + len(rows))
            rows[np.arange(came, end) % len(rows)] = self._last_row
            came = end
        self._came = came
        if before == came:
            return
        self._loop(self._worked_on, before, came, self._steps, self._width)


def _steps_of(side: int) -> tuple[int, ...]:
    """Steps that add up a triangle: pairs, pairs of pairs, … up to a square, and that again."""
    square = [1 << power for power in range(side.bit_length() - 1)]
    return (*square, *square)


def _columns(width: int) -> int:
    """So many that rows, which are added up side by side, do not compete for the same cache."""
    lines = -(-width // _LINE)
    return (lines + 1 - lines % 2) * _LINE
