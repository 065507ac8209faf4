"""Bring colours into a medium along their hue, so that neighbours stay apart.

Clipping takes all colours along a line to one: a red flower becomes a flat patch. Here a colour
moves towards a grey of its own hue plane in OKLab, and how far depends on how far the *picture*
goes beyond the medium at that hue and lightness. With r the colour's distance from the grey as a
share of the boundary's, R the picture's own largest r there and k = KNEE,

    r' = r                                  r ≤ k or R ≤ 1
    r' = k + (min(r, R) - k) (1 - k) / (R - k)   else

so what fits stays, up to the last twentieth, and what does not keeps its order. The grey lies at
the colour's own lightness, or, of colours far outside, nearer to that of the hue's most colourful
colour: see `DIRECTIONS`.

Compression against the picture's own gamut instead of its space's is the image-dependent form that
CIE 156:2004 (Guidelines for the evaluation of gamut mapping algorithms) sets beside the other; the
knee is that of SGCK there, narrower.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from hotfolder.colour.arrays import Floats
from hotfolder.colour.contrast import contrast_kept, local_contrast, where_unfit
from hotfolder.colour.gamut_boundary import HUES, Boundary
from hotfolder.colour.machine_code import compiled, inlined, made, number, seen
from hotfolder.colour.oklab import lab_to_oklab, oklab_to_lab
from hotfolder.colour.slabs import over_slabs

KNEE = 0.97
"""Share of the way to the boundary up to which nothing moves."""

DIRECTIONS = (0.0, 0.5)
"""How far a grey lies from a colour's own lightness to that of the hue's most colourful colour, for
colours that go far beyond the medium.

