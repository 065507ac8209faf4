"""From a size as people say it to pixels: the size asked for, the picture in it, crop and border.

Rounding, everywhere: a length becomes ``floor(mm / 25.4 * ppi + 0.5)`` pixels, and the side that
follows from the picture's shape becomes the nearest whole pixel, half a pixel upwards, at least 1.
A bleed is rounded up on each side, so that it is never less than asked for. With a wrap, the sum
of the front's pixels and both wraps is what is rounded; an odd pixel goes to the right or below.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Annotated, Literal

from pydantic import BeforeValidator, PlainSerializer

from hotfolder import MM_PER_INCH, parse_quantity
from hotfolder_stages.sizing.surround import Margins

Mode = Literal["inside", "cover", "exact"]

Anchor = Literal[
    "centre",
    "top",
    "bottom",
    "left",
    "right",
    "top left",
    "top right",
    "bottom left",
    "bottom right",
]
"""Which part of a picture stays when it is cropped."""

UNITS = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH, "ft": 12 * MM_PER_INCH}
_MAX_SIDE_PX = 2**20


@dataclass(frozen=True)
class Extent:
    """The length of a side: either on the medium, in millimetres, or in pixels."""

    value: float
    unit: Literal["mm", "px"]

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit}"

    def __bool__(self) -> bool:
        return self.value > 0

    def exact_px(self, ppi: float) -> float:
        """Pixels, not rounded."""
        return self.value if self.unit == "px" else self.value / MM_PER_INCH * ppi

    def px(self, ppi: float) -> int:
        """Whole pixels, at least 1."""
        return max(1, math.floor(self.exact_px(ppi) + 0.5))


def _read_extent(value: object) -> object:
    extent = _read_margin(value)
    if not extent:
        raise ValueError('a size above zero, as in "60 in" or "2048 px"')
    return extent


def _read_margin(value: object) -> object:
    if isinstance(value, Extent):
        return value
    pixels = isinstance(value, str) and value.strip().endswith("px")
    units = {"px": 1.0} if pixels else {**UNITS, "px": 1.0}
    number = parse_quantity(value, units, "60 in")
    if pixels and not (number.is_integer() and number <= _MAX_SIDE_PX):
        raise ValueError(f'a whole number of pixels up to {_MAX_SIDE_PX}, as in "2048 px"')
    return Extent(number, "px" if pixels else "mm")


Side = Annotated[
    Extent,
    BeforeValidator(_read_extent, json_schema_input_type=str),
    PlainSerializer(str, return_type=str),
]
"""The length of a side in settings: ``"60 in"``, ``"297 mm"``, ``"2048 px"``."""

MarginWidth = Annotated[
    Extent,
    BeforeValidator(_read_margin, json_schema_input_type=str),
    PlainSerializer(str, return_type=str),
]
"""As `Side`, but may be nothing: the width of a bleed or a wrap."""


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
    rest goes at right and bottom); border_*: pixels of border added at left and top; width_px,
    """

    scaled_width_px: int
    scaled_height_px: int
    width_px: int
    height_px: int
    """The result."""
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
    def border(self) -> Margins:
        """What is added around the picture."""
        return Margins(
            self.border_left_px,
            self.border_top_px,
            self.width_px - self.kept_width_px - self.border_left_px,
            self.height_px - self.kept_height_px - self.border_top_px,
        )


def plan(
    width_px: int,
    height_px: int,
    box: Box,
    mode: Mode,
    *,
    enlarge: bool,
    anchor: Anchor = "centre",
) -> Plan:
    """Fit a picture of `width_px` × `height_px` into a box.

    ``inside``: the whole picture, as large as fits. ``cover``: the box is filled and what stands
    over is cut off; the part at `anchor` stays. ``exact``: as ``inside``, with a border around it
    until the box is filled. Without `enlarge` the picture never gets more pixels than it has.
    A box that asks for nothing leaves the picture as it is.
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
    twice = _twice_at(anchor)
    return Plan(
        *scaled,
        *result,
        crop_left_px=max(0, spare[0]) * twice[0] // 2,
        crop_top_px=max(0, spare[1]) * twice[1] // 2,
        border_left_px=max(0, -spare[0]) // 2,
        border_top_px=max(0, -spare[1]) // 2,
    )


def with_bleed(
    width_px: int, height_px: int, trim: Plan, bleed_px: int, mode: Mode, anchor: Anchor
) -> Plan:
    """The same picture, going on for `bleed_px` beyond each side of a plan's result.

    A border goes on as it is; a picture is made larger until it fills the bleed too.
    """
    size = (trim.width_px + 2 * bleed_px, trim.height_px + 2 * bleed_px)
    if mode == "exact":
        return replace(
            trim,
            width_px=size[0],
            height_px=size[1],
            border_left_px=trim.border_left_px + bleed_px,
            border_top_px=trim.border_top_px + bleed_px,
        )
    return plan(width_px, height_px, Box(*size), "cover", enlarge=True, anchor=anchor)


def wrap_margins(front_px: tuple[int, int], wrap_px: float) -> Margins:
    """Pixels around a front of (width, height) for a wrap of so many pixels, not rounded."""
    both = [math.floor(side + 2 * wrap_px + 0.5) - side for side in front_px]
    return Margins(both[0] // 2, both[1] // 2, both[0] - both[0] // 2, both[1] - both[1] // 2)


def _twice_at(anchor: Anchor) -> tuple[int, int]:
    """Twice the share of what is cropped that goes at the left, and at the top: 0, 1 or 2."""
    words = anchor.split()
    across = 0 if "left" in words else 2 if "right" in words else 1
    down = 0 if "top" in words else 2 if "bottom" in words else 1
    return across, down


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
