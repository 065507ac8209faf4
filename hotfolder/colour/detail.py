"""Bring colours into a medium along their hue, so that neighbours stay apart.

Clipping takes all colours along a line to one: a red flower becomes a flat patch. Here a colour
moves towards a grey of its own hue plane in OKLab, and how far depends on how far the *picture*
goes beyond the medium at that hue and lightness. With r the colour's distance from the grey as a
share of the boundary's, R the picture's own largest r there and k = KNEE,

    r' = r                                  r ≤ k or R ≤ 1
    r' = k + (min(r, R) - k) (1 - k) / (R - k)   else

so what fits stays, up to the last sixtieth, and what does not keeps its order. The grey lies at
the colour's own lightness or below, the deeper the more colour there is (see `DARKENINGS`), up to
what the medium has of it (see `DEEPEST`).

Compression against the picture's own gamut instead of its space's is the image-dependent form that
CIE 156:2004 (Guidelines for the evaluation of gamut mapping algorithms) sets beside the other; the
knee is that of SGCK there, narrower.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field

import numpy as np
import scipy
from numpy.typing import NDArray

from hotfolder.colour.arrays import Floats
from hotfolder.colour.contrast import contrast_kept, local_contrast, where_unfit
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.gamut_boundary import HUES, Boundary
from hotfolder.colour.machine_code import compiled, inlined, made, number, seen
from hotfolder.colour.oklab import oklab_to_lab, real_oklab
from hotfolder.colour.slabs import over_slabs

KNEE = 0.985
"""Share of the way to the boundary up to which nothing moves.

Over the photographs of `tests/benchmarks/renderings.py`, the mean falls from 0.96 to 0.999 by 3 to
5 % on each medium and contrast rises by less than 0.001, since what keeps drawing is mostly the
direction. What is left of the way keeps smooth ramps apart, which photographs have few of."""

DARKENINGS = (0.0, 0.3, 0.6, 1.0, 1.4)
"""How far below a colour's own lightness its grey lies, as a multiple of its chroma, in OKLab.

No one direction suits all pictures. At constant lightness (0) water, leaves and petals in one light
keep their drawing. Where a picture is drawn by chroma, as a red flower is, that takes all of it to
one colour, and bleaches it; on the way to a darker grey the richer of two colours becomes the
darker. All are tried on a copy of the picture, and the best is taken: see `CONTRAST_WEIGHT`. Twice
as many kept no more contrast over the photographs. With 1.7 in place of 1.4, 0.003 more was kept of
copies of 15,000 pixels and 0.005 less of such of 60,000."""

CONTRAST_WEIGHT = 40.0
"""ΔE00 that a picture which has lost all its local contrast is as bad as: a direction's score is
mean ΔE00 + CONTRAST_WEIGHT · (share that does not fit) · (1 - contrast kept there). Twice what
least loss weighs it by: whoever asks for detail wants it. Chosen by measurement, so that 0.95 is
kept, on average over three media, of the photographs of `tests/benchmarks/renderings.py`, at a mean
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

DEEPEST = 1.05
"""How far below a colour its grey lies at most, as a multiple of the chroma of the medium's richest
colour of the hue. A colour far beyond the medium lies so that a line of its own steepness meets the
boundary beside black alone, if at all: bright blues of a wide space became black, 48 ΔE00 off. Now
none on the edges of BT.2020 becomes more than 25 L* darker. It costs contrast: without a bound
0.948, 0.968 and 0.954 of it was kept on three media over the thirteen photographs of
`tests/benchmarks/renderings.py`, in place of 0.939, 0.964 and 0.946. With 1.15, 0.002 more is kept,
and blues on their way to white have steps again."""


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

    darkening: float = 0.0
    """The one of `DARKENINGS` that suits the picture best."""

    def __eq__(self, other: object) -> bool:
        """Whether two pictures ask for the same; so that conversions can be kept by it."""
        return isinstance(other, Reach) and self._key == other._key

    def __hash__(self) -> int:
        return hash(self._key)

    @property
    def _key(self) -> tuple[bytes, float]:
        return self.table.tobytes(), self.darkening

    @property
    def sha256(self) -> str:
        """Hash of table and direction, by which a record says which one it was."""
        said = np.append(np.round(self.table, 6), self.darkening)
        return hashlib.sha256(said.tobytes()).hexdigest()


def reach_of(boundary: Boundary, wanted: Floats) -> Reach:
    """Measure how far a picture goes beyond a medium, on a reduced copy of it.

    Parameters
    ----------
    wanted
        Shape (rows, width, 3): the picture's colours, L*a*b* relative to the medium's white, black
        point compensation applied; some 20,000 are enough. Shape (n, 3): colours that are in no
        order, of which no direction is tried but the first.
    """
    if wanted.ndim == 2:
        return _table_of(boundary, real_oklab(wanted), DARKENINGS[0])
    darkening = _best_direction(boundary, wanted)
    return _table_of(boundary, real_oklab(wanted.reshape(-1, 3)), darkening)


def _best_direction(boundary: Boundary, wanted: Floats) -> float:
    """Try all directions on a picture, shape (rows, width, 3), L*a*b*."""
    flat = np.ascontiguousarray(wanted.reshape(-1, 3), np.float64)
    oklab = real_oklab(flat)
    unfit = _ratios(boundary, oklab, DARKENINGS[0])[0] > 1
    if not unfit.any():
        return DARKENINGS[0]
    before = local_contrast(wanted[None])
    where = where_unfit(before, unfit.reshape(before.shape))

    def score(darkening: float) -> float:
        made = bring_in(boundary, _table_of(boundary, oklab, darkening), flat)
        moved = np.flatnonzero((made != flat).any(axis=-1))
        off = float(delta_e_00(flat[moved], made[moved]).sum()) / len(flat)
        kept = contrast_kept(before, local_contrast(made.reshape(1, *wanted.shape)), where)
        lost = CONTRAST_WEIGHT * float(unfit.mean()) * (1 - kept)
        return off + lost

    return min(DARKENINGS, key=score)


