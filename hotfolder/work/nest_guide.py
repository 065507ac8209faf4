"""The guide for whoever cuts a nest: the sheet as a small picture, with numbers, and a list."""

from __future__ import annotations

import io
import math
import unicodedata
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.engine import convert_to_8_bits
from hotfolder.colour.profile import Profile
from hotfolder.colour.spaces import SRGB_CURVE, SRGB_PRIMARIES, rgb_profile
from hotfolder.disk.names import display_name
from hotfolder.model.intent import Intent
from hotfolder.raster.picture import Band
from hotfolder.work.nest import Laid, Nest

if TYPE_CHECKING:
    from PIL import ImageDraw, ImageFont

_SHEET_PX: Final = (760, 3000)
"""At most so wide and high is the sheet drawn."""
_LIST_PX: Final = 860
_MARGIN_PX: Final = 36
_TEXT_PX, _HEAD_PX, _LINE_PX = 17, 24, 26
_INK, _SOFT, _CUT = "#1a1a1a", "#5a5a5a", "#b00020"
_LONGEST_NAME: Final = 42


class Miniature:
    """The sheet, small: gathered as its bands go by."""

    def __init__(self, nest: Nest) -> None:
        wide, high = nest.width_px / _SHEET_PX[0], nest.length_px / _SHEET_PX[1]
        self.step = max(1, math.ceil(max(wide, high)))
        self._rows: list[NDArray[np.uint16]] = []

    def take(self, band: Band) -> None:
        """Keep every so many-th pixel of every so many-th row."""
        first = -band.top % self.step
        kept = band.pixels[first :: self.step, :: self.step]
        if len(kept):
            self._rows.append(kept.copy())

    def picture(self, profile: Profile) -> NDArray[np.uint8]:
        """What was kept, in sRGB: shape (rows, width, 3)."""
        srgb = Profile.parse(rgb_profile("sRGB", SRGB_PRIMARIES, SRGB_CURVE))
        pixels = np.concatenate(self._rows)
        return convert_to_8_bits(pixels, profile, srgb, Intent.RELATIVE_COLORIMETRIC, 0)


def draw_guide(nest: Nest, miniature: Miniature, heading: Sequence[str]) -> bytes:
    """Draw the guide.

    Parameters
    ----------
    nest
        What is laid where.
    miniature
        The whole sheet, gathered.
    heading
        Lines above the list.

    Returns
    -------
    bytes
        A PNG.
    """
    from PIL import Image, ImageDraw, ImageFont

    profile = nest.laid[0].piece.spec.profile
    assert profile is not None  # `read_pieces` has seen to it
    small = miniature.picture(profile)
    lines = len(heading) + len(nest.laid) + 6
    height = max(len(small) + 2 * _MARGIN_PX + _LINE_PX, _MARGIN_PX * 3 + lines * _LINE_PX)
    left = 2 * _MARGIN_PX + small.shape[1]
    image = Image.new("RGB", (left + _LIST_PX + _MARGIN_PX, height), "#f2f2f0")
    image.paste(Image.fromarray(small), (_MARGIN_PX, _MARGIN_PX))
    draw = ImageDraw.Draw(image)
    text, head = (ImageFont.load_default(size) for size in (_TEXT_PX, _HEAD_PX))
    _draw_sheet(draw, nest, 1 / miniature.step, small.shape[1], head)
    _draw_list(draw, nest, heading, left, text, head)
    encoded = io.BytesIO()
    image.save(encoded, "PNG")
    return encoded.getvalue()


def _draw_sheet(
    draw: ImageDraw.ImageDraw, nest: Nest, scale: float, width: int,
    font: ImageFont.FreeTypeFont | ImageFont.ImageFont,
) -> None:  # fmt: skip
    for number, each in enumerate(nest.laid, 1):
        box = [
            _MARGIN_PX + edge * scale
            for edge in (
                each.left_px,
                each.top_px,
                each.left_px + each.width_px,
                each.top_px + each.height_px,
            )
        ]
        draw.rectangle(box, outline=_INK, width=1)
        middle = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
        label = f"{number}" + (" turned" if each.is_turned else "")
        around = draw.textbbox(middle, label, font=font, anchor="mm")
        draw.rectangle((around[0] - 5, around[1] - 4, around[2] + 5, around[3] + 4), fill="white")
        draw.text(middle, label, fill=_INK, font=font, anchor="mm")
    for cut in nest.cuts_px:
        row = _MARGIN_PX + cut * scale
        for start in range(_MARGIN_PX - 14, _MARGIN_PX + width + 14, 12):
            draw.line((start, row, start + 6, row), fill=_CUT, width=2)


def _draw_list(
    draw: ImageDraw.ImageDraw, nest: Nest, heading: Sequence[str], left: int,
    font: ImageFont.FreeTypeFont | ImageFont.ImageFont,
    head: ImageFont.FreeTypeFont | ImageFont.ImageFont,
) -> None:  # fmt: skip
    row = _MARGIN_PX
    for number, line in enumerate(heading):
        draw.text((left, row), _plain(line), fill=_INK if number == 0 else _SOFT,
                  font=head if number == 0 else font)  # fmt: skip
        row += _LINE_PX + (8 if number == 0 else 0)
    row += _LINE_PX // 2
    columns = (left, left + 40, left + 440, left + 580, left + 720)
    for column, word in zip(columns, ("", "picture", "size, mm", "from left", "from start"),
                            strict=True):  # fmt: skip
        draw.text((column, row), word, fill=_SOFT, font=font)
    row += _LINE_PX
    for number, each in enumerate(nest.laid, 1):
        for column, word in zip(columns, _describe(nest, number, each), strict=True):
            draw.text((column, row), word, fill=_INK, font=font)
        row += _LINE_PX
    if nest.cuts_px:
        said = ", ".join(f"{nest.to_mm(each):.0f}" for each in nest.cuts_px[:12])
        more = " ..." if len(nest.cuts_px) > 12 else ""
        row += _LINE_PX // 2
        draw.text((left, row), f"First cut across, at {said}{more} mm from the start (dashed).",
                  fill=_CUT, font=font)  # fmt: skip


def _plain(text: str) -> str:
    """The text in letters that the font has: without accents, and a question mark for the rest."""
    parts = unicodedata.normalize("NFKD", text)
    letters = "".join(each for each in parts if not unicodedata.combining(each))
    return letters.encode("ascii", "replace").decode("ascii")


def _describe(nest: Nest, number: int, each: Laid) -> tuple[str, str, str, str, str]:
    name = _plain(display_name(each.piece.name))
    if len(name) > _LONGEST_NAME:
        name = f"{name[: _LONGEST_NAME - 3]}..."
    size = f"{nest.to_mm(each.width_px):.1f} x {nest.to_mm(each.height_px):.1f}"
    return (
        f"{number}",
        name,
        size,
        f"{nest.to_mm(each.left_px):.1f}",
        f"{nest.to_mm(each.top_px):.1f}",
    )
