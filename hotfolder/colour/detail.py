"""Bring colours into a medium along their hue, so that neighbours stay apart.

Clipping takes all colours along a line to one: a red flower becomes a flat patch. Here a colour
moves towards a grey of its own hue plane in OKLab, and how far depends on how far the *picture*
goes beyond the medium at that hue and lightness. With r the colour's distance from the grey as a
share of the boundary's, R the picture's own largest r there and k = KNEE,

    r' = r                                  r ≤ k or R ≤ 1
    r' = k + (min(r, R) - k) (1 - k) / (R - k)   else

so what fits stays, up to the last sixtieth, and what does not keeps its order. The grey lies at
the colour's own lightness or below, the deeper the more colour there is (see `Direction`), down to
about where the medium has most of the hue (see `BELOW_RICHEST`).

Compression against the picture's own gamut instead of its space's is the image-dependent form that
CIE 156:2004 (Guidelines for the evaluation of gamut mapping algorithms) sets beside the other; the
knee is that of SGCK there, narrower.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import scipy
from numpy.typing import NDArray

from hotfolder.colour.arrays import Floats
from hotfolder.colour.contrast import local_contrast, where_unfit
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.gamut_boundary import HUES, Boundary
from hotfolder.colour.machine_code import compiled, inlined, made, number, seen
from hotfolder.colour.oklab import oklab_to_lab, real_oklab
from hotfolder.colour.slabs import in_threads, over_slabs

KNEE = 0.985
"""Share of the way to the boundary up to which nothing moves.

Over the photographs of `tests/benchmarks/renderings.py`, the mean falls from 0.96 to 0.999 by 3 to
5 % on each medium and contrast rises by less than 0.001, since what keeps drawing is mostly the
direction. What is left of the way keeps smooth ramps apart, which photographs have few of."""

DARKENINGS = (0.0, 0.5)
DARKENINGS_OF_BLUES = (0.0, 0.5, 1.0, 1.5)
"""What of each part of `Direction` is tried on a copy of a picture; the best is taken: see
`CONTRAST_WEIGHT`. Over the photographs of `tests/benchmarks/renderings.py`, steps of a quarter and
more than 1.5 kept no more contrast; 1.0 for others kept 0.001 less. Without 0.5 for others 0.001
more was kept, and the mean on the canvas was 0.06 ΔE00 higher."""

BELOW_RICHEST = 0.08
"""How far below the medium's richest colour of a hue the greys of that hue lie at most, in OKLab.
Lines to greys deep below it leave the medium beside black, where there is little colour and it is
hollow: bright colours far beyond it became black, and neighbours 17 ΔE00 apart. With 0.06, 0.001
to 0.002 less contrast is kept on each medium over the photographs of
`tests/benchmarks/renderings.py`; the more it is, the duller are the richest blues."""

BLUES = 290.0
BLUES_WITHIN = 40.0
BLUES_END = 80.0
"""Hues in OKLab, in degrees: the middle of blues and purples, how far from it they are so wholly,
and where they end. Half of the way they have half of it."""

CONTRAST_WEIGHT = 40.0
"""ΔE00 that a picture which has lost all its local contrast is as bad as: a direction's score is
mean ΔE00 + CONTRAST_WEIGHT · (share that does not fit) · (1 - contrast kept there). Twice what
least loss weighs it by: whoever asks for detail wants it. Chosen by measurement, so that 0.95 is
kept, on each of three media, of the photographs of `tests/benchmarks/renderings.py`, at a mean
below relative's."""

REACH_HUES = 72
REACH_LIGHTNESSES = 16
REACH_PERCENTILE = 95.0
"""What of a picture may lie beyond its own reach, and is clipped, in percent of the colours of each
hue and lightness: a few extreme ones must not bleach all the others. At 99.8 the mean was higher on
all three media, and less contrast was kept."""

_FEWEST = 8
"""Colours of a part of hue and lightness below which it says nothing by itself."""

_FARTHEST_REACH = 4.0


class Direction(NamedTuple):
    """How far below a colour's own lightness its grey lies, as a multiple of its chroma, in OKLab.

    Blues and purples are richest when they are dark: light ones that a medium cannot make keep
    more of their chroma, and of their drawing, on the way to a darker grey, on which the richer of
    two becomes the darker. Other hues are richest when they are light, and drawn by light: at
    constant lightness (0) leaves and petals keep nearly all.
    """

    others: float = 0.0
    blues: float = 0.0
    """Of hues about `BLUES`; between it and the others' from hue to hue without a step."""


