"""The loops of `resample` and `domain`: tables, weighted sums, and the bounds of what they ring.

Sums run over lanes: samples beside each other that get the same weights, which are a row of the
picture when rows are mixed, and a column of some rows when columns are. Each sum is taken in the
order of its samples, so it does not matter which lanes are computed together.
"""

from __future__ import annotations

import numpy as np

from hotfolder.colour import Array, Whole, compiled, inlined, made, number, seen

_LANES_AT_ONCE = 512
_LANES_IN_STEP = 32
"""What vector code takes at once; lanes beyond a multiple of it are computed one by one."""

_COLUMNS_AT_ONCE = 128
"""Of the result: with their samples, turned, they fit into a core's own cache."""

_PIXELS_AT_ONCE = 512

_ZERO, _HALF, _ONE = np.float32(0), np.float32(0.5), np.float32(1)
_FULL = np.float32(65535)


@inlined
def _weigh(
    samples: Array, start: Whole, pitch: Whole, weights: Array, lanes: Whole, out: Array, to: Whole
) -> None:
    """The weighted sum of as many samples as there are weights, of which `start` is the first."""
    taps = len(weights)
    weight = weights[0]
    here = np.uintp(start)
    for x in range(lanes):
        out[to + x] = weight * samples[here + x]
    tap = 1
    while tap + 3 < taps:
        a, b, c, d = weights[tap], weights[tap + 1], weights[tap + 2], weights[tap + 3]
        at_a, at_b = np.uintp(start + tap * pitch), np.uintp(start + (tap + 1) * pitch)
        at_c, at_d = np.uintp(start + (tap + 2) * pitch), np.uintp(start + (tap + 3) * pitch)
        for x in range(lanes):
            half = (out[to + x] + a * samples[at_a + x]) + b * samples[at_b + x]
            out[to + x] = (half + c * samples[at_c + x]) + d * samples[at_d + x]
        tap += 4
    while tap < taps:
        weight = weights[tap]
        here = np.uintp(start + tap * pitch)
        for x in range(lanes):
            out[to + x] += weight * samples[here + x]
        tap += 1


@inlined
def _limits(
    samples: Array,
    before: Whole,
    left: Whole,
    right: Whole,
    after: Whole,
    lanes: Whole,
    low: Array,
    high: Array,
) -> None:
    """Widen the limits `low` and `high` by those of the gap between `left` and `right`."""
    # Each by itself these loops become vector code; as one they would not.
    for x in range(lanes):
        a, b = samples[left + x], samples[right + x]
        head_for_a = (a - samples[before + x]) * _HALF + a
        head_for_b = (b - samples[after + x]) * _HALF + b
        least = np.minimum(a, b)
        least = np.minimum(least, np.maximum(head_for_a, head_for_b))
        low[x] = np.minimum(low[x], least)
    for x in range(lanes):
        a, b = samples[left + x], samples[right + x]
        head_for_a = (a - samples[before + x]) * _HALF + a
        head_for_b = (b - samples[after + x]) * _HALF + b
        greatest = np.maximum(a, b)
        greatest = np.maximum(greatest, np.minimum(head_for_a, head_for_b))
        high[x] = np.maximum(high[x], greatest)


@inlined
def _bound_between(
    samples: Array,
    before: Whole,
    left: Whole,
    right: Whole,
    after: Whole,
    lanes: Whole,
    out: Array,
    to: Whole,
) -> None:
    """Bring a result within the limits of the one gap that it covers, as an enlargement's does."""
    for x in range(lanes):
        a, b = samples[left + x], samples[right + x]
        head_for_a = (a - samples[before + x]) * _HALF + a
        head_for_b = (b - samples[after + x]) * _HALF + b
        low = min(a, b, max(head_for_a, head_for_b))
        high = max(a, b, min(head_for_a, head_for_b))
        out[to + x] = min(max(out[to + x], low), high)


