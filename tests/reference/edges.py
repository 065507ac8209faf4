"""Modulation transfer measured on a slanted edge, by the method of ISO 12233, annex D.

Every pixel has a distance from the edge; sorted into bins of a quarter pixel they give the edge's
profile much finer than one row does; the Fourier transform of its slope is the transfer.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

_BINS_PER_PX = 4
_HALF_PX = 24


def mtf_of_slanted_edge(
    picture: NDArray[np.float64], angle_degrees: float
) -> Callable[[ArrayLike], NDArray[np.float64]]:
    """The transfer, as a function of cycles per pixel, of an edge through the picture's middle."""
    height, width = picture.shape
    rows, columns = np.mgrid[:height, :width]
    angle = np.radians(angle_degrees)
    across = (columns - (width - 1) / 2) * np.cos(angle)
    distance = across + (rows - (height - 1) / 2) * np.sin(angle)
    bins = np.floor((distance + _HALF_PX) * _BINS_PER_PX).astype(int)
    count = 2 * _HALF_PX * _BINS_PER_PX
    inside = (bins >= 0) & (bins < count)
    total = np.bincount(bins[inside], picture[inside], count)
    profile = total / np.bincount(bins[inside], minlength=count)
    slope = np.diff(profile) * np.hanning(count + 1)[1:-1]
    frequencies = np.fft.rfftfreq(8 * count, 1 / _BINS_PER_PX)
    transfer = np.abs(np.fft.rfft(slope, 8 * count))
    # Binning and differencing are averages themselves; annex D divides them out.
    transfer = transfer / transfer[0] / np.sinc(frequencies / _BINS_PER_PX) ** 2
    return lambda wanted: np.interp(wanted, frequencies, transfer)
