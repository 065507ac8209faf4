"""Where in the picture lost pixels lie together: those that count for a hold.

The picture is seen as blocks, as many as make about 512 along its long edge, so that memory does
not grow with it; a block belongs to a region when half of its pixels or more are lost, and blocks
that touch, also at a corner, are one region. A picture of 512 pixels or less is its own blocks.
Lost pixels finer than a block, as of thin lines, make no region and are called scattered.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from hotfolder import Area

BLOCKS = 512
"""Blocks along the long edge."""

_TOUCHING = np.ones((3, 3), dtype=bool)
_ALL_OVER_FROM = 0.8
"""Share of both sides from which on a region's box has no place of its own."""

ALL_OVER = "all over the picture"
"""The place of such a region."""


@dataclass(frozen=True)
class Region:
    """Lost pixels that lie together."""

    share: float
    """Of all pixels of the picture, 0 … 1: those in it that are lost."""
    left_px: int
    """Of the box around it, as the three that follow; true to `accuracy_px`."""
    top_px: int
    width_px: int
    height_px: int
    accuracy_px: int
    place: str
    """In words; `ALL_OVER` when it has none."""


class Blocks:
    """Counts of lost pixels by blocks of the picture."""

    def __init__(self, width_px: int, height_px: int) -> None:
        self._size = (height_px, width_px)
        self.side_px = -(-max(width_px, height_px) // BLOCKS)
        self._columns = np.arange(0, width_px, self.side_px)
        self.shape = (-(-height_px // self.side_px), len(self._columns))
        self._counts = np.zeros(self.shape, np.int64)

    def add(self, counts: NDArray[np.int64]) -> None:
        """Add lost pixels of each block: shape `shape`."""
        self._counts += counts

    def largest(self, at: Area | None = None) -> Region | None:
        """Find the region that holds most lost pixels; None when no block is half lost.

        at: where the picture lies in the raster whose pixels the region is told in; by default,
        these are its own.
        """
        height_px, width_px = self._size
        side = self.side_px
        tall = np.diff(np.append(np.arange(0, height_px, side), height_px))
        wide = np.diff(np.append(self._columns, width_px))
        labels, found = scipy.ndimage.label(2 * self._counts >= tall[:, None] * wide, _TOUCHING)
        if not found:
            return None
        sizes = np.bincount(labels.ravel(), weights=self._counts.ravel())
        number = int(np.argmax(sizes[1:])) + 1
        rows, columns = scipy.ndimage.find_objects(labels, number)[number - 1]
        top, left = rows.start * side, columns.start * side
        bottom, right = min(rows.stop * side, height_px), min(columns.stop * side, width_px)
        middle = scipy.ndimage.center_of_mass(np.where(labels == number, self._counts, 0))
        across = (middle[1] + 0.5) * side / width_px
        down = (middle[0] + 0.5) * side / height_px
        box = ((right - left) / width_px, (bottom - top) / height_px)
        place = ALL_OVER if min(box) >= _ALL_OVER_FROM else _place(across, down)
        share = float(sizes[number] / (width_px * height_px))
        if at is None:
            return Region(share, left, top, right - left, bottom - top, side, place)
        scale = (at.width_px / width_px, at.height_px / height_px)
        return Region(
            share,
            math.floor(at.left_px + left * scale[0]),
            math.floor(at.top_px + top * scale[1]),
            math.ceil((right - left) * scale[0]),
            math.ceil((bottom - top) * scale[1]),
            math.ceil(side * max(scale)),
            place,
        )


def _place(across: float, down: float) -> str:
    """Name the ninth of the picture that a point, 0 … 1 from left and top, lies in."""
    names = (
        ("in the upper left", "at the top", "in the upper right"),
        ("on the left", "in the middle", "on the right"),
        ("in the lower left", "at the bottom", "in the lower right"),
    )
    return names[min(2, int(3 * down))][min(2, int(3 * across))]
