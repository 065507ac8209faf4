"""A control strip as it is drawn: patches in a grid, a mark at each corner, words and a 2D code.

Patches are copied, never mixed: their device values are in the file to the bit. Four marks, each a
dot in a ring, say where the grid lies in a photograph of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Codes, Floats
from hotfolder.colour.encodings import white
from hotfolder.model.encoding import Encoding
from hotfolder.model.standing import StripToLay
from hotfolder.model.units import MM_PER_INCH

BLACK: Final = {
    Encoding.RGB: (0, 0, 0),
    Encoding.GREY: (0,),
    Encoding.CMYK: (0, 0, 0, 65535),
    Encoding.LAB: (0, 32896, 32896),
}
"""Of words, marks and codes: black ink alone where there is one."""

QUIET_MODULES: Final = 4
"""ISO/IEC 18004, 9.1: the empty border of a code."""
DOT, RING_FROM, RING_TO = 1 / 3, 2 / 3, 1.0
"""Of a mark, in its radius: a black dot, white around it, and a black ring."""

_PITCH_ACROSS, _PITCH_DOWN = 1.2, 1.5
_MARGIN, _MARK_RADIUS, _GAP = 0.15, 0.36, 0.2
_TEXT, _LINE = 0.26, 0.4
"""All of these in sides of a patch."""
_MODULE_MM: Final = 0.33
"""What a telephone reads at a hand's breadth; our own choice."""
_COLUMNS: Final = (24, 12, 8, 6)
"""What is tried, the flattest first."""


