"""The loops of `detail`: means around each pixel, and what is added, row by row.

A sum is taken in the same order for every pixel, and what a pixel needs is there again for its
neighbours, so neither the rows of a call nor the columns that fit into the cache leave a trace.
"""

from __future__ import annotations

import numpy as np

from hotfolder.colour import Array, compiled, inlined, made, number, seen

CELL_PX = 4
"""Rows and columns of the cells whose mean square says how strong detail is."""

_COLUMNS_AT_ONCE = 1024
_CELL_AREA = np.float32(CELL_PX**2)
_PER_CELL = np.float32(1 / CELL_PX)
_HALF_STEP = np.float32(0.5 / CELL_PX)
_ONE = np.float32(1)


@inlined
def _mean_down(
    lightness: Array, at: int, y: int, height: int, half: Array, first: int, last: int, out: Array
) -> None:
    count = last - first
    values = lightness[y - at, first:last]
    weight = half[0]
    for x in range(count):
        out[x] = weight * values[x]
    for k in range(1, len(half), 2):
        one, two = half[k], half[k + 1]
        above = lightness[max(y - k, 0) - at, first:last]
        below = lightness[min(y + k, height - 1) - at, first:last]
        far_above = lightness[max(y - k - 1, 0) - at, first:last]
        far_below = lightness[min(y + k + 1, height - 1) - at, first:last]
        for x in range(count):
            out[x] += one * (above[x] + below[x]) + two * (far_above[x] + far_below[x])


@inlined
def _mean_across(values: Array, half: Array, out: Array) -> None:
    """`values` begin as far before the first of `out` as the kernel reaches."""
    count, reach = len(out), len(half) - 1
    middle = values[reach:]
    weight = half[0]
    for x in range(count):
        out[x] = weight * middle[x]
    for k in range(1, len(half), 2):
        one, two = half[k], half[k + 1]
        before, after = values[reach - k :], values[reach + k :]
        far_before, far_after = values[reach - k - 1 :], values[reach + k + 1 :]
        for x in range(count):
            out[x] += one * (before[x] + after[x]) + two * (far_before[x] + far_after[x])


@inlined
def _repeat_ends(values: Array, start: int, stop: int, end: int) -> None:
    for x in range(start):
        values[x] = values[start]
    for x in range(stop, end):
        values[x] = values[stop - 1]


@inlined
def _cells_of(squares: Array, count: int, power: Array) -> None:
    cells = count // CELL_PX
    for cell in range(cells):
        x = cell * CELL_PX
        total = squares[x] + squares[x + 1] + squares[x + 2] + squares[x + 3]
        power[cell] = total / _CELL_AREA
    if count % CELL_PX:
        total = squares[cells * CELL_PX]
        for x in range(cells * CELL_PX + 1, (cells + 1) * CELL_PX):
            total += squares[min(x, count - 1)]
        power[cells] = total / _CELL_AREA


