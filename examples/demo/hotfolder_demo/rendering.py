"""The perceptual rendering of the demo profiles: everything fits, nothing is cut off.

Lightness is scaled so that the reference's black becomes the medium's black. Rich colours then move
towards the lightness at which the medium's colours of that hue are richest, so that a bright yellow
stays yellow. Last, chroma is compressed at constant lightness and hue angle around the grey axis:
unchanged up to 70 % of what the medium can make there, then ever more, so that colours half as rich
again as the medium still differ from each other.

The inverse is exact, for the device-to-colour table of the same intent, except where it would need
a lightness below the reference's black or above white. Common practice, no source for the numbers.
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
_RICH_CHROMA = 70.0
_GREATEST_SHIFT = 0.9
"""C*ab at which half of the greatest shift in lightness is reached; the share of the way to go."""

_STEEPNESS = (_REACHED - _KEPT) / (1 - _KEPT)


@dataclass(frozen=True)
class Rendering:
    """Perceptual rendering into a solid; colours are media-relative L*a*b*, shape (n, 3)."""

    solid: Solid
    black_lightness: float

    def to_medium(self, lab: Floats) -> Floats:
        """Colours of the reference as the medium shows them; the result is always in gamut."""
        black = self.solid.black[0]
        share = np.clip((lab[:, 0] - self.black_lightness) / (100 - self.black_lightness), 0, 1)
        lightness = black + share * (100 - black)
        chroma = lab[:, 1:]
        lightness = lightness + _shift(chroma) * (self._richest(chroma) - lightness)
        return self._scaled(self._axis(lightness), chroma, _compressed)

    def from_medium(self, lab: Floats) -> Floats:
        """The reference's colours that become these colours of the medium: the inverse."""
        black = self.solid.black[0]
        axis = self._axis(lab[:, 0])
        chroma = (self._scaled(axis, lab[:, 1:] - axis[:, 1:], _expanded) - axis)[:, 1:]
        shift = _shift(chroma)
        lightness = (lab[:, 0] - shift * self._richest(chroma)) / (1 - shift)
        share = np.clip((lightness - black) / (100 - black), 0, 1)
        lightness = self.black_lightness + share * (100 - self.black_lightness)
        return np.column_stack([lightness, chroma])

    def _axis(self, lightness: Floats) -> Floats:
        """Grey of the medium at these lightnesses."""
        solid = self.solid
        share = (lightness - solid.black[0]) / (solid.white[0] - solid.black[0])
        return np.asarray(solid.black + share[:, None] * (solid.white - solid.black))

    def _richest(self, chroma: Floats) -> Floats:
        """Lightness of the medium's richest colour in the hue of these a*, b*."""
        ring = self.solid.ring
        hues = np.arctan2(ring[:, 2], ring[:, 1])
        order = np.argsort(hues)
        hue = np.arctan2(chroma[:, 1], chroma[:, 0])
        return np.asarray(np.interp(hue, hues[order], ring[order, 0], period=2 * np.pi))

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


def _shift(chroma: Floats) -> Floats:
    """How much of the way to the richest colour's lightness these a*, b* go: little for most."""
    rich = (np.hypot(chroma[:, 0], chroma[:, 1]) / _RICH_CHROMA) ** 4
    return np.asarray(_GREATEST_SHIFT * rich / (1 + rich))


def _compressed(fullness: Floats) -> Floats:
    part = np.clip((fullness - _KEPT) / (_REACHED - _KEPT), 0, 1)
    bent = _KEPT + (1 - _KEPT) * _STEEPNESS * part / (1 + (_STEEPNESS - 1) * part)
    return np.where(fullness <= _KEPT, fullness, bent)


def _expanded(fullness: Floats) -> Floats:
    bent = np.clip((fullness - _KEPT) / (1 - _KEPT), 0, 1)
    part = bent / (_STEEPNESS - (_STEEPNESS - 1) * bent)
    return np.where(fullness <= _KEPT, fullness, _KEPT + (_REACHED - _KEPT) * part)
