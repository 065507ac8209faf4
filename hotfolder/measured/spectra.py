"""Spectra to L*a*b*, by colour-science's ASTM E308."""

from __future__ import annotations

from collections.abc import Sequence
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


def spectra_to_lab(wavelengths: Sequence[int], reflectance: Floats, where: str) -> Floats:
    """Compute L*a*b* for D50 and the 2° observer.

    Parameters
    ----------
    wavelengths
        In nm, ascending, evenly spaced by 1, 5, 10 or 20.
    reflectance
        Shape (n, wavelengths): 1 is the perfect diffuser.
    where
        Of the names of the wavelengths, for what is said of them.

    Returns
    -------
    float64, shape (n, 3).

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
    from colour.colorimetry import (
        adjust_tristimulus_weighting_factors_ASTME308,
        tristimulus_weighting_factors_ASTME2022,
    )

    import colour

    # colour-science's own function for whole spectra says a warning for each step of the procedure
    step, every_nm = steps.pop(), colour.SpectralShape(360, 780, 1)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    cmfs = observer.copy().align(every_nm)
    light = colour.SDS_ILLUMINANTS["D50"].copy().align(every_nm)
    whole = colour.SpectralShape(360, 780, step)
    if step in _TABLES:
        weights = tristimulus_weighting_factors_ASTME2022(cmfs, light, whole)
    else:
        weights = cmfs.values[::step] * light.values[::step, None]
        weights = 100 * weights / weights[:, 1].sum()
    measured = colour.SpectralShape(wavelengths[0], wavelengths[-1], step)
    weights = adjust_tristimulus_weighting_factors_ASTME308(weights, whole, measured)
    white = weights.sum(axis=0)
    xyz = np.asarray(reflectance) @ weights / white[1]
    lab: Floats = np.asarray(colour.XYZ_to_Lab(xyz, colour.XYZ_to_xy(white)), np.float64)
    return lab