LEVEL = Direction()


def _no_reach() -> NDArray[np.float64]:
    return np.ones((REACH_HUES, REACH_LIGHTNESSES))


@dataclass(frozen=True, eq=False)
class Reach:
    """How far a picture goes beyond a medium, by hue and lightness."""

    table: NDArray[np.float64] = field(default_factory=_no_reach, repr=False)
    """Largest r as a share of the boundary's, 1 … 4: shape (REACH_HUES, REACH_LIGHTNESSES); hues in
    the middle of each 5 degrees, lightnesses of OKLab in equal steps from the medium's darkest to
    its lightest. 1 where all fits, which is also what is reckoned with before a picture has been
    looked at: what does not fit then comes to the boundary."""

    direction: Direction = LEVEL
    """The one that suits the picture best."""

    def __eq__(self, other: object) -> bool:
        """Whether two pictures ask for the same; so that conversions can be kept by it."""
        return isinstance(other, Reach) and self._key == other._key

    def __hash__(self) -> int:
        return hash(self._key)

    @property
    def _key(self) -> tuple[bytes, Direction]:
        return self.table.tobytes(), self.direction

    @property
    def sha256(self) -> str:
        """Hash of table and direction, by which a record says which one it was."""
        said = np.append(np.round(self.table, 6), self.direction)
        return hashlib.sha256(said.tobytes()).hexdigest()


def reach_of(boundary: Boundary, wanted: Floats) -> Reach:
    """Measure how far a picture goes beyond a medium, on a reduced copy of it.

    Parameters
    ----------
    wanted
        Shape (rows, width, 3): the picture's colours, L*a*b* relative to the medium's white, black
        point compensation applied; some 10,000 are enough. Shape (n, 3): colours that are in no
        order, of which no direction is tried but the first.
    """
    oklab = real_oklab(wanted.reshape(-1, 3))
    places = _ratios(boundary, oklab, LEVEL)
    if wanted.ndim == 2 or not (places[0] > 1).any():
        return _table_of(*places, LEVEL)
    direction = _best_direction(boundary, wanted, oklab, places)
    return _table_of(*_ratios(boundary, oklab, direction), direction)


def _best_direction(
    boundary: Boundary, wanted: Floats, oklab: Floats, level: tuple[Floats, Floats, Floats]
) -> Direction:
    """Try directions on a picture, shape (rows, width, 3), L*a*b*; of blues by blues alone."""
    flat = np.ascontiguousarray(wanted.reshape(-1, 3), np.float64)
    r, hue, _ = level
    unfit = r > 1
    before = local_contrast(wanted[None])
    where = where_unfit(before, unfit.reshape(before.shape))
    had = float(before[where].sum())
    weight = CONTRAST_WEIGHT * float(unfit.mean()) / had if had else 0.0
    is_blue = np.abs(hue - BLUES) < (BLUES_WITHIN + BLUES_END) / 2

    def score(darkening: float) -> tuple[float, float]:
        """Of what is no blue, and of blues."""
        direction = Direction(darkening, darkening)
        places = level if direction == LEVEL else _ratios(boundary, oklab, direction)
        made, moved = _moved(boundary, _table_of(*places, direction), flat, oklab)
        worse = np.zeros(len(flat))
        worse[moved] = delta_e_00(flat[moved], made[moved]) / len(flat)
        lost = np.maximum(before - local_contrast(made.reshape(1, *wanted.shape)), 0)
        worse += weight * (lost * where).ravel()
        return float(worse[~is_blue].sum()), float(worse[is_blue].sum())

    darkenings = sorted({*DARKENINGS, *DARKENINGS_OF_BLUES})
    scores = dict(zip(darkenings, in_threads(score, darkenings), strict=True))
    return Direction(
        min(DARKENINGS, key=lambda each: scores[each][0]),
        min(DARKENINGS_OF_BLUES, key=lambda each: scores[each][1]),
    )


