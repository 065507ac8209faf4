"""Parts of the space in which the renderings detail and refined are the same, for any picture.

Detail moves what lies beyond the knee, and how far depends on the picture. Blocks of colours that
lie below it in full, most of those that a picture uses, need not be computed again for each
picture: they are those of refined.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Codes, Floats
from hotfolder.colour.detail import find_unmoved
from hotfolder.colour.gamut_boundary import boundary_of
from hotfolder.colour.grid import ERRORS, Grid, list_neutrals
from hotfolder.colour.kept_points import KeptBlocks, arrays_for
from hotfolder.colour.patchwork import POINTS, Indices
from hotfolder.colour.rendering import Refined

_UNMOVED = "unmoved"


class UnmovedBlocks:
    """What detail knows of blocks by refined; a `hotfolder.colour.patchwork.KnownBlocks`.

    Parameters
    ----------
    refined
        To the same medium, with the same black.
    grid
        Its grid.
    direction
        Of the picture's reach, `hotfolder.colour.detail.Reach`.
    count
        Blocks of the space.
    """

    def __init__(self, refined: Refined, grid: Grid, direction: float, count: int) -> None:
        self._refined, self._grid, self._direction = refined, grid, direction
        self._depends: dict[str, object] = {
            "source": refined.source,
            "medium": refined.medium,
            "black point compensation": refined.black_point_compensation,
            "depth": refined.depth,
            "direction": direction,
        }
        self._kept = KeptBlocks(_UNMOVED, self._depends, count, {_UNMOVED: ("|u1", ())})
        self._is_unmoved = np.zeros(count, np.bool_)
        self._is_told = np.zeros(count, np.bool_)

    def knows(self, blocks: Indices) -> NDArray[np.bool_]:
        """Say which blocks are those of refined."""
        fresh = blocks[~self._is_told[blocks]]
        if fresh.size:
            is_kept = self._kept.knows(fresh)
            kept, left = fresh[is_kept], fresh[~is_kept]
            self._is_unmoved[kept] = self._kept.take(_UNMOVED, kept)
            if left.size:
                found = self._grid.holds(left, self._stays)
                self._is_unmoved[left] = found
                self._kept.note(_UNMOVED, left, found)
            self._is_told[fresh] = True
        return np.asarray(self._is_unmoved[blocks])

    def take(self, name: str, blocks: Indices) -> NDArray[Any]:
        """Return points or errors of blocks that are those of refined."""
        of: dict[str, Callable[[Indices], Codes | Floats]]
        of = {POINTS: self._grid.points, ERRORS: self._grid.errors}
        return of[name](blocks)

    def note(self, name: str, blocks: Indices, values: NDArray[Any]) -> None:
        """Note nothing: what detail computes is of one picture."""

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

    def _stays(self, codes: Codes) -> NDArray[np.bool_]:
        aims = self._refined.aim(codes)
        return find_unmoved(boundary_of(self._refined.medium), aims, self._direction)
