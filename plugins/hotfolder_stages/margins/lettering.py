"""Words as a cover of ink, in Pillow's own font: the same on every machine."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hotfolder_stages.margins.layout import Rectangle

if TYPE_CHECKING:
    from PIL import ImageFont

_MISSING = "\U0010ffff"
"""No font has it: what is drawn in its place stands for every character that a font lacks."""


@dataclass(frozen=True, eq=False)
class Lettering:
    """A line of words, and where it lies."""

    left_px: int
    top_px: int
    cover: NDArray[np.uint8]
    """Shape (rows, columns), 255 is all ink."""
    text: str
    """What was drawn."""
    lacks: str
    """Characters that the font does not have; plain letters or question marks stand for them."""


def letter(text: str, room: Rectangle, text_px: int) -> Lettering | None:
    """Draw a line into a rectangle; cut with an ellipsis where it is too long; None for no room."""
    from PIL import Image, ImageDraw  # loaded where words are drawn, not where settings are read

    font = _font(text_px)
    text = unicodedata.normalize("NFC", text)
    lacks = "".join(dict.fromkeys(each for each in text if _is_missing(each, text_px)))
    fitting = shown = "".join(_plain(each, text_px) if each in lacks else each for each in text)
    while fitting and font.getlength(shown) > room.width_px:
        fitting = fitting[:-1]
        shown = f"{fitting.rstrip()}…"
    if not fitting or room.height_px < 1:
        return None
    image = Image.new("L", (min(room.width_px, round(font.getlength(shown)) + 2), room.height_px))
    ImageDraw.Draw(image).text((0, room.height_px / 2), shown, fill=255, font=font, anchor="lm")
    return Lettering(room.left_px, room.top_px, np.asarray(image), shown, lacks)


def _is_missing(character: str, text_px: int) -> bool:
    font = _font(text_px)
    drawn, missing = font.getmask(character), font.getmask(_MISSING)
    return drawn.size == missing.size and bytes(drawn) == bytes(missing)


def _plain(character: str, text_px: int) -> str:
    """What stands for a character that the font lacks: its letter without an accent, or "?"."""
    parts = unicodedata.normalize("NFKD", character)
    letters = "".join(each for each in parts if not unicodedata.combining(each))
    return letters if letters and not any(_is_missing(each, text_px) for each in letters) else "?"


@lru_cache(maxsize=4)
def _font(text_px: int) -> ImageFont.FreeTypeFont:
    from PIL import ImageFont

    font = ImageFont.load_default(text_px)
    if not isinstance(font, ImageFont.FreeTypeFont):  # without FreeType it has one size only
        raise TypeError("Pillow was built without FreeType, which draws the words in margins")
    return font
