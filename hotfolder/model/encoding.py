"""Which kind of colour the numbers of a pixel are."""

from __future__ import annotations

from enum import StrEnum


class Encoding(StrEnum):
    """The kind of colour a pixel holds."""

    RGB = "rgb"
    GREY = "grey"
    CMYK = "cmyk"
    LAB = "lab"

    @property
    def channels(self) -> int:
        """Number of colour channels, alpha not counted."""
        return {"rgb": 3, "grey": 1, "cmyk": 4, "lab": 3}[self.value]
