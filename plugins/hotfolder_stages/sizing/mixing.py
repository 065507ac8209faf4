"""The loops of `resample` and `domain`: tables, weighted sums, and the bounds of what they ring.

Sums run over lanes: samples beside each other that get the same weights, which are a row of the
picture when rows are mixed, and a column of some rows when columns are. Each sum is taken in the
order of its samples, so it does not matter which lanes are computed together.
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np

from hotfolder.compiled import compiled, inlined, made, seen

_LANES_AT_ONCE = 512
_COLUMNS_AT_ONCE = 128
"""Of the result: with their samples, turned, they fit into a core's own cache."""

_ZERO, _HALF, _ONE = np.float32(0), np.float32(0.5), np.float32(1)
_FULL = np.float32(65535)


@inlined
def _mix(
    samples: Any,
    at: Any,
    in_size: Any,
    first: Any,
    weights: Any,
    gap_start: Any,
    gaps: Any,
    by_samples: Any,
    i: Any,
    left: Any,
    right: Any,
    low: Any,
    high: Any,
    out: Any,
) -> None:
    """Result `i` for lanes from `left` to `right`."""
    count = right - left
    start = first[i] - at
    taps = weights.shape[1]
    weight = weights[i, 0]
    part = samples[start, left:right]
    for x in range(count):
        out[x] = weight * part[x]
    for tap in range(1, taps - 1, 2):
        one, two = weights[i, tap], weights[i, tap + 1]
        part, following = samples[start + tap, left:right], samples[start + tap + 1, left:right]
        for x in range(count):
            out[x] = (out[x] + one * part[x]) + two * following[x]
    if taps % 2 == 0:
        weight = weights[i, taps - 1]
        part = samples[start + taps - 1, left:right]
        for x in range(count):
            out[x] += weight * part[x]
    gap = gap_start[i]
    part = samples[gap - 1 - at, left:right]
    for x in range(count):
        low[x] = part[x]
        high[x] = part[x]
    if by_samples:
        for each in range(gap, gap + gaps):
            part = samples[min(each, in_size - 1) - at, left:right]
            for x in range(count):
                low[x] = min(low[x], part[x])
                high[x] = max(high[x], part[x])
    else:
        for each in range(gap, gap + gaps):
            before = samples[max(each - 2, 0) - at, left:right]
            one_side = samples[each - 1 - at, left:right]
            other_side = samples[min(each, in_size - 1) - at, left:right]
            after = samples[min(each + 1, in_size - 1) - at, left:right]
            for x in range(count):
                a, b = one_side[x], other_side[x]
                from_a = (a - before[x]) * _HALF + a
                from_b = (b - after[x]) * _HALF + b
                least = min(a, b, max(from_a, from_b))
                greatest = max(a, b, min(from_a, from_b))
                low[x] = min(low[x], least)
                high[x] = max(high[x], greatest)
    for x in range(count):
        out[x] = min(max(out[x], low[x]), high[x])


@inlined
def _turn(samples: Any, start: Any, stop: Any, out: Any) -> None:
    """Columns become rows: samples (rows, width, planes), out (columns, rows * planes)."""
    rows, _, planes = samples.shape
    for row in range(rows):
        for column in range(start, stop):
            for plane in range(planes):
                out[column - start, row * planes + plane] = samples[row, column, plane]


@inlined
def _turn_back(turned: Any, count: Any, start: Any, out: Any) -> None:
    """The inverse of `_turn`, into the columns of `out` from `start` on."""
    rows, _, planes = out.shape
    for row in range(rows):
        for column in range(count):
            for plane in range(planes):
                out[row, start + column, plane] = turned[column, row * planes + plane]


@compiled(
    seen("f4", 2),
    numba.int64,
    numba.int64,
    seen("i8", 1),
    seen("f4", 2),
    seen("i8", 1),
    numba.int64,
    numba.boolean,
    made("f4", 2),
)
def mix_down(
    samples: Any,
    at: Any,
    in_size: Any,
    first: Any,
    weights: Any,
    gap_start: Any,
    gaps: Any,
    by_samples: Any,
    out: Any,
) -> None:
    """Rows of rows: `Kernel` says what the numbers are; samples begin with row `at`."""
    lanes = samples.shape[1]
    low = np.empty(_LANES_AT_ONCE, np.float32)
    high = np.empty(_LANES_AT_ONCE, np.float32)
    for left in range(0, lanes, _LANES_AT_ONCE):
        right = min(left + _LANES_AT_ONCE, lanes)
        for i in range(len(out)):
            _mix(
                samples,
                at,
                in_size,
                first,
                weights,
                gap_start,
                gaps,
                by_samples,
                i,
                left,
                right,
                low,
                high,
                out[i, left:right],
            )


@compiled(
    seen("f4", 3),
    seen("i8", 1),
    seen("f4", 2),
    seen("i8", 1),
    numba.int64,
    numba.boolean,
    seen("i8", 1),
    seen("i8", 1),
    made("f4", 3),
)
def mix_across(
    samples: Any,
    first: Any,
    weights: Any,
    gap_start: Any,
    gaps: Any,
    by_samples: Any,
    needs_start: Any,
    needs_stop: Any,
    out: Any,
) -> None:
    """Columns of columns, of (rows, width, planes)."""
    rows, in_width, planes = samples.shape
    width = out.shape[1]
    lanes = rows * planes
    low, high = np.empty(lanes, np.float32), np.empty(lanes, np.float32)
    most = 0
    for start in range(0, width, _COLUMNS_AT_ONCE):
        last = min(start + _COLUMNS_AT_ONCE, width) - 1
        most = max(most, needs_stop[last] - needs_start[start])
    turned = np.empty((most, lanes), np.float32)
    mixed = np.empty((_COLUMNS_AT_ONCE, lanes), np.float32)
    for start in range(0, width, _COLUMNS_AT_ONCE):
        stop = min(start + _COLUMNS_AT_ONCE, width)
        at = needs_start[start]
        _turn(samples, at, needs_stop[stop - 1], turned)
        for i in range(start, stop):
            _mix(
                turned,
                at,
                in_width,
                first,
                weights,
                gap_start,
                gaps,
                by_samples,
                i,
                0,
                lanes,
                low,
                high,
                mixed[i - start],
            )
        _turn_back(mixed, stop - start, start, out)


@compiled(seen("u2", 2), seen("f4", 2), seen("i8", 1), made("f4", 2))
def look_up(codes: Any, tables: Any, which: Any, out: Any) -> None:
    """What tables say of codes (n, channels); which: the table of each channel."""
    for at in range(len(codes)):
        for channel in range(codes.shape[1]):
            out[at, channel] = tables[which[channel], codes[at, channel]]


@compiled(seen("f4", 2), seen("u2", 2), seen("i8", 1), made("u2", 2))
def look_up_light(light: Any, tables: Any, which: Any, out: Any) -> None:
    """What tables by the square root of light say; light outside 0 … 1 is clipped."""
    last = np.float32(tables.shape[1] - 1)
    for at in range(len(light)):
        for channel in range(light.shape[1]):
            root = np.sqrt(min(max(light[at, channel], _ZERO), _ONE))
            out[at, channel] = tables[which[channel], np.int32(root * last + _HALF)]


@compiled(seen("f4", 1), made("u2", 1))
def round_off(values: Any, out: Any) -> None:
    """The nearest codes; what is out of range is clipped."""
    for at in range(len(values)):
        out[at] = np.uint16(np.int32(min(max(values[at], _ZERO), _FULL) + _HALF))
