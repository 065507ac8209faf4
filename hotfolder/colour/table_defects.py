"""Places in a profile's tables that no medium explains: nodes and rows out of line, lost levels.

A medium's colours bend at the corners of device space, where black ink begins and at the edge of
the gamut, and such bends run *through* a table: beside a node that bends lie others that do. A
defect is an island. So each node is compared with what its neighbours say of it, and counts only
where it stands out from the nodes around it as much as from that. Four rules:

*Out of line*: along a channel a node is predicted by the cubic through two neighbours on each side.
The least of its misses over some channels, the median of it over the others, finds single nodes
(all channels), rows (all but one) and slices (one channel) alike.

*Exchanged*: where two neighbouring rows or slices have changed places, the way across them (the sum
of distances from one to the next) becomes shorter when they change back. In an honest table it
becomes longer.

*Stairs*: a line of nodes stands still, jumps and stands still again, several times, and every jump
is larger than 8 bits need.

*Few levels*: all numbers are multiples of a step larger than 8 bits need, and are out of line by
the rounding to it.

Thresholds are our own, between what good profiles have and what planted defects leave
(tests/reference/test_profile_measures.py).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Final, Literal

import numpy as np
import scipy
from numpy.typing import NDArray

from hotfolder.colour.arrays import Floats

LEAST_SIDE: Final = 5
"""Points along a channel that a prediction needs."""

LEAST_SIZE: Final = 1.2
"""ΔE*ab by which a node or row must be out of line to be said: less is not seen in a picture."""

_LEAST_SIZE_OF_SLICE: Final = 2.0
"""The same for a whole slice; the bends of good profiles have up to 1.5."""

STANDS_OUT: Final = 4.0
"""Times the largest miss around it. Good profiles have up to 3.0."""

_STANDS_OUT_AT_EDGES: Final = 10.0
"""The same where rows lie on an edge of the table and are predicted from one side only; good
profiles have up to 7.3."""

_FLOOR: Final = 0.3
"""ΔE*ab that the surroundings count for at least: what roundings leave."""

_LEAST_SIDE_OF_SLICES: Final = 9
"""Points along a channel from which on slices are judged: of fewer, all of them are bent."""

_EXCHANGE_GAIN: Final = 1.5
"""ΔE*ab by which the way across two rows must become shorter on average."""

_EXCHANGE_SHARE: Final = 0.8
"""Share of a row's nodes where it does."""

COARSE: Final = 1 / 200
"""Steps larger than this are more than 8 bits need."""

_PLATEAUS: Final = 3
_OUT_OF_LINE_OF_STEP: Final = 0.15

Kind = Literal["node", "row", "slice", "exchanged rows", "exchanged slices"]


@dataclass(frozen=True)
class Flaw:
    """A place in a table that stands out."""

    kind: Kind
    """What stands out."""

    at: tuple[int | None, ...]
    """Index along each channel of the table; None where it runs through all of them. Of two that
    are exchanged, the first."""

    size: float
    """By how much: ΔE*ab from where its neighbours say that it should be; of exchanged rows, what
    the way across them would save."""


@dataclass(frozen=True)
class Levels:
    """How finely a table's numbers are graded."""

    bits: int
    """8 where 8 bits hold all its numbers, else 16."""

    stairs_share: float
    """Share of its lines of nodes that are stairs, 0 … 1."""

    fewest: int | None
    """How many levels all numbers are rounded to, if that is coarser than 8 bits; else None."""


def find_flaws(colours: Floats, demand: float = 1.0) -> list[Flaw]:
    """Find what is out of line or exchanged.

    Parameters
    ----------
    colours
        Of a table's nodes, shape (side, …, side, 3): L*a*b*. Of a table that makes device values,
        the colours that these make.
    demand
        How many times as far as usual something must stand out. More than 1 for tables that
        change colours to please: these bend more, at their edges above all.

    Returns
    -------
    The largest first; what lies in a slice or row that is named is not named again.
    """
    found = [*_find_exchanged(colours), *_find_out_of_line(colours, demand)]
    found.sort(key=lambda each: (each.at.count(None), each.size), reverse=True)
    kept: list[Flaw] = []
    for flaw in found:
        if not any(_lies_near(flaw, other) for other in kept):
            kept.append(flaw)
    return sorted(kept, key=lambda each: -each.size)


