"""Words in a picture: Pillow's own font, so that a strip looks the same on every machine."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from hotfolder.colour import Codes

if TYPE_CHECKING:
    from PIL import ImageFont


def wrapped(text: str, text_px: int, width_px: int) -> list[str]:
    """Break a text into lines of at most `width_px`, between words where it can be done."""
    lines: list[str] = []
    for word in text.split():
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and _width(joined, text_px) <= width_px:
            lines[-1] = joined
        else:
            lines.append(_shortened(word, text_px, width_px))
    return lines


def draw(
    pixels: Codes, text: str, left_px: int, top_px: int, text_px: int, colour: tuple[int, ...]
) -> None:
    """Draw a line of text into an array of our own, shape (rows, width, channels), uint16.

    What does not fit into it is cut off.
    """
    room = pixels[top_px : top_px + round(1.35 * text_px), left_px:]
    if not room.size or not text:
        return
    from PIL import Image, ImageDraw  # loaded where a picture is made, not where settings are read

    image = Image.new("L", (room.shape[1], room.shape[0]))
    ImageDraw.Draw(image).text((0, 0), text, fill=255, font=_font(text_px))
    cover = np.asarray(image, dtype=np.float32)[..., None] / 255
    ink = np.array(colour, dtype=np.float32)
    room[:] = np.rint(room + (ink - room) * cover).astype(np.uint16)


def _shortened(word: str, text_px: int, width_px: int) -> str:
    while len(word) > 1 and _width(word, text_px) > width_px:
        word = word[:-1]
    return word


def _width(text: str, text_px: int) -> float:
    return _font(text_px).getlength(text)


@lru_cache(maxsize=4)
def _font(text_px: int) -> ImageFont.FreeTypeFont:
    from PIL import ImageFont

    font = ImageFont.load_default(text_px)
    if not isinstance(font, ImageFont.FreeTypeFont):  # without FreeType it has one size only
        raise TypeError("Pillow was built without FreeType, which draws the labels of a strip")
    return font
