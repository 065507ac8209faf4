"""Renderings of our own: from a source's pixels to device values, functions of colour alone.

`Refined` aims at every colour as it is, black point compensation applied, and inverts the medium's
measurement model. `Detail` first brings in what the medium cannot make. Both are what a
`hotfolder.colour.grid.Grid` takes for its exact conversion. They are computed from a profile's
measurements, which a measured strip can prove and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.black_point import black_luminance, scale_black
from hotfolder.colour.detail import Reach, bring_in, reach_of
from hotfolder.colour.gamut_boundary import boundary_of
from hotfolder.colour.inversion import invert
from hotfolder.colour.measurement_model import measurement_model
from hotfolder.colour.medium import by_table
from hotfolder.colour.profile import Profile
from hotfolder.colour.transform import to_lab
from hotfolder.model.encoding import Encoding

Codes = NDArray[np.uint16]
Floats = NDArray[np.floating[Any]]


class Rendering(Protocol):
    """A function of colour from one profile to another."""

    def convert(self, pixels: Codes) -> Codes:
        """Convert pixels: shape (n, channels of the source) to (n, channels of the medium)."""


def wanted_colours(source: Profile, medium: Profile, pixels: Codes) -> NDArray[np.float64]:
    """Compute what a picture asks of a medium: its colours, black scaled to the medium's.

    Shapes (n, channels), uint16, to (n, 3): L*a*b* relative to the two whites.
    """
    lab = to_lab(source, pixels)
    if source == medium:
        return lab
    return scale_black(lab, black_luminance(source), black_luminance(medium))


def separate(
    medium: Profile, wanted: Floats, *, ink_limit: float | None = None
) -> NDArray[np.uint16]:
    """Find device values for colours: the table's, refined.

    Parameters
    ----------
    wanted
        Shape (n, 3): L*a*b* relative to the medium's white.
    ink_limit
        Largest sum of inks of CMYK, 1 is one solid ink. No colour gets more ink than the table
        lays for it in any case.

    Returns
    -------
    uint16, shape (n, channels). Where a profile has no table to device but a matrix or a curve,
    whose inverse is exact, what that says.
    """
    start = by_table(medium, wanted)
    if not {"B2A0", "B2A1"} & medium.tags.keys():
        return start
    cap = None
    if medium.encoding is Encoding.CMYK:
        cap = start.sum(axis=1) / 65535
        if ink_limit is not None:
            cap = np.minimum(cap, ink_limit)
    device = invert(measurement_model(medium), wanted, start / 65535, cap=cap)
    return _rounded(device, cap)


def _rounded(device: Floats, cap: Floats | None) -> NDArray[np.uint16]:
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
    """Colorimetric, by the measurement model."""

    source: Profile
    medium: Profile
    ink_limit: float | None = None
    """As `separate` takes it."""

    def convert(self, pixels: Codes) -> Codes:
        """Convert pixels: shape (n, channels of the source) to (n, channels of the medium)."""
        wanted = wanted_colours(self.source, self.medium, pixels)
        return separate(self.medium, wanted, ink_limit=self.ink_limit)


@dataclass(frozen=True)
class Detail:
    """Brought in along the hue, against one picture's own reach."""

    source: Profile
    medium: Profile
    reach: Reach
    ink_limit: float | None = None
    """As `separate` takes it."""

    @classmethod
    def of(
        cls, source: Profile, medium: Profile, reduced: Codes, ink_limit: float | None = None
    ) -> Detail:
        """Make the rendering for a picture.

        Parameters
        ----------
        reduced
            A reduced copy, shape (n, channels), uint16, of some 100,000 pixels.
        """
        wanted = wanted_colours(source, medium, reduced)
        reach = reach_of(boundary_of(medium, ink_limit), wanted)
        return cls(source, medium, reach, ink_limit)

    def convert(self, pixels: Codes) -> Codes:
        """Convert pixels: shape (n, channels of the source) to (n, channels of the medium)."""
        wanted = wanted_colours(self.source, self.medium, pixels)
        inside = bring_in(boundary_of(self.medium, self.ink_limit), self.reach, wanted)
        return separate(self.medium, inside, ink_limit=self.ink_limit)