def find_levels(nodes: Floats) -> Levels:
    """Say how finely a table's numbers are graded.

    Parameters
    ----------
    nodes
        As written, shape (side, …, side, outputs), 0 … 1.
    """
    codes = np.rint(nodes * 65535)
    bits = 8 if not (codes % 257).any() else 16
    lines = stairs = 0
    for axis in range(nodes.ndim - 1):
        varying, stepped = _count_stairs(np.moveaxis(nodes, axis, -1))
        lines, stairs = lines + varying, stairs + stepped
    return Levels(bits, stairs / max(1, lines), _find_coarse_levels(nodes))


def _count_stairs(lines: Floats) -> tuple[int, int]:
    """Count lines (along the last axis) whose values vary, and those that are stairs."""
    steps = np.diff(lines.reshape(-1, lines.shape[-1]), axis=1)
    moves = np.abs(steps) > 1e-4
    varying = moves.any(axis=1)
    smallest = np.where(moves, np.abs(steps), np.inf).min(axis=1)
    # A plateau lies between two jumps; one that begins or ends a line may be the end of the range.
    begun = np.cumsum(moves, axis=1) > 0
    to_come = np.cumsum(moves[:, ::-1], axis=1)[:, ::-1] > 0
    still = ~moves & begun & to_come
    plateaus = (still[:, :-1] & ~still[:, 1:]).sum(axis=1) if still.shape[1] > 1 else 0
    return int(varying.sum()), int(((plateaus >= _PLATEAUS) & (smallest > COARSE)).sum())


def _find_coarse_levels(nodes: Floats) -> int | None:
    """The number of levels in the coarsest output, if they are fewer than 8 bits need."""
    found: list[int] = []
    for lane in range(nodes.shape[-1]):
        values = nodes[..., lane]
        levels = np.unique(np.rint(values * 65535)) / 65535
        if len(levels) < 1.5 * max(values.shape) or len(levels) > 1 / COARSE:
            continue
        step = float(np.diff(levels).min())
        if step < COARSE:
            continue
        misses = residuals(values[..., None])
        typical = [np.sqrt(np.mean(each[np.isfinite(each)] ** 2)) for each in misses]
        if min(typical, default=0.0) > _OUT_OF_LINE_OF_STEP * step:
            found.append(len(levels))
    return min(found, default=None)


def residuals(values: Floats) -> Floats:
    """Compute by how much each node is out of line along each channel.

    Parameters
    ----------
    values
        Shape (side, …, side, lanes).

    Returns
    -------
    Shape (channels, side, …, side): Euclidean distance from the cubic through two neighbours on
    each side; at the edges, where that is extrapolated, a quarter of it. Infinite along a channel
    of fewer than `LEAST_SIDE` points.
    """
    axes = values.ndim - 1
    out = np.full((axes, *values.shape[:-1]), np.inf)
    for axis in range(axes):
        if values.shape[axis] < LEAST_SIDE:
            continue
        f = np.moveaxis(values, axis, 0)
        miss = np.empty(f.shape)
        miss[2:-2] = f[2:-2] - (-f[:-4] + 4 * f[1:-3] + 4 * f[3:-1] - f[4:]) / 6
        for way in (slice(None), slice(None, None, -1)):
            g, m = f[way], miss[way]
            m[1] = g[1] - (g[0] + 6 * g[2] - 4 * g[3] + g[4]) / 4
            m[0] = (g[0] - (4 * g[1] - 6 * g[2] + 4 * g[3] - g[4])) / 4
        np.moveaxis(out[axis], axis, 0)[:] = np.linalg.norm(miss, axis=-1)
    return out


def _find_out_of_line(colours: Floats, demand: float) -> Iterator[Flaw]:
    misses = residuals(colours)
    axes = len(misses)
    for across in range(axes, 0, -1):
        kind: Kind = "node" if across == axes else "slice" if across == 1 else "row"
        for chosen in combinations(range(axes), across):
            through = tuple(axis for axis in range(axes) if axis not in chosen)
            if across == 1:
                score, around = _score_slices(colours, misses[chosen[0]], chosen[0])
            else:
                least = misses[list(chosen)].min(axis=0)
                score = np.median(least, axis=through) if through else least
                around = _around(score)
            factor = np.full(score.shape, STANDS_OUT)
            if 1 < across < axes:
                inner = (slice(1, -1),) * across
                factor = np.full(score.shape, _STANDS_OUT_AT_EDGES)
                factor[inner] = STANDS_OUT
            least_size = _LEAST_SIZE_OF_SLICE if across == 1 else LEAST_SIZE
            stands_out = (score > demand * least_size) & (
                score > demand * factor * np.maximum(around, _FLOOR)
            )
            for at in np.argwhere(stands_out & np.isfinite(score)):
                where = dict(zip(chosen, at.tolist(), strict=True))
                yield Flaw(
                    kind, tuple(where.get(axis) for axis in range(axes)), float(score[tuple(at)])
                )


