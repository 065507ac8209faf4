"""What a ticket's row or a release asks for, in words that are no stage's own.

A stage that can do it says so in its settings (`StageSettings.grants`), and turns the wish into
values of its own settings (`StageSettings.granting`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True)
class Wish:
    """Something that is asked for one picture."""

    what: ClassVar[str]
    """What it is, as people call it: ``"a size"``."""


@dataclass(frozen=True)
class SizeWish(Wish):
    """A size; at least one side is given.

    Both sides are a place in a layout, which the picture covers. One side keeps the whole picture.
    """

    what = "a size"

    width_mm: float | None = None
    """Above 0; None: as the picture's shape has it."""

    height_mm: float | None = None
    """Above 0; None: as the picture's shape has it."""

    anchor: str = ""
    """What stays when the picture is cropped, as a ticket says it; ``""`` when it does not."""


@dataclass(frozen=True)
class LongEdgeWish(Wish):
    """A size by its longer side."""

    what = "a long edge"

    length: str
    """With its unit, as people write it: ``"40 in"``."""


@dataclass(frozen=True)
class NoEnlargementWish(Wish):
    """That no pixel is made up: a picture that is too small is printed smaller.

    See Also
    --------
    LongEdgeWish, SizeWish
    """

    what = "that nothing is enlarged"


@dataclass(frozen=True)
class IntentWish(Wish):
    """A rendering intent."""

    what = "a rendering intent"

    intent: str
    """Its name, as settings have it."""


@dataclass(frozen=True)
class RenderingWish(Wish):
    """A rendering: where the device values of colours come from, and how lightness is laid."""

    what = "a rendering"

    rendering: str
    """As `hotfolder.Way.named` reads it; ``"intent"``: what the destination's intent says."""


@dataclass(frozen=True)
class CaptionWish(Wish):
    """A description that the result carries."""

    what = "a caption"

    text: str
    """One line."""
