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

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Floats, Indices
from hotfolder.colour.machine_code import compiled, inlined, made, number, seen
from hotfolder.colour.measurement_model import (
    LANES,
    PLACES,
    MeasurementModel,
    find_cell,
    find_corners,
    interpolate,
    put_in_places,
)
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
"""At most, and without looking whether a step was good: so what comes out is as continuous as each
step is."""

STILL = 0.001
"""How far a step takes its farthest channel after which there is no next one. After one of up to
twice as much the next is made in part, so that this makes no jump: half of all colours of
photographs need two steps."""

FARTHEST = 0.1
"""How far one step may take a channel."""

_WORTH_A_THREAD = 1_000
_NO_CAP = 1e9
_COS_30, _SIN_30 = np.cos(np.radians(30)), np.sin(np.radians(30))
_COS_6, _SIN_6 = np.cos(np.radians(6)), np.sin(np.radians(6))
_COS_63, _SIN_63 = np.cos(np.radians(63)), np.sin(np.radians(63))


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
    start = put_in_places(start)
    caps = np.full(len(target), _NO_CAP)
    if cap is not None:
        caps[:] = cap
    ties = np.full(PLACES, tie + 1e-6)
    if model.channels == PLACES:
        ties[3] = BLACK_TIE * tie + 1e-6
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
            model.channels > 1,
            model.positions,
            model.sides,
            model.steps,
            model.nodes,
            out[part],
        )

    over_slabs(work, len(target), 1, worth_a_thread=_WORTH_A_THREAD)
    return np.ascontiguousarray(out[:, PLACES - model.channels :])


@inlined
def _find_metric(L: float, a: float, b: float) -> tuple[float, ...]:
    """Return CIEDE2000's metric at a colour: five numbers of a matrix, ΔE00 ≈ |metric ΔLab|.

    The others are 0. Symbols are those of `hotfolder.colour.difference`.
    """
    C_2 = a * a + b * b
    C_7 = C_2 * C_2 * C_2 * np.sqrt(C_2)
    stretch = 1.5 - 0.5 * np.sqrt(C_7 / (C_7 + 25.0**7))
    a_p = a * stretch
    C_p_2 = a_p * a_p + b * b
    C_p = np.sqrt(C_p_2)
    cos, sin = (a_p / C_p, b / C_p) if C_p > 0 else (1.0, 0.0)
    # angles of two, three and four times the hue
    cos_2, sin_2 = cos * cos - sin * sin, 2 * sin * cos
    cos_3, sin_3 = cos_2 * cos - sin_2 * sin, sin_2 * cos + cos_2 * sin
    cos_4, sin_4 = cos_2 * cos_2 - sin_2 * sin_2, 2 * sin_2 * cos_2
    T = (
        1
        - 0.17 * (cos * _COS_30 + sin * _SIN_30)
        + 0.24 * cos_2
        + 0.32 * (cos_3 * _COS_6 - sin_3 * _SIN_6)
        - 0.20 * (cos_4 * _COS_63 + sin_4 * _SIN_63)
    )
    R_T = 0.0
    if sin < 0.3 and C_p > 1:  # elsewhere it is less than a millionth
        degrees = np.degrees(np.arctan2(b, a_p)) % 360
        d_theta = 30 * np.exp(-(((degrees - 275) / 25) ** 2))
        C_p_7 = C_p_2 * C_p_2 * C_p_2 * C_p
        R_T = -np.sin(np.radians(2 * d_theta)) * 2 * np.sqrt(C_p_7 / (C_p_7 + 25.0**7))
    L_50 = (L - 50) * (L - 50)
    S_L = 1 + 0.015 * L_50 / np.sqrt(20 + L_50)
    S_C = 1 + 0.045 * C_p
    S_H = 1 + 0.015 * C_p * T
    # c² + h² + R_T c h is (c + R_T h / 2)² + (1 - R_T² / 4) h².
    rest = np.sqrt(1 - 0.25 * R_T * R_T)
    return (
        1 / S_L,
        stretch * (cos / S_C - 0.5 * R_T * sin / S_H),
        sin / S_C + 0.5 * R_T * cos / S_H,
        -stretch * rest * sin / S_H,
        rest * cos / S_H,
    )


