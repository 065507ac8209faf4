"""Single calls of LittleCMS, which does the colour: pixels in, pixels or colours out."""

from __future__ import annotations

from typing import TypeVar

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from hotfolder.colour import littlecms
from hotfolder.colour.arrays import Codes, Floats
from hotfolder.colour.profile import LITTLECMS_NAMES, Profile, ProfileError, lab_profile
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent

_Number = TypeVar("_Number", np.uint8, np.uint16, np.float64)

BLACK_POINT_COMPENSATION = 0x2000
"""``cmsFLAGS_BLACKPOINTCOMPENSATION``: ISO 18619, in LittleCMS's own form."""

NO_GRID = 0x100
"""``cmsFLAGS_NOOPTIMIZE``: every pixel goes through the profiles themselves."""


def convert_pixels(
    pixels: Codes,
    source: Profile,
    destination: Profile,
    intent: Intent,
    flags: int,
) -> Codes:
    """Call LittleCMS once.

    Parameters
    ----------
    pixels
        Shape (rows, width, channels of the source), dtype uint16.
    source, destination
        Profiles.
    intent
        Rendering intent.
    flags
        LittleCMS's own; `NO_GRID` for every pixel through the profiles.

    Returns
    -------
    uint16, shape (rows, width, channels of the destination).
    """
    return call(pixels, source, destination, intent, flags, np.uint16)


def convert_to_8_bits(
    pixels: Codes, source: Profile, destination: Profile, intent: Intent, flags: int
) -> NDArray[np.uint8]:
    """Call LittleCMS once, for a result of 8 bits.

    Parameters
    ----------
    pixels
        Shape (rows, width, channels of the source), dtype uint16.
    source, destination
        Profiles.
    intent
        Rendering intent.
    flags
        LittleCMS's own.

    Returns
    -------
    uint8, shape (rows, width, channels of the destination): n * 255 / 65535, rounded.
    """
    return call(pixels, source, destination, intent, flags, np.uint8)


def call(
    pixels: Codes | Floats,
    source: Profile,
    destination: Profile,
    intent: Intent,
    flags: int,
    made: type[_Number],
) -> NDArray[_Number]:
    """Call LittleCMS once, for pixels of any kind.

    Parameters
    ----------
    pixels
        Shape (rows, width, channels of the source); floats are L*, a*, b*.
    source, destination, intent, flags
        As for `convert_pixels`.
    made
        What is made: whole numbers are codes, floats are L*, a*, b*.

    Returns
    -------
    Shape (rows, width, channels of the destination).

    Raises
    ------
    ProfileError
        When there is no way from the one profile to the other.
    """
    one_channel_in = source.encoding is Encoding.GREY
    try:
        out: NDArray[_Number] = littlecms.transform(
            np.ascontiguousarray(pixels[..., 0] if one_channel_in else pixels),
            (source.sha256, source.data),
            (destination.sha256, destination.data),
            spaces=(LITTLECMS_NAMES[source.encoding], LITTLECMS_NAMES[destination.encoding]),
            made=np.dtype(made).name,
            intent=intent.code,
            flags=flags,
        )
    except imagecodecs.CmsError as error:
        raise ProfileError(
            f"{source.description} and {destination.description} cannot be joined: {error}"
        ) from error
    return out.reshape(*pixels.shape[:2], destination.encoding.channels)


def to_lab(
    profile: Profile,
    pixels: Codes,
    intent: Intent = Intent.RELATIVE_COLORIMETRIC,
    flags: int = NO_GRID,
) -> NDArray[np.float64]:
    """Say what colours pixels are.

    Parameters
    ----------
    profile
        What gives the pixels their meaning.
    pixels
        Shape (..., channels), dtype uint16.
    intent
        Relative to the medium's white, or absolute.
    flags
        LittleCMS's own; by default without grid and without black point compensation.

    Returns
    -------
    float64, shape (..., 3): L*, a*, b* at D50.
    """
    flat = pixels.reshape(1, -1, pixels.shape[-1])
    lab = call(flat, profile, lab_profile(), intent, flags, np.float64)
    return lab.reshape(*pixels.shape[:-1], 3)
