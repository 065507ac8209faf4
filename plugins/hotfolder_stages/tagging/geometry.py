"""Where a place in the original's stored pixels lies in the result.

Stored places are shares of the stored picture's width and height, from its upper left corner, as
regions in metadata have them; they are turned as the pixels were (Exif 2.32, 4.6.4 A), then moved
to where sizing put the picture.
"""

from __future__ import annotations

from dataclasses import dataclass

from hotfolder import Area

_SAME_SHAPE = 0.01
"""By what share two aspect ratios may differ and mean the same picture. Our own bound: a preview
of 160 pixels has its other side rounded by as much."""


@dataclass(frozen=True)
class Box:
    """A rectangle in shares of a picture's width and height, by its edges."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def is_seen(self) -> bool:
        """Whether any of it lies in the picture."""
        return self.left < 1 and self.top < 1 and self.right > 0 and self.bottom > 0

    def clipped(self) -> Box:
        """What of it lies in the picture."""
        left, top = max(self.left, 0.0), max(self.top, 0.0)
        return Box(left, top, min(self.right, 1.0), min(self.bottom, 1.0))


@dataclass(frozen=True)
class Geometry:
    """The way from stored pixels to the result's."""

    orientation: int
    """What was applied to the stored pixels, 1 … 8."""
    stored_px: tuple[int, int]
    at: Area
    """Where the whole upright picture lies in the result, in pixels."""
    result_px: tuple[int, int]

    @property
    def is_plain(self) -> bool:
        """Whether shares of the original are the same shares of the result."""
        whole = Area(0, 0, *self.result_px)
        near = all(
            abs(one - other) < 1
            for one, other in zip(vars(self.at).values(), vars(whole).values(), strict=True)
        )
        return self.orientation == 1 and near

    @property
    def is_one_picture(self) -> bool:
        """Whether the result shows the original in one piece."""
        return self.at.width_px > 0 and self.at.height_px > 0

    def turned_for(self, applied_px: tuple[float, float] | None) -> int | None:
        """The orientation that places still lack that were set on a picture of this size.

        Places are said to be in stored pixels; some writers set them in upright ones, which the
        size tells that they note beside. None: they belong to a picture of another shape.
        """
        if applied_px is None or _same_shape(applied_px, self.stored_px):
            return self.orientation
        across, down = self.stored_px
        if is_turned(self.orientation) and _same_shape(applied_px, (down, across)):
            return 1
        return None

    def point(self, x: float, y: float, orientation: int) -> tuple[float, float]:
        """A point in shares of the result; below 0 or above 1 when it is not in it."""
        x, y = {
            2: (1 - x, y),
            3: (1 - x, 1 - y),
            4: (x, 1 - y),
            5: (y, x),
            6: (1 - y, x),
            7: (1 - y, 1 - x),
            8: (y, 1 - x),
        }.get(orientation, (x, y))
        across, down = self.result_px
        return (
            (self.at.left_px + x * self.at.width_px) / across,
            (self.at.top_px + y * self.at.height_px) / down,
        )

    def box(self, box: Box, orientation: int) -> Box:
        """A rectangle in shares of the result."""
        one = self.point(box.left, box.top, orientation)
        other = self.point(box.right, box.bottom, orientation)
        left, right = sorted((one[0], other[0]))
        top, bottom = sorted((one[1], other[1]))
        return Box(left, top, right, bottom)

    def diameter(self, share: float) -> float:
        """A circle's diameter, from a share of the picture's short side to one of the result's."""
        before = min(self.at.width_px, self.at.height_px)
        return share * before / min(self.result_px)


def is_turned(orientation: int) -> bool:
    """Whether an orientation makes rows of columns."""
    return orientation >= 5


def _same_shape(one: tuple[float, float], other: tuple[float, float]) -> bool:
    if min(*one, *other) <= 0:
        return False
    return abs(one[0] * other[1] / (one[1] * other[0]) - 1) <= _SAME_SHAPE
