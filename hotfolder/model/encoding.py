"""Which kind of colour the numbers of a pixel are."""

from __future__ import annotations

from enum import StrEnum
from typing import Final

_WORDS: Final = {"rgb": "RGB", "grey": "grey", "cmyk": "CMYK", "lab": "Lab"}


class Encoding(StrEnum):
    """The kind of colour a pixel holds."""

    RGB = "rgb"
    """Device values of the profile."""

    GREY = "grey"
    """Device values of the profile, 0 is black."""

    CMYK = "cmyk"
    """Amounts of ink, 0 is none."""

    LAB = "lab"
    """16-bit PCSLAB (ICC.1:2022, 6.3.4.2)."""

    @property
    def channels(self) -> int:
        """Number of colour channels, alpha not counted."""
        return {"rgb": 3, "grey": 1, "cmyk": 4, "lab": 3}[self.value]

    @property
    def in_words(self) -> str:
        """What people call it."""
        return _WORDS[self.value]


def colours_in_words(recorded: str) -> str:
    """Return what people call the colours of which a record says ``GREY``, ``RGB``, ….

    Examples
    --------
    >>> colours_in_words("GREY")
    'grey'
    """
    return _WORDS.get(recorded.lower(), recorded)
