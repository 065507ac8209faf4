"""How colourful a medium can be, by hue and lightness, in OKLab.

Sheets of device values, two channels running and the others held, are laid through the device's
whole space, and the triangles of their colours are drawn onto a table of hue and lightness; the
largest chroma stays. Of four inks the held ones take several values, and no sheet goes above the
ink limit, so that what black adds to the boundary and what the limit takes from it are both in.
Every entry can be made; between sheets it stays a little inside.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from itertools import combinations, product

import numpy as np
import scipy
from numpy.typing import NDArray

from hotfolder.colour.arrays import Floats
from hotfolder.colour.engine import to_lab
from hotfolder.colour.kept_points import arrays_for
from hotfolder.colour.machine_code import compiled, made, number, seen
from hotfolder.colour.medium import largest_ink_sum
from hotfolder.colour.oklab import lab_to_oklab
from hotfolder.colour.profile import Profile
from hotfolder.colour.slabs import over_slabs
from hotfolder.model.encoding import Encoding

HUES = 360
"""Entries round the circle, at whole degrees."""

LIGHTNESSES = 65
"""Entries from the darkest colour to the lightest."""

_SMOOTH_HUES = 5.0
_SHEET_SIDE = {3: 65, 4: 25}
_HELD = {3: (0.0, 1.0), 4: (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)}


@dataclass(frozen=True, eq=False)
class Boundary:
    """Largest chroma of a medium."""

    chroma: NDArray[np.float64] = field(repr=False)
    """OKLab, shape (HUES, LIGHTNESSES); 0 at the light end."""

    darkest: float
    """OKLab lightness of the first entry."""

    lightest: float
    """OKLab lightness of the last entry."""

    @cached_property
    def lightness_of_richest(self) -> NDArray[np.float64]:
        """OKLab lightness at which a hue has its largest chroma, shape (HUES,).

        From hue to hue without a step, also where two lightnesses have nearly the same chroma.
        """
        steps = np.linspace(self.darkest, self.lightest, self.chroma.shape[1])
        found = steps[self.chroma.argmax(axis=1)]
        smooth: NDArray[np.float64]
        smooth = scipy.ndimage.gaussian_filter1d(found, _SMOOTH_HUES, mode="wrap")
        return smooth


@lru_cache(maxsize=8)
def boundary_of(profile: Profile, ink_limit: float | None = None) -> Boundary:
    """Compute the boundary of an RGB or CMYK medium.

    Parameters
    ----------
    ink_limit
        As `hotfolder.colour.medium.nearest` takes it.

    Raises
    ------
    ValueError
        For a device with one channel, which has no hues.
    """
    channels = profile.encoding.channels
    if channels not in _HELD:
        raise ValueError(f"{profile.description} has {channels} channel and no hues")
    kept = arrays_for(
        "boundary",
        {"profile": profile, "ink limit": ink_limit},
        lambda: _compute(profile, ink_limit),
    )
    darkest, lightest = map(float, kept["range"])
    return Boundary(kept["chroma"], darkest, lightest)


def _compute(profile: Profile, ink_limit: float | None) -> dict[str, NDArray[np.float64]]:
    device = _sheets(profile.encoding.channels)
    if profile.encoding is Encoding.CMYK:
        most = largest_ink_sum(profile) if ink_limit is None else ink_limit
        # Black stays, and the colours are thinned to what is left: the darkest there is.
        room = np.maximum(most - device[..., 3], 0)
        inks = device[..., :3].sum(axis=-1)
        device[..., :3] *= np.minimum(1, room / np.maximum(inks, 1e-9))[..., None]
    codes = np.rint(device.reshape(-1, profile.encoding.channels) * 65535).astype(np.uint16)
    parts = over_slabs(
        lambda start, stop: lab_to_oklab(to_lab(profile, codes[start:stop])),
        len(codes),
        1,
        worth_a_thread=20_000,
    )
    oklab = np.concatenate(parts)
    darkest, lightest = float(oklab[:, 0].min()), float(oklab[:, 0].max())
    table = np.zeros((HUES, LIGHTNESSES))
    rows = np.ascontiguousarray(oklab.reshape(-1, 3))
    _draw(rows, _SHEET_SIDE[profile.encoding.channels], darkest, lightest, table)
    table[:, 0] = table[:, -1] = 0
    _close(table)
    return {"chroma": table, "range": np.array([darkest, lightest])}


def _close(table: NDArray[np.float64]) -> None:
    """Fill what no triangle met, and stand the boundary on what lies above its darkest entry.

    Near white and black triangles lie about the grey axis and cannot be drawn by hue; and where a
    black has a hue, greys a little lighter cannot be made. What is 0 there would take all colour
    from pastels and shadows that can be made, or nearly. And the darkest colour of a blue is as
    dark as black: no line towards black would meet the boundary of such a hue.
    """
    rows = np.arange(table.shape[1])
    for of_hue in table:
        met = np.flatnonzero(of_hue)
        known = np.concatenate([[0], met, [rows[-1]]])
        of_hue[:] = np.interp(rows, known, of_hue[known])
    table[:, 0] = table[:, 1]


def _sheets(channels: int) -> NDArray[np.float64]:
    """Lay sheets of device values: shape (sheets, side, side, channels)."""
    side = np.linspace(0, 1, _SHEET_SIDE[channels])
    u, v = np.meshgrid(side, side, indexing="ij")
    sheets = []
    for running in combinations(range(channels), 2):
        held = [channel for channel in range(channels) if channel not in running]
        for values in product(_HELD[channels], repeat=len(held)):
            sheet = np.empty((len(side), len(side), channels))
            sheet[..., running[0]], sheet[..., running[1]] = u, v
            sheet[..., held] = values
            sheets.append(sheet)
    return np.stack(sheets)


@compiled(seen("f8", 2), number("i8"), number("f8"), number("f8"), made("f8", 2))
def _draw(oklab: Floats, side: int, darkest: float, lightest: float, table: Floats) -> None:
    """Draw the triangles of all sheets onto hue and lightness; the largest chroma stays."""
    hues, lightnesses = table.shape
    to_row = (lightnesses - 1) / (lightest - darkest)
    to_hue = hues / (2 * np.pi)
    corner = np.empty(3, np.int64)
    h = np.empty(3)
    L = np.empty(3)
    C = np.empty(3)
    for sheet in range(len(oklab) // (side * side)):
        for row in range(side - 1):
            for column in range(side - 1):
                first = (sheet * side + row) * side + column
                for half in range(2):
                    corner[0] = first
                    corner[1] = first + (side if half else 1)
                    corner[2] = first + side + 1
                    for one in range(3):
                        a, b = oklab[corner[one], 1], oklab[corner[one], 2]
                        L[one] = (oklab[corner[one], 0] - darkest) * to_row
                        C[one] = np.sqrt(a * a + b * b)
                        h[one] = np.arctan2(b, a) * to_hue
                        if one:  # the way round that is shorter
                            h[one] -= hues * np.rint((h[one] - h[0]) / hues)
                    area = (h[1] - h[0]) * (L[2] - L[0]) - (h[2] - h[0]) * (L[1] - L[0])
                    if abs(area) < 1e-12:
                        continue
                    low, high = min(h[0], h[1], h[2]), max(h[0], h[1], h[2])
                    if high - low > hues / 3:  # it lies about the grey axis
                        continue
                    bottom, top = min(L[0], L[1], L[2]), max(L[0], L[1], L[2])
                    for at_hue in range(int(np.ceil(low)), int(np.floor(high)) + 1):
                        for at_row in range(int(np.ceil(bottom)), int(np.floor(top)) + 1):
                            x, y = at_hue - h[0], at_row - L[0]
                            w1 = (x * (L[2] - L[0]) - (h[2] - h[0]) * y) / area
                            w2 = ((h[1] - h[0]) * y - x * (L[1] - L[0])) / area
                            if w1 < -1e-9 or w2 < -1e-9 or w1 + w2 > 1 + 1e-9:
                                continue
                            chroma = C[0] + w1 * (C[1] - C[0]) + w2 * (C[2] - C[0])
                            at = at_hue % hues
                            if 0 <= at_row < lightnesses and chroma > table[at, at_row]:
                                table[at, at_row] = chroma
