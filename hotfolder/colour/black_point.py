"""Black point compensation: colours scaled from one black to another, white kept.

ISO 18619:2015 as published with LittleCMS: per component of XYZ, out = A in + B, with
A = (BP_out - W) / (BP_in - W), B = -W (BP_out - BP_in) / (BP_in - W) and neutral black points.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from hotfolder.colour.arrays import Floats
from hotfolder.colour.encodings import D50_XYZ, lab_to_xyz, xyz_to_lab
from hotfolder.colour.engine import BLACK_POINT_COMPENSATION, NO_GRID, to_lab
from hotfolder.colour.profile import Profile


def compensated(lab: Floats, black_in: float, black_out: float) -> Floats:
    """Scale colours from one black to another, white kept.

    Parameters
    ----------
    lab
        Shape (..., 3), media-relative.
    black_in, black_out
        Luminance of the two blacks, white = 1.
    """
    a = (1 - black_out) / (1 - black_in)
    b = (black_out - black_in) / (1 - black_in)
    return xyz_to_lab(a * lab_to_xyz(lab) + b * np.array(D50_XYZ))


@lru_cache(maxsize=8)
def black_luminance(profile: Profile) -> float:
    """Luminance of the black that LittleCMS compensates for in a profile, white = 1.

    Read off what compensation towards a black of zero does to a mid tone:
    Y' = (Y - BP) / (1 - BP), solved for BP. The darkest colour that comes out of the profile's
    tables would not do: their rounding makes it up to one L* lighter, and all greys with it.

    Parameters
    ----------
    profile
        Any.

    Returns
    -------
    0 … 1; 0 is no light at all.
    """
    middle = np.full((1, 1, profile.encoding.channels), 32768, dtype=np.uint16)
    before, after = (
        float(lab_to_xyz(to_lab(profile, middle, flags=flags))[..., 1].item())
        for flags in (NO_GRID, NO_GRID | BLACK_POINT_COMPENSATION)
    )
    return max(0.0, (before - after) / (1 - after))
