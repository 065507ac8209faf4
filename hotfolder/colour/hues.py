"""Hues in plain words.

Sectors of the CIELAB hue angle h_ab = arctan2(b*, a*) under D50 (CIE 15:2004, 8.2.1.2), named in
ordinary English. The boundaries are our own; they put the colours that CSS names (CSS Color Module
Level 4, 6.1) where their names say. Below a chroma of 8 a colour is called grey, common practice,
no source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Floats

HUES = (
    "red",
    "orange",
    "yellow",
    "green",
    "blue-green",
    "blue",
    "violet",
    "magenta",
    "pink",
    "grey",
)
"""Names, in the order of the hue circle; then what has no hue."""

_FROM_DEGREES = (15, 48, 82, 110, 165, 220, 305, 320, 340)
_GREY_BELOW_CHROMA = 8.0
_ENOUGH = 0.7
_MOST_NAMED = 3
_SATURATED_CHROMA, _DARK_LIGHTNESS, _LIGHT_LIGHTNESS = 45.0, 35.0, 80.0


def hue_numbers(lab: Floats) -> NDArray[np.intp]:
    """Say which of `HUES` colours have.

    Parameters
    ----------
    lab
        Shape (..., 3): L*, a*, b*.

    Returns
    -------
    Shape (...), 0 … 9: indices into `HUES`.
    """
    a, b = lab[..., 1], lab[..., 2]
    degrees = np.degrees(np.arctan2(b, a)) % 360
    # What lies before the first boundary belongs to the last sector, across 0 degrees.
    sector = (np.searchsorted(_FROM_DEGREES, degrees, side="right") - 1) % len(_FROM_DEGREES)
    return np.where(np.hypot(a, b) < _GREY_BELOW_CHROMA, len(HUES) - 1, sector)


def shares_by_hue(lab: Floats, weights: NDArray[np.int64]) -> dict[str, float]:
    """Share of each hue among colours, the largest first; hues that do not occur are left out.

    Parameters
    ----------
    lab
        Shape (n, 3): L*, a*, b*.
    weights
        Shape (n,): how often each colour occurs.

    Returns
    -------
    Shares, 0 … 1, by name.
    """
    counts = np.bincount(hue_numbers(lab), weights=weights, minlength=len(HUES))
    total = counts.sum()
    order = sorted(range(len(HUES)), key=lambda number: (-counts[number], number))
    return {HUES[number]: float(counts[number] / total) for number in order if counts[number]}


def describe_hues(lab: Floats, weights: NDArray[np.int64]) -> str:
    """Say in a few words which colours these are: "mostly saturated oranges and greens".

    Parameters
    ----------
    lab
        Shape (n, 3): L*, a*, b*.
    weights
        Shape (n,): how often each colour occurs.

    Returns
    -------
    A phrase; ``""`` when there are no colours.
    """
    shares = shares_by_hue(lab, weights)
    if not shares:
        return ""
    named: list[str] = []
    for hue in shares:
        named.append(hue)
        if sum(shares[each] for each in named) >= _ENOUGH or len(named) == _MOST_NAMED:
            break
    among = np.isin(hue_numbers(lab), [HUES.index(hue) for hue in named])
    mean = np.average(lab[among], axis=0, weights=weights[among])
    chroma = float(np.average(np.hypot(*lab[among, 1:].T), weights=weights[among]))
    which = _which(float(mean[0]), chroma)
    plurals = [f"{hue}s" for hue in named]
    colours = " and ".join(filter(None, [", ".join(plurals[:-1]), plurals[-1]]))
    return " ".join(filter(None, ["" if len(shares) == len(named) else "mostly", which, colours]))


def _which(lightness: float, chroma: float) -> str:
    if chroma >= _SATURATED_CHROMA:
        return "saturated"
    if lightness < _DARK_LIGHTNESS:
        return "dark"
    return "light" if lightness > _LIGHT_LIGHTNESS else ""
