"""The colour of borders: the medium's white, or one that the settings give."""

from __future__ import annotations

import re
from typing import Annotated

import numpy as np
from pydantic import AfterValidator

from hotfolder import RasterSpec, source_profile
from hotfolder.colour import (
    SRGB_TO_D50,
    Codes,
    Precision,
    Transform,
    lab_profile,
    white,
    xyz_to_lab,
)

WHITE = "white"


def _read(value: str) -> str:
    if value != WHITE and not re.fullmatch("#[0-9A-Fa-f]{6}", value):
        raise ValueError('"white", the medium\'s own, or an sRGB colour, as in "#f4efe6"')
    return value


Colour = Annotated[str, AfterValidator(_read)]
"""A colour in settings: ``"white"``, the medium's own, or sRGB, ``"#f4efe6"``."""


def codes_of(colour: str, raster: RasterSpec) -> Codes:
    """A colour in a picture's own encoding: shape (channels,), uint16.

    Raises
    ------
    Hold
        For another colour than white, when nobody knows what the picture's numbers mean.
    """
    if colour == WHITE:
        return white(raster.encoding)
    values = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    # IEC 61966-2-1, 5.2.
    light = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    lab = xyz_to_lab(np.array(SRGB_TO_D50) @ light)
    # 16-bit PCSLAB, ICC.1:2022, 6.3.4.2.
    encoded = (lab + np.array([0, 128, 128])) * np.array([655.35, 257, 257])
    codes = np.rint(encoded).clip(0, 65535).astype(np.uint16)
    exact = Transform(lab_profile(), source_profile(raster), precision=Precision.EXACT)
    return np.asarray(exact.apply(codes[None, None])[0, 0])
