"""The loops of `adding`: means around each pixel, and what is added, row by row.

Rows are kept in rings: row y of the picture is row y modulo their length. Where a mean is taken,
each row is added to those above it once, when it comes, and the sums wait in the place of the rows
for what is below. So no row is walked through twice, however few come at once.

A sum is taken in the same order for every pixel, and what a pixel needs is there again for its
neighbours, so neither the rows of a call nor the columns that fit into the cache leave a trace.
It is also the same from left to right as from right to left, and downwards as upwards: sums are
trees of pairs, so a mirrored picture gives the mirrored result to the last bit.

Triangles are means over two squares, one after the other; beyond an edge is the edge.

A loop is given room, of one core's own, for what it makes on its way of a tile: rows as long as a
tile and what is looked at beside it. It counts to unsigned numbers, none of which is below nothing,
so that no place is asked whether it is counted from the end.
"""

from __future__ import annotations

import numpy as np

from hotfolder.colour import Array, compiled, inlined, made, number, seen

COLUMNS_AT_ONCE = 512
"""A tile: with what is made of them they stay in a core's first cache."""

_QUIET_SIDE = 64
QUIET_PX = _QUIET_SIDE // 2
"""The quietest place is looked for within so many pixels on each side."""

_ZERO, _ONE = np.float32(0), np.float32(1)
_L, _L_OF_BLACK, _WHITE = np.float32(116), np.float32(16), np.float32(100)
_KNEE_L = np.float32(8)
_PER_KNEE = np.float32(27 / 24389)


@inlined
def _mean_down(
    lightness: Array, y: int, height: int, half: Array, first: int, last: int, out: Array
) -> None:
    count, room = last - first, len(lightness)
    values = lightness[y % room, first:last]
    weight = half[0]
    for x in range(np.uint64(count)):
        out[x] = weight * values[x]
    for k in range(1, len(half), 2):
        one, two = half[k], half[k + 1]
        above = lightness[max(y - k, 0) % room, first:last]
        below = lightness[min(y + k, height - 1) % room, first:last]
        far_above = lightness[max(y - k - 1, 0) % room, first:last]
        far_below = lightness[min(y + k + 1, height - 1) % room, first:last]
        for x in range(np.uint64(count)):
            out[x] += one * (above[x] + below[x]) + two * (far_above[x] + far_below[x])


@inlined
def _mean_across(values: Array, half: Array, out: Array) -> None:
    """`values` begin as far before the first of `out` as the kernel reaches."""
    count, reach = len(out), len(half) - 1
    middle = values[reach:]
    weight = half[0]
    for x in range(np.uint64(count)):
        out[x] = weight * middle[x]
    for k in range(1, len(half), 2):
        one, two = half[k], half[k + 1]
        before, after = values[reach - k :], values[reach + k :]
        far_before, far_after = values[reach - k - 1 :], values[reach + k + 1 :]
        for x in range(np.uint64(count)):
            out[x] += one * (before[x] + after[x]) + two * (far_before[x] + far_after[x])


@inlined
def _repeat_ends(values: Array, start: int, stop: int, end: int) -> None:
    for x in range(start):
        values[x] = values[start]
    for x in range(stop, end):
        values[x] = values[stop - 1]


@inlined
def _bring(row: Array, width: int, left: int, reach: int, columns: int, out: Array) -> None:
    """Copy a row from `reach` before the column `left` on, with as many after the last column."""
    first, last = max(left - reach, 0), min(left + columns + reach, width)
    outside = first - (left - reach)
    part, into = row[first:last], out[outside:]
    for x in range(np.uint64(last - first)):
        into[x] = part[x]
    _repeat_ends(out, outside, outside + last - first, columns + 2 * reach)


@inlined
def _mean_beside(
    sums: Array,
    width: int,
    left: int,
    columns: int,
    side: int,
    line: Array,
    spare: Array,
    out: Array,
) -> None:
    """Means by triangles of some columns of a row, of which `sums` are those of the rows."""
    count = columns + 2 * (side - 1)
    _bring(sums, width, left, side - 1, columns, spare)
    values, other = spare, line
    for _ in range(2):
        step = 1
        while step < side:
            count -= step
            after = values[step:]
            for x in range(np.uint64(count)):
                other[x] = values[x] + after[x]
            values, other = other, values
            step *= 2
    share = _ONE / np.float32(side * side * side * side)
    for x in range(np.uint64(columns)):
        out[x] = values[x] * share


