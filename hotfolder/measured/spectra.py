"""Spectra to L*a*b*, by colour-science's ASTM E308."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from hotfolder.colour.arrays import Floats
from hotfolder.measured.table import NotUsable

_STEPS: Final = (1, 5, 10, 20)
"""Wavelength intervals of the tables and procedures of ASTM E308, in nm."""
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
    if wavelengths[0] > _FROM or wavelengths[-1] < _TO:
        raise NotUsable(
            f"{where}: its wavelengths go from {wavelengths[0]} to {wavelengths[-1]} nm, and have "
            f"to reach from {_FROM} to {_TO}"
        )
    import colour

    shape = colour.SpectralShape(wavelengths[0], wavelengths[-1], steps.pop())
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    light = colour.SDS_ILLUMINANTS["D50"]

    def xyz(values: Floats) -> Floats:
        made: Floats = colour.sd_to_XYZ(
            colour.SpectralDistribution(values, shape), cmfs, light, method="ASTM E308"
        )
        return made

    white = xyz(np.ones(len(wavelengths)))
    chromaticity = colour.XYZ_to_xy(white)
    found = np.array([xyz(each) for each in reflectance]) / white[1]
    lab: Floats = np.asarray(colour.XYZ_to_Lab(found, chromaticity), np.float64)
    return lab