@inlined
def _bound(
    samples: Array,
    at: Whole,
    in_size: Whole,
    gap: Whole,
    gaps: Whole,
    by_samples: Whole,
    offset: Whole,
    pitch: Whole,
    lanes: Whole,
    low: Array,
    high: Array,
    out: Array,
    to: Whole,
) -> None:
    """Bring a result within the limits of the gaps that it covers; low, high: room for two each."""
    last = in_size - 1
    here = np.uintp((gap - 1 - at) * pitch + offset)
    if gaps == 1 and not by_samples:
        right = np.uintp((min(gap, last) - at) * pitch + offset)
        before = np.uintp((max(gap - 2, 0) - at) * pitch + offset)
        after = np.uintp((min(gap + 1, last) - at) * pitch + offset)
        _bound_between(samples, before, here, right, after, lanes, out, to)
        return
    low_from, low_to = low[0], low[1]
    high_from, high_to = high[0], high[1]
    for x in range(lanes):
        low_from[x] = samples[here + x]
        high_from[x] = samples[here + x]
    for each in range(gap, gap + gaps):
        right = np.uintp((min(each, last) - at) * pitch + offset)
        if by_samples:
            # into others, and not in place: of that the compiler makes stores under conditions
            for x in range(lanes):
                low_to[x] = min(low_from[x], samples[right + x])
            for x in range(lanes):
                high_to[x] = max(high_from[x], samples[right + x])
            low_from, low_to = low_to, low_from
            high_from, high_to = high_to, high_from
        else:
            before = np.uintp((max(each - 2, 0) - at) * pitch + offset)
            left = np.uintp((each - 1 - at) * pitch + offset)
            after = np.uintp((min(each + 1, last) - at) * pitch + offset)
            _limits(samples, before, left, right, after, lanes, low_from, high_from)
    for x in range(lanes):
        out[to + x] = min(max(out[to + x], low_from[x]), high_from[x])


@inlined
def _turn(samples: Array, start: Whole, stop: Whole, pitch: Whole, out: Array) -> None:
    """Columns become rows: samples (rows, width, planes), out (columns * pitch)."""
    rows, _, planes = samples.shape
    count, skipped, step = np.uintp(stop - start), np.uintp(start), np.uintp(pitch)
    for row in range(rows):
        line, to = samples[row], np.uintp(row * planes)
        if planes == 3:  # written out: as a loop it takes twice as long
            for column in range(count):
                here = column + skipped
                out[to] = line[here, 0]
                out[to + np.uintp(1)] = line[here, 1]
                out[to + np.uintp(2)] = line[here, 2]
                to += step
        else:
            for column in range(count):
                for plane in range(np.uintp(planes)):
                    out[to + plane] = line[column + skipped, plane]
                to += step


@inlined
def _turn_back(turned: Array, count: Whole, start: Whole, pitch: Whole, out: Array) -> None:
    """The inverse of `_turn`, into the columns of `out` from `start` on."""
    rows, _, planes = out.shape
    columns, skipped, step = np.uintp(count), np.uintp(start), np.uintp(pitch)
    for row in range(rows):
        line, at = out[row], np.uintp(row * planes)
        if planes == 3:
            for column in range(columns):
                here = column + skipped
                line[here, 0] = turned[at]
                line[here, 1] = turned[at + np.uintp(1)]
                line[here, 2] = turned[at + np.uintp(2)]
                at += step
        else:
            for column in range(columns):
                for plane in range(np.uintp(planes)):
                    line[column + skipped, plane] = turned[at + plane]
                at += step


@compiled(
    seen("f4", 1),
    number("i8"),
    number("i8"),
    seen("i8", 1),
    seen("f4", 2),
    seen("i8", 1),
    number("i8"),
    number("?"),
    number("i8"),
    made("f4", 1),
)
def mix_down(
    samples: Array,
    at: int,
    in_size: int,
    first: Array,
    weights: Array,
    gap_start: Array,
    gaps: int,
    by_samples: int,
    width: int,
    out: Array,
) -> None:
    """Rows of rows of `width` values, of which row `at` is the first; see `Kernel`."""
    low = np.empty((2, _LANES_AT_ONCE), np.float32)
    high = np.empty((2, _LANES_AT_ONCE), np.float32)
    for left in range(0, width, _LANES_AT_ONCE):
        lanes = np.uintp(min(_LANES_AT_ONCE, width - left))
        for i in range(len(first)):
            to = np.uintp(i * width + left)
            _weigh(samples, (first[i] - at) * width + left, width, weights[i], lanes, out, to)
            gap = gap_start[i]
            _bound(
                samples, at, in_size, gap, gaps, by_samples, left, width, lanes, low, high, out, to
            )