@inlined
def _widen(cells: Array, wide: Array) -> None:
    """A value for each pixel, between the centres of two cells of four pixels."""
    last = len(cells) - 1
    for x in range(CELL_PX // 2):
        wide[x] = cells[0]
        wide[len(wide) - CELL_PX - 1 - x] = cells[last]
    for cell in range(last):
        one, two = cells[cell], cells[cell + 1]
        x = cell * CELL_PX + CELL_PX // 2
        for step in range(CELL_PX):
            share = np.float32(step) * _PER_CELL + _HALF_STEP
            wide[x + step] = one * (_ONE - share) + two * share


@compiled(
    seen("f4", 2),
    number("i8"),
    number("i8"),
    number("i8"),
    seen("f4", 1),
    made("f4", 2),
    made("f4", 2),
)
def find_detail(
    lightness: Array, at: int, start: int, height: int, half: Array, detail: Array, power: Array
) -> None:
    """Each value less the mean around it, and the mean square of that in cells.

    lightness begins with row `at` of a picture of `height` rows and has all that are needed;
    half: one half of the kernel, from its centre, whose length is odd. detail begins with row
    `start`, the first of a cell; power: for each cell of it. What is beyond an edge is the edge.
    """
    width = lightness.shape[1]
    reach = len(half) - 1
    down = np.empty(_COLUMNS_AT_ONCE + 2 * reach, np.float32)
    squares = np.empty(_COLUMNS_AT_ONCE, np.float32)
    for left in range(0, width, _COLUMNS_AT_ONCE):
        right = min(left + _COLUMNS_AT_ONCE, width)
        count = right - left
        first, last = max(left - reach, 0), min(right + reach, width)
        outside = first - (left - reach)
        for row in range(len(detail)):
            y = start + row
            _mean_down(lightness, at, y, height, half, first, last, down[outside:])
            _repeat_ends(down, outside, outside + last - first, count + 2 * reach)
            out = detail[row, left:right]
            _mean_across(down, half, out)
            values = lightness[y - at, left:right]
            for x in range(count):
                out[x] = values[x] - out[x]
            # At the picture's end a cell is filled up with its last row.
            times = 1 if y < height - 1 else CELL_PX - y % CELL_PX
            if y % CELL_PX == 0:
                for x in range(count):
                    squares[x] = np.float32(0)
            for _ in range(times):
                for x in range(count):
                    squares[x] += out[x] * out[x]
            if y % CELL_PX == CELL_PX - 1 or y == height - 1:
                _cells_of(squares, count, power[row // CELL_PX, left // CELL_PX :])


@compiled(seen("f4", 2), number("i8"), made("f4", 2))
def mean_around(values: Array, reach: int, out: Array) -> None:
    """Mean over a square of `reach` on each side; what is beyond an edge is the edge."""
    rows, width = values.shape
    wide = np.empty(width + 2 * reach, np.float32)
    across = np.empty((rows, width), np.float32)
    share = _ONE / np.float32(2 * reach + 1)
    for row in range(rows):
        wide[reach : reach + width] = values[row]
        _repeat_ends(wide, reach, reach + width, len(wide))
        total = across[row]
        total[:] = np.float32(0)
        for k in range(2 * reach + 1):
            part = wide[k:]
            for x in range(width):
                total[x] += part[x] * share
    for row in range(rows):
        total = out[row]
        total[:] = np.float32(0)
        for k in range(row - reach, row + reach + 1):
            part = across[min(max(k, 0), rows - 1)]
            for x in range(width):
                total[x] += part[x] * share


@compiled(seen("f4", 2), number("i8"), made("f4", 2))
def least_around(values: Array, reach: int, out: Array) -> None:
    """Least value in a square of `reach` on each side, as far as there are values."""
    rows, width = values.shape
    wide = np.empty(width + 2 * reach, np.float32)
    across = np.empty((rows, width), np.float32)
    for row in range(rows):
        wide[reach : reach + width] = values[row]
        _repeat_ends(wide, reach, reach + width, len(wide))
        least = across[row]
        least[:] = wide[:width]
        for k in range(1, 2 * reach + 1):
            part = wide[k:]
            for x in range(width):
                least[x] = np.minimum(least[x], part[x])
    for row in range(rows):
        first, last = max(row - reach, 0), min(row + reach, rows - 1)
        least = out[row]
        least[:] = across[first]
        for k in range(first + 1, last + 1):
            part = across[k]
            for x in range(width):
                least[x] = np.minimum(least[x], part[x])


@compiled(
    seen("f4", 2),
    number("i8"),
    seen("f4", 2),
    number("i8"),
    number("i8"),
    seen("f4", 1),
    made("f4", 2),
    made("i8", 1),
)
def add_detail(
    detail: Array,
    start: int,
    gain: Array,
    at: int,
    cells_down: int,
    numbers: Array,
    added: Array,
    counts: Array,
) -> None:
    """Detail times amount times gain, limited.

    detail and added begin with row `start`, gain with row `at` of the `cells_down` rows of cells;
    between the centres of cells it is interpolated. numbers: amount, limit, and what is too little
    to be seen. counts: pixels that were limited, and pixels to which nothing is added.
    """
    amount, limit, unseen = numbers[0], numbers[1], numbers[2]
    width = detail.shape[1]
    cells = gain.shape[1]
    between = np.empty(cells, np.float32)
    wide = np.empty((cells + 1) * CELL_PX, np.float32)
    for row in range(len(detail)):
        place = min(max((start + row + 0.5) / CELL_PX - 0.5, 0.0), cells_down - 1.0)
        above = np.int64(place)
        lower = np.float32(place - above)
        upper = _ONE - lower
        one, two = gain[above - at], gain[min(above + 1, np.int64(cells_down - 1)) - at]
        for cell in range(cells):
            between[cell] = one[cell] * upper + two[cell] * lower
        _widen(between, wide)
        values, out = detail[row], added[row]
        limited = 0
        left = 0
        for x in range(width):
            step = wide[x] * amount * values[x]
            size = abs(step)
            limited += size > limit
            left += size < unseen
            step = min(step, limit)
            step = max(step, -limit)
            out[x] = np.float32(0) if size < unseen else step
        counts[0] += limited
        counts[1] += left
