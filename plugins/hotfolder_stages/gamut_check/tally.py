"""Counting what was looked up of every pixel: one walk over a picture, by as many threads as like.

Each thread counts into arrays of its own, kept from band to band, which are added up at the end.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour import Array, Codes, compiled, made, number, over_slabs, seen

Counts = NDArray[np.int64]


@dataclass(frozen=True)
class Tally:
    """Counts of pixels."""

    loss: Counts
    """Shape (65536,), by code."""
    shift: Counts
    """Shape (65536,), by code."""
    cells: Counts
    """Shape (2, cells), kept and lost, by the cell of colour."""
    blocks: Counts
    """Shape (rows, columns), lost pixels by blocks of the picture."""


class Counter:
    """Counts the pixels of a picture that comes in bands.

    Parameters
    ----------
    bits
        Of each channel that tell cells of colour apart.
    blocks
        Shape of the picture in blocks: rows, columns.
    side_px
        Pixels of a block a side.
    first_lost
        The lowest code of loss that counts as lost.
    """

    def __init__(
        self, bits: tuple[int, ...], blocks: tuple[int, int], side_px: int, first_lost: int
    ) -> None:
        self._bits = np.array(bits, np.int64)
        self._blocks, self._side_px, self._first_lost = blocks, side_px, first_lost
        self._idle: list[Tally] = []

    def add(self, top: int, pixels: Codes, codes: Codes) -> None:
        """Count a band that begins with row `top`.

        Parameters
        ----------
        pixels
            Shape (rows, width, channels), uint16.
        codes
            Shape (rows, width, 2), uint16: loss and shift as `DifferenceStatistics` encodes them.
        """
        pixels = np.ascontiguousarray(pixels)

        def work(start: int, stop: int) -> None:
            tally = self._idle.pop() if self._idle else self._new()
            _count(
                pixels[start:stop],
                codes[start:stop],
                top + start,
                self._first_lost,
                self._bits,
                self._side_px,
                tally.loss,
                tally.shift,
                tally.cells,
                tally.blocks,
            )
            self._idle.append(tally)

        over_slabs(work, *pixels.shape[:2])

    def total(self) -> Tally:
        """Return the counts of all bands so far."""
        tallies = self._idle or [self._new()]
        return Tally(
            *(
                np.sum([getattr(tally, name) for tally in tallies], axis=0)
                for name in ("loss", "shift", "cells", "blocks")
            )
        )

    def _new(self) -> Tally:
        def zeros(*shape: int) -> Counts:
            return np.zeros(shape, np.int64)

        return Tally(
            zeros(65536), zeros(65536), zeros(2, 1 << int(self._bits.sum())), zeros(*self._blocks)
        )


@compiled(
    seen("u2", 3),
    seen("u2", 3),
    number("i8"),
    number("i8"),
    seen("i8", 1),
    number("i8"),
    made("i8", 1),
    made("i8", 1),
    made("i8", 2),
    made("i8", 2),
)
def _count(
    pixels: Array,
    codes: Array,
    top: int,
    first_lost: int,
    bits: Array,
    side_px: int,
    loss: Array,
    shift: Array,
    cells: Array,
    blocks: Array,
) -> None:
    rows, width, channels = pixels.shape
    for row in range(rows):
        block_row = (top + row) // side_px
        for column in range(width):
            cell = 0
            for channel in range(channels):
                kept = bits[channel]
                cell = (cell << kept) | (pixels[row, column, channel] >> (16 - kept))
            code = codes[row, column, 0]
            loss[code] += 1
            shift[codes[row, column, 1]] += 1
            is_lost = 1 if code >= first_lost else 0
            cells[is_lost, cell] += 1
            if is_lost:
                blocks[block_row, column // side_px] += 1
