"""What colour a destination gives to greys, and what it adds to the tone of a toned picture.

Measured in CIELAB relative to the medium's white, to which the eye adapts: the tint of the paper
itself is no cast. Chroma is C*ab (CIE 15:2004, 8.2.1.2). A grey should be neutral; a tone should be
what the picture asks for, its black scaled to the medium's if the conversion does so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotfolder import Json
from hotfolder.colour import Floats, Profile, Transform, to_lab

_HUES = ("reddish", "yellowish", "greenish", "bluish", "purplish")
_HUES_END_AT = (50.0, 105.0, 200.0, 295.0, 350.0)
"""CIELAB hue angles, degrees; plain words for a weak tint (common practice, no source)."""


@dataclass(frozen=True)
class Cast:
    """A reproduced grey: L*, a*, b* as delivered, relative to the medium's white.

    Of a tone, a* and b* beyond those of the tone.
    """

    lightness: float
    a: float
    b: float

    @property
    def chroma(self) -> float:
        """C*ab."""
        return float(np.hypot(self.a, self.b))

    def summary(self) -> dict[str, float]:
        """Return the numbers under their names, rounded to 0.01."""
        return {
            "lightness": round(self.lightness, 2),
            "a": round(self.a, 2),
            "b": round(self.b, 2),
            "chroma": round(self.chroma, 2),
        }


@dataclass(frozen=True)
class Casts:
    """The greys of a picture, reproduced: the worst of them, and their chroma on average."""

    worst: Cast
    mean_chroma: float

    def summary(self) -> dict[str, Json]:
        """Return both under their names."""
        return {"worst_cast": self.worst.summary(), "mean_chroma": round(self.mean_chroma, 3)}


def casts(
    transform: Transform,
    pixels: NDArray[np.uint16],
    counts: NDArray[np.int64],
    tone: Floats | None = None,
) -> Casts:
    """Convert greys and measure what they become.

    Parameters
    ----------
    pixels
        Shape (n, channels of the source), dtype uint16, n at least 1.
    counts
        Shape (n,): how many pixels of the picture each stands for.
    tone
        Shape (n, 3): L*a*b* that they should have; None when they should be neutral.
    """
    lab = to_lab(transform.destination, transform.apply(pixels[None])[0])
    if tone is not None:
        lab[:, 1:] -= tone[:, 1:]
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    worst = lab[int(chroma.argmax())]
    return Casts(Cast(*map(float, worst)), float(np.average(chroma, weights=counts)))


def largest_chroma(profile: Profile, pixels: NDArray[np.uint16]) -> float:
    """Return the largest chroma, C*ab, of pixels of shape (n, channels)."""
    lab = to_lab(profile, pixels)
    return float(np.hypot(lab[:, 1], lab[:, 2]).max())


def in_words(cast: Cast) -> str:
    """Return the hue of a cast as an adjective."""
    hue = float(np.degrees(np.arctan2(cast.b, cast.a)) % 360)
    index = int(np.searchsorted(_HUES_END_AT, hue, side="right")) % len(_HUES)
    return _HUES[index]
