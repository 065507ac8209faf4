"""What the settings ask for, and what becomes of one picture by it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, ClassVar, Self

from pydantic import Field, model_validator

from hotfolder import (
    Hold,
    Json,
    LongEdgeWish,
    Medium,
    NoEnlargementWish,
    RasterSpec,
    Remedy,
    Share,
    SizeWish,
    StageSettings,
    Surface,
    Wish,
    parse_quantity,
)
from hotfolder_stages.sizing.colour import WHITE, Colour
from hotfolder_stages.sizing.enough import choose_ppi
from hotfolder_stages.sizing.geometry import (
    UNITS,
    Anchor,
    Box,
    Extent,
    MarginWidth,
    Mode,
    Plan,
    Side,
    plan,
    with_bleed,
    wrap_margins,
)
from hotfolder_stages.sizing.papers import PaperName
from hotfolder_stages.sizing.surround import Margins, WrapEdges

SCREEN_PPI = 72.0
"""What a size in pixels is marked with when nothing is said; by convention, screens ignore it."""

Ppi = Annotated[float, Field(gt=0, le=20000)]

_LENGTH = re.compile(r"\s*(\d+(?:[.,]\d+)?)(\s*\S+)\s*")
_NOTHING = Extent(0, "mm")
_SMALLEST_MM, _SMALLEST_CANVAS_MM = 25.0, 100.0
_LARGEST_MM = 10_000.0
_COARSE_PPI, _FINE_PPI = 20.0, 1440.0
_PLANNING_PPI = 7200.0
"""Fine enough that rounding to pixels does not show when the printer's ppi is chosen."""