def _table_of(r: Floats, hue: Floats, lightness: Floats, direction: Direction) -> Reach:
    """Measure the reach in one direction, of colours that lie where `find_places` says."""
    column = np.floor(hue * (REACH_HUES / HUES)).astype(int) % REACH_HUES
    row = np.rint(lightness * (REACH_LIGHTNESSES - 1)).astype(int)
    part = column * REACH_LIGHTNESSES + np.clip(row, 0, REACH_LIGHTNESSES - 1)
    # parts in which all fits reach no further than that, and are most of a picture
    counts = np.bincount(part[r > 1], minlength=REACH_HUES * REACH_LIGHTNESSES)
    goes_beyond = (counts > 0)[part]
    r, part = r[goes_beyond], part[goes_beyond]
    if not len(r):
        return Reach(direction=direction)
    counts = np.bincount(part, minlength=REACH_HUES * REACH_LIGHTNESSES)
    ordered = r[np.lexsort((r, part))]
    # the percentile of each part, between two of its colours, as numpy.percentile has it
    at = np.maximum(counts - 1, 0) * (REACH_PERCENTILE / 100)
    below = np.floor(at).astype(int)
    first = np.cumsum(counts) - counts + below
    last = len(ordered) - 1
    low, high = ordered[np.minimum(first, last)], ordered[np.minimum(first + 1, last)]
    found = np.where(below + 1 < counts, low + (high - low) * (at - below), low)
    reaches = np.where(counts >= _FEWEST, np.maximum(found, 1.0), 1.0)
    table = reaches.reshape(REACH_HUES, REACH_LIGHTNESSES)
    # From part to part without a jump. The largest of the parts around would take more of a
    # picture in than it needs: mean ΔE00 a tenth higher, and no more contrast kept.
    smooth = scipy.ndimage.gaussian_filter(table, (1, 0.7), mode=("wrap", "nearest"))
    smooth[:, [0, -1]] = 1.0  # white stays white, and black black
    return Reach(np.clip(smooth, 1.0, _FARTHEST_REACH), direction)


def bring_in(
    boundary: Boundary, reach: Reach, wanted: Floats, *, held: float = 0.0
) -> NDArray[np.float64]:
    """Move colours into a medium.

    Parameters
    ----------
    wanted
        Shape (n, 3): as `reach_of` takes it.
    held
        r' of all that moves, `KNEE` … 1, whatever the picture's reach; 0: as far as that says.

    Returns
    -------
    float64, shape (n, 3): L*a*b*.
    """
    return _moved(boundary, reach, wanted, real_oklab(wanted), held=held)[0]