@inlined
def _least_beside(
    lows: Array, width: int, left: int, columns: int, line: Array, spare: Array, out: Array
) -> None:
    """Least values within `QUIET_PX`, of which `lows` are those of the rows."""
    count = columns + _QUIET_SIDE
    _bring(lows, width, left, QUIET_PX, columns, spare)
    values, other = spare, line
    step = 1
    while step < _QUIET_SIDE:
        count -= step
        after = values[step:]
        for x in range(np.uint64(count)):
            other[x] = min(values[x], after[x])
        values, other = other, values
        step *= 2
    after = values[1:]
    for x in range(np.uint64(columns)):
        out[x] = min(values[x], after[x])


@compiled(made("f4", 2), number("i8"), number("i8"), seen("i8", 1), number("i8"))
def sum_down(sums: Array, before: int, after: int, steps: Array, width: int) -> None:
    """Add the rows from `before` to before `after` to those above them.

    steps: how far below each row is the one that is added to it, first, second and so on; an even
    number of them. A row has its whole sum as soon as there are all rows that this takes.
    """
    room = len(sums)
    for start in range(0, width, COLUMNS_AT_ONCE):
        stop = min(start + COLUMNS_AT_ONCE, width)
        first = 0
        for at in range(0, len(steps), 2):
            first += steps[at]
            second = first + steps[at + 1]
            for row in range(max(before, first), after):
                upper = sums[(row - first) % room, start:stop]
                lower = sums[(row - first + steps[at]) % room, start:stop]
                if row < second:
                    for x in range(np.uint64(stop - start)):
                        upper[x] += lower[x]
                else:
                    top = sums[(row - second) % room, start:stop]
                    for x in range(np.uint64(stop - start)):
                        value = upper[x] + lower[x]
                        upper[x] = value
                        top[x] += value
            first = second


@compiled(made("i4", 2), number("i8"), number("i8"), seen("i8", 1), number("i8"))
def least_down(lows: Array, before: int, after: int, steps: Array, width: int) -> None:
    """Take the least of rows instead of adding them; `sum_down` says the rest.

    lows: the bits of floats that are not negative, read as whole numbers, which have the same
    order. The compiler makes slow code of the least of two floats that is kept in place.
    """
    room = len(lows)
    for start in range(0, width, COLUMNS_AT_ONCE):
        stop = min(start + COLUMNS_AT_ONCE, width)
        first = 0
        for at in range(0, len(steps), 2):
            first += steps[at]
            second = first + steps[at + 1]
            for row in range(max(before, first), after):
                upper = lows[(row - first) % room, start:stop]
                lower = lows[(row - first + steps[at]) % room, start:stop]
                if row < second:
                    for x in range(np.uint64(stop - start)):
                        upper[x] = min(upper[x], lower[x])
                else:
                    top = lows[(row - second) % room, start:stop]
                    for x in range(np.uint64(stop - start)):
                        value = min(upper[x], lower[x])
                        upper[x] = value
                        top[x] = min(top[x], value)
            first = second


@compiled(
    made("f4", 2),
    seen("f4", 2),
    made("f4", 2),
    number("i8"),
    number("i8"),
    number("i8"),
    number("i8"),
    seen("f4", 1),
    number("i8"),
    made("f4", 2),
    made("f4", 2),
    number("i8"),
    made("f4", 2),
    number("i8"),
)
def find_detail(
    room: Array,
    lightness: Array,
    wide: Array,
    first: int,
    last: int,
    height: int,
    width: int,
    half: Array,
    side: int,
    detail: Array,
    fine: Array,
    fine_at: int,
    coarse: Array,
    coarse_at: int,
) -> None:
    """Each value less the mean around it; its square; and that of what is not in the wide mean.

    wide: sums of rows, for means by triangles of `side` pixels. half: one half of the kernel, from
    its centre, whose length is odd. fine, coarse: squares, whose row of the picture's first row is
    `fine_at`, `coarse_at`.
    """
    reach = len(half) - 1
    line, spare, mean, down = room[0], room[1], room[2], room[3]
    for left in range(0, width, COLUMNS_AT_ONCE):
        right = min(left + COLUMNS_AT_ONCE, width)
        count = right - left
        start, stop = max(left - reach, 0), min(right + reach, width)
        outside = start - (left - reach)
        for y in range(first, last):
            _mean_down(lightness, y, height, half, start, stop, down[outside:])
            _repeat_ends(down, outside, outside + stop - start, count + 2 * reach)
            out = detail[y % len(detail), left:right]
            _mean_across(down, half, out)
            values = lightness[y % len(lightness), left:right]
            squares = fine[(y + fine_at) % len(fine), left:right]
            for x in range(np.uint64(count)):
                value = values[x] - out[x]
                out[x] = value
                squares[x] = value * value
            _mean_beside(wide[y % len(wide)], width, left, count, side, line, spare, mean)
            squares = coarse[(y + coarse_at) % len(coarse), left:right]
            for x in range(np.uint64(count)):
                value = values[x] - mean[x]
                squares[x] = value * value


