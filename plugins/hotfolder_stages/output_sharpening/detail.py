"""Which lightness to add to each pixel, from the lightness around it.

The detail of a pixel is its L* less the Gaussian mean of its surroundings. Where it is stronger
than noise the amount is added in full, where it is not nothing is: the gain is
1 - noise² / mean detail², that of Wiener's filter. What is added is bounded. So noise and smooth
skies stay as they are, to the last bit, and no halo is higher than the bound.

What noise cannot be
    Of a wave at the frequency that is aimed at, the Gaussian leaves little as detail, however
    plainly it is seen: a share r² of the power of the local contrast, which is what a wide mean,
    over a period of that wave, takes from L*. So much of the detail is explained by waves, and
    only what exceeds it can be noise. White noise does not explain itself: of the contrast, the
    share counts that exceeds 1.5 times what white noise of this detail would have.

What noise may be
    What the quietest place nearby has: the excess is compared with the least of it within 32
    pixels. Grain is everywhere alike, so it is found to be noise wherever it is; an edge or a
    branch has something quieter beside it. That is the idea of minimum statistics (R. Martin,
    IEEE Trans. Speech Audio Process. 9, 504 (2001), DOI 10.1109/89.928915), in two dimensions
    instead of time; the three times by which detail has to exceed it is ours, and what pure noise
    does by chance. As an even texture, such as cloth, looks like grain, noise is never taken to
    be more than a limit, unless detail and contrast are as alike as only white noise makes them.

What is given is taken nearby
    Some L* give more light on the bright side of an edge than they take on its dark side, and
    most of all on a point of light, which has no dark side to speak of. Ink and paper spread
    light and lose none, so what makes up for that may gain none. Where light is gained around a
    pixel, the steps upwards are made smaller and those downwards larger by the square root of the
    ratio, the larger ones by half at most, which leaves a wave its contrast; the other way round
    where light is lost. Measured without this, photographs sharpened for canvas gained 1.2 % of
    light, one of them 6 %.

Means are over triangles: as wide as the wave, and those of power as half of it. The Gaussian is
cut off at four sigma; rows and columns beyond the picture repeat its edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]

_TRUNCATE = 4.0
_ROUNDING_L = 0.01
"""Detail below this is the rounding of 16-bit values, 0.0015 L*, and of the kernel's weights."""

ABOVE_NOISE = 3.0

_MIN_SIDE_PX, _MAX_SIDE_PX = 4, 32


@dataclass(frozen=True)
class DetailFilter:
    """What is added to L*."""

    radius_px: float
    """Sigma of the Gaussian."""
    amount: float
    """Share of the detail that is added."""
    noise_l: float
    """The least detail, in L*, that is taken for noise."""
    most_noise_l: float
    """The most detail, in L*, that is. Equal to the least, no noise is looked for."""
    limit_l: float
    """The most that is added or taken, in L*."""
    frequency_per_px: float = 0.05
    """Cycles per pixel that are aimed at."""

    @property
    def side_px(self) -> int:
        """Of the squares of the wide means: the power of two next to the wave's period."""
        power = round(-math.log2(self.frequency_per_px))
        return min(max(1 << max(power, 0), _MIN_SIDE_PX), _MAX_SIDE_PX)

    @property
    def power_side_px(self) -> int:
        """Of the squares over which power is averaged: half of a wave has all of its power."""
        return self.side_px // 2

    @property
    def light_side_px(self) -> int:
        """Of the squares over which light is balanced: a halo has room in them."""
        return min(2 * self.side_px, _MAX_SIDE_PX)

    @property
    def gate(self) -> NDArray[np.float32]:
        """The numbers of `find_excess`.

        Share of the contrast's power that a wave has as detail; contrast of white noise over its
        detail, both as power; least and most noise; how much noise may exceed the most.
        """
        side, frequency = self.side_px, self.frequency_per_px
        narrow, wide = kernel(self.radius_px), triangle(side)
        share = (1 - _response(narrow, frequency)) / (1 - _response(wide, frequency))
        least = max(self.noise_l, _ROUNDING_L) ** 2
        most = max(self.most_noise_l**2, least)
        lift = ABOVE_NOISE if self.most_noise_l > self.noise_l else 0.0
        flat = _noise_left(wide) / _noise_left(narrow)
        return np.array([share**2, flat, least, most, lift], np.float32)


def kernel(radius_px: float) -> NDArray[np.float64]:
    """The sampled Gaussian of sigma `radius_px`; its weights sum to 1."""
    reach = reach_px(radius_px)
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / radius_px) ** 2)
    return np.asarray(weights / weights.sum())


def triangle(side_px: int) -> NDArray[np.float64]:
    """The weights of the wide mean along one direction; they sum to 1."""
    side = np.full(side_px, 1 / side_px)
    return np.convolve(side, side)


def reach_px(radius_px: float) -> int:
    """Samples on each side of the kernel's centre."""
    return int(_TRUNCATE * radius_px + 0.5)


def _response(weights: NDArray[np.float64], frequency_per_px: float) -> float:
    place = np.arange(len(weights)) - len(weights) // 2
    return float(weights @ np.cos(2 * np.pi * frequency_per_px * place))


def _noise_left(weights: NDArray[np.float64]) -> float:
    """Power of white noise less its mean by these weights, along rows and columns."""
    centre = float(weights[len(weights) // 2])
    return 1 - 2 * centre**2 + float(weights @ weights) ** 2


def half_kernel(radius_px: float) -> Plane:
    """The kernel from its centre, as `find_detail` takes it: of odd length, with a 0 if need be."""
    half = kernel(radius_px)[reach_px(radius_px) :]
    return np.append(half, np.zeros(1 - len(half) % 2)).astype(np.float32)
