"""Refined: device values found by a profile's measurement model, as a function of colour alone.

A profile's table to device stays half a ΔE00 to two off what its own measurements say can be made.
`Refined` aims at every colour as it is, relative to the two whites, begins at the table's answer
and searches by the measurement model. It is what a `hotfolder.colour.grid.Grid` takes for its exact
conversion. It is computed from the profile's measurements; a measured strip proves it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hotfolder.colour.arrays import Codes, Floats
from hotfolder.colour.black_point import black_luminance, compensated
from hotfolder.colour.engine import to_lab
from hotfolder.colour.inversion import invert
from hotfolder.colour.measurement_model import measurement_model
from hotfolder.colour.medium import by_table
from hotfolder.colour.profile import Profile
from hotfolder.model.encoding import Encoding


def can_be_refined(medium: Profile) -> bool:
    """Say whether a profile goes to device through a table; a matrix or a curve is exact.

    Parameters
    ----------
    medium
        A profile.

    Returns
    -------
    True where the rendering refined can come nearer than the profile does itself.
    """
    return not {"B2A0", "B2A1"}.isdisjoint(medium.tags)


def wanted_colours(source: Profile, medium: Profile, pixels: Codes) -> Floats:
    """Compute what a picture asks of a medium: its colours, black scaled to the medium's.

    Parameters
    ----------
    source, medium
        Profiles.
    pixels
        Shape (..., channels of the source), dtype uint16.

    Returns
    -------
    Shape (..., 3): L*a*b* relative to the two whites.
    """
    lab = to_lab(source, pixels)
    if source == medium:
        return lab
    return compensated(lab, black_luminance(source), black_luminance(medium))


def separate(medium: Profile, wanted: Floats) -> Codes:
    """Find device values for colours: the table's, refined.

    Parameters
    ----------
    medium
        A profile with a table to device.
    wanted
        Shape (n, 3): L*a*b* relative to the medium's white.

    Returns
    -------
    uint16, shape (n, channels). The sum of the inks of CMYK is nowhere more than the table's.
    """
    start = by_table(medium, wanted)
    cap = start.sum(axis=1) / 65535 if medium.encoding is Encoding.CMYK else None
    device = invert(measurement_model(medium), wanted, start / 65535, cap=cap)
    return _rounded(device, cap)


def _rounded(device: Floats, cap: Floats | None) -> Codes:
    """Round to codes, and take the code that may be too much from the inks rounded up most."""
    scaled = device * 65535
    codes = np.rint(scaled)
    if cap is not None:
        order = np.argsort(codes - scaled, axis=1)[:, ::-1]
        excess = np.ceil(codes.sum(axis=1) - cap * 65535 - 1e-6)
        taken = np.arange(device.shape[1]) < excess[:, None]
        less = np.zeros_like(codes)
        np.put_along_axis(less, order, taken, axis=1)
        codes = np.maximum(codes - less, 0)
    return codes.astype(np.uint16)


@dataclass(frozen=True)
class Refined:
    """Relative colorimetric, by the measurement model of a profile that `can_be_refined`."""

    source: Profile
    medium: Profile
    black_point_compensation: bool = True
    """Whether the source's black is scaled to the medium's."""

    def convert(self, pixels: Codes) -> Codes:
        """Convert pixels.

        Shape (..., channels of the source) to (..., channels of the medium), dtype uint16.
        """
        if self.black_point_compensation:
            wanted = wanted_colours(self.source, self.medium, pixels)
        else:
            wanted = to_lab(self.source, pixels)
        device = separate(self.medium, wanted.reshape(-1, 3))
        return device.reshape(*pixels.shape[:-1], -1)
