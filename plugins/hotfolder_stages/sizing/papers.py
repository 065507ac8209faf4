"""Paper sizes by name: the A and B series of ISO 216:2007, in millimetres.

Each next number is half of the one before, rounded down to whole millimetres; the sizes are
written out all the same, as a reader knows them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import BeforeValidator, PlainSerializer

SIZES_MM = {
    "A0": (841, 1189),
    "A1": (594, 841),
    "A2": (420, 594),
    "A3": (297, 420),
    "A4": (210, 297),
    "A5": (148, 210),
    "A6": (105, 148),
    "A7": (74, 105),
    "A8": (52, 74),
    "A9": (37, 52),
    "A10": (26, 37),
    "B0": (1000, 1414),
    "B1": (707, 1000),
    "B2": (500, 707),
    "B3": (353, 500),
    "B4": (250, 353),
    "B5": (176, 250),
    "B6": (125, 176),
    "B7": (88, 125),
    "B8": (62, 88),
    "B9": (44, 62),
    "B10": (31, 44),
}

_NAME = re.compile(r"\s*([ABab](?:10|\d))(?:\s+(portrait|landscape))?\s*")


@dataclass(frozen=True)
class Paper:
    """A sheet of paper; without an orientation it lies as the picture does."""

    name: str
    orientation: Literal["portrait", "landscape"] | None = None

    def __str__(self) -> str:
        return f"{self.name} {self.orientation}" if self.orientation else self.name

    def size_mm(self, *, upright: bool) -> tuple[int, int]:
        """Width and height, for a picture that is higher than wide, or is not."""
        short, long = SIZES_MM[self.name]
        if self.orientation is not None:
            upright = self.orientation == "portrait"
        return (short, long) if upright else (long, short)


def _read_paper(value: object) -> object:
    if isinstance(value, Paper):
        return value
    match = _NAME.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        raise ValueError('A0 to A10 or B0 to B10, as in "A3" or "A4 landscape"')
    return Paper(match[1].upper(), match[2])  # type: ignore[arg-type]  # the pattern allows no other


PaperName = Annotated[
    Paper,
    BeforeValidator(_read_paper, json_schema_input_type=str),
    PlainSerializer(str, return_type=str),
]
"""A paper in settings: ``"A3"``, ``"B2 portrait"``."""