@compiled(
    made("f4", 2),
    made("f4", 2),
    made("f4", 2),
    number("i8"),
    number("i8"),
    number("i8"),
    number("i8"),
    seen("f4", 1),
    made("f4", 2),
    made("f4", 2),
    made("f4", 2),
    made("f4", 2),
    number("i8"),
)
def find_excess(
    room: Array,
    fine: Array,
    coarse: Array,
    first: int,
    last: int,
    width: int,
    side: int,
    numbers: Array,
    power: Array,
    excess: Array,
    most: Array,
    lows: Array,
    lows_at: int,
) -> None:
    """What of the detail's power no wave explains, and the most of it that may be noise.

    fine, coarse: sums of rows of detail², and of the square of what is not in the wide mean.
    numbers: see `detail.DetailFilter.gate`. lows: excess once more, the picture's first row being
    its row `lows_at`.
    """
    explained, flat, least, ceiling, lift = (
        numbers[0],
        numbers[1],
        numbers[2],
        numbers[3],
        numbers[4],
    )
    line, spare, contrast = room[0], room[1], room[2]
    for left in range(0, width, COLUMNS_AT_ONCE):
        right = min(left + COLUMNS_AT_ONCE, width)
        count = right - left
        for y in range(first, last):
            here = power[y % len(power), left:right]
            _mean_beside(fine[y % len(fine)], width, left, count, side, line, spare, here)
            _mean_beside(coarse[y % len(coarse)], width, left, count, side, line, spare, contrast)
            over, low = (
                excess[y % len(excess), left:right],
                lows[(y + lows_at) % len(lows), left:right],
            )
            for x in range(np.uint64(count)):
                d, w = here[x], contrast[x]
                by_waves = explained * max(w - np.float32(1.5) * flat * d - least, _ZERO)
                value = max(d - by_waves, _ZERO)
                over[x] = value
                low[x] = value
            out = most[y % len(most), left:right]
            for x in range(np.uint64(count)):
                d, w = here[x], contrast[x]
                out[x] = max(ceiling, lift * (np.float32(2) * flat * d - w))


@inlined
def _light_of(lightness: np.float32) -> np.float32:
    """Y of L* (CIE 15:2018, 8.2.1), relative to white; L* is held to 0 … 100."""
    held = min(max(lightness, _ZERO), _WHITE)
    root = (held + _L_OF_BLACK) / _L
    light: np.float32 = root * root * root if held > _KNEE_L else held * _PER_KNEE
    return light