def _moved(
    boundary: Boundary, reach: Reach, wanted: Floats, oklab: Floats, *, held: float = 0.0
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Move colours, given in both spaces; return L*a*b*, and which were moved."""
    out = np.empty_like(oklab)

    def work(start: int, stop: int) -> None:
        _move(
            oklab[start:stop],
            boundary.chroma,
            _lowest_greys(boundary),
            reach.table,
            boundary.darkest,
            boundary.lightest,
            KNEE,
            *reach.direction,
            held,
            out[start:stop],
        )

    over_slabs(work, len(oklab), 1, worth_a_thread=10_000)
    # what stays is what it was to the last bit, not what comes back from another space
    moved = np.flatnonzero((out != oklab).any(axis=-1))
    made = np.array(wanted, np.float64)
    made[moved] = oklab_to_lab(out[moved])
    return made, moved


def find_unmoved(
    boundary: Boundary, wanted: Floats, direction: Direction, *, most: float = KNEE
) -> NDArray[np.bool_]:
    """Say which colours `bring_in` leaves as they are, however far a picture goes.

    Parameters
    ----------
    wanted
        Shape (n, 3): as `reach_of` takes it.
    direction
        Of the picture's reach.
    most
        Share of the way to the boundary; less, to be sure of what lies around a colour.

    Returns
    -------
    Shape (n,).
    """
    oklab = real_oklab(wanted)
    parts = over_slabs(
        lambda start, stop: _ratios(boundary, oklab[start:stop], direction)[0],
        len(oklab),
        1,
        worth_a_thread=10_000,
    )
    is_between = (oklab[:, 0] >= boundary.darkest) & (oklab[:, 0] <= boundary.lightest)
    return np.asarray(is_between & (np.concatenate(parts) <= most))


def find_places(
    boundary: Boundary, wanted: Floats, direction: Direction
) -> tuple[Floats, Floats, Floats]:
    """Say where colours lie against a medium's boundary.

    Parameters
    ----------
    wanted, direction
        As `find_unmoved` takes them.

    Returns
    -------
    r, hue in degrees, and lightness as 0 … 1 from the medium's darkest to its lightest: shape (n,)
    each.
    """
    return _ratios(boundary, real_oklab(wanted), direction)


def find_shares(
    reach: Reach, r: NDArray[np.float32], hue: NDArray[np.float32], lightness: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Say how far from the knee to the boundary `bring_in` takes colours that lie where they do.

    Parameters
    ----------
    r, hue, lightness
        As `find_places` says them, shape (n,).

    Returns
    -------
    float32, shape (n,): r' as 0 … 1 from `KNEE` to 1; 0 for what does not move.
    """
    out = np.empty(len(r), np.float32)
    _share(r, hue, lightness, reach.table, KNEE, out)
    return out


def _ratios(
    boundary: Boundary, oklab: Floats, direction: Direction
) -> tuple[Floats, Floats, Floats]:
    """Return r, hue in degrees, and lightness as 0 … 1 from the medium's darkest to lightest."""
    out = np.empty((len(oklab), 3))
    _measure(
        np.ascontiguousarray(oklab),
        boundary.chroma,
        _lowest_greys(boundary),
        boundary.darkest,
        boundary.lightest,
        *direction,
        out,
    )
    return out[:, 0], out[:, 1], out[:, 2]


def _lowest_greys(boundary: Boundary) -> NDArray[np.float64]:
    """Return for each hue the lightness below which no grey lies that colours move towards."""
    return np.maximum(boundary.lightness_of_richest - BELOW_RICHEST, boundary.darkest)


@inlined
def _ratio(
    L: float, C: float, h: float, grey: float, chroma: Floats, darkest: float, lightest: float
) -> float:
    """Return r of a colour of lightness L and chroma C, seen from a grey of its hue plane.

    The boundary is a line through the table's entries, interpolated between two hues; the crossing
    that is farthest from the grey counts.
    """
    hues, lightnesses = chroma.shape
    left = int(h)
    part = h - left
    left %= hues
    right = (left + 1) % hues
    step = (lightest - darkest) / (lightnesses - 1)
    farthest = 0.0
    C = max(C, 1e-6)  # a line straight up or down would miss the ends
    # The line goes up from the grey or level, so entries below it are not met.
    first = max(int((grey - darkest) / step) - 1, 0)
    below = chroma[left, first] * (1 - part) + chroma[right, first] * part
    # Which side of the line from the grey through the colour an entry is on.
    side_below = (darkest + first * step - grey) * C - below * (L - grey)
    for row in range(first + 1, lightnesses):
        here = chroma[left, row] * (1 - part) + chroma[right, row] * part
        lightness = darkest + row * step
        side = (lightness - grey) * C - here * (L - grey)
        if (side >= 0) != (side_below >= 0):
            share = side_below / (side_below - side)
            x = below + share * (here - below)
            y = lightness - step + share * step - grey
            along = x * C + y * (L - grey)
            farthest = max(farthest, along)
            if grey == L:  # a level line crosses once
                break
        below = here
        side_below = side
    length = C * C + (L - grey) * (L - grey)
    r = length / max(farthest, 1e-9)
    # where the boundary is hollow, or a hue as dark as black, the way to a dark grey leaves the
    # medium at once; what can be made at its own lightness stays all the same
    place = (L - darkest) / step
    row = min(int(place), lightnesses - 2)
    lower = chroma[left, row] * (1 - part) + chroma[right, row] * part
    upper = chroma[left, row + 1] * (1 - part) + chroma[right, row + 1] * part
    level = C / max(lower + (place - row) * (upper - lower), 1e-9)
    far = level * level * level * level
    held: float = min(r, level if level < 1 else far * far)
    return held


@inlined
def _lightness(L: float, darkest: float, lightest: float) -> float:
    """Return L, within the medium's; what is as dark as its darkest a hair above it.

    A line along the darkest entries themselves would cross none of them.
    """
    within: float = min(max(L, darkest + 1e-9), lightest)
    return within


@inlined
def _grey(L: float, C: float, h: float, others: float, blues: float, lowest: Floats) -> float:
    """Return the lightness of the grey that a colour moves towards."""
    away = abs((h - BLUES + 540) % 360 - 180)
    way = min(max((BLUES_END - away) / (BLUES_END - BLUES_WITHIN), 0.0), 1.0)
    darkening = others + (blues - others) * (way * way * (3 - 2 * way))
    left = int(h)
    part = h - left
    low = lowest[left % HUES] * (1 - part) + lowest[(left + 1) % HUES] * part
    grey: float = L - min(darkening * C, max(L - low, 0.0))
    return grey


@compiled(
    seen("f8", 2),
    seen("f8", 2),
    seen("f8", 1),
    number("f8"),
    number("f8"),
    number("f8"),
    number("f8"),
    made("f8", 2),
)
def _measure(
    oklab: Floats,
    chroma: Floats,
    lowest: Floats,
    darkest: float,
    lightest: float,
    others: float,
    blues: float,
    out: Floats,
) -> None:
    for colour in range(len(oklab)):
        L = _lightness(oklab[colour, 0], darkest, lightest)
        a, b = oklab[colour, 1], oklab[colour, 2]
        C = np.sqrt(a * a + b * b)
        h = np.degrees(np.arctan2(b, a)) % 360
        grey = _grey(L, C, h, others, blues, lowest)
        out[colour, 0] = _ratio(L, C, h, grey, chroma, darkest, lightest)
        out[colour, 1] = h
        out[colour, 2] = (L - darkest) / (lightest - darkest)


@inlined
def _own_reach(h: float, y: float, reach: Floats) -> float:
    """Return R at a hue in degrees and a lightness 0 … 1."""
    columns, rows = reach.shape
    x = (h * columns) / 360 - 0.5 + columns
    column = int(x)
    fx = x - column
    y = y * (rows - 1)
    row = min(int(y), rows - 2)
    fy = y - row
    one, other = column % columns, (column + 1) % columns
    lower = reach[one, row] * (1 - fx) + reach[other, row] * fx
    upper = reach[one, row + 1] * (1 - fx) + reach[other, row + 1] * fx
    between: float = lower * (1 - fy) + upper * fy
    return between


@inlined
def _kept(r: float, R: float, knee: float) -> float:
    """Return r' of a colour beyond the knee."""
    kept = min(r, 1.0)
    if R > 1:
        kept = knee + (min(r, R) - knee) * (1 - knee) / (R - knee)
    return kept


@compiled(seen("f4", 1), seen("f4", 1), seen("f4", 1), seen("f8", 2), number("f8"), made("f4", 1))
def _share(
    r: Floats, hue: Floats, lightness: Floats, reach: Floats, knee: float, out: Floats
) -> None:
    for colour in range(len(r)):
        out[colour] = 0.0
        if r[colour] > knee:
            own = _own_reach(np.float64(hue[colour]), np.float64(lightness[colour]), reach)
            kept = _kept(np.float64(r[colour]), own, knee)
            out[colour] = min(max((kept - knee) / (1 - knee), 0.0), 1.0)


@compiled(
    seen("f8", 2),
    seen("f8", 2),
    seen("f8", 1),
    seen("f8", 2),
    number("f8"),
    number("f8"),
    number("f8"),
    number("f8"),
    number("f8"),
    number("f8"),
    made("f8", 2),
)
def _move(
    oklab: Floats,
    chroma: Floats,
    lowest: Floats,
    reach: Floats,
    darkest: float,
    lightest: float,
    knee: float,
    others: float,
    blues: float,
    held: float,
    out: Floats,
) -> None:
    for colour in range(len(oklab)):
        L = _lightness(oklab[colour, 0], darkest, lightest)
        a, b = oklab[colour, 1], oklab[colour, 2]
        C = np.sqrt(a * a + b * b)
        h = np.degrees(np.arctan2(b, a)) % 360
        grey = _grey(L, C, h, others, blues, lowest)
        r = _ratio(L, C, h, grey, chroma, darkest, lightest)
        out[colour, 0], out[colour, 1], out[colour, 2] = L, a, b
        if r <= knee:
            continue
        kept = held
        if held == 0:
            y = (L - darkest) / (lightest - darkest)
            kept = _kept(r, _own_reach(h, y, reach), knee)
        scale = kept / r
        out[colour, 0] = grey + (L - grey) * scale
        out[colour, 1] = a * scale
        out[colour, 2] = b * scale
