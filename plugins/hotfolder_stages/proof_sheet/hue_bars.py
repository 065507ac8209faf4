"""How much of each hue is in the picture, and how much of that is lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotfolder import Encoding
from hotfolder.colour import HUES, Cells, Codes, Route, describe_hues, hue_numbers, wanted

LEAST_SHARE = 0.001
"""A hue of fewer pixels than this is no bar of its own."""


@dataclass(frozen=True)
class HueBar:
    """One hue."""

    hue: str
    present: float
    """Shares of the whole picture, 0 … 1."""
    lost: float
    """Shares of the whole picture, 0 … 1."""


@dataclass(frozen=True)
class Hues:
    """What is lost, by hue."""

    bars: tuple[HueBar, ...]
    words: str
    """The lost colours in a few words; "" when there are none."""


def by_hue(route: Route, encoding: Encoding, pixels: Codes, lost: NDArray[np.bool_]) -> Hues:
    """Count hues in the picture and among what is lost of it, in the order of the hue circle.

    Parameters
    ----------
    pixels, lost
        Shapes (rows, width, channels), uint16, and (rows, width).
    """
    cells = Cells(encoding)
    cells.add(cells.counts_of(pixels, lost))
    colours, times, times_lost = cells.occupied()
    lab = wanted(route, colours)
    numbers = hue_numbers(lab)
    present, gone = (
        np.bincount(numbers, weights=weights, minlength=len(HUES)) / lost.size
        for weights in (times, times_lost)
    )
    bars = tuple(
        HueBar(hue, float(there), float(away))
        for hue, there, away in zip(HUES, present, gone, strict=True)
        if there >= LEAST_SHARE
    )
    return Hues(bars, describe_hues(lab[times_lost > 0], times_lost[times_lost > 0]))
