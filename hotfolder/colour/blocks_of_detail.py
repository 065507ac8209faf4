"""What the rendering detail knows of parts of the space for any picture, so that little is left.

Detail moves what lies beyond the knee, and how far depends on the picture; in which direction, on
one of few numbers. Blocks of colours that lie below the knee, most of those that a picture uses,
are those of refined. Of the others two answers are kept for each point, at both ends of the
way that a picture's reach can take it, from the knee to the boundary: 1.5 % of a colour's distance
from grey. Where on it the point comes to lie is then a matter of its reach alone, and its device
values are taken in a straight line. They are off by 0.002 to 0.008 ΔE00 on average over thirteen
photographs on three media, and 0.14 at most.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Codes, Floats, Indices
from hotfolder.colour.detail import (
    KNEE,
    Reach,
    bring_in,
    find_places,
    find_shares,
    find_unmoved,
)
from hotfolder.colour.gamut_boundary import boundary_of
from hotfolder.colour.grid import ERRORS, Grid, list_neutrals
from hotfolder.colour.kept_points import KeptBlocks, Row, arrays_for
from hotfolder.colour.patchwork import POINTS
from hotfolder.colour.rendering import Refined, separate

SURELY_UNMOVED = 0.98
"""Share of the way to the boundary up to which every second point of a block may lie, where none
of its colours moves: of all 32768 blocks of sRGB on three media, in every direction, none has then
another point beyond the knee. It stays that of refined."""

_UNMOVED = "unmoved"
_AT_KNEE, _AT_BOUNDARY = "at the knee", "at the boundary"
_PLACES = ("r", "hue", "lightness")


class BlocksOfDetail:
    """What detail knows of blocks; a `hotfolder.colour.patchwork.KnownBlocks`.

    Parameters
    ----------
    refined
        To the same medium, with the same black.
    grid
        Its grid.
    reach
        Of the picture.
    row
        `POINTS` of a block: type and shape.
    count
        Blocks of the space.
    """

    def __init__(self, refined: Refined, grid: Grid, reach: Reach, row: Row, count: int) -> None:
        self._refined, self._grid, self._reach = refined, grid, reach
        self._depends: dict[str, object] = {
            "source": refined.source,
            "medium": refined.medium,
            "black point compensation": refined.black_point_compensation,
            "depth": refined.depth,
            "direction": reach.direction.others,
            "direction of blues": reach.direction.blues,
        }
        self._kept = KeptBlocks(_UNMOVED, self._depends, count, {_UNMOVED: ("|u1", ())})
        self._is_unmoved = np.zeros(count, np.bool_)
        self._is_told = np.zeros(count, np.bool_)
        _, (points, self._outputs) = row
        self._rows: dict[str, Row] = {_AT_KNEE: row, _AT_BOUNDARY: row}
        self._rows |= dict.fromkeys(_PLACES, ("<f4", (points,)))
        self._ways = KeptBlocks("ways of detail", self._depends, count, self._rows)

    def knows(self, name: str, blocks: Indices) -> NDArray[np.bool_]:
        """Say of which blocks points or errors are known: points of all, errors of refined's."""
        fresh = blocks[~self._is_told[blocks]]
        if fresh.size:
            is_kept = self._kept.knows(_UNMOVED, fresh)
            kept, left = fresh[is_kept], fresh[~is_kept]
            self._is_unmoved[kept] = self._kept.take(_UNMOVED, kept)
            if left.size:
                stays = self._grid.over_points(left, self._surely_stays, every=2)
                found = np.asarray(stays.all(axis=1))
                self._is_unmoved[left] = found
                self._kept.note(_UNMOVED, left, found)
            self._is_told[fresh] = True
        if name == POINTS:
            return np.ones(len(blocks), np.bool_)
        return np.asarray(self._is_unmoved[blocks])

    def take(self, name: str, blocks: Indices) -> NDArray[Any]:
        """Return points or errors of blocks of which they are known."""
        of: dict[str, Callable[[Indices], Codes | Floats]]
        of = {POINTS: self._points, ERRORS: self._grid.errors}
        return of[name](blocks)

    def note(self, name: str, blocks: Indices, values: NDArray[Any]) -> None:
        """Note nothing: the errors that detail measures are of one picture."""

    def convert_neutrals(self, own: Refined, of_refined: Codes) -> Codes:
        """Convert all neutrals by `own`, a detail, where that moves them."""
        greys = list_neutrals()
        kept = arrays_for(
            "unmoved neutrals", self._depends, lambda: {"stays": self._stays(greys).astype("|u1")}
        )
        moved = np.flatnonzero(kept["stays"] == 0)
        made = np.array(of_refined)
        made[moved] = own.convert(greys[moved])
        return made

    def _surely_stays(self, codes: Codes) -> NDArray[np.bool_]:
        return self._stays(codes, most=SURELY_UNMOVED)

    def _stays(self, codes: Codes, most: float = KNEE) -> NDArray[np.bool_]:
        boundary, aims = boundary_of(self._refined.medium), self._refined.aim(codes)
        return find_unmoved(boundary, aims, self._reach.direction, most=most)

    def _points(self, blocks: Indices) -> Codes:
        _, (points, outputs) = self._rows[_AT_KNEE]
        found = np.empty((len(blocks), points, outputs), np.uint16)
        stays = self._is_unmoved[blocks]
        if stays.any():
            found[stays] = self._grid.points(blocks[stays])
        if not stays.all():
            found[~stays] = self._brought_in(blocks[~stays])
        return found

    def _brought_in(self, blocks: Indices) -> Codes:
        """Return the points of blocks that move at least in part."""
        is_kept = self._ways.knows(_AT_KNEE, blocks)
        rows = {
            name: np.empty((len(blocks), *shape), kind)
            for name, (kind, shape) in self._rows.items()
        }
        for name, row in rows.items():
            row[is_kept] = self._ways.take(name, blocks[is_kept])
        left = blocks[~is_kept]
        if left.size:
            computed = np.split(
                self._grid.over_points(left, self._ends_of),
                [self._outputs, 2 * self._outputs, *np.arange(1, 3) + 2 * self._outputs],
                axis=-1,
            )
            for (name, row), values in zip(rows.items(), computed, strict=True):
                row[~is_kept] = values.reshape(len(left), *row.shape[1:])
                self._ways.note(name, left, row[~is_kept])
        share = find_shares(self._reach, *(rows[name].reshape(-1) for name in _PLACES))
        inner, outer = (rows[name].astype(np.float32) for name in (_AT_KNEE, _AT_BOUNDARY))
        inner += (outer - inner) * share.reshape(*inner.shape[:2], 1)
        return np.rint(inner).astype(np.uint16)

    def _ends_of(self, codes: Codes) -> Floats:
        """Compute both ends of the ways of colours, and where they lie: shape (n, lanes)."""
        refined, direction = self._refined, Reach(direction=self._reach.direction)
        medium, boundary = refined.medium, boundary_of(refined.medium)
        wanted = refined.aim(codes)
        places = np.stack(find_places(boundary, wanted, direction.direction), axis=-1)
        places = places.astype(np.float32)
        moves = np.flatnonzero(places[:, 0] > np.float32(KNEE))
        aims = [
            bring_in(boundary, direction, wanted, held=KNEE),
            bring_in(boundary, direction, wanted[moves], held=1.0),
        ]
        device = separate(medium, np.concatenate(aims))  # a call of the engine costs as thousands
        inner, outer = device[: len(wanted)], np.array(device[: len(wanted)])
        outer[moves] = device[len(wanted) :]
        return np.concatenate([inner, outer, places], axis=1, dtype=np.float32)
