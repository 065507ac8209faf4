"""What a ticket's row or a release asks for, in words that are no stage's own.

A stage that can do it says so in its settings (`StageSettings.grants`), and turns the wish into
values of its own settings (`StageSettings.granting`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import ClassVar

_PLACE = re.compile(r"\s*(\d{1,3}(?:[.,]\d+)?)\s*%\s*[,;/]\s*(\d{1,3}(?:[.,]\d+)?)\s*%?\s*")


@dataclass(frozen=True)
class Wish:
    """Something that is asked for one picture."""

    what: ClassVar[str]
    """What it is, as people call it: ``"a size"``."""

    note: ClassVar[str] = ""
    """What whoever asks for it is to know, as a sentence; "" when nothing."""


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
class WhiteWish(Wish):
    """That a place in the picture is white or grey, and the picture is balanced for it.

    A person's decision: nobody can measure it.
    """

    what = "what is white"
    note = "What is white is recorded as your decision, and never as a measurement."

    at: tuple[float, float]
    """As shares of the original's width and height, from the left and from the top, 0 … 1."""

    @classmethod
    def named(cls, text: str) -> WhiteWish:
        """Read a place as people write it.

        Parameters
        ----------
        text
            Two shares, from the left and from the top, as in ``"40%,30%"``.

        Returns
        -------
        The wish that it is white there.

        Raises
        ------
        ValueError
            When it is none; says how one is written.

        Examples
        --------
        >>> WhiteWish.named("40 %, 30,5 %").at
        (0.4, 0.305)
        """
        found = _PLACE.fullmatch(text)
        shares = [float(each.replace(",", ".")) / 100 for each in found.groups()] if found else []
        match shares:
            case [across, down] if max(shares) <= 1:
                return cls((across, down))
        allowed = 'two shares up to 100 %, from the left and from the top, as in "40%,30%"'
        raise ValueError(allowed)

    @property
    def in_words(self) -> str:
        """Where it is, as people say it.

        Examples
        --------
        >>> WhiteWish((0.4, 0.305)).in_words
        '40 % from the left and 30.5 % from the top'
        """
        across, down = (f"{100 * each:.3g} %" for each in self.at)
        return f"{across} from the left and {down} from the top"

    def __str__(self) -> str:
        across, down = (f"{100 * each:.1f}%" for each in self.at)
        return f"{across},{down}"


@dataclass(frozen=True)
class CaptionWish(Wish):
    """A description that the result carries."""

    what = "a caption"

    text: str
    """One line."""