@compiled(
    made("f4", 2),
    made("f4", 2),
    seen("f4", 2),
    seen("f4", 2),
    seen("f4", 2),
    seen("f4", 2),
    seen("f4", 2),
    number("i8"),
    number("i8"),
    number("i8"),
    seen("f4", 1),
    made("f4", 2),
    made("f4", 2),
    made("f4", 2),
    number("i8"),
)
def find_steps(
    room: Array,
    lows: Array,
    detail: Array,
    lightness: Array,
    power: Array,
    excess: Array,
    most: Array,
    first: int,
    last: int,
    width: int,
    numbers: Array,
    steps: Array,
    given: Array,
    taken: Array,
    light_at: int,
) -> None:
    """Detail times amount times gain, limited, and the light that it gives and takes.

    lows: least values of rows of the excess. numbers: amount, limit, least power that is noise,
    how far noise may exceed the quietest. The picture's first row is row `light_at` of given and
    taken.
    """
    amount, limit, least, above = numbers[0], numbers[1], numbers[2], numbers[3]
    line, spare, quietest = room[0], room[1], room[2]
    for left in range(0, width, COLUMNS_AT_ONCE):
        right = min(left + COLUMNS_AT_ONCE, width)
        count = right - left
        for y in range(first, last):
            _least_beside(lows[y % len(lows)], width, left, count, line, spare, quietest)
            here, fine = detail[y % len(detail), left:right], power[y % len(power), left:right]
            over, bound = excess[y % len(excess), left:right], most[y % len(most), left:right]
            out = steps[y % len(steps), left:right]
            for x in range(np.uint64(count)):
                noise = min(max(above * quietest[x], least), bound[x])
                noise = min(noise, over[x])
                gain = _ONE - noise / max(fine[x], np.float32(1e-12))
                step = gain * amount * here[x]
                out[x] = min(max(step, -limit), limit)
            values = lightness[y % len(lightness), left:right]
            up = given[(y + light_at) % len(given), left:right]
            down = taken[(y + light_at) % len(taken), left:right]
            for x in range(np.uint64(count)):
                change = _light_of(values[x] + out[x]) - _light_of(values[x])
                up[x] = max(change, _ZERO)
                down[x] = max(-change, _ZERO)


@compiled(
    made("f4", 2),
    made("f4", 2),
    made("f4", 2),
    seen("f4", 2),
    seen("f4", 2),
    number("i8"),
    number("i8"),
    number("i8"),
    number("i8"),
    number("i8"),
    number("i8"),
    seen("f4", 1),
    made("f4", 2),
    number("i8"),
    number("i8"),
    made("f8", 2),
)
def balance(
    room: Array,
    given: Array,
    taken: Array,
    steps: Array,
    detail: Array,
    first: int,
    last: int,
    width: int,
    own_first: int,
    own_last: int,
    side: int,
    numbers: Array,
    added: Array,
    added_top: int,
    added_left: int,
    counts: Array,
) -> None:
    """Steps of which those that give light give what those beside them take.

    given, taken: sums of rows. own_first, own_last: the columns that are wanted. numbers: limit,
    what is too little to be seen, and the most by which a step is made larger. added: row
    `added_top` of the picture is its first, and the first of all columns here is its column
    `added_left`. counts: of each tile of wanted columns, added to: pixels that were limited, pixels
    to which nothing is added, the sum of added times detail, and of detail².
    """
    limit, unseen, largest = numbers[0], numbers[1], numbers[2]
    tiny = np.float32(1e-9)
    line, spare, ups, downs = room[0], room[1], room[2], room[3]
    for left in range(own_first, own_last, COLUMNS_AT_ONCE):
        right = min(left + COLUMNS_AT_ONCE, own_last)
        count = right - left
        tile = (left - own_first) // COLUMNS_AT_ONCE
        for y in range(first, last):
            _mean_beside(given[y % len(given)], width, left, count, side, line, spare, ups)
            _mean_beside(taken[y % len(taken)], width, left, count, side, line, spare, downs)
            wanted = steps[y % len(steps), left:right]
            out = added[y - added_top, left + added_left : right + added_left]
            for x in range(np.uint64(count)):
                up, down = ups[x], downs[x]
                less, more = min(up, down), max(up, down, tiny)
                larger = min(np.sqrt(more / max(less, tiny)), largest)
                smaller = larger * (less / more)
                rises = wanted[x] > _ZERO
                factor = smaller if rises == (up > down) else larger
                step = wanted[x] * factor
                step = min(max(step, -limit), limit)
                out[x] = _ZERO if abs(step) < unseen else step
            here = detail[y % len(detail), left:right]
            limited = 0
            left_alone = 0
            moved = 0.0
            power = 0.0
            for x in range(np.uint64(count)):
                limited += abs(wanted[x]) >= limit
                left_alone += out[x] == _ZERO
                moved += out[x] * here[x]
                power += here[x] * here[x]
            counts[tile, 0] += limited
            counts[tile, 1] += left_alone
            counts[tile, 2] += moved
            counts[tile, 3] += power