@compiled(
    seen("f4", 3),
    seen("i8", 1),
    seen("f4", 2),
    seen("i8", 1),
    number("i8"),
    number("?"),
    seen("i8", 1),
    seen("i8", 1),
    made("f4", 3),
)
def mix_across(
    samples: Array,
    first: Array,
    weights: Array,
    gap_start: Array,
    gaps: int,
    by_samples: int,
    needs_start: Array,
    needs_stop: Array,
    out: Array,
) -> None:
    """Columns of columns, of (rows, width, planes)."""
    rows, in_size, planes = samples.shape
    width = out.shape[1]
    pitch = -(-rows * planes // _LANES_IN_STEP) * _LANES_IN_STEP
    lanes = np.uintp(pitch)
    low, high = np.empty((2, pitch), np.float32), np.empty((2, pitch), np.float32)
    most = 0
    for start in range(0, width, _COLUMNS_AT_ONCE):
        last = min(start + _COLUMNS_AT_ONCE, width) - 1
        most = max(most, needs_stop[last] - needs_start[start])
    turned = np.zeros(most * pitch, np.float32)
    mixed = np.empty(_COLUMNS_AT_ONCE * pitch, np.float32)
    for start in range(0, width, _COLUMNS_AT_ONCE):
        stop = min(start + _COLUMNS_AT_ONCE, width)
        at = needs_start[start]
        _turn(samples, at, needs_stop[stop - 1], pitch, turned)
        for i in range(start, stop):
            to = np.uintp((i - start) * pitch)
            _weigh(turned, (first[i] - at) * pitch, pitch, weights[i], lanes, mixed, to)
            gap = gap_start[i]
            _bound(
                turned, at, in_size, gap, gaps, by_samples, 0, pitch, lanes, low, high, mixed, to
            )
        _turn_back(mixed, stop - start, start, pitch, out)


@inlined
def _sample_limits(
    samples: Array,
    above: Array,
    below: Array,
    before: Array,
    after: Array,
    lanes: int,
    low: Array,
    high: Array,
) -> None:
    """Set the limits `low` and `high` to those of samples between two others, both ways."""
    for x in range(lanes):
        a, b, c = above[x], below[x], samples[x]
        head_for_a, head_for_b = (c - a) * _HALF + c, (c - b) * _HALF + c
        down = min(a, b, max(head_for_a, head_for_b))
        a, b = before[x], after[x]
        head_for_a, head_for_b = (c - a) * _HALF + c, (c - b) * _HALF + c
        across = min(a, b, max(head_for_a, head_for_b))
        low[x] = min(c, down, across)
    for x in range(lanes):
        a, b, c = above[x], below[x], samples[x]
        head_for_a, head_for_b = (c - a) * _HALF + c, (c - b) * _HALF + c
        down = max(a, b, min(head_for_a, head_for_b))
        a, b = before[x], after[x]
        head_for_a, head_for_b = (c - a) * _HALF + c, (c - b) * _HALF + c
        across = max(a, b, min(head_for_a, head_for_b))
        high[x] = max(c, down, across)


@inlined
def _repeat_ends(values: Array, start: int, stop: int, planes: int, end: int) -> None:
    """Fill values before `start` and from `stop` to `end` with the pixel that is there."""
    for x in range(start - 1, -1, -1):
        values[x] = values[x + planes]
    for x in range(stop, end):
        values[x] = values[x - planes]


@compiled(
    seen("f4", 2),
    number("i8"),
    number("i8"),
    number("i8"),
    number("i8"),
    seen("f4", 1),
    seen("f4", 1),
    made("f4", 2),
)
def correct(
    samples: Array,
    planes: int,
    at: int,
    start: int,
    height: int,
    down: Array,
    across: Array,
    out: Array,
) -> None:
    """Rows from `start` on of a picture of `height` rows, filtered and bounded.

    samples: (rows, width * planes), of which the picture's row `at` is the first; all that are
    needed are there. down, across: half of each kernel, from its centre, four weights. What is
    beyond an edge is the edge. See `back_projection`.
    """
    a0, a1, a2, a3 = across[0], across[1], across[2], across[3]
    d0, d1, d2, d3 = down[0], down[1], down[2], down[3]
    last, count = height - 1, samples.shape[1]
    margin = 3 * planes
    room = _LANES_AT_ONCE + 2 * margin
    here, mixed = np.empty(room, np.float32), np.empty(room, np.float32)
    low, high = np.empty(_LANES_AT_ONCE, np.float32), np.empty(_LANES_AT_ONCE, np.float32)
    for left in range(0, count, _LANES_AT_ONCE):
        lanes = min(_LANES_AT_ONCE, count - left)
        first, stop = max(left - margin, 0), min(left + lanes + margin, count)
        before = first - (left - margin)
        for row in range(len(out)):
            y = start + row
            # Lanes beside are mixed along columns, too: the rows' kernel needs them.
            now = samples[y - at, first:stop]
            u1, v1 = samples[max(y - 1, 0) - at], samples[min(y + 1, last) - at]
            u2, v2 = samples[max(y - 2, 0) - at], samples[min(y + 2, last) - at]
            u3, v3 = samples[max(y - 3, 0) - at], samples[min(y + 3, last) - at]
            u1, v1 = u1[first:stop], v1[first:stop]
            u2, v2 = u2[first:stop], v2[first:stop]
            u3, v3 = u3[first:stop], v3[first:stop]
            to = mixed[before:]
            for x in range(stop - first):
                to[x] = (d0 * now[x] + d1 * (u1[x] + v1[x])) + (
                    d2 * (u2[x] + v2[x]) + d3 * (u3[x] + v3[x])
                )
            to = here[before:]
            for x in range(stop - first):
                to[x] = now[x]
            end = before + stop - first
            _repeat_ends(mixed, before, end, planes, lanes + 2 * margin)
            _repeat_ends(here, before, end, planes, lanes + 2 * margin)
            middle = here[margin:]
            above, below = u1[margin - before :], v1[margin - before :]
            one, other = here[margin - planes :], here[margin + planes :]
            _sample_limits(middle, above, below, one, other, lanes, low, high)
            m1, p1 = mixed[2 * planes :], mixed[4 * planes :]
            m2, p2 = mixed[planes:], mixed[5 * planes :]
            m0, p3 = mixed[margin:], mixed[6 * planes :]
            made_here = out[row, left : left + lanes]
            for x in range(lanes):
                value = (a0 * m0[x] + a1 * (m1[x] + p1[x])) + (
                    a2 * (m2[x] + p2[x]) + a3 * (mixed[x] + p3[x])
                )
                made_here[x] = min(max(value, low[x]), high[x])


@compiled(seen("u2", 2), seen("f4", 2), seen("i8", 1), made("f4", 2))
def look_up(codes: Array, tables: Array, which: Array, out: Array) -> None:
    """What tables say of codes (n, channels); which: the table of each channel."""
    for start in range(0, len(codes), _PIXELS_AT_ONCE):
        part, result = codes[start : start + _PIXELS_AT_ONCE], out[start : start + _PIXELS_AT_ONCE]
        for channel in range(codes.shape[1]):
            table = tables[which[channel]]
            for at in range(len(part)):
                result[at, channel] = table[part[at, channel]]


@compiled(seen("f4", 2), seen("u2", 2), seen("i8", 1), made("u2", 2))
def look_up_light(light: Array, tables: Array, which: Array, out: Array) -> None:
    """What tables by the square root of light say; light outside 0 … 1 is clipped."""
    last = np.float32(tables.shape[1] - 1)
    channels = light.shape[1]
    place = np.empty((_PIXELS_AT_ONCE, channels), np.int32)
    places = place.reshape(-1)
    for start in range(0, len(light), _PIXELS_AT_ONCE):
        result = out[start : start + _PIXELS_AT_ONCE]
        values = light[start : start + _PIXELS_AT_ONCE].reshape(-1)
        for at in range(len(values)):
            root = np.sqrt(min(max(values[at], _ZERO), _ONE))
            places[at] = np.int32(root * last + _HALF)
        for channel in range(channels):
            table = tables[which[channel]]
            for at in range(len(result)):
                result[at, channel] = table[place[at, channel]]


@compiled(seen("f4", 1), made("u2", 1))
def round_off(values: Array, out: Array) -> None:
    """The nearest codes; what is out of range is clipped."""
    for at in range(len(values)):
        out[at] = np.uint16(np.int32(min(max(values[at], _ZERO), _FULL) + _HALF))
