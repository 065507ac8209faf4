"""How wide and how strong: what the medium takes where the eye looks for detail is given back.

transfer of the medium
    Ink spreads, light spreads in paper, threads break up an edge: a Gaussian of sigma s does that
    to detail of f cycles per millimetre with the factor exp(-2 pi² s² f²). A pixel of the print
    is a square of pitch p, which takes sin(pi f p) / (pi f p) more. The widths s are our own
    numbers, in the order that measurements of papers have (Arney, Arney, Katsube and Engeldrum,
    "An MTF analysis of papers", J. Imaging Sci. Technol. 40, 19 (1996); Inoue, Tsumura and
    Miyake, J. Imaging Sci. Technol. 41, 657 (1997); both from memory): coated papers keep half of
    the contrast at 3 to 4 cycles per millimetre, uncoated ones at 1.5 to 2, a woven canvas at 1.
    Who has measured a medium sets its `spread`.

the eye's best frequency
    3.3 cycles per degree: the peak of Barten's contrast sensitivity (Contrast Sensitivity of the
    Human Eye, 1999, DOI 10.1117/3.353254) for a field of 10 degrees and a white of 138 cd/m², a
    print under the practical appraisal light of ISO 3664, 500 lx. On a print looked at from the
    distance D that is 3.3 * 180 / (pi D) cycles per unit of length. Where the pixels are too
    coarse for it, half of the most they can carry.

radius
    Sigma is 0.0004 of the viewing distance, 1.4 arc minutes: common practice among photographers,
    no source of record. The filter 1 + amount (1 - kernel) then has the middle of its rise at
    6.9 cycles per degree, on the falling side of the eye's sensitivity, and within what the eye
    sees it rises as f², as the medium falls. Sigma is at least half a pixel, below which a sampled
    Gaussian does nothing.

halo
    Beside a step the added lightness falls with the Gaussian's tail, to a tenth of its height at
    1.645 sigma (the 95th percentile of the normal distribution). That width may be 1/50 inch at
    most on each side of an edge, whatever the distance: common practice for prints that are also
    looked at closely. So the radius stops growing with distance at 774 mm.

amount
    What the medium leaves, times the response of the filter, is to be 1 from 3 to 10 cycles per
    degree, where most of the detail lies that is seen: the least squares of what is missing, over
    evenly spaced logarithms of frequency, up to 0.4 cycles per pixel. At none of them may more
    than 3 % be added to what the picture has, and the amount is at most 3.

Common practice gives 0.5 to 1.5 whatever the distance. At 350 mm and 300 ppi this rule gives 1.9
for canvas and 0.7 for matte paper, and agrees; for gloss, 0.2, and from two metres, where the eye
no longer sees what the medium takes, it gives much less. The difference is crispness that the
original did not have: practice also makes up for lenses, sensors and enlargement, which is
nothing that the medium took and a matter of taste. `amount` is there for it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from hotfolder import MM_PER_INCH
from hotfolder_stages.output_sharpening.detail import kernel

if TYPE_CHECKING:
    from hotfolder import Surface

PEAK_CYCLES_PER_DEGREE = 3.3
RADIANS = 0.0004
MIN_RADIUS_PX = 0.5
MAX_RADIUS_PX = 8.0
MAX_HALO_IN = 1 / 50
HALO_PER_RADIUS = 1.645
MAX_AMOUNT = 3.0
FITTED_CYCLES_PER_DEGREE = (3.0, 10.0)
MAX_CYCLES_PER_PX = 0.4
MAX_LIFT = 0.03
_FITTED_AT = 64

_SPREADS_MM = {
    "canvas": 0.16,
    "newsprint": 0.13,
    "matte": 0.09,
    "lustre": 0.055,
    "gloss": 0.045,
    "screen": 0.0,
}


@dataclass(frozen=True)
class Strength:
    """What to sharpen with, and why."""

    radius_px: float
    """Sigma of the Gaussian."""
    amount: float
    """Share of the detail that is added."""
    frequency_per_mm: float
    """The eye's best, on the medium."""
    transfer: float
    """What the medium leaves of the contrast there, 0 … 1."""
    response: float
    """What the filter makes of it."""


def spread_mm(surface: Surface) -> float:
    """Sigma of the Gaussian by which a surface softens, in mm."""
    return _SPREADS_MM[surface.value]


def radius_px(viewing_distance_mm: float, ppi: float) -> float:
    """Sigma of the filter in pixels, by the rules above."""
    by_distance = viewing_distance_mm / MM_PER_INCH * ppi * RADIANS
    by_halo = MAX_HALO_IN * ppi / HALO_PER_RADIUS
    return min(max(min(by_distance, by_halo), MIN_RADIUS_PX), MAX_RADIUS_PX)


def best_frequency_per_mm(viewing_distance_mm: float, ppi: float) -> float:
    """Cycles per millimetre that the eye sees best, or half of what the pixels can carry."""
    by_eye = math.inf
    if viewing_distance_mm > 0:
        by_eye = PEAK_CYCLES_PER_DEGREE / math.radians(viewing_distance_mm)
    return min(by_eye, ppi / MM_PER_INCH / 4)


def transfer(spread: float, frequency_per_mm: float, ppi: float) -> float:
    """Share of the contrast that a medium of this spread, in mm, leaves at a frequency."""
    by_medium = math.exp(-2 * (math.pi * spread * frequency_per_mm) ** 2)
    return by_medium * float(np.sinc(frequency_per_mm * MM_PER_INCH / ppi))


def kernel_response(radius: float, frequency_per_px: float) -> float:
    """What is left of a wave after the sampled Gaussian of sigma `radius`, in pixels."""
    weights = kernel(radius)
    place = np.arange(len(weights)) - len(weights) // 2
    return float(weights @ np.cos(2 * np.pi * frequency_per_px * place))


def fitted_amount(spread: float, viewing_distance_mm: float, ppi: float, radius: float) -> float:
    """The amount that gives back most nearly what a medium takes, by the rule above."""
    lowest, highest = FITTED_CYCLES_PER_DEGREE
    top, per_degree = MAX_CYCLES_PER_PX * ppi / MM_PER_INCH, math.radians(viewing_distance_mm)
    if per_degree > 0:
        highest, lowest = (min(each / per_degree, top) for each in (highest, lowest))
    else:
        highest = lowest = top
    frequencies = np.geomspace(lowest, highest, _FITTED_AT)
    left = np.array([transfer(spread, each, ppi) for each in frequencies])
    removed = 1 - np.array(
        [kernel_response(radius, each * MM_PER_INCH / ppi) for each in frequencies]
    )
    per_amount = left * removed
    amount = float(per_amount @ (1 - left) / (per_amount @ per_amount))
    unlifted = float(((1 + MAX_LIFT - left) / per_amount).min())
    return min(amount, unlifted, MAX_AMOUNT)


def strength(
    spread: float,
    viewing_distance_mm: float,
    ppi: float,
    *,
    radius: float | None = None,
    amount: float | None = None,
) -> Strength:
    """Radius and amount for a medium, by the rules above where they are not given.

    Parameters
    ----------
    spread
        Sigma of the medium's own softening, in mm.
    """
    sigma = radius_px(viewing_distance_mm, ppi) if radius is None else radius
    frequency = best_frequency_per_mm(viewing_distance_mm, ppi)
    left = transfer(spread, frequency, ppi)
    removed = 1 - kernel_response(sigma, frequency * MM_PER_INCH / ppi)
    if amount is None:
        amount = fitted_amount(spread, viewing_distance_mm, ppi, sigma)
    return Strength(sigma, amount, frequency, left, 1 + amount * removed)