@dataclass(frozen=True)
class PatchGrid:
    """Where patches lie between the marks at the corners, in any one unit."""

    columns: int
    number: int
    """Of patches; they fill rows from the left, and rows from the top."""
    marks: tuple[float, float, float, float]
    """Middles of the marks: left, top, right, bottom."""
    first: tuple[float, float]
    """Middle of the first patch."""
    pitch: tuple[float, float]
    """From one patch to the next, across and down."""
    side: float
    """Of a patch."""

    @property
    def rows(self) -> int:
        """Of patches."""
        return -(-self.number // self.columns)

    @property
    def aspect(self) -> float:
        """Width of the marks' rectangle over its height."""
        left, top, right, bottom = self.marks
        return (right - left) / (bottom - top)

    def find_middles(self) -> Floats:
        """Return the patches' middles, in their order.

        Returns
        -------
        Shape (n, 2): shares of the marks' rectangle, 0 … 1 from the left and upper marks.
        """
        place = np.arange(self.number)
        x = self.first[0] + place % self.columns * self.pitch[0]
        y = self.first[1] + place // self.columns * self.pitch[1]
        return self._in_shares(x, y)

    def find_paper(self) -> Floats:
        """Return places between patches where there is nothing but paper.

        Returns
        -------
        Shape (n, 2), as `find_middles`: one to the right of each patch but the last of a row.
        """
        place = np.arange(self.number)
        place = place[(place + 1) % self.columns != 0]
        x = self.first[0] + (place % self.columns + 0.5) * self.pitch[0]
        y = self.first[1] + place // self.columns * self.pitch[1]
        return self._in_shares(x, y)

    def _in_shares(self, x: Floats, y: Floats) -> Floats:
        left, top, right, bottom = self.marks
        return np.stack([(x - left) / (right - left), (y - top) / (bottom - top)], axis=-1)


def make_grid(columns: int, number: int) -> PatchGrid:
    """Return the grid of a block with so many columns, in sides of a patch."""
    rows = -(-number // columns)
    left = _MARGIN + _MARK_RADIUS
    patches = left + _MARK_RADIUS + _GAP
    right = patches + (columns - 1) * _PITCH_ACROSS + 1 + _GAP + _MARK_RADIUS
    # beside the line of words: above it, two marks of a single row would touch
    bottom = _MARGIN + (rows - 1) * _PITCH_DOWN + 1 + 2 * _LINE - _MARK_RADIUS
    return PatchGrid(
        columns,
        number,
        (left, _MARGIN + _MARK_RADIUS, right, bottom),
        (patches + 0.5, _MARGIN + 0.5),
        (_PITCH_ACROSS, _PITCH_DOWN),
        1.0,
    )


def list_grids(number: int) -> list[PatchGrid]:
    """Return the grids that a block of so many patches may have."""
    return [make_grid(columns, number) for columns in _COLUMNS]


@dataclass(frozen=True, eq=False)
class PatchBlock:
    """A control strip that fits into some room, to be laid there pixel by pixel.

    See Also
    --------
    PatchBlock.fit
    """

    strip: StripToLay
    """What is laid."""
    columns: int
    """Of patches."""
    patch_px: int
    """Side of a patch."""
    module_px: int
    """Side of a module of the code."""
    width_px: int
    """Of the whole block."""
    height_px: int
    """Of the whole block."""

    @classmethod
    def fit(
        cls, strip: StripToLay, room_px: tuple[int, int], patch_mm: float, ppi: float
    ) -> PatchBlock | None:
        """Find the flattest block that fits.

        Parameters
        ----------
        strip
            What is laid.
        room_px
            Width and height of the room.
        patch_mm
            Side of a patch.
        ppi
            Pixels per inch.

        Returns
        -------
        The block; None when none fits.
        """
        for each in cls._list(strip, patch_mm, ppi):
            if each.width_px <= room_px[0] and each.height_px <= room_px[1]:
                return each
        return None

    @classmethod
    def find_least_depth_mm(
        cls, strip: StripToLay, length_px: int, patch_mm: float, ppi: float
    ) -> float | None:
        """Say how deep the room would have to be.

        Parameters
        ----------
        strip
            What is laid.
        length_px
            How long the room is.
        patch_mm
            Side of a patch.
        ppi
            Pixels per inch.

        Returns
        -------
        Millimetres; None when it is too short for any block.
        """
        depths = [
            each.height_px for each in cls._list(strip, patch_mm, ppi) if each.width_px <= length_px
        ]
        return min(depths) / ppi * MM_PER_INCH if depths else None

    @classmethod
    def _list(cls, strip: StripToLay, patch_mm: float, ppi: float) -> list[PatchBlock]:
        patch_px = max(1, round(patch_mm / MM_PER_INCH * ppi))
        module_px = max(2, -(-round(_MODULE_MM / MM_PER_INCH * ppi * 100) // 100))
        code = len(_code(strip.says)) * module_px
        made = []
        for columns in _COLUMNS:
            grid = make_grid(columns, len(strip.device))
            rest = grid.marks[2] + _MARK_RADIUS + 2 * _GAP + _MARGIN
            depth = grid.marks[3] + _MARK_RADIUS + _MARGIN
            made.append(
                cls(
                    strip,
                    columns,
                    patch_px,
                    module_px,
                    round(rest * patch_px) + code,
                    max(round(depth * patch_px), code + 2 * round(_MARGIN * patch_px)),
                )
            )
        return made

    @property
    def grid(self) -> PatchGrid:
        """Where the patches lie, in sides of a patch."""
        return make_grid(self.columns, len(self.strip.device))

    def draw(self, encoding: Encoding) -> Codes:
        """Draw the block.

        Parameters
        ----------
        encoding
            Of the strip's device values.

        Returns
        -------
        Shape (height, width, channels), uint16.
        """
        side, black = self.patch_px, BLACK[encoding]
        out: Codes = np.empty((self.height_px, self.width_px, encoding.channels), np.uint16)
        out[:] = white(encoding)
        for (x_px, y_px), device, name in zip(
            self.list_corners(), self.strip.device, self.strip.names, strict=True
        ):
            draw_text(out, name, (x_px, y_px + side), round(_TEXT * side), black)
            out[y_px : y_px + side, x_px : x_px + side] = to_codes(device)
        left, top, right, bottom = (each * side for each in self.grid.marks)
        for x in (left, right):
            for y in (top, bottom):
                draw_mark(out, (x, y), _MARK_RADIUS * side, encoding)
        words = round((self.grid.first[0] - 0.5) * side), self.height_px - round(0.5 * side)
        draw_text(out, self.strip.words, words, round(_TEXT * side), black)
        code = np.kron(_code(self.strip.says), np.ones((self.module_px,) * 2, np.bool_))
        room = out[
            (self.height_px - len(code)) // 2 :,
            self.width_px - len(code) - round(_MARGIN * side) :,
        ][: len(code), : len(code)]
        room[code] = black
        return out

    def list_corners(self) -> list[tuple[int, int]]:
        """Return each patch's left and upper edge, in pixels of the block.

        Returns
        -------
        In the order of the strip's patches.
        """
        grid, side = self.grid, self.patch_px
        return [
            (
                round((grid.first[0] - 0.5 + place % grid.columns * grid.pitch[0]) * side),
                round((grid.first[1] - 0.5 + place // grid.columns * grid.pitch[1]) * side),
            )
            for place in range(grid.number)
        ]


def to_codes(device: tuple[float, ...]) -> Codes:
    """Return a device value of 0 … 1 per channel as a pixel: shape (channels,), uint16."""
    codes: Codes = np.rint(np.array(device) * 65535).astype(np.uint16)
    return codes


def draw_mark(
    pixels: Codes, middle: tuple[float, float], radius_px: float, encoding: Encoding
) -> None:
    """Draw a mark of a corner into an array of our own: shape (rows, width, channels), uint16."""
    rows, columns = pixels.shape[:2]
    left, right = max(0, int(middle[0] - radius_px)), int(middle[0] + radius_px) + 2
    top, bottom = max(0, int(middle[1] - radius_px)), int(middle[1] + radius_px) + 2
    y, x = np.mgrid[top : min(bottom, rows), left : min(right, columns)]
    far = np.hypot(x + 0.5 - middle[0], y + 0.5 - middle[1]) / radius_px
    room = pixels[top:bottom, left:right]
    room[far <= RING_TO] = BLACK[encoding]
    room[far <= RING_FROM] = white(encoding)
    room[far <= DOT] = BLACK[encoding]


def draw_text(
    pixels: Codes, text: str, at: tuple[int, int], text_px: int, ink: tuple[int, ...]
) -> None:
    """Draw a line of text into an array of our own; what does not fit is cut off."""
    left, top = at
    room = pixels[top : top + round(1.35 * text_px), left:]
    if not room.size or text_px < 1:
        return
    from PIL import Image, ImageDraw, ImageFont  # not loaded where settings are read

    image = Image.new("L", (room.shape[1], room.shape[0]))
    font = ImageFont.load_default(text_px)
    ImageDraw.Draw(image).text((0, 0), text, fill=255, font=font)
    cover = np.asarray(image, dtype=np.float32)[..., None] / 255
    colour = np.array(ink, np.float32)
    room[:] = np.rint(room + (colour - room) * cover).astype(np.uint16)


@lru_cache(maxsize=4)
def _code(text: str) -> NDArray[np.bool_]:
    import segno  # it loads what speaks to servers, which few processes need

    made = segno.make_qr(text, error="l")
    return np.array([list(row) for row in made.matrix_iter(border=QUIET_MODULES)], np.bool_)
