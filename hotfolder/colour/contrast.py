"""Local contrast: how much goes on around each pixel, and how much of it a rendering keeps.

The standard deviation of colours in windows of 5 × 5 pixels, in DIN99, where distances are near to
visible ones.

References
----------
DIN 6176:2001-03, Farbmetrische Bestimmung von Farbabstaenden bei Koerperfarben nach der
DIN99-Formel; as given by Cui, G., Luo, M. R., Rigg, B., Roesler, G., & Witt, K. (2002). Uniform
colour spaces based on the DIN99 colour-difference formula. Color Research & Application, 27(4),
282-290. DOI 10.1002/col.10066.
"""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

from hotfolder.colour.arrays import Floats

WINDOW_PX = 5
VISIBLE = 0.25
"""Standard deviation in DIN99 below which a window counts as smooth."""


def local_contrast(lab: Floats) -> Floats:
    """Standard deviation of colours in the window around each pixel, in DIN99 units.

    The root of the sum of the three coordinates' variances; at the edge the picture is mirrored.

    Parameters
    ----------
    lab
        Shape (pieces, rows, width, 3): L*, a*, b*.

    Returns
    -------
    Shape (pieces, rows, width).
    """
    window = (1, WINDOW_PX, WINDOW_PX)
    variance = np.zeros(lab.shape[:-1])
    for channel in np.moveaxis(din99(lab), -1, 0):
        mean = scipy.ndimage.uniform_filter(channel, window)
        variance += scipy.ndimage.uniform_filter(channel * channel, window) - mean * mean
    return np.asarray(np.sqrt(np.maximum(variance, 0)))


def where_unfit(before: Floats, unfit: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Say where there is contrast among colours that do not fit.

    Parameters
    ----------
    before
        Local contrast of the picture as it should be: shape (pieces, rows, width).
    unfit
        Whether a colour does not fit, of the same shape.

    Returns
    -------
    Where that is so of a pixel and of most of the window around it.
    """
    window = (1, WINDOW_PX, WINDOW_PX)
    mostly = scipy.ndimage.uniform_filter(unfit.astype(np.float32), window) > 0.5
    return np.asarray(mostly & unfit & (before >= VISIBLE))


def contrast_kept(before: Floats, after: Floats, where: NDArray[np.bool_]) -> float:
    """Say which share of local contrast a rendering keeps, no window counting more than it had.

    Parameters
    ----------
    before, after
        Local contrast of the picture as it should be and as it is made, of one shape.
    where
        Which pixels are asked about; with none of them, all is kept.

    Returns
    -------
    0 … 1.
    """
    had = float(before[where].sum())
    return float(np.minimum(after, before)[where].sum() / had) if had else 1.0


def din99(lab: Floats) -> NDArray[np.float64]:
    """CIELAB to DIN99 with k_E = k_CH = 1. Shapes (..., 3): L*, a*, b* to L99, a99, b99."""
    L, a, b = np.moveaxis(np.asarray(lab, dtype=np.float64), -1, 0)
    turn = np.radians(16)
    e = a * np.cos(turn) + b * np.sin(turn)
    f = 0.7 * (b * np.cos(turn) - a * np.sin(turn))
    G = np.hypot(e, f)
    C99 = np.log1p(0.045 * G) / 0.045
    scale = np.divide(C99, G, out=np.ones_like(G), where=G > 0)
    return np.stack([105.51 * np.log1p(0.0158 * np.maximum(L, 0)), e * scale, f * scale], axis=-1)
