"""The perceptual rendering of the demo profiles: everything fits, nothing is cut off.

Lightness is scaled so that the reference's black becomes the medium's black. Chroma is compressed
at constant lightness and hue angle around the grey axis: unchanged up to 70 % of what the medium
can make there, then ever more, so that colours half as rich again as the medium still differ from
each other. The inverse is exact, for the device-to-colour table of the same intent.
Common practice, no source for the numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotfolder_demo.solid import Solid

Floats = NDArray[np.float64]

REFERENCE_BLACK_LIGHTNESS = {"2.4": 0.0, "4.4": 3.1373}
"""L* of the darkest perceptual colour: ICC.1:2022, 6.3.3 (its XYZ 0.00336, 0.0034731, 0.00287);
version 2 knows no reference medium, and its tables are read from L* 0."""

_KEPT, _REACHED = 0.7, 1.5
"""Fullness (1.0 is the surface) up to which colours stay, and that which becomes the surface."""
_STEEPNESS = (_REACHED - _KEPT) / (1 - _KEPT)


@dataclass(frozen=True)
class Rendering:
    """Perceptual rendering into a solid; colours are media-relative L*a*b*, shape (n, 3)."""

    solid: Solid
    black_lightness: float

    def to_medium(self, lab: Floats) -> Floats:
        """Colours of the reference as the medium shows them; the result is always in gamut."""
        share = np.clip((lab[:, 0] - self.black_lightness) / (100 - self.black_lightness), 0, 1)
        axis = self._axis(share)
        return self._scaled(axis, lab[:, 1:], _compressed)

    def from_medium(self, lab: Floats) -> Floats:
        """The reference's colours that become these colours of the medium: the inverse."""
        black = self.solid.black[0]
        share = np.clip((lab[:, 0] - black) / (100 - black), 0, 1)
        axis = self._axis(share)
        rendered = self._scaled(axis, lab[:, 1:] - axis[:, 1:], _expanded) - axis
        rendered[:, 0] = self.black_lightness + share * (100 - self.black_lightness)
        return rendered

    def _axis(self, share: Floats) -> Floats:
        return np.asarray(self.solid.black + share[:, None] * (self.solid.white - self.solid.black))

    def _scaled(self, axis: Floats, chroma: Floats, curve: Callable[[Floats], Floats]) -> Floats:
        full = axis.copy()
        full[:, 1:] += chroma
        fullness = self._fullness(axis, full)
        scale = np.divide(curve(fullness), fullness, out=np.ones_like(fullness), where=fullness > 0)
        return np.asarray(axis + scale[:, None] * (full - axis))

    def _fullness(self, axis: Floats, lab: Floats) -> Floats:
        """Distance from the axis, in shares of the distance of the surface in that direction.

        Weights are linear along a ray in one sector; the surface is where the first becomes 0.
        """
        at_axis, here = self.solid.weights(axis), self.solid.weights(lab)
        with np.errstate(divide="ignore", invalid="ignore"):
            towards_white = 1 - here.white / at_axis.white
            towards_black = 1 - here.black / at_axis.black
        # On white or black the surface is the axis itself: any chroma is infinitely full.
        fullness = np.fmax(towards_white, towards_black)
        return np.nan_to_num(np.maximum(fullness, 0), posinf=1e12)


def _compressed(fullness: Floats) -> Floats:
    part = np.clip((fullness - _KEPT) / (_REACHED - _KEPT), 0, 1)
    bent = _KEPT + (1 - _KEPT) * _STEEPNESS * part / (1 + (_STEEPNESS - 1) * part)
    return np.where(fullness <= _KEPT, fullness, bent)


def _expanded(fullness: Floats) -> Floats:
    bent = np.clip((fullness - _KEPT) / (1 - _KEPT), 0, 1)
    part = bent / (_STEEPNESS - (_STEEPNESS - 1) * bent)
    return np.where(fullness <= _KEPT, fullness, _KEPT + (_REACHED - _KEPT) * part)