@inlined
def _bring_down(device: Floats, cap: float) -> None:
    """Clip to 0 … 1, and take as much of each channel as is too much in all, as far as it has."""
    for channel in range(PLACES):
        device[channel] = min(max(device[channel], 0.0), 1.0)
    for _ in range(PLACES):
        total = 0.0
        inked = 0
        for channel in range(PLACES):
            total += device[channel]
            if device[channel] > 0:
                inked += 1
        excess = total - cap
        if excess <= 1e-12 or inked == 0:
            return
        for channel in range(PLACES):
            device[channel] = max(device[channel] - excess / inked, 0.0)


@inlined
def _factorise(weighed: Floats, inverse: Floats) -> tuple[float, ...]:
    """Factorise K = 1 + Σ w wᵀ / D, a matrix of three by three, as L diag(d) Lᵀ."""
    k00 = k11 = k22 = 1.0
    k10 = k20 = k21 = 0.0
    for channel in range(PLACES):
        w0, w1, w2 = weighed[channel, 0], weighed[channel, 1], weighed[channel, 2]
        share = inverse[channel]
        k00 += share * w0 * w0
        k10 += share * w1 * w0
        k20 += share * w2 * w0
        k11 += share * w1 * w1
        k21 += share * w2 * w1
        k22 += share * w2 * w2
    e0 = 1 / k00
    l10, l20 = k10 * e0, k20 * e0
    e1 = 1 / (k11 - l10 * k10)
    rest = k21 - l20 * k10
    l21 = rest * e1
    return l10, l20, l21, e0, e1, 1 / (k22 - l20 * k20 - l21 * rest)


@inlined
def _solve(
    factors: tuple[float, ...], r0: float, r1: float, r2: float
) -> tuple[float, float, float]:
    """Solve K y = r."""
    l10, l20, l21, e0, e1, e2 = factors
    t1 = r1 - l10 * r0
    t2 = r2 - l20 * r0 - l21 * t1
    y2 = t2 * e2
    y1 = t1 * e1 - l21 * y2
    return r0 * e0 - l10 * y1 - l20 * y2, y1, y2


@inlined
def _find_step(
    device: Floats,
    cap: float,
    residual: tuple[float, float, float],
    weighed: Floats,
    pulled: Floats,
    held: Floats,
    inverse: Floats,
    bound: Floats,
    step: Floats,
) -> None:
    """Find the step to the least of the quadratic model within bounds and cap.

    That is |r + Σ w s|² / 2 + Σ (b s + D s² / 2) with r the residual, w the slopes `weighed`, b
    what ties pull (`pulled`) and D what they and damping hold (`held`). With y = r + Σ w s a
    channel goes s = -(b + w y) / D, and y is what solves (1 + Σ w wᵀ / D) y = r - Σ w b / D: three
    equations whatever the number of channels. A channel that stands at its bound has 1 / D = 0.
    """
    for channel in range(PLACES):
        inverse[channel] = 1 / held[channel]
        bound[channel] = 0.0
    for _ in range(PLACES + 1):
        r0, r1, r2 = residual
        s0 = s1 = s2 = 0.0
        for channel in range(PLACES):
            moved = bound[channel] - pulled[channel] * inverse[channel]
            r0 += weighed[channel, 0] * moved
            r1 += weighed[channel, 1] * moved
            r2 += weighed[channel, 2] * moved
        factors = _factorise(weighed, inverse)
        y0, y1, y2 = _solve(factors, r0, r1, r2)
        total = 0.0
        for channel in range(PLACES):
            slope = weighed[channel, 0] * y0 + weighed[channel, 1] * y1 + weighed[channel, 2] * y2
            step[channel] = bound[channel] - (pulled[channel] + slope) * inverse[channel]
            total += device[channel] + step[channel]
        if total > cap:
            for channel in range(PLACES):
                s0 += weighed[channel, 0] * inverse[channel]
                s1 += weighed[channel, 1] * inverse[channel]
                s2 += weighed[channel, 2] * inverse[channel]
            y0, y1, y2 = _solve(factors, s0, s1, s2)
            weight = 0.0
            for channel in range(PLACES):
                slope = (
                    weighed[channel, 0] * y0 + weighed[channel, 1] * y1 + weighed[channel, 2] * y2
                )
                weight += (1 - slope) * inverse[channel]
            if weight > 0:
                excess = (total - cap) / weight
                for channel in range(PLACES):
                    slope = (
                        weighed[channel, 0] * y0
                        + weighed[channel, 1] * y1
                        + weighed[channel, 2] * y2
                    )
                    step[channel] -= excess * (1 - slope) * inverse[channel]
        worst = 1e-12
        which = -1
        for channel in range(PLACES):
            after = device[channel] + step[channel]
            beyond = max(-after, after - 1)
            if inverse[channel] > 0 and beyond > worst:
                worst = beyond
                which = channel
        if which < 0:
            break
        inverse[which] = 0.0
        bound[which] = (0.0 if device[which] + step[which] < 0 else 1.0) - device[which]


