"""Black point compensation: colours scaled from one black to another, white kept.

ISO 18619:2015 as published with LittleCMS: per component of XYZ, out = A in + B, with
A = (BP_out - W) / (BP_in - W), B = -W (BP_out - BP_in) / (BP_in - W) and neutral black points.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from hotfolder.colour.arrays import Floats
from hotfolder.colour.encodings import EPSILON, KAPPA, lab_to_xyz
from hotfolder.colour.engine import BLACK_POINT_COMPENSATION, NO_GRID, to_lab
from hotfolder.colour.kept_points import number_for
from hotfolder.colour.machine_code import compiled, made, number, seen
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
    flat = np.ascontiguousarray(lab, np.float64).reshape(-1, 3)
    out = np.empty_like(flat)
    _scale(flat, a, b, out)
    return out.reshape(lab.shape)


@compiled(seen("f8", 2), number("f8"), number("f8"), made("f8", 2))
def _scale(lab: Floats, a: float, b: float, out: Floats) -> None:
    """As `lab_to_xyz`, a XYZ + b white and `xyz_to_lab`, for one colour at a time."""
    f = np.empty(3)
    for colour in range(len(lab)):
        fy = (lab[colour, 0] + 16) / 116
        f[0], f[1], f[2] = fy + lab[colour, 1] / 500, fy, fy - lab[colour, 2] / 200
        for lane in range(3):
            cube = f[lane] * f[lane] * f[lane]
            ratio = cube if cube > EPSILON else (116 * f[lane] - 16) / KAPPA
            ratio = a * ratio + b
            f[lane] = np.cbrt(ratio) if ratio > EPSILON else (KAPPA * ratio + 16) / 116
        out[colour, 0] = 116 * f[1] - 16
        out[colour, 1] = 500 * (f[0] - f[1])
        out[colour, 2] = 200 * (f[1] - f[2])


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
    return number_for("black", {"profile": profile}, lambda: _measure_black(profile))


def _measure_black(profile: Profile) -> float:
    middle = np.full((1, 1, profile.encoding.channels), 32768, dtype=np.uint16)
    before, after = (
        float(lab_to_xyz(to_lab(profile, middle, flags=flags))[..., 1].item())
        for flags in (NO_GRID, NO_GRID | BLACK_POINT_COMPENSATION)
    )
    return max(0.0, (before - after) / (1 - after))