def _table_of(boundary: Boundary, oklab: Floats, darkening: float) -> Reach:
    """Measure the reach in one direction."""
    r, hue, lightness = _ratios(boundary, oklab, darkening)
    column = np.floor(hue * (REACH_HUES / HUES)).astype(int) % REACH_HUES
    row = np.rint(lightness * (REACH_LIGHTNESSES - 1)).astype(int)
    part = column * REACH_LIGHTNESSES + np.clip(row, 0, REACH_LIGHTNESSES - 1)
    # parts in which all fits reach no further than that, and are most of a picture
    counts = np.bincount(part[r > 1], minlength=REACH_HUES * REACH_LIGHTNESSES)
    goes_beyond = (counts > 0)[part]
    r, part = r[goes_beyond], part[goes_beyond]
    if not len(r):
        return Reach(darkening=darkening)
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
    return Reach(np.clip(smooth, 1.0, _FARTHEST_REACH), darkening)


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
    oklab = real_oklab(wanted)
    out = np.empty_like(oklab)

    def work(start: int, stop: int) -> None:
        _move(
            oklab[start:stop],
            boundary.chroma,
            boundary.richest,
            reach.table,
            boundary.darkest,
            boundary.lightest,
            KNEE,
            reach.darkening,
            held,
            out[start:stop],
        )

    over_slabs(work, len(oklab), 1, worth_a_thread=10_000)
    # what stays is what it was to the last bit, not what comes back from another space
    moved = np.flatnonzero((out != oklab).any(axis=-1))
    made = np.array(wanted, np.float64)
    made[moved] = oklab_to_lab(out[moved])
    return made


def find_unmoved(
    boundary: Boundary, wanted: Floats, darkening: float, *, most: float = KNEE
) -> NDArray[np.bool_]:
    """Say which colours `bring_in` leaves as they are, however far a picture goes.

    Parameters
    ----------
    wanted
        Shape (n, 3): as `reach_of` takes it.
    darkening
        The direction of its reach.
    most
        Share of the way to the boundary; less, to be sure of what lies around a colour.

    Returns
    -------
    Shape (n,).
    """
    oklab = real_oklab(wanted)
    parts = over_slabs(
        lambda start, stop: _ratios(boundary, oklab[start:stop], darkening)[0],
        len(oklab),
        1,
        worth_a_thread=10_000,
    )
    is_between = (oklab[:, 0] >= boundary.darkest) & (oklab[:, 0] <= boundary.lightest)
    return np.asarray(is_between & (np.concatenate(parts) <= most))


def find_places(
    boundary: Boundary, wanted: Floats, darkening: float
) -> tuple[Floats, Floats, Floats]:
    """Say where colours lie against a medium's boundary.

    Parameters
    ----------
    wanted, darkening
        As `find_unmoved` takes them.

    Returns
    -------
    r, hue in degrees, and lightness as 0 … 1 from the medium's darkest to its lightest: shape (n,)
    each.
    """
    return _ratios(boundary, real_oklab(wanted), darkening)


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


def _ratios(boundary: Boundary, oklab: Floats, darkening: float) -> tuple[Floats, Floats, Floats]:
    """Return r, hue in degrees, and lightness as 0 … 1 from the medium's darkest to lightest."""
    out = np.empty((len(oklab), 3))
    _measure(
        np.ascontiguousarray(oklab),
        boundary.chroma,
        boundary.richest,
        boundary.darkest,
        boundary.lightest,
        darkening,
        out,
    )
    return out[:, 0], out[:, 1], out[:, 2]


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
def _grey(L: float, C: float, h: float, darkening: float, richest: Floats, darkest: float) -> float:
    """Return the lightness of the grey that a colour moves towards."""
    left = int(h)
    part = h - left
    most = richest[left % HUES] * (1 - part) + richest[(left + 1) % HUES] * part
    grey: float = max(L - min(darkening * C, DEEPEST * most), darkest)
    return grey


@compiled(
    seen("f8", 2),
    seen("f8", 2),
    seen("f8", 1),
    number("f8"),
    number("f8"),
    number("f8"),
    made("f8", 2),
)
def _measure(
    oklab: Floats,
    chroma: Floats,
    richest: Floats,
    darkest: float,
    lightest: float,
    darkening: float,
    out: Floats,
) -> None:
    for colour in range(len(oklab)):
        L = _lightness(oklab[colour, 0], darkest, lightest)
        a, b = oklab[colour, 1], oklab[colour, 2]
        C = np.sqrt(a * a + b * b)
        h = np.degrees(np.arctan2(b, a)) % 360
        grey = _grey(L, C, h, darkening, richest, darkest)
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
    made("f8", 2),
)
def _move(
    oklab: Floats,
    chroma: Floats,
    richest: Floats,
    reach: Floats,
    darkest: float,
    lightest: float,
    knee: float,
    darkening: float,
    held: float,
    out: Floats,
) -> None:
    for colour in range(len(oklab)):
        L = _lightness(oklab[colour, 0], darkest, lightest)
        a, b = oklab[colour, 1], oklab[colour, 2]
        C = np.sqrt(a * a + b * b)
        h = np.degrees(np.arctan2(b, a)) % 360
        grey = _grey(L, C, h, darkening, richest, darkest)
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
