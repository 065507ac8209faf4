"""Soft proof: what delivered pixels look like, in the numbers of a display.

There are two looks, and a proof says which one it is.

=========  ======================  ====================================================
show       return leg              what is seen
=========  ======================  ====================================================
medium     absolute colorimetric   paper white and ink black as an instrument sees them
adapted    relative colorimetric   the same to an eye adapted to the paper's white
=========  ======================  ====================================================

A proof has two legs: the picture to the destination, with the destination's intent, which is the
delivery itself; and the destination to the display. Neither look compensates for the black point
on the return leg: it would stretch a weak black to the display's own and so hide what is to be
shown. Only without it do the two legs together equal the single proofing transform of LittleCMS
(``cmsCreateProofingTransform``, whose inner leg back has none either), to the code value. `Look`
holds the flags of the return leg for the record.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Codes
from hotfolder.colour.engine import NO_GRID, convert_pixels
from hotfolder.colour.profile import Profile, ProfileError
from hotfolder.colour.slabs import over_slabs
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent

Show = Literal["medium", "adapted"]


@dataclass(frozen=True)
class Look:
    """The leg from the delivered pixels to a display."""

    show: Show
    """See the module."""
    intent: Intent
    """Of this leg."""
    flags: int
    """Of LittleCMS, never with black point compensation."""
    display: str
    """Description of the profile the numbers are for."""


@dataclass(frozen=True, eq=False)
class SoftProof:
    """A rendering: pixels of shape (rows, width, 3), uint16, in the display's RGB, and how."""

    pixels: Codes
    look: Look

    def to_8_bits(self) -> NDArray[np.uint8]:
        """Round to 8 bits a channel, as LittleCMS does: shape (rows, width, 3), 0 … 255."""
        rounded: NDArray[np.uint8] = np.rint(self.pixels / 257).astype(np.uint8)
        return rounded


def soft_proof(
    pixels: Codes, delivered: Profile, display: Profile, show: Show = "medium"
) -> SoftProof:
    """Render delivered pixels for a display, exactly.

    Parameters
    ----------
    pixels
        Shape (rows, width, channels of `delivered`), dtype uint16, encoded as `Encoding` says.
        Slow per pixel, 2 to 4 million a second: meant for a picture reduced to a screen's size.
    delivered
        The profile that the pixels are in.
    display
        Profile of an RGB display. sRGB where the display is not known.
    show
        ``"medium"`` or ``"adapted"``, see the module.

    Returns
    -------
    The rendering, and how it was made.

    Raises
    ------
    ProfileError
        When `display` is not an RGB profile, or LittleCMS cannot join the two.
    """
    if display.encoding is not Encoding.RGB:
        raise ProfileError(f"{display.description} is not for an RGB display")
    look = look_of(display, show)
    rows, width, _ = pixels.shape
    out = np.empty((rows, width, 3), dtype=np.uint16)

    def work(start: int, stop: int) -> None:
        part = pixels[start:stop]
        out[start:stop] = convert_pixels(part, delivered, display, look.intent, look.flags)

    over_slabs(work, rows, width)
    return SoftProof(out, look)


def look_of(display: Profile, show: Show) -> Look:
    """Return the leg that `soft_proof` takes for a display.

    Parameters
    ----------
    display
        Profile of an RGB display.
    show
        ``"medium"`` or ``"adapted"``.

    Returns
    -------
    Intent and flags of the leg.
    """
    intents = {"medium": Intent.ABSOLUTE_COLORIMETRIC, "adapted": Intent.RELATIVE_COLORIMETRIC}
    return Look(show, intents[show], NO_GRID, display.description)
