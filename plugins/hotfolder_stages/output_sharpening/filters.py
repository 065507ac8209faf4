"""The loops of `detail` and `energy`: means around each pixel, and what is added, row by row.

A sum is taken in the same order for every pixel, and what a pixel needs is there again for its
neighbours, so neither the rows of a call nor the columns that fit into the cache leave a trace.
It is also the same from left to right as from right to left, and downwards as upwards: sums are
trees of pairs, so a mirrored picture gives the mirrored result to the last bit.

Triangles are means over two squares, one after the other; beyond an edge is the edge.
"""

from __future__ import annotations

import numpy as np

from hotfolder.colour import Array, compiled, inlined, made, number, seen

_COLUMNS_AT_ONCE = 512
_QUIET_SIDE = 64
QUIET_PX = _QUIET_SIDE // 2
"""The quietest place is looked for within so many pixels on each side."""

_ZERO, _ONE = np.float32(0), np.float32(1)
_L, _L_OF_BLACK, _WHITE = np.float32(116), np.float32(16), np.float32(100)
_KNEE_L = np.float32(8)
_PER_KNEE = np.float32(27 / 24389)


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
def _triangle(work: Array, rows: int, columns: int, side: int, line: Array, spare: Array) -> None:
    """Means by triangles of rows and columns of `work`, over what lies after each value.

    work: has 2 (side - 1) rows and columns more than those that are made.
    """
    count = rows + 2 * (side - 1)
    for _ in range(2):
        step = 1
        while step < side:
            count -= step
            for row in range(count):
                sums, others = work[row], work[row + step]
                for x in range(columns + 2 * (side - 1)):
                    sums[x] += others[x]
            step *= 2
    share = _ONE / np.float32(side * side * side * side)
    for row in range(rows):
        count = columns + 2 * (side - 1)
        values, other = line, spare
        for x in range(count):
            values[x] = work[row, x]
        for _ in range(2):
            step = 1
            while step < side:
                count -= step
                after = values[step:]
                for x in range(count):
                    other[x] = values[x] + after[x]
                values, other = other, values
                step *= 2
        for x in range(columns):
            work[row, x] = values[x] * share


@inlined
def _fill(
    values: Array, at: int, y: int, height: int, left: int, reach: int, columns: int, out: Array
) -> None:
    """A row of values with `reach` more on each side of the columns from `left` on."""
    width = values.shape[1]
    first, last = max(left - reach, 0), min(left + columns + reach, width)
    outside = first - (left - reach)
    row = values[min(max(y, 0), height - 1) - at]
    part, into = row[first:last], out[outside:]
    for x in range(last - first):
        into[x] = part[x]
    _repeat_ends(out, outside, outside + last - first, columns + 2 * reach)


@compiled(
    seen("f4", 2),
    number("i8"),
    number("i8"),
    number("i8"),
    seen("f4", 1),
    made("f4", 2),
)
def find_detail(
    lightness: Array, at: int, start: int, height: int, half: Array, detail: Array
) -> None:
    """Each value less the mean around it.

    lightness begins with row `at` of a picture of `height` rows and has all that are needed;
    half: one half of the kernel, from its centre, whose length is odd. detail begins with row
    `start`. What is beyond an edge is the edge.
    """
    width = lightness.shape[1]
    reach = len(half) - 1
    down = np.empty(_COLUMNS_AT_ONCE + 2 * reach, np.float32)
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


@compiled(seen("f4", 2), number("i8"), number("i8"), number("i8"), number("i8"), made("f4", 2))
def mean_around(values: Array, at: int, start: int, height: int, side: int, out: Array) -> None:
    """Means by triangles of `side` pixels, a power of two; rows as in `find_detail`."""
    width = values.shape[1]
    reach, rows = side - 1, len(out)
    room = _COLUMNS_AT_ONCE + 2 * reach
    work = np.empty((rows + 2 * reach, room), np.float32)
    line, spare = np.empty(room, np.float32), np.empty(room, np.float32)
    for left in range(0, width, _COLUMNS_AT_ONCE):
        columns = min(_COLUMNS_AT_ONCE, width - left)
        for row in range(rows + 2 * reach):
            _fill(values, at, start + row - reach, height, left, reach, columns, work[row])
        _triangle(work, rows, columns, side, line, spare)
        for row in range(rows):
            out[row, left : left + columns] = work[row, :columns]


