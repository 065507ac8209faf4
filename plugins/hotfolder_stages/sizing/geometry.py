"""From a size as people say it to pixels: the size asked for, the picture in it, crop and border.

Rounding, everywhere: a length becomes ``floor(mm / 25.4 * ppi + 0.5)`` pixels, and the side that
follows from the picture's shape becomes the nearest whole pixel, half a pixel upwards, at least 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, PlainSerializer

from hotfolder.units import MM_PER_INCH, parse_quantity

Mode = Literal["inside", "cover", "exact"]

_UNITS = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH, "ft": 12 * MM_PER_INCH}
_MAX_SIDE_PX = 2**20


@dataclass(frozen=True)
class Extent:
    """The length of a side: either on the medium, in millimetres, or in pixels."""

    value: float
    unit: Literal["mm", "px"]

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit}"

    def px(self, ppi: float) -> int:
        """Whole pixels, at least 1."""
        if self.unit == "px":
            return int(self.value)
        return max(1, math.floor(self.value / MM_PER_INCH * ppi + 0.5))


def _read_extent(value: Any) -> Any:
    if isinstance(value, Extent):
        return value
    pixels = isinstance(value, str) and value.strip().endswith("px")
    units = {"px": 1.0} if pixels else {**_UNITS, "px": 1.0}
    number = parse_quantity(value, units, "60 in")
    if pixels and not (number.is_integer() and number <= _MAX_SIDE_PX):
        raise ValueError(f'a whole number of pixels up to {_MAX_SIDE_PX}, as in "2048 px"')
    if number <= 0:
        raise ValueError('a size above zero, as in "60 in" or "2048 px"')
    return Extent(number, "px" if pixels else "mm")


Side = Annotated[
    Extent,
    BeforeValidator(_read_extent, json_schema_input_type=str),
    PlainSerializer(str, return_type=str),
]
"""The length of a side in settings: ``"60 in"``, ``"297 mm"``, ``"2048 px"``."""


@dataclass(frozen=True)
class Box:
    """What is asked for, in pixels; None where a side follows from the picture's shape."""

    width_px: int | None = None
    height_px: int | None = None
    long_px: int | None = None
    short_px: int | None = None


@dataclass(frozen=True)
class Plan:
    """How a picture becomes the size asked for.

    scaled_*: the whole picture after resampling; crop_*: pixels cut off it at left and top (the
    rest goes at right and bottom); border_*: pixels of white added at left and top; width_px,
    height_px: the result.
    """

    scaled_width_px: int
    scaled_height_px: int
    width_px: int
    height_px: int
    crop_left_px: int = 0
    crop_top_px: int = 0
    border_left_px: int = 0
    border_top_px: int = 0

    @property
    def kept_width_px(self) -> int:
        """Columns of the scaled picture that stay."""
        return min(self.scaled_width_px, self.width_px)

    @property
    def kept_height_px(self) -> int:
        """Rows of the scaled picture that stay."""
        return min(self.scaled_height_px, self.height_px)

    @property
    def has_border(self) -> bool:
        """Whether white is added around the picture."""
        return (self.kept_width_px, self.kept_height_px) != (self.width_px, self.height_px)


def plan(width_px: int, height_px: int, box: Box, mode: Mode, *, enlarge: bool) -> Plan:
    """Fit a picture of `width_px` × `height_px` into a box.

    ``inside``: the whole picture, as large as fits. ``cover``: the box is filled and what stands
    over is cut off, equally on both sides. ``exact``: as ``inside``, with white around it until
    the box is filled. Without `enlarge` the picture never gets more pixels than it has.
    """
    across, down = _asked(width_px, height_px, box)
    if across is None or down is None:
        by_width = across is not None
    elif mode == "cover":
        by_width = across * height_px >= down * width_px
    else:
        by_width = across * height_px <= down * width_px
    if by_width and across is not None:
        scaled = (across, _scaled(height_px, across, width_px))
    elif down is not None:
        scaled = (_scaled(width_px, down, height_px), down)
    else:
        scaled = (width_px, height_px)
    if not enlarge and (scaled[0] > width_px or scaled[1] > height_px):
        scaled = (width_px, height_px)
    if across is None or down is None or mode == "inside":
        return Plan(*scaled, *scaled)
    result = (across, down)
    if mode == "cover":
        result = (min(across, scaled[0]), min(down, scaled[1]))
    spare = [side - of for side, of in zip(scaled, result, strict=True)]
    return Plan(
        *scaled,
        *result,
        crop_left_px=max(0, spare[0]) // 2,
        crop_top_px=max(0, spare[1]) // 2,
        border_left_px=max(0, -spare[0]) // 2,
        border_top_px=max(0, -spare[1]) // 2,
    )


def _asked(width_px: int, height_px: int, box: Box) -> tuple[int | None, int | None]:
    """Width and height asked for, once it is known which side of the picture is the long one."""
    upright = height_px > width_px
    if box.long_px is not None:
        return (None, box.long_px) if upright else (box.long_px, None)
    if box.short_px is not None:
        return (box.short_px, None) if upright else (None, box.short_px)
    return box.width_px, box.height_px


def _scaled(side_px: int, asked_px: int, from_px: int) -> int:
    return max(1, (2 * side_px * asked_px + from_px) // (2 * from_px))