def _around(score: Floats) -> Floats:
    """The largest of the values around each, on all sides.

    The least of several misses is that of the defect alone: those beside it along one channel are
    in line along the others.
    """
    footprint = np.ones((3,) * score.ndim, np.bool_)
    footprint[(1,) * score.ndim] = False
    return np.asarray(
        scipy.ndimage.maximum_filter(score, footprint=footprint, mode="constant", cval=0.0)
    )


def _score_slices(colours: Floats, misses: Floats, axis: int) -> tuple[Floats, Floats]:
    """Say by how much each slice is out of line, and the most of those that do not touch it.

    Where a curve or a medium bends, one step after another is longer: s s t t. Where a slice is out
    of line, one is too long and the next too short by the same: s s+A s-A s. So the difference of
    the two steps at a slice counts only as far as the steps around them do not differ as well. Two
    slices at either edge are left out, where tables often end in a larger step.
    """
    side = colours.shape[axis]
    score, around = np.zeros(side), np.full(side, np.inf)
    if side < LEAST_SIDE:
        return score, around
    steps = np.diff(np.moveaxis(colours, axis, 0), axis=0)
    uneven = np.linalg.norm((steps[2:-1] - steps[1:-2]) - (steps[3:] - steps[:-3]), axis=-1) / 2
    least = np.minimum(np.moveaxis(misses, axis, 0)[2:-2], uneven)
    score[2:-2] = np.median(least.reshape(side - 4, -1), axis=1)
    unknown = 1.0 if side >= _LEAST_SIDE_OF_SLICES else np.inf
    for at in range(2, side - 2):
        others = [each for each in (at - 4, at - 3, at + 3, at + 4) if 2 <= each < side - 2]
        around[at] = max((float(score[each]) for each in others), default=unknown)
        if score[at] < score[at - 1 : at + 2].max():
            around[at] = np.inf  # it is a neighbour that is out of line
    return score, around


def _find_exchanged(colours: Floats) -> Iterator[Flaw]:
    axes = colours.ndim - 1
    for axis in range(axes):
        side = colours.shape[axis]
        if side < LEAST_SIDE:
            continue
        now, then = _ways_across(np.moveaxis(colours, axis, 0))
        gain = now - then
        others = tuple(range(1, axes))
        for at in np.flatnonzero(_is_exchanged(gain, now, then, others)):
            where: list[int | None] = [None] * axes
            where[axis] = int(at)
            yield Flaw("exchanged slices", tuple(where), float(gain[at].mean()))
        if axes < 3:
            continue
        for along in others:
            exchanged = _is_exchanged(gain, now, then, (along,))
            for index in np.argwhere(exchanged):
                row: list[int | None] = [int(each) for each in index]
                row.insert(along, None)
                first = row.pop(0)
                row.insert(axis, first)
                place = [slice(None) if each is None else each for each in index.tolist()]
                place.insert(along, slice(None))
                yield Flaw("exchanged rows", tuple(row), float(gain[tuple(place)].mean()))


def _ways_across(f: Floats) -> tuple[Floats, Floats]:
    """Sum up the distances across each two neighbours along the first axis, as is and exchanged.

    Shape (side - 1, …) each.
    """

    def distance(one: Floats, other: Floats) -> NDArray[np.float64]:
        return np.asarray(np.linalg.norm(one - other, axis=-1))

    between = distance(f[:-1], f[1:])
    across_two = distance(f[:-2], f[2:])
    now, then = between.copy(), between.copy()
    now[1:] += between[:-1]
    now[:-1] += between[1:]
    then[1:] += across_two
    then[:-1] += across_two
    return now, then


def _is_exchanged(
    gain: Floats, now: Floats, then: Floats, axes: tuple[int, ...]
) -> NDArray[np.bool_]:
    is_shorter = (gain > 0.1 * _EXCHANGE_GAIN).mean(axis=axes) > _EXCHANGE_SHARE
    enough = gain.mean(axis=axes) > _EXCHANGE_GAIN
    return np.asarray(is_shorter & enough & (now.mean(axis=axes) > 1.2 * then.mean(axis=axes)))


def _lies_near(flaw: Flaw, other: Flaw) -> bool:
    """Whether a flaw is in, or beside, what another one is."""
    reach = 3 if other.kind in ("slice", "exchanged slices") else 2
    return all(
        theirs is None or (mine is not None and abs(mine - theirs) <= reach)
        for mine, theirs in zip(flaw.at, other.at, strict=True)
    )