class SizingSettings(StageSettings):
    """The table ``[stage.sizing]``.

    The size: `long_edge`, or `short_edge`, or `width` and `height` (one of them is enough for
    ``inside``), each in mm, cm, m, in, ft, or px; or `paper`, a name of ISO 216; or none of them,
    for the size that the file says it has.
    """

    judging: ClassVar[frozenset[str]] = frozenset({"hold_above_cropped"})
    grants: ClassVar[tuple[type[Wish], ...]] = (SizeWish, LongEdgeWish, NoEnlargementWish)

    long_edge: Side | None = None
    """Length of the picture's longer side, as in "60 cm"; the other side follows."""
    short_edge: Side | None = None
    """Length of the picture's shorter side; the other side follows."""
    width: Side | None = None
    """Width of the result. Without a height, the height follows from the picture."""
    height: Side | None = None
    """Height of the result. Without a width, the width follows from the picture."""
    paper: PaperName | None = None
    """A paper size of ISO 216, as in "A3" or "A4 landscape". Without "portrait" or "landscape",
    the paper is turned as the picture is."""
    turn: bool = False
    """Whether width and height change places for a picture that is taller than wide."""
    mode: Mode = "inside"
    """How the picture fits the size: ``inside`` scales the whole picture until it fits, ``cover``
    fills the size and crops what is outside it, ``exact`` adds a border until it is filled."""
    anchor: Anchor = "centre"
    """The part of the picture that ``cover`` keeps when it crops."""
    border_colour: Colour = WHITE
    """Colour of the border that ``exact`` adds."""
    ppi: Ppi | None = None
    """Pixels per inch of the result. Needed with a size in mm, cm, m, in or ft; a result sized in
    px is marked with 72 ppi unless you set this."""
    native_ppi: Annotated[tuple[Ppi, ...], Field(min_length=1)] | None = None
    """The printer's own resolutions, instead of ppi. The lowest one is used that still shows
    everything that the picture has and the viewing distance lets people see."""
    enlarge: bool = True
    """Whether a picture may get more pixels than it has. If not, a small picture comes out smaller
    than you asked for."""
    bleed: MarginWidth = _NOTHING
    """How far the picture continues beyond each side of the size, to be trimmed off."""
    wrap: MarginWidth = _NOTHING
    """Width of the margin on each side that is folded around the stretcher bars."""
    wrap_edges: WrapEdges = "mirrored"
    """What the wrap shows: the picture mirrored at its edge, its outermost pixels stretched, or
    one plain colour."""
    hold_above_cropped: Share | None = None
    """Share of the picture's area that may be cut off before the job is held; never, when it is
    not set."""
    wrap_colour: Colour = WHITE
    """Colour of the wrap when its edges are ``plain``."""

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        sides = (self.long_edge, self.short_edge, self.width, self.height)
        ways = [self.long_edge, self.short_edge, self.width or self.height, self.paper]
        if sum(each is not None for each in ways) > 1:
            raise ValueError("one of long_edge, short_edge, paper, or width and height")
        if self.mode != "inside" and not (self.paper or (self.width and self.height)):
            raise ValueError(f'paper, or both width and height, with mode = "{self.mode}"')
        if self.turn and not (self.width and self.height):
            raise ValueError("both width and height with turn = true")
        if self.ppi and self.native_ppi:
            raise ValueError("ppi or native_ppi, not both")
        printed = self.paper or any(side and side.unit == "mm" for side in sides)
        margins = [each.unit for each in (self.bleed, self.wrap) if each]
        if not self.ppi and not self.native_ppi and (printed or "mm" in margins):
            raise ValueError("ppi as well, as in ppi = 300, or a size in px")
        if self.native_ppi and not printed:
            raise ValueError("a size in mm, cm, m, in or ft with native_ppi")
        if self.bleed and self.wrap:
            raise ValueError("bleed or wrap, not both")
        return self

    def doubts(self, medium: Medium) -> Mapping[str, str]:
        """Sizes and resolutions that nobody prints, as a unit was mistaken for another."""
        if medium.surface is Surface.SCREEN:
            return {}
        found = {}
        names = ("long_edge", "short_edge", "width", "height")
        given = {name: getattr(self, name) for name in names}
        sides = {name: side for name, side in given.items() if side and side.unit == "mm"}
        smallest = _SMALLEST_CANVAS_MM if medium.surface is Surface.CANVAS else _SMALLEST_MM
        for name, side in sides.items():
            if side.value < smallest:
                found[name] = f"is {side}, very small for {medium.surface}; {side.value:g} in?"
            elif side.value > _LARGEST_MM:
                found[name] = f"is {side.value / 1000:g} m, which is very large"
        if self.ppi is not None and self.ppi < _COARSE_PPI:
            found["ppi"] = f"is {self.ppi:g}, so coarse that pixels are seen from far away"
        elif self.ppi is not None and self.ppi > _FINE_PPI:
            found["ppi"] = f"is {self.ppi:g}, finer than any eye can see"
        longest = max((side.value for side in sides.values()), default=math.inf)
        for name, margin in {"wrap": self.wrap, "bleed": self.bleed}.items():
            if margin.unit == "mm" and margin.value > longest / 2:
                found[name] = f"is {margin}, more than half of the picture's size"
        return found

    def granting(self, wish: Wish) -> Mapping[str, Json]:
        """Set the sides that are asked for, in place of any other size."""
        if isinstance(wish, LongEdgeWish):
            return self._by_long_edge(wish.length)
        if isinstance(wish, NoEnlargementWish):
            return {"enlarge": False}
        if not isinstance(wish, SizeWish):
            return {}
        granted: dict[str, Json] = dict.fromkeys(("long_edge", "short_edge", "paper"))
        for key, side in (("width", wish.width_mm), ("height", wish.height_mm)):
            granted[key] = f"{side:.6f}".rstrip("0").rstrip(".") + " mm" if side else None
        granted["turn"] = False
        if not (wish.width_mm and wish.height_mm):
            granted["mode"] = "inside"
        elif wish.anchor or self.mode != "exact":
            granted["mode"] = "cover"
        if wish.anchor:
            granted["anchor"] = wish.anchor
        return granted

    def _by_long_edge(self, length: str) -> Mapping[str, Json]:
        """Set a long edge; a size by both sides keeps its shape and its mode."""
        others = ("short_edge", "paper", "width", "height")
        granted: dict[str, Json] = {
            each: None for each in others if getattr(self, each) is not None
        }
        shape: tuple[float, float] | None = None
        if self.paper is not None:
            shape = self.paper.size_mm(upright=False)
            granted["turn"] = self.paper.orientation is None
        elif self.width and self.height and self.width.unit == self.height.unit:
            shape = (self.width.value, self.height.value)
        longer = _read_length(length)
        if shape is None or longer is None:
            return {**granted, "long_edge": length}
        factor = longer[0] / max(shape)
        sides = [f"{side * factor:.6f}".rstrip("0").rstrip(".") + longer[1] for side in shape]
        if self.long_edge is not None:
            granted["long_edge"] = None
        return {**granted, "width": sides[0], "height": sides[1]}

    def box(self, raster: RasterSpec, ppi: float) -> Box:
        """What is asked for, in pixels of the result."""
        upright = raster.height_px > raster.width_px
        if self.paper is not None:
            sheet = self.paper.size_mm(upright=upright)
            return Box(*(Extent(side, "mm").px(ppi) for side in sheet))
        width, height = self.width, self.height
        if self.turn and upright:
            width, height = height, width
        sides = (width, height, self.long_edge, self.short_edge)
        if not any(sides) and self.ppi and raster.ppi:
            return Box(width_px=max(1, math.floor(raster.width_px / raster.ppi * ppi + 0.5)))
        return Box(*(side.px(ppi) if side else None for side in sides))