@compiled(
    seen("f8", 2),
    seen("f8", 2),
    seen("f8", 1),
    seen("f8", 1),
    number("i8"),
    number("f8"),
    number("i8"),
    seen("f8", 2),
    seen("i8", 1),
    seen("i8", 1),
    seen("f4", 2),
    made("f8", 2),
)
def _invert(
    target: Floats,
    start: Floats,
    caps: Floats,
    ties: Floats,
    steps: int,
    damping: float,
    is_coloured: int,
    positions: Floats,
    sides: Indices,
    apart: Indices,
    nodes: Floats,
    out: Floats,
) -> None:
    sums = np.empty(LANES, np.float32)
    slopes = np.empty(PLACES)
    weighed = np.empty((PLACES, 3))
    pulled = np.empty(PLACES)
    held = np.empty(PLACES)
    inverse = np.empty(PLACES)
    bound = np.empty(PLACES)
    step = np.empty(PLACES)
    for colour in range(len(target)):
        device = out[colour]
        for channel in range(PLACES):
            device[channel] = start[colour, channel]
        cap = caps[colour]
        _bring_down(device, cap)
        wanted_L, wanted_a, wanted_b = target[colour, 0], target[colour, 1], target[colour, 2]
        part = 1.0
        m00 = m11 = m12 = m21 = m22 = 0.0
        for turn in range(steps):
            c0, x0, slopes[0] = find_cell(device[0], positions, 0, sides[0])
            c1, x1, slopes[1] = find_cell(device[1], positions, 1, sides[1])
            c2, x2, slopes[2] = find_cell(device[2], positions, 2, sides[2])
            c3, x3, slopes[3] = find_cell(device[3], positions, 3, sides[3])
            base = c0 * apart[0] + c1 * apart[1] + c2 * apart[2] + c3 * apart[3]
            interpolate(nodes, base, apart[0], x0, find_corners(x1, x2, x3, apart), LANES, sums)
            L, a, b = np.float64(sums[0]), np.float64(sums[1]), np.float64(sums[2])
            if turn == 0:
                m00, m11, m12, m21, m22 = _find_metric(
                    0.5 * (L + wanted_L), 0.5 * (a + wanted_a), 0.5 * (b + wanted_b)
                )
                if not is_coloured:
                    m11 = m12 = m21 = m22 = 0.0
            r0 = m00 * (L - wanted_L)
            r1 = m11 * (a - wanted_a) + m12 * (b - wanted_b)
            r2 = m21 * (a - wanted_a) + m22 * (b - wanted_b)
            damped = damping + FAR_DAMPING * (r0 * r0 + r1 * r1 + r2 * r2)
            for channel in range(PLACES):
                lane = 3 + 3 * channel
                rise_L, rise_a, rise_b = sums[lane], sums[lane + 1], sums[lane + 2]
                weighed[channel, 0] = m00 * rise_L * slopes[channel]
                weighed[channel, 1] = (m11 * rise_a + m12 * rise_b) * slopes[channel]
                weighed[channel, 2] = (m21 * rise_a + m22 * rise_b) * slopes[channel]
                pulled[channel] = ties[channel] * (device[channel] - start[colour, channel])
                held[channel] = ties[channel] + damped
            _find_step(device, cap, (r0, r1, r2), weighed, pulled, held, inverse, bound, step)
            longest = 0.0
            for channel in range(PLACES):
                longest = max(longest, abs(step[channel]))
            shortened = part * FARTHEST / max(longest, FARTHEST)
            for channel in range(PLACES):
                device[channel] += step[channel] * shortened
            _bring_down(device, cap)
            part = min(1.0, longest / STILL - 1)
            if part <= 0:
                break
