"""Places in a picture that could be white or grey, grouped by the colour of their light.

Nobody can measure which of them is: a yellow wall in white light and a white one in yellow light
are the same to a camera. So they are only shown, with what the picture would become, and a person
decides.

References
----------
CIE 15:2004, 9.5: light that is called white lies near Planck's locus, within 0.05 of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour import D50_XYZ, Codes, Floats
from hotfolder_stages.reference.patches import DARK_END, LIGHT_END
from hotfolder_stages.reference.reduced import Space

LONG_EDGE = 300
"""Blocks along the longer edge, each of which is one candidate."""

MOST_GROUPS = 5
MOST_PLACES = 3
"""Of a group."""

_FLAT = 0.08
"""Spread of log light within a block, and to its neighbours, from which it is no even surface."""

_DARKEST = 0.02
"""Light below which a colour is mostly noise."""

_COOLEST_K, _WARMEST_K = 15000.0, 2200.0
_NEAR_PLANCK = 0.03
"""Distance in CIE 1976 u′v′ from Planck's locus beyond which no usual light is."""

_APART = 0.008
"""Distance in u′v′ of two groups: a difference that is seen at once."""

_FEWEST_SHARE = 0.0015
"""Of the picture's blocks that a group must have."""


@dataclass(frozen=True)
class Place:
    """An even surface."""

    at: tuple[float, float]
    """Its middle, as shares of width and height."""
    share: float
    """How much of the picture it is, 0 … 1."""
    xyz: Floats
    """Under D50, Y of the diffuser 1, as the picture has it."""


@dataclass(frozen=True)
class Group:
    """Places whose light would have the same colour, if they were white or grey."""

    uv: tuple[float, float]
    """In CIE 1976 u′v′."""
    share: float
    """How much of the picture has it, 0 … 1."""
    places: tuple[Place, ...]
    """The largest and lightest first."""


def find_whites(codes: Codes, space: Space) -> list[Group]:
    """Find places that could be white or grey, those that there is most of first.

    Parameters
    ----------
    codes
        Shape (3, rows, width), uint16, in `space`.
    """
    light, even = _blocks(codes, space)
    xyz = np.tensordot(space.to_xyz, light, axes=1)
    total = np.maximum(xyz[0] + 15 * xyz[1] + 3 * xyz[2], 1e-9)
    uv = np.stack([4 * xyz[0] / total, 9 * xyz[1] / total], axis=-1)
    possible = even & (xyz[1] > _DARKEST) & _near_planck(uv)
    if not possible.any():
        return []
    weight = np.where(possible, xyz[1] ** (1 / 3), 0.0)
    groups: list[Group] = []
    left = weight.copy()
    while len(groups) < MOST_GROUPS:
        peak = _find_peak(uv, left)
        if peak is None:
            break
        near = np.hypot(*(uv - peak).transpose(2, 0, 1)) < _APART
        left = np.where(near, 0.0, left)
        share = float((near & possible).mean())
        if share < _FEWEST_SHARE:
            break
        places = _list_places(near & possible, xyz)
        if places:
            groups.append(Group((float(peak[0]), float(peak[1])), share, places))
    return groups


