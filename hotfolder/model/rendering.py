"""How colours find their way into a medium: as an engine makes them, or by a search of our own."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from hotfolder.model.intent import Intent


class Rendering(StrEnum):
    """Where the device values of a colour come from."""

    INTENT = "intent"
    """From the table of the destination's profile for the rendering intent."""

    REFINED = "refined"
    """From a search by what the profile measured, which begins at the table's answer: relative
    colorimetric, nearer to the picture's colours, with no more ink."""

    DETAIL = "detail"
    """As refined; what the medium cannot make is first brought in along its hue, as far as the
    picture itself goes beyond the medium, so that neighbouring colours stay apart."""


@dataclass(frozen=True)
class Way:
    """One way of a picture's colours into a medium, as a person names it.

    Examples
    --------
    >>> str(Way.named("detail+depth")), str(Way.named("relative"))
    ('detail + depth', 'relative colorimetric')
    """

    intent: Intent = Intent.RELATIVE_COLORIMETRIC
    """Of a `rendering` that is not intent, always relative colorimetric."""

    rendering: Rendering = Rendering.INTENT
    """Where device values come from."""

    depth: bool = False
    """Whether lightness goes by a curve onto the medium's range."""

    @classmethod
    def named(cls, text: str) -> Way:
        """Read a name: an intent, refined or detail, with ``+ depth`` or without.

        Parameters
        ----------
        text
            As a person writes it; blanks and capitals do not matter.

        Returns
        -------
        The way.

        Raises
        ------
        ValueError
            When it is none; the message says which there are.
        """
        said = "".join(text.lower().split())
        found = _NAMES.get(said)
        if found is None:
            allowed = ", ".join(map(str, WAYS))
            raise ValueError(f"{text.strip()} is no rendering; there are {allowed}")
        return found

    @property
    def settings(self) -> dict[str, str | bool]:
        """Say it as settings of a conversion."""
        return {"intent": str(self.intent), "rendering": str(self.rendering), "depth": self.depth}

    def __str__(self) -> str:
        """Return its name."""
        plain = self.intent if self.rendering is Rendering.INTENT else self.rendering
        return f"{plain} + depth" if self.depth else str(plain)


RELATIVE = Way()
PERCEPTUAL = Way(Intent.PERCEPTUAL)
REFINED = Way(rendering=Rendering.REFINED)
DETAIL = Way(rendering=Rendering.DETAIL)

WAYS = (
    RELATIVE,
    PERCEPTUAL,
    Way(Intent.SATURATION),
    Way(Intent.ABSOLUTE_COLORIMETRIC),
    REFINED,
    DETAIL,
    *(Way(rendering=each, depth=True) for each in Rendering),
)
"""All that there are: depth goes with relative colorimetric and what is made of it."""

_NAMES = {"".join(str(way).split()): way for way in WAYS}
_NAMES |= {name.replace("colorimetric", ""): way for name, way in _NAMES.items()}
