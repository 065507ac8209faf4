"""Floating-point pictures: what of their values no code can hold, and what becomes of it.

White is 1. What is above it is left to the person's choice (``reading.above_white``) and always
said.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from hotfolder.model.destination import Reading
from hotfolder.model.units import say_share
from hotfolder.raster.picture import Stored

_LAB_LOWEST, _LAB_HIGHEST = np.array([0, -128, -128]), np.array([100, 127, 127])


@dataclass(frozen=True)
class Outside:
    """How many values of a picture lie outside their range."""

    total: int
    """Colour values that there are."""
    below: int = 0
    """Under 0; of Lab, outside what it can hold."""
    above: int = 0
    """Over white."""
    no_numbers: int = 0
    """NaN and infinities."""
    brightest: float = 1.0
    """The largest number; at least 1."""


@dataclass(frozen=True)
class Fitting:
    """What becomes of them."""

    scale: float = 1.0
    """What every value is multiplied by."""
    cut_share: float = 0.0
    """Share of the values, 0 … 1, that are cut without anyone having asked for it."""
    cut_above: float = 0.0
    """Those of them that lie above white."""
    notes: tuple[str, ...] = ()
    """Said for people."""


def count_outside(blocks: Iterable[Stored], *, lab: bool = False) -> Outside:
    """Count the values that lie outside 0 … 1; of Lab, L* 0 … 100, a* and b* -128 … 127.

    Parameters
    ----------
    blocks
        Colour values without alpha, floating point, the channels in the last axis.
    lab
        Whether they are L*, a*, b*.
    """
    total = below = above = no_numbers = 0
    brightest = 1.0
    lowest, highest = (_LAB_LOWEST, _LAB_HIGHEST) if lab else (0.0, 1.0)
    for colour in blocks:
        numbers = np.isfinite(colour)
        with np.errstate(invalid="ignore"):
            over = numbers & (colour > highest)
            below += int(np.count_nonzero(numbers & (colour < lowest)))
        total += colour.size
        above += int(np.count_nonzero(over))
        no_numbers += int(numbers.size - np.count_nonzero(numbers))
        if over.any():
            brightest = max(brightest, float(colour[over].max()))
    if lab:  # there is no white to scale to
        return Outside(total, below + above, 0, no_numbers)
    return Outside(total, below, above, no_numbers, brightest)


def fit(outside: Outside, reading: Reading, *, lab: bool = False) -> Fitting:
    """Decide what becomes of the values outside, as the person has asked, and say it."""
    notes = []
    choice = reading.above_white
    is_chosen = choice != "hold" and outside.above > 0
    cut = outside.below + (0 if is_chosen else outside.above)
    if is_chosen:
        share = say_share(outside.above / outside.total)
        notes.append(
            f"{share} of the values are above white, up to {outside.brightest:.3g} times white; "
            + (
                "the picture was made darker until the brightest is white"
                if choice == "scale"
                else "they were made white"
            )
            + f' (reading.above_white = "{choice}").'
        )
    if cut:
        limits = "what Lab can hold" if lab else "0 to 1"
        notes.append(
            f"{say_share(cut / outside.total)} of the floating-point values lie outside {limits} "
            "and were clipped."
        )
    if outside.no_numbers:
        notes.append(f"{outside.no_numbers} values are not numbers and were taken as black.")
    return Fitting(
        scale=1 / outside.brightest if is_chosen and choice == "scale" else 1.0,
        cut_share=(cut + outside.no_numbers) / outside.total,
        cut_above=0.0 if is_chosen else outside.above / outside.total,
        notes=tuple(notes),
    )
