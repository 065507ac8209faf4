"""Single calls of LittleCMS, which does the colour: pixels in, pixels or colours out."""

from __future__ import annotations

from typing import TypeVar

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Codes
from hotfolder.colour.profile import LITTLECMS_NAMES, Profile, ProfileError, lab_profile
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent

_Number = TypeVar("_Number", np.uint8, np.uint16)

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
    return _call(pixels, source, destination, intent, flags, np.uint16)


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
    return _call(pixels, source, destination, intent, flags, np.uint8)


def _call(
    pixels: Codes,
    source: Profile,
    destination: Profile,
    intent: Intent,
    flags: int,
    made: type[_Number],
) -> NDArray[_Number]:
    one_channel_in = source.encoding is Encoding.GREY
    try:
        out: NDArray[_Number] = imagecodecs.cms_transform(
            np.ascontiguousarray(pixels[..., 0] if one_channel_in else pixels),
            source.data,
            destination.data,
            colorspace=LITTLECMS_NAMES[source.encoding],
            outcolorspace=LITTLECMS_NAMES[destination.encoding],
            outdtype=np.dtype(made).name,
            intent=intent.code,
            flags=flags,
        )
    except imagecodecs.CmsError as error:
        raise ProfileError(
            f"{source.description} and {destination.description} cannot be joined: {error}"
        ) from error
    return out.reshape(*pixels.shape[:2], destination.encoding.channels)


def to_lab(
    profile: Profile, pixels: Codes, intent: Intent = Intent.RELATIVE_COLORIMETRIC
) -> NDArray[np.float64]:
    """Say what colours pixels are, without grid and without black point compensation.

    Parameters
    ----------
    profile
        What gives the pixels their meaning.
    pixels
        Shape (..., channels), dtype uint16.
    intent
        Relative to the medium's white, or absolute.

    Returns
    -------
    float64, shape (..., 3): L*, a*, b* at D50.
    """
    flat = np.ascontiguousarray(pixels).reshape(1, -1, pixels.shape[-1])
    out: NDArray[np.float64] = imagecodecs.cms_transform(
        flat[..., 0] if profile.encoding is Encoding.GREY else flat,
        profile.data,
        lab_profile().data,
        colorspace=LITTLECMS_NAMES[profile.encoding],
        outcolorspace="lab",
        outdtype="float64",
        intent=intent.code,
        flags=NO_GRID,
    )
    return out.reshape(*pixels.shape[:-1], 3)