@dataclass(frozen=True)
class Request:
    """What becomes of one picture."""

    ppi: float
    """Of the result."""
    front: Plan
    """What is looked at, with its bleed."""
    bleed_px: int
    """Of it, on each side."""
    wrap: Margins
    """What is put around it."""

    @property
    def cropped_share(self) -> float:
        """Of the picture's area, what is cut off, 0 … 1."""
        front = self.front
        whole = front.scaled_width_px * front.scaled_height_px
        return 1 - front.kept_width_px * front.kept_height_px / whole

    @property
    def trim_px(self) -> tuple[int, int]:
        """Width and height of the front without its bleed."""
        return self.front.width_px - 2 * self.bleed_px, self.front.height_px - 2 * self.bleed_px

    @property
    def width_px(self) -> int:
        """Of the result."""
        return self.wrap.left + self.front.width_px + self.wrap.right

    @property
    def height_px(self) -> int:
        """Of the result."""
        return self.wrap.top + self.front.height_px + self.wrap.bottom


def _read_length(text: str) -> tuple[float, str] | None:
    """Return a length and its unit, as they stand or, of inches with a fraction, in mm."""
    plain = _LENGTH.fullmatch(text)
    if plain and plain[2].strip().isalpha():
        return float(plain[1].replace(",", ".")), plain[2]
    try:
        return parse_quantity(text, UNITS, "60 in"), " mm"
    except ValueError:
        return None  # whoever checks the settings says so


def request(settings: SizingSettings, raster: RasterSpec, viewing_distance_mm: float) -> Request:
    """Decide on ppi, size, bleed and wrap.

    Raises
    ------
    Hold
        ``wrap-too-wide``: a mirrored wrap is wider than the picture.
    """
    ppi = _ppi(settings, raster, viewing_distance_mm)
    front = _planned(settings, raster, ppi)
    bleed_px = math.ceil(settings.bleed.exact_px(ppi) - 1e-9)
    if bleed_px:
        front = with_bleed(
            raster.width_px, raster.height_px, front, bleed_px, settings.mode, settings.anchor
        )
    size = (front.width_px, front.height_px)
    wrap = wrap_margins(size, settings.wrap.exact_px(ppi)) if settings.wrap else Margins()
    if settings.wrap_edges == "mirrored" and (wrap.right > size[0] or wrap.bottom > size[1]):
        raise Hold(
            "wrap-too-wide",
            f"A wrap of {settings.wrap} is wider than the picture, which is only "
            f"{size[0]} × {size[1]} px at {ppi:g} ppi, so it cannot be mirrored. Make the picture "
            f"larger or the wrap narrower, or choose plain edges.",
            remedies=[
                Remedy("fold a plain edge around the bars", {"wrap_edges": "plain"}),
                Remedy("stretch the outermost pixels instead", {"wrap_edges": "stretched"}),
            ],
        )
    return Request(ppi, front, bleed_px, wrap)


def _ppi(settings: SizingSettings, raster: RasterSpec, viewing_distance_mm: float) -> float:
    if settings.native_ppi is None:
        by_file = 0.0 if _says_a_size(settings) else raster.ppi
        return settings.ppi or by_file or SCREEN_PPI
    fine = _planned(settings.model_copy(update={"enlarge": True}), raster, _PLANNING_PPI)
    has_ppi = _PLANNING_PPI * raster.width_px / fine.scaled_width_px
    return choose_ppi(settings.native_ppi, has_ppi, viewing_distance_mm)


def _says_a_size(settings: SizingSettings) -> bool:
    sides = (settings.long_edge, settings.short_edge, settings.width, settings.height)
    return settings.paper is not None or any(sides)


def _planned(settings: SizingSettings, raster: RasterSpec, ppi: float) -> Plan:
    return plan(
        raster.width_px,
        raster.height_px,
        settings.box(raster, ppi),
        settings.mode,
        enlarge=settings.enlarge,
        anchor=settings.anchor,
    )
