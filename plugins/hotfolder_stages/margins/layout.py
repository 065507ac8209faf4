"""Where everything lies on the sheet, in its pixels, to the pixel.

Each width is rounded by itself, ``floor(mm / 25.4 * ppi + 0.5)``, so a border of 20 mm has the same
pixels whatever is beside it. Marks lie outside the trim line and touch neither picture nor border.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from hotfolder import MM_PER_INCH, RasterSpec
from hotfolder_stages.margins.settings import LINE_HEIGHT, MarginsSettings

_DASH_MM, _BREAK_MM = 1.0, 0.5
_ROUNDED_PX = 2
"""By how much a mark may be shorter, since margin, gap and length are rounded each."""


@dataclass(frozen=True)
class Rectangle:
    """A part of the sheet, in its pixels."""

    left_px: int
    top_px: int
    width_px: int
    height_px: int

    @property
    def right_px(self) -> int:
        """The first column that is not in it."""
        return self.left_px + self.width_px

    @property
    def bottom_px(self) -> int:
        """The first row that is not in it."""
        return self.top_px + self.height_px

    def within(self, width_px: int, height_px: int) -> Rectangle:
        """What of it lies on a sheet of this size."""
        left, top = max(self.left_px, 0), max(self.top_px, 0)
        right, bottom = min(self.right_px, width_px), min(self.bottom_px, height_px)
        return Rectangle(left, top, right - left, bottom - top)

    def grown(self, px: int, below_px: int | None = None) -> Rectangle:
        """The same with more on each side."""
        below = px if below_px is None else below_px
        return Rectangle(
            self.left_px - px,
            self.top_px - px,
            self.width_px + 2 * px,
            self.height_px + px + below,
        )


@dataclass(frozen=True)
class Layout:
    """A sheet."""

    width_px: int
    height_px: int
    picture: Rectangle
    """With its bleed or wrap."""
    trim: Rectangle
    """What is left after cutting."""
    crop_marks: tuple[Rectangle, ...]
    fold_marks: tuple[Rectangle, ...]
    """Each is a dash."""
    caption: Rectangle
    """Where a caption may be."""
    label: Rectangle
    """Where a label may be."""
    text_px: int
    """The size of letters."""


class TooNarrowError(ValueError):
    """The picture's bleed does not go with these margins, or the marks have no room."""


def lay_out(settings: MarginsSettings, raster: RasterSpec) -> Layout:
    """Lay a picture with a resolution onto its sheet.

    Raises
    ------
    TooNarrowError
        When it has a bleed, and a border would stand between bleed and trim line, or the trim
        margin is too narrow for bleed and marks.
    """

    def px(mm: float) -> int:
        return math.floor(mm / MM_PER_INCH * raster.ppi + 0.5)

    bleed, outer = raster.bleed_px, px(settings.trim)
    kept, kept_below = (
        px(each) + px(settings.deckle) for each in (settings.border, settings.border_below_mm)
    )
    if bleed and (kept or kept_below):
        raise TooNarrowError(
            "The picture has a bleed, which is cut off, and the stage margins would put a border "
            "or a deckle between bleed and cut. Take one of the two out of the settings."
        )
    if bleed > outer:
        raise TooNarrowError(
            f"The bleed has {bleed} px and the trim margin {outer} px. Set trim in "
            "[stage.margins] at least as wide as bleed in [stage.sizing]."
        )
    left = top = kept + outer - bleed
    picture = Rectangle(left, top, raster.width_px, raster.height_px)
    trim = picture.grown(kept - bleed, kept_below - bleed)
    gap, length = max(px(settings.mark_gap), bleed), max(1, px(settings.mark_length))
    width, text_px = max(1, px(settings.mark_width)), max(4, px(settings.text_height))
    across, down = (
        (left + (raster.width_px - raster.looked_at_px[0]) // 2, raster.looked_at_px[0]),
        (top + (raster.height_px - raster.looked_at_px[1]) // 2, raster.looked_at_px[1]),
    )
    has_folds = bool(settings.fold_marks and not bleed and picture != Rectangle(
        across[0], down[0], across[1], down[1]
    ))  # fmt: skip
    sheet = (trim.width_px + 2 * outer, trim.height_px + 2 * outer)
    crops = [each.within(*sheet) for each in _marks(trim, trim, gap, length, width)]
    shortest = min(max(each.width_px, each.height_px) for each in crops)
    if settings.crop_marks and shortest < length - _ROUNDED_PX:
        raise TooNarrowError(
            "The bleed leaves no room for crop marks in the trim margin. Set trim in "
            "[stage.margins] to the bleed and mark_length together, or more."
        )
    folds: list[Rectangle] = []
    if has_folds:
        face = Rectangle(across[0], down[0], across[1], down[1])
        for mark in _marks(face, trim, gap, length, width):
            dashes = _dashes(mark.within(*sheet), max(1, px(_DASH_MM)), max(1, px(_BREAK_MM)))
            folds += dashes
    line = math.ceil(LINE_HEIGHT * text_px)
    # between the marks below: crop marks stand outside the trim line, fold marks beside the face
    label_left, label_width = across if has_folds else (trim.left_px, trim.width_px)
    return Layout(
        width_px=sheet[0],
        height_px=sheet[1],
        picture=picture,
        trim=trim,
        crop_marks=tuple(crops) if settings.crop_marks else (),
        fold_marks=tuple(folds),
        caption=Rectangle(
            picture.left_px, picture.bottom_px + (px(settings.border_below_mm) - line) // 2,
            picture.width_px, line,
        ),
        label=Rectangle(
            label_left + text_px, trim.bottom_px + gap, max(0, label_width - 2 * text_px), line
        ),
        text_px=text_px,
    )  # fmt: skip


def _marks(
    what: Rectangle, trim: Rectangle, gap: int, length: int, width: int
) -> Iterator[Rectangle]:
    """Eight marks outside the trim line, beyond the sides of a rectangle in it."""
    above, below = trim.top_px - gap - length, trim.bottom_px + gap
    left, right = trim.left_px - gap - length, trim.right_px + gap
    for column in (what.left_px - width, what.right_px):
        yield Rectangle(column, above, width, length)
        yield Rectangle(column, below, width, length)
    for row in (what.top_px - width, what.bottom_px):
        yield Rectangle(left, row, length, width)
        yield Rectangle(right, row, length, width)


def _dashes(mark: Rectangle, dash: int, pause: int) -> Iterator[Rectangle]:
    """The mark in pieces, along its longer side."""
    is_upright = mark.height_px >= mark.width_px
    length = mark.height_px if is_upright else mark.width_px
    for start in range(0, length, dash + pause):
        piece = min(dash, length - start)
        if is_upright:
            yield Rectangle(mark.left_px, mark.top_px + start, mark.width_px, piece)
        else:
            yield Rectangle(mark.left_px + start, mark.top_px, piece, mark.height_px)
