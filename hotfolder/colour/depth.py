"""Depth: lightness laid onto a medium's range by a curve, so that it looks less flat.

Black point compensation is linear in light: on a matte medium whose black is at L* 20 it leaves
all tones between black and mid grey closer together, by the same share of light. An eye judges the
contrast of a picture by its middle tones most of all, so a sigmoid keeps these as far apart as
they were and takes what the medium lacks from the ends: lights become lighter and darks darker than
by compensation. With L the lightness as a share of the picture's range, Φ the normal distribution
with mean x₀ and standard deviation σ and B the medium's black,

    S(L) = (Φ(L) - Φ(0)) / (Φ(100) - Φ(0)),   L' = B + (100 - B) S(L)

White stays white and black becomes black. Hue and chroma are those of the compensated colour.

Parameters by the medium's black are those of Braun, G. J., & Fairchild, M. D. (1999). Image
lightness rescaling using sigmoidal contrast enhancement functions. Journal of Electronic Imaging,
8(4), 380-393, DOI 10.1117/1.482706. They stand here from memory: not compared with the paper. For
a black below L* 5, of which it says nothing, the curve goes over into a straight line: our own
choice.
"""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

from hotfolder.colour.arrays import Floats
from hotfolder.colour.black_point import compensated
from hotfolder.colour.encodings import D50_XYZ, xyz_to_lab

BLACKS = (5.0, 10.0, 15.0, 20.0)
"""L* of the medium's black."""
MEANS = (53.7, 56.8, 58.2, 60.6)
"""x₀, for each of `BLACKS`."""
DEVIATIONS = (43.0, 40.0, 35.0, 34.5)
"""σ, for each of `BLACKS`."""

CHANGES_ABOVE = 1.0
"""L* of a medium's black up to which depth is left alone: less than is seen."""


def deepened(lab: Floats, black_in: float, black_out: float) -> Floats:
    """Lay colours onto a medium's range of lightness.

    Parameters
    ----------
    lab
        Shape (..., 3), relative to the picture's white.
    black_in, black_out
        Luminance of the picture's and of the medium's black, white = 1.

    Returns
    -------
    Shape (..., 3): L*a*b* relative to the medium's white.
    """
    out = compensated(lab, black_in, black_out)
    darkest, medium = lightness_of(black_in), lightness_of(black_out)
    # where the picture's own black is as weak, there is nothing to lay anywhere
    lacking = max(0.0, medium - darkest)
    share = (np.asarray(lab[..., 0], np.float64) - darkest) / (100 - darkest) * 100
    curved = medium + (100 - medium) * curve(share, lacking) / 100
    # colours beyond black and white (a picture in Lab has them) go on as compensation has them
    out[..., 0] = np.where((share >= 0) & (share <= 100), curved, out[..., 0])
    return out


def curve(share: Floats, black: float) -> NDArray[np.float64]:
    """Compute S for a medium's black.

    Parameters
    ----------
    share
        Lightness as a share of the range, 0 … 100.
    black
        L* that the medium's black is above the picture's.

    Returns
    -------
    float64, shape as `share`, 0 … 100.
    """
    mean = np.interp(black, BLACKS, MEANS)
    deviation = np.interp(black, BLACKS, DEVIATIONS)
    low, high = (
        scipy.special.ndtr((0 - mean) / deviation),
        scipy.special.ndtr((100 - mean) / deviation),
    )
    made = (
        100
        * (scipy.special.ndtr((np.asarray(share, np.float64) - mean) / deviation) - low)
        / (high - low)
    )
    weight = min(1.0, black / BLACKS[0])
    return np.asarray(weight * made + (1 - weight) * share)


def lightness_of(luminance: float) -> float:
    """L* of a neutral colour of a luminance, white = 1."""
    return float(xyz_to_lab(luminance * np.array(D50_XYZ))[0])
