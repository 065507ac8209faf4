"""The device values that come nearest to a colour, by the profile's own measurement model.

A profile's table from colour to device (B2A) is a rounded, smoothed inverse of its table from
device to colour (A2B), 0.5 to 2 ΔE00 off inside the gamut and more where it makes room. Here A2B
itself is inverted, beginning at the table's answer d₀. With t the colour wanted, f the measurement
model and M the metric of CIEDE2000 half-way between t and f(d₀), it minimises

    |M (f(d) - t)|² + TIE Σ wᵢ (dᵢ - d₀ᵢ)²,   0 ≤ dᵢ ≤ 1,   Σ dᵢ ≤ cap

by damped Gauss-Newton steps (Levenberg, K. (1944), Quarterly of Applied Mathematics 2(2), 164-168,
DOI 10.1090/qam/10666; Marquardt, D. W. (1963), J. SIAM 11(2), 431-441, DOI 10.1137/0111030), with
bounds and cap kept as active constraints in each step. The tie makes the result a smooth function
of the colour where f is flat or where four inks make a colour in more than one way; in black it is
stronger, so that the table's black generation is kept.

What comes out depends on colour, start and cap alone, so all of it goes through a grid.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Floats
from hotfolder.colour.machine_code import compiled, inlined, made, number, seen
from hotfolder.colour.measurement_model import MeasurementModel, evaluate, place, set_strides
from hotfolder.colour.slabs import over_slabs

TIE = 3.0
"""ΔE00² for moving one channel by its whole range: 5 % of an ink weigh as much as 0.09 ΔE00.

