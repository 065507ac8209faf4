"""How pieces lie on a strip, on the smallest area that holds them.

A piece begins at a multiple of `STEP_PX` in the picture and on the strip, and its sides are
multiples of `BLOCK_PX`. So the dither of an 8-bit result, whose thresholds repeat every 64 pixels,
and the blocks of a JPEG fall as they do in the whole picture, and pixels come out the same.
"""

from __future__ import annotations

from dataclasses import dataclass

from hotfolder import MM_PER_INCH

STEP_PX = 64
BLOCK_PX = 16
"""A JPEG's largest block (ISO/IEC 10918-1: 8, doubled where colour has half the resolution)."""

PITCH_MM = 50.0
"""From piece to piece, about: what two fingers cover. Our own choice."""

_USUAL_PPI = 300.0
_GAP_MM, _TEXT_MM = 1.5, 2.2
_LEAST_TEXT_PX = 11


@dataclass(frozen=True)
class Cell:
    """The place of one piece."""

    pitch_px: int
    width_px: int
    """Of the piece, at most; the rest is between."""
    height_px: int
    """Of the piece, at most; the rest is between."""
    text_px: int

    @property
    def label_px(self) -> int:
        """Height of the two lines below a piece."""
        return 2 * line_px(self.text_px)


@dataclass(frozen=True)
class Sheet:
    """Where pieces lie: rows and columns of cells below a heading of `head_px` rows."""

    columns: int
    rows: int
    head_px: int
    width_px: int
    height_px: int

    def place(self, number: int, pitch_px: int) -> tuple[int, int]:
        """Left and top of a piece, counted from 0."""
        row, column = divmod(number, self.columns)
        return column * pitch_px, self.head_px + row * pitch_px


def line_px(text_px: int) -> int:
    """Height of a line of text."""
    return round(1.35 * text_px)


def cell(width_px: int, height_px: int, ppi: float) -> Cell:
    """Return the cell for pieces of a picture; the picture itself, when it is smaller.

    ppi: 0.0 when the picture does not say.
    """
    per_mm = (ppi or _USUAL_PPI) / MM_PER_INCH
    text = max(_LEAST_TEXT_PX, round(_TEXT_MM * per_mm))
    gap, label = max(4, round(_GAP_MM * per_mm)), 2 * line_px(text)
    needed = label + gap + BLOCK_PX
    pitch = STEP_PX * max(1, round(PITCH_MM * per_mm / STEP_PX), -(-needed // STEP_PX))
    across, down = pitch - gap, pitch - gap - label
    return Cell(pitch, _whole_blocks(across, width_px), _whole_blocks(down, height_px), text)


def smallest(number: int, each: Cell, heads: dict[int, int], longest_px: int) -> Sheet:
    """Return the arrangement with the least area; of equal ones, the one nearest to a square.

    Parameters
    ----------
    heads
        Height of the heading by number of columns, for each number that is tried: a wide strip has
        room for longer lines.
    longest_px
        What neither side should exceed: the medium has room for that much.
    """
    found = []
    for columns, text_px in heads.items():
        rows = -(-number // columns)
        head = -(-text_px // STEP_PX) * STEP_PX
        width = width_of(columns, each)
        height = head + (rows - 1) * each.pitch_px + each.height_px + each.label_px
        found.append(Sheet(columns, rows, head, width, height))
    fitting = [each for each in found if max(each.width_px, each.height_px) <= longest_px]
    return min(
        fitting or found,
        key=lambda sheet: (
            sheet.width_px * sheet.height_px,
            abs(sheet.width_px - sheet.height_px),
        ),
    )


def width_of(columns: int, each: Cell) -> int:
    """Width of a strip with so many pieces beside each other."""
    return (columns - 1) * each.pitch_px + each.width_px


def _whole_blocks(room_px: int, picture_px: int) -> int:
    """A piece's side: what there is room for, in whole blocks; or all of a small picture."""
    if picture_px <= room_px:
        return picture_px
    return max(BLOCK_PX, room_px // BLOCK_PX * BLOCK_PX)