def _blocks(codes: Codes, space: Space) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the light of blocks, shape (3, rows, columns), and which are even and unclipped."""
    _, height, width = codes.shape
    k = max(1, -(-max(height, width) // LONG_EDGE))
    rows, columns = max(1, height // k), max(1, width // k)
    part = codes[:, : rows * k, : columns * k]
    if part.shape[1] < rows * k or part.shape[2] < columns * k:
        k, rows, columns, part = 1, height, width, codes
    squares = np.ascontiguousarray(part).reshape(3, rows, k, columns, k)
    lowest, highest = squares.min(axis=(0, 2, 4)), squares.max(axis=(0, 2, 4))
    inside = (lowest > DARK_END * 65535) & (highest < LIGHT_END * 65535)
    light = space.light(squares.reshape(3, rows, -1)).reshape(squares.shape)
    mean = light.mean(axis=(2, 4), dtype=np.float64)
    spread = (light.std(axis=(2, 4), dtype=np.float64) / np.maximum(mean, 1e-4)).max(axis=0)
    log = np.log(np.maximum(mean, 1e-4))
    slope = np.zeros(spread.shape)
    for axis in (1, 2):
        if log.shape[axis] > 1:
            slope = np.maximum(slope, np.abs(np.gradient(log, axis=axis)).max(axis=0))
    return mean, np.asarray(inside & (spread < _FLAT) & (slope < _FLAT))


def _near_planck(uv: Floats) -> NDArray[np.bool_]:
    """Say which chromaticities a usual light has; the picture's white, D50, is one of them."""
    locus = _planck()
    ahead = np.diff(locus, axis=0)
    best = np.full(uv.shape[:2], np.inf)
    for start, step in zip(locus[:-1], ahead, strict=True):
        along = np.clip(((uv - start) @ step) / (step @ step), 0, 1)
        best = np.minimum(
            best, np.hypot(*(uv - start - along[..., None] * step).transpose(2, 0, 1))
        )
    return np.asarray(best < _NEAR_PLANCK)


def _planck() -> Floats:
    """Return Planck's locus from warm to cool, shape (n, 2), moved so that it meets D50."""
    from colour.temperature import CCT_to_uv_Ohno2013

    kelvin = 1e6 / np.linspace(1e6 / _WARMEST_K, 1e6 / _COOLEST_K, 24)
    uv = np.array([CCT_to_uv_Ohno2013((each, 0.0)) for each in kelvin]) * [1, 1.5]
    x, y, z = D50_XYZ
    white = np.array([4 * x, 9 * y]) / (x + 15 * y + 3 * z)
    at_d50 = np.array(CCT_to_uv_Ohno2013((5003.0, 0.0))) * [1, 1.5]
    return np.asarray(uv + white - at_d50)


def _find_peak(uv: Floats, weight: Floats) -> Floats | None:
    """Return the chromaticity that most of what is left has."""
    chosen = weight > 0
    if not chosen.any():
        return None
    side = _APART / 2
    cells = np.floor(uv[chosen] / side).astype(np.int64)
    keys, inverse = np.unique(cells, axis=0, return_inverse=True)
    sums = np.bincount(inverse.ravel(), weight[chosen])
    best = keys[np.argmax(sums)]
    around = (np.abs(cells - best) <= 1).all(axis=1)
    return np.asarray(np.average(uv[chosen][around], axis=0, weights=weight[chosen][around]))


def _list_places(chosen: NDArray[np.bool_], xyz: Floats) -> tuple[Place, ...]:
    from scipy import ndimage

    labels, number = ndimage.label(chosen)
    if number == 0:
        return ()
    sizes = np.bincount(labels.ravel(), minlength=number + 1).astype(np.float64)
    sums = np.bincount(labels.ravel(), np.maximum(xyz[1], 0).ravel(), minlength=number + 1)
    worth = np.sqrt(sizes) * (sums / np.maximum(sizes, 1)) ** (1 / 3)
    worth[0] = 0
    rows, columns = chosen.shape
    found = []
    for label in np.argsort(worth)[::-1][:MOST_PLACES].tolist():
        inside = labels == label
        if label == 0 or inside.sum() < 4:
            continue
        # the block that is farthest from the surface's edge
        depth = ndimage.distance_transform_edt(np.pad(inside, 1))[1:-1, 1:-1]
        y, x = np.unravel_index(int(np.argmax(depth)), depth.shape)
        found.append(
            Place(
                ((float(x) + 0.5) / columns, (float(y) + 0.5) / rows),
                float(inside.mean()),
                xyz[:, y, x].copy(),
            )
        )
    return tuple(found)