No one direction suits all pictures: at constant lightness (0), water and petals keep their drawing,
and a bird before a saturated ground bleaches, which keeps more with the other. So both are tried on
the reduced copy, and the one that keeps more local contrast where colours do not fit is taken."""

FAR = 1.3
"""r at constant lightness from which a colour begins to go by the direction; at 1 more, in full."""

ENOUGH = 0.97
"""Local contrast kept from which no other direction is tried: it would take as long again."""

REACH_HUES = 72
REACH_LIGHTNESSES = 16
REACH_PERCENTILE = 99.8
"""What of a picture may lie beyond its own reach, and is clipped."""

_FEWEST = 8
"""Colours of a part of hue and lightness below which it says nothing by itself."""

_FARTHEST_REACH = 4.0


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

    to_cusp: float = 0.0
    """The one of `DIRECTIONS` by which the picture keeps most."""

    def __eq__(self, other: object) -> bool:
        """Whether two pictures ask for the same; so that conversions can be kept by it."""
        return isinstance(other, Reach) and self._key == other._key

    def __hash__(self) -> int:
        return hash(self._key)

    @property
    def _key(self) -> tuple[bytes, float]:
        return self.table.tobytes(), self.to_cusp

    @property
    def sha256(self) -> str:
        """Hash of the table to six digits, by which a record says which one it was."""
        said = np.append(np.round(self.table, 6), self.to_cusp)
        return hashlib.sha256(said.tobytes()).hexdigest()


def reach_of(boundary: Boundary, wanted: Floats) -> Reach:
    """Measure how far a picture goes beyond a medium, on a reduced copy of it.

    Parameters
    ----------
    wanted
        Shape (rows, width, 3): the picture's colours, L*a*b* relative to the medium's white, black
        point compensation applied; some 100,000 are enough. Shape (n, 3): colours that are in no
        order, of which no direction is tried but the first.
    """
    flat = np.ascontiguousarray(wanted.reshape(-1, 3), np.float64)
    oklab = lab_to_oklab(flat)
    first = _table_of(boundary, oklab, DIRECTIONS[0])
    if wanted.ndim == 2 or (first.table == 1).all():
        return first
    before = local_contrast(wanted[None])
    unfit = _ratios(boundary, oklab, DIRECTIONS[0])[0] > 1
    where = where_unfit(before, unfit.reshape(before.shape))

    def kept(reach: Reach) -> float:
        after = local_contrast(bring_in(boundary, reach, flat).reshape(1, *wanted.shape))
        return contrast_kept(before, after, where)

    best, most = first, kept(first)
    for direction in DIRECTIONS[1:]:
        if most >= ENOUGH:
            break
        reach = _table_of(boundary, oklab, direction)
        if kept(reach) > most:
            best, most = reach, kept(reach)
    return best


def _table_of(boundary: Boundary, oklab: Floats, to_cusp: float) -> Reach:
    """Measure the reach in one direction."""
    r, hue, lightness = _ratios(boundary, oklab, to_cusp)
    column = np.floor(hue * (REACH_HUES / HUES)).astype(int) % REACH_HUES
    row = np.rint(lightness * (REACH_LIGHTNESSES - 1)).astype(int)
    part = column * REACH_LIGHTNESSES + np.clip(row, 0, REACH_LIGHTNESSES - 1)
    order = np.argsort(part, kind="stable")
    counts = np.bincount(part, minlength=REACH_HUES * REACH_LIGHTNESSES)
    reaches = np.ones(REACH_HUES * REACH_LIGHTNESSES)
    for index, colours in enumerate(np.split(r[order], np.cumsum(counts)[:-1])):
        if len(colours) >= _FEWEST:
            reaches[index] = max(1.0, float(np.percentile(colours, REACH_PERCENTILE)))
    table = reaches.reshape(REACH_HUES, REACH_LIGHTNESSES)
    # From part to part without a jump. The largest of the parts around would take more of a
    # picture in than it needs: mean ΔE00 a tenth higher, and no more contrast kept.
    smooth = scipy.ndimage.gaussian_filter(table, (1, 0.7), mode=("wrap", "nearest"))
    smooth[:, [0, -1]] = 1.0  # white stays white, and black black
    return Reach(np.clip(smooth, 1.0, _FARTHEST_REACH), to_cusp)


def bring_in(boundary: Boundary, reach: Reach, wanted: Floats) -> NDArray[np.float64]:
    """Move colours into a medium.

    Parameters
    ----------
    wanted
        Shape (n, 3): as `reach_of` takes it.

    Returns
    -------
    float64, shape (n, 3): L*a*b*.
    """
    oklab = lab_to_oklab(wanted)
    out = np.empty_like(oklab)

    def work(start: int, stop: int) -> None:
        _move(
            oklab[start:stop],
            boundary.chroma,
            boundary.cusps,
            reach.table,
            boundary.darkest,
            boundary.lightest,
            KNEE,
            reach.to_cusp,
            out[start:stop],
        )

    over_slabs(work, len(oklab), 1, worth_a_thread=10_000)
    # what stays is what it was to the last bit, not what comes back from another space
    return np.where((out == oklab).all(axis=-1, keepdims=True), wanted, oklab_to_lab(out))


def find_unmoved(boundary: Boundary, wanted: Floats, to_cusp: float) -> NDArray[np.bool_]:
    """Say which colours `bring_in` leaves as they are, however far a picture goes.

    Parameters
    ----------
    wanted
        Shape (n, 3): as `reach_of` takes it.
    to_cusp
        The direction of its reach.

    Returns
    -------
    Shape (n,).
    """
    oklab = lab_to_oklab(wanted)
    parts = over_slabs(
        lambda start, stop: _ratios(boundary, oklab[start:stop], to_cusp)[0],
        len(oklab),
        1,
        worth_a_thread=10_000,
    )
    is_between = (oklab[:, 0] >= boundary.darkest) & (oklab[:, 0] <= boundary.lightest)
    return np.asarray(is_between & (np.concatenate(parts) <= KNEE))


def _ratios(boundary: Boundary, oklab: Floats, to_cusp: float) -> tuple[Floats, Floats, Floats]:
    """Return r, hue in degrees, and lightness as 0 … 1 from the medium's darkest to lightest."""
    out = np.empty((len(oklab), 3))
    _measure(
        np.ascontiguousarray(oklab),
        boundary.chroma,
        boundary.cusps,
        boundary.darkest,
        boundary.lightest,
        to_cusp,
        out,
    )
    return out[:, 0], out[:, 1], out[:, 2]