With seven times as much, colours stay 0.2 ΔE00 too far off where a table of 8 bits is a quarter of
an ink wrong in the darks; with less, nothing is gained, and inks of equal colours drift apart."""

BLACK_TIE = 4.0
"""How many times as much black is tied as the other inks."""

DAMPING = 60.0
"""ΔE00² for one step by a channel's whole range. Steps without it go back and forth among darks,
where the model bends more than it rises, and end wherever their number happens to."""

FAR_DAMPING = 10.0
"""How much more a step is damped for each ΔE00² of what is still wanted (Yamashita, N., &
Fukushima, M. (2001), DOI 10.1007/978-3-7091-6217-0_18, damp by the square of the residual):
far outside the gamut the model bends more than steps allow for."""

STEPS = 5
"""A fixed number, without looking whether a step was good: so what comes out is as continuous as
each step is."""

FARTHEST = 0.1
"""How far one step may take a channel."""

_WORTH_A_THREAD = 200
_NO_CAP = 1e9


def invert(
    model: MeasurementModel,
    target: Floats,
    start: Floats,
    *,
    cap: Floats | float | None = None,
    tie: float = TIE,
    steps: int = STEPS,
    damping: float = DAMPING,
) -> NDArray[np.float64]:
    """Find device values for colours.

    Parameters
    ----------
    target
        Shape (n, 3): L*a*b* relative to the medium's white, black point compensation applied. Of a
        device with one channel only L* counts.
    start
        Shape (n, channels), 0 … 1: where to begin, usually the answer of the profile's table.
    cap
        Largest sum of the channels, 1 is one solid ink: one number, or one for each colour, shape
        (n,). A start with more is brought down to it first. None: no limit.
    tie
        As `TIE`; 0 asks for the nearest colour whatever becomes of smoothness.

    Returns
    -------
    float64, shape (n, channels), 0 … 1.
    """
    target = np.ascontiguousarray(target, np.float64)
    start = np.ascontiguousarray(start, np.float64)
    caps = np.full(len(target), _NO_CAP)
    if cap is not None:
        caps[:] = cap
    weights = np.ones(model.channels)
    weights[3:] = BLACK_TIE
    ties = tie * weights + 1e-6
    out = np.empty(start.shape)

    def work(first: int, stop: int) -> None:
        part = slice(first, stop)
        _invert(
            target[part],
            start[part],
            caps[part],
            ties,
            steps,
            damping,
            model.positions,
            model.sides,
            model.nodes,
            out[part],
        )

    over_slabs(work, len(target), 1, worth_a_thread=_WORTH_A_THREAD)
    return out


@inlined
def _set_metric(one: Any, other: Any, metric: Any) -> None:
    """Write CIEDE2000's metric half-way between two colours as a matrix: ΔE00 ≈ |metric ΔLab|.

    Symbols are those of `hotfolder.colour.difference`.
    """
    L = 0.5 * (one[0] + other[0])
    a = 0.5 * (one[1] + other[1])
    b = 0.5 * (one[2] + other[2])
    C_7 = np.sqrt(a * a + b * b) ** 7
    stretch = 1.5 - 0.5 * np.sqrt(C_7 / (C_7 + 25.0**7))
    a_p = a * stretch
    C_p = np.sqrt(a_p * a_p + b * b)
    h = np.arctan2(b, a_p)
    T = (
        1
        - 0.17 * np.cos(h - np.radians(30))
        + 0.24 * np.cos(2 * h)
        + 0.32 * np.cos(3 * h + np.radians(6))
        - 0.20 * np.cos(4 * h - np.radians(63))
    )
    degrees = np.degrees(h) % 360
    d_theta = 30 * np.exp(-(((degrees - 275) / 25) ** 2))
    C_p_7 = C_p**7
    R_T = -np.sin(np.radians(2 * d_theta)) * 2 * np.sqrt(C_p_7 / (C_p_7 + 25.0**7))
    L_50 = (L - 50) ** 2
    S_L = 1 + 0.015 * L_50 / np.sqrt(20 + L_50)
    S_C = 1 + 0.045 * C_p
    S_H = 1 + 0.015 * C_p * T
    cos, sin = np.cos(h), np.sin(h)
    # c² + h² + R_T c h is (c + R_T h / 2)² + (1 - R_T² / 4) h².
    rest = np.sqrt(1 - 0.25 * R_T * R_T)
    metric[0, 0], metric[0, 1], metric[0, 2] = 1 / S_L, 0.0, 0.0
    metric[1, 0] = metric[2, 0] = 0.0
    metric[1, 1] = stretch * (cos / S_C - 0.5 * R_T * sin / S_H)
    metric[1, 2] = sin / S_C + 0.5 * R_T * cos / S_H
    metric[2, 1] = -stretch * rest * sin / S_H
    metric[2, 2] = rest * cos / S_H


@inlined
def _solve(matrix: Any, right: Any, free: Any, factor: Any, out: Any) -> None:
    """Solve a positive definite system for the free unknowns (Cholesky); the rest becomes 0."""
    count = len(free)
    for row in range(count):
        out[row] = 0.0
        if not free[row]:
            continue
        for column in range(row + 1):
            if not free[column]:
                continue
            total = matrix[row, column]
            for other in range(column):
                if free[other]:
                    total -= factor[row, other] * factor[column, other]
            if row == column:
                factor[row, row] = np.sqrt(max(total, 1e-12))
            else:
                factor[row, column] = total / factor[column, column]
        total = right[row]
        for column in range(row):
            if free[column]:
                total -= factor[row, column] * out[column]
        out[row] = total / factor[row, row]
    for back in range(count):
        row = count - 1 - back
        if not free[row]:
            continue
        total = out[row]
        for later in range(row + 1, count):
            if free[later]:
                total -= factor[later, row] * out[later]
        out[row] = total / factor[row, row]


@inlined
def _bring_down(device: Any, cap: Any) -> None:
    """Clip to 0 … 1, and take as much of each channel as is too much in all, as far as it has."""
    count = len(device)
    for channel in range(count):
        device[channel] = min(max(device[channel], 0.0), 1.0)
    for _ in range(count):
        total = 0.0
        inked = 0
        for channel in range(count):
            total += device[channel]
            if device[channel] > 0:
                inked += 1
        excess = total - cap
        if excess <= 1e-12 or inked == 0:
            return
        for channel in range(count):
            device[channel] = max(device[channel] - excess / inked, 0.0)


@inlined
def _step(
    matrix: Any,
    gradient: Any,
    device: Any,
    cap: Any,
    free: Any,
    right: Any,
    factor: Any,
    ones: Any,
    bound: Any,
    step: Any,
) -> None:
    """Find the step to the least of the quadratic model within bounds and cap."""
    count = len(device)
    for channel in range(count):
        free[channel] = True
        bound[channel] = 0.0
    for _ in range(count + 1):
        for channel in range(count):
            right[channel] = -gradient[channel]
            for other in range(count):
                if not free[other]:
                    right[channel] -= matrix[channel, other] * bound[other]
        _solve(matrix, right, free, factor, step)
        total = 0.0
        for channel in range(count):
            total += device[channel] + (step[channel] if free[channel] else bound[channel])
        if total > cap:
            for channel in range(count):
                right[channel] = 1.0
            _solve(matrix, right, free, factor, ones)
            weight = 0.0
            for channel in range(count):
                weight += ones[channel]
            if weight > 0:
                for channel in range(count):
                    step[channel] -= (total - cap) / weight * ones[channel]
        worst = 1e-12
        which = -1
        for channel in range(count):
            if not free[channel]:
                continue
            after = device[channel] + step[channel]
            beyond = max(-after, after - 1)
            if beyond > worst:
                worst = beyond
                which = channel
        if which < 0:
            break
        free[which] = False
        bound[which] = (0.0 if device[which] + step[which] < 0 else 1.0) - device[which]
    for channel in range(count):
        if not free[channel]:
            step[channel] = bound[channel]


@compiled(
    seen("f8", 2),
    seen("f8", 2),
    seen("f8", 1),
    seen("f8", 1),
    number("i8"),
    number("f8"),
    seen("f8", 2),
    seen("i8", 1),
    seen("f4", 2),
    made("f8", 2),
)
def _invert(
    target: Any,
    start: Any,
    caps: Any,
    ties: Any,
    steps: Any,
    damping: Any,
    positions: Any,
    sides: Any,
    nodes: Any,
    out: Any,
) -> None:
    count = len(sides)
    cell = np.empty(count, np.int64)
    inside = np.empty(count)
    slope = np.empty(count)
    order = np.empty(count, np.int64)
    sums = np.empty(3 + 3 * count)
    metric = np.empty((3, 3))
    residual = np.empty(3)
    weighed = np.empty((3, count))
    matrix = np.empty((count, count))
    gradient = np.empty(count)
    free = np.empty(count, np.bool_)
    right = np.empty(count)
    factor = np.empty((count, count))
    ones = np.empty(count)
    bound = np.empty(count)
    step = np.empty(count)
    strides = np.empty(count, np.int64)
    set_strides(sides, strides)
    rows = 1 if count == 1 else 3
    for colour in range(len(target)):
        device = out[colour]
        for channel in range(count):
            device[channel] = start[colour, channel]
        cap = caps[colour]
        _bring_down(device, cap)
        for turn in range(steps):
            place(device, positions, sides, cell, inside, slope)
            evaluate(strides, nodes, cell, inside, slope, order, 3 + 3 * count, sums)
            if turn == 0:
                _set_metric(target[colour], sums, metric)
            held = damping
            for row in range(rows):
                residual[row] = 0.0
                for lane in range(3):
                    residual[row] += metric[row, lane] * (sums[lane] - target[colour, lane])
                held += FAR_DAMPING * residual[row] * residual[row]
                for channel in range(count):
                    total = 0.0
                    for lane in range(3):
                        total += metric[row, lane] * sums[3 + 3 * channel + lane]
                    weighed[row, channel] = total
            for channel in range(count):
                total = ties[channel] * (device[channel] - start[colour, channel])
                for row in range(rows):
                    total += weighed[row, channel] * residual[row]
                gradient[channel] = total
                for other in range(channel + 1):
                    total = ties[channel] + held if other == channel else 0.0
                    for row in range(rows):
                        total += weighed[row, channel] * weighed[row, other]
                    matrix[channel, other] = matrix[other, channel] = total
            _step(matrix, gradient, device, cap, free, right, factor, ones, bound, step)
            longest = FARTHEST
            for channel in range(count):
                longest = max(longest, abs(step[channel]))
            for channel in range(count):
                device[channel] += step[channel] * (FARTHEST / longest)
            _bring_down(device, cap)
