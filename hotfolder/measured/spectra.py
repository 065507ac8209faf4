"""Spectra to L*a*b*, by colour-science's ASTM E308."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Final

import numpy as np

from hotfolder.colour.arrays import Floats
from hotfolder.measured.table import NotUsable

_STEPS: Final = (1, 5, 10, 20)
"""Wavelength intervals of the tables and procedures of ASTM E308, in nm."""
_TABLES: Final = (10, 20)
"""Intervals for which weights are made as in ASTM E2022; finer ones are summed as they are."""
_FROM, _TO = 400, 700
"""What every spectrum must reach, in nm: beyond it the observer sees next to nothing."""


def spectra_to_lab(
    wavelengths: Sequence[int], reflectance: Floats, where: str, light: str = "D50"
) -> Floats:
    """Compute L*a*b* for a light, by default D50, and the 2° observer.

    Parameters
    ----------
    wavelengths
        In nm, ascending, evenly spaced by 1, 5, 10 or 20.
    reflectance
        Shape (n, wavelengths): 1 is the perfect diffuser.
    where
        Of the names of the wavelengths, for what is said of them.
    light
        Name of a CIE illuminant.

    Returns
    -------
    float64, shape (n, 3): against the light's own white.

    Raises
    ------
    NotUsable
        When the wavelengths are not spaced so, or do not reach from 400 to 700 nm.
    """
    xyz, white = spectra_to_xyz(wavelengths, reflectance, where, light)
    return xyz_to_lab_of(xyz, white)


def spectra_to_xyz(
    wavelengths: Sequence[int], reflectance: Floats, where: str, light: str
) -> tuple[Floats, Floats]:
    """Compute tristimulus values for a light and the 2° observer, as `spectra_to_lab` does.

    Returns
    -------
    X, Y, Z of each, shape (n, 3), and of the light's white, shape (3,), whose Y is 1.
    """
    weights = weigh(wavelengths, where, light)
    white: Floats = weights.sum(axis=0)
    return np.asarray(reflectance) @ weights / white[1], white / white[1]


def xyz_to_lab_of(xyz: Floats, white: Floats) -> Floats:
    """L*a*b* against any white (CIE 15:2018): shape (n, 3)."""
    import colour

    lab: Floats = np.asarray(colour.XYZ_to_Lab(xyz / white[1], colour.XYZ_to_xy(white)), np.float64)
    return lab


def weigh(wavelengths: Sequence[int], where: str, light: str) -> Floats:
    """Return weights of reflectances, as in the tables of ASTM E308: shape (wavelengths, 3).

    Raises
    ------
    NotUsable
        When the wavelengths are not spaced so, or do not reach from 400 to 700 nm.

    References
    ----------
    ASTM E308-15: Standard Practice for Computing the Colors of Objects by Using the CIE System.
    """
    steps = {int(each) for each in np.diff(wavelengths)}
    if len(steps) != 1 or not steps <= set(_STEPS):
        raise NotUsable(
            f"{where}: its wavelengths are not spaced evenly by 1, 5, 10 or 20 nm; one is missing, "
            "or they are in another order"
        )
    if not (360 <= wavelengths[0] <= _FROM and _TO <= wavelengths[-1] <= 780):
        raise NotUsable(
            f"{where}: its wavelengths go from {wavelengths[0]} to {wavelengths[-1]} nm, and have "
            f"to reach from {_FROM} to {_TO}, and lie between 360 and 780"
        )
    return _weigh(tuple(wavelengths), steps.pop(), light)


@cache
def _weigh(wavelengths: tuple[int, ...], step: int, light: str) -> Floats:
    from colour.colorimetry import (
        adjust_tristimulus_weighting_factors_ASTME308,
        tristimulus_weighting_factors_ASTME2022,
    )

    import colour

    # colour-science's own function for whole spectra says a warning for each step of the procedure
    every_nm = colour.SpectralShape(360, 780, 1)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    cmfs = observer.copy().align(every_nm)
    lit = colour.SDS_ILLUMINANTS[light].copy().align(every_nm)
    whole = colour.SpectralShape(360, 780, step)
    if step in _TABLES:
        weights = tristimulus_weighting_factors_ASTME2022(cmfs, lit, whole)
    else:
        weights = cmfs.values[::step] * lit.values[::step, None]
        weights = 100 * weights / weights[:, 1].sum()
    measured = colour.SpectralShape(wavelengths[0], wavelengths[-1], step)
    made: Floats = adjust_tristimulus_weighting_factors_ASTME308(weights, whole, measured)
    made.setflags(write=False)
    return made