@inlined
def _ratio(L: Any, C: Any, h: Any, grey: Any, chroma: Any, darkest: Any, lightest: Any) -> Any:
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
    below = 0.0
    C = max(C, 1e-6)  # a line straight up or down would miss the ends
    # Which side of the line from the grey through the colour an entry is on.
    side_below = (darkest - grey) * C
    for row in range(1, lightnesses):
        here = chroma[left, row] * (1 - part) + chroma[right, row] * part
        lightness = darkest + row * step
        side = (lightness - grey) * C - here * (L - grey)
        if (side >= 0) != (side_below >= 0):
            share = side_below / (side_below - side)
            x = below + share * (here - below)
            y = lightness - step + share * step - grey
            along = x * C + y * (L - grey)
            farthest = max(farthest, along)
        below = here
        side_below = side
    length = C * C + (L - grey) * (L - grey)
    return length / max(farthest, 1e-9)


@inlined
def _grey(
    L: Any,
    C: Any,
    h: Any,
    to_cusp: Any,
    cusps: Any,
    chroma: Any,
    darkest: Any,
    lightest: Any,
) -> Any:
    """Return the lightness of the grey that a colour moves towards."""
    if to_cusp == 0:
        return L
    far = _ratio(L, C, h, L, chroma, darkest, lightest)
    left = int(h)
    cusp = cusps[left % 360] * (1 - h + left) + cusps[(left + 1) % 360] * (h - left)
    return L + to_cusp * min(max(far - FAR, 0.0), 1.0) * (cusp - L)


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
    oklab: Any, chroma: Any, cusps: Any, darkest: Any, lightest: Any, to_cusp: Any, out: Any
) -> None:
    for colour in range(len(oklab)):
        L = min(max(oklab[colour, 0], darkest), lightest)
        a, b = oklab[colour, 1], oklab[colour, 2]
        C = np.sqrt(a * a + b * b)
        h = np.degrees(np.arctan2(b, a)) % 360
        grey = _grey(L, C, h, to_cusp, cusps, chroma, darkest, lightest)
        out[colour, 0] = _ratio(L, C, h, grey, chroma, darkest, lightest)
        out[colour, 1] = h
        out[colour, 2] = (L - darkest) / (lightest - darkest)


@compiled(
    seen("f8", 2),
    seen("f8", 2),
    seen("f8", 1),
    seen("f8", 2),
    number("f8"),
    number("f8"),
    number("f8"),
    number("f8"),
    made("f8", 2),
)
def _move(
    oklab: Any,
    chroma: Any,
    cusps: Any,
    reach: Any,
    darkest: Any,
    lightest: Any,
    knee: Any,
    to_cusp: Any,
    out: Any,
) -> None:
    columns, rows = reach.shape
    for colour in range(len(oklab)):
        L = min(max(oklab[colour, 0], darkest), lightest)
        a, b = oklab[colour, 1], oklab[colour, 2]
        C = np.sqrt(a * a + b * b)
        h = np.degrees(np.arctan2(b, a)) % 360
        grey = _grey(L, C, h, to_cusp, cusps, chroma, darkest, lightest)
        r = _ratio(L, C, h, grey, chroma, darkest, lightest)
        out[colour, 0], out[colour, 1], out[colour, 2] = L, a, b
        if r <= knee:
            continue
        x = (h * columns) / 360 - 0.5 + columns
        column = int(x)
        fx = x - column
        y = (L - darkest) / (lightest - darkest) * (rows - 1)
        row = min(int(y), rows - 2)
        fy = y - row
        one, other = column % columns, (column + 1) % columns
        lower = reach[one, row] * (1 - fx) + reach[other, row] * fx
        upper = reach[one, row + 1] * (1 - fx) + reach[other, row + 1] * fx
        R = lower * (1 - fy) + upper * fy
        kept = min(r, 1.0)
        if R > 1:
            kept = knee + (min(r, R) - knee) * (1 - knee) / (R - knee)
        scale = kept / r
        out[colour, 0] = grey + (L - grey) * scale
        out[colour, 1] = a * scale
        out[colour, 2] = b * scale