@compiled(seen("f4", 2), number("i8"), number("i8"), number("i8"), made("f4", 2))
def least_around(values: Array, at: int, start: int, height: int, out: Array) -> None:
    """Least value within `QUIET_PX` on each side; rows as in `find_detail`."""
    width = values.shape[1]
    reach, rows = QUIET_PX, len(out)
    room = _COLUMNS_AT_ONCE + 2 * reach
    work = np.empty((rows + 2 * reach, room), np.float32)
    line, spare = np.empty(room, np.float32), np.empty(room, np.float32)
    for left in range(0, width, _COLUMNS_AT_ONCE):
        columns = min(_COLUMNS_AT_ONCE, width - left)
        for row in range(rows + 2 * reach):
            _fill(values, at, start + row - reach, height, left, reach, columns, work[row])
        count = rows + 2 * reach
        step = 1
        while count > rows:
            step = min(step, count - rows)
            count -= step
            for row in range(count):
                one, two = work[row], work[row + step]
                for x in range(columns + 2 * reach):
                    one[x] = np.minimum(one[x], two[x])
            step *= 2
        for row in range(rows):
            count = columns + 2 * reach
            values_here, other = line, spare
            for x in range(count):
                values_here[x] = work[row, x]
            step = 1
            while count > columns:
                step = min(step, count - columns)
                count -= step
                after = values_here[step:]
                for x in range(count):
                    other[x] = np.minimum(values_here[x], after[x])
                values_here, other = other, values_here
                step *= 2
            out[row, left : left + columns] = values_here[:columns]


@compiled(seen("f4", 1), seen("f4", 1), seen("f4", 1), made("f4", 1), made("f4", 1))
def find_excess(power: Array, contrast: Array, numbers: Array, excess: Array, most: Array) -> None:
    """What of the detail's power no wave explains, and the most of it that may be noise.

    power: mean detail²; contrast: mean square of what is not in the wide mean; numbers: see
    `detail.Gate`.
    """
    explained, flat, least, ceiling, lift = (
        numbers[0],
        numbers[1],
        numbers[2],
        numbers[3],
        numbers[4],
    )
    for x in range(len(power)):
        d, w = power[x], contrast[x]
        by_waves = explained * np.maximum(w - np.float32(1.5) * flat * d - least, _ZERO)
        excess[x] = np.maximum(d - by_waves, _ZERO)
        most[x] = np.maximum(ceiling, lift * (np.float32(2) * flat * d - w))


@inlined
def _light_of(lightness: np.float32) -> np.float32:
    """Y of L* (CIE 15:2018, 8.2.1), relative to white; L* is held to 0 … 100."""
    held = np.minimum(np.maximum(lightness, _ZERO), _WHITE)
    root = (held + _L_OF_BLACK) / _L
    light: np.float32 = root * root * root if held > _KNEE_L else held * _PER_KNEE
    return light


@compiled(
    seen("f4", 1),
    seen("f4", 1),
    seen("f4", 1),
    seen("f4", 1),
    seen("f4", 1),
    seen("f4", 1),
    seen("f4", 1),
    made("f4", 1),
    made("f4", 1),
    made("f4", 1),
)
def find_steps(
    detail: Array,
    lightness: Array,
    power: Array,
    excess: Array,
    quietest: Array,
    most: Array,
    numbers: Array,
    steps: Array,
    given: Array,
    taken: Array,
) -> None:
    """Detail times amount times gain, limited, and the light that it gives and takes.

    numbers: amount, limit, least power that is noise, how far noise may exceed the quietest.
    """
    amount, limit, least, above = numbers[0], numbers[1], numbers[2], numbers[3]
    for x in range(len(detail)):
        noise = np.minimum(np.maximum(above * quietest[x], least), most[x])
        noise = np.minimum(noise, excess[x])
        gain = _ONE - noise / np.maximum(power[x], np.float32(1e-12))
        step = gain * amount * detail[x]
        steps[x] = np.minimum(np.maximum(step, -limit), limit)
    for x in range(len(detail)):
        change = _light_of(lightness[x] + steps[x]) - _light_of(lightness[x])
        given[x] = np.maximum(change, _ZERO)
        taken[x] = np.maximum(-change, _ZERO)


@compiled(
    seen("f4", 1),
    seen("f4", 1),
    seen("f4", 1),
    seen("f4", 1),
    seen("f4", 1),
    made("f4", 1),
    made("f8", 1),
)
def balance(
    steps: Array,
    given: Array,
    taken: Array,
    detail: Array,
    numbers: Array,
    added: Array,
    counts: Array,
) -> None:
    """Steps of which those that give light give what those beside them take.

    given, taken: means around each pixel. numbers: limit, what is too little to be seen, and the
    most by which a step is made larger. counts, added to: pixels that were limited, pixels to
    which nothing is added, the sum of added times detail, and of detail².
    """
    limit, unseen, largest = numbers[0], numbers[1], numbers[2]
    tiny = np.float32(1e-9)
    for x in range(len(steps)):
        up, down = given[x], taken[x]
        less, more = np.minimum(up, down), np.maximum(np.maximum(up, down), tiny)
        larger = np.minimum(np.sqrt(more / np.maximum(less, tiny)), largest)
        smaller = larger * (less / more)
        rises = steps[x] > _ZERO
        factor = smaller if rises == (up > down) else larger
        step = steps[x] * factor
        step = np.minimum(np.maximum(step, -limit), limit)
        added[x] = _ZERO if abs(step) < unseen else step
    limited = 0
    left = 0
    moved = 0.0
    power = 0.0
    for x in range(len(steps)):
        limited += abs(steps[x]) >= limit
        left += added[x] == _ZERO
        moved += added[x] * detail[x]
        power += detail[x] * detail[x]
    counts[0] += limited
    counts[1] += left
    counts[2] += moved
    counts[3] += power
