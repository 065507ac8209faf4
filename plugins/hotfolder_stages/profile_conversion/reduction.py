"""A small copy of a picture, by which it is judged."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from hotfolder.colour import Codes, average

REDUCED_LONG_EDGE_PX = 512
REDUCED_AT_ONCE_PX = 1_000_000

ReadRows = Callable[[int, int], Codes]
"""Rows from the first to before the second, shape (rows, width, channels)."""


def factor_of(size: tuple[int, int]) -> int:
    """Return how many pixels a side become one in a copy that a picture is judged by."""
    return -(-max(size) // REDUCED_LONG_EDGE_PX)


def reduced(size: tuple[int, int], read_rows: ReadRows, factor: int) -> Codes:
    """The picture made smaller: the mean of each `factor` × `factor` pixels.

    What is left over at the right and at the bottom is left out. Means of encoded values, which is
    near enough for a comparison. Shape (height // factor, width // factor, channels), uint16.
    """
    width_px, height_px = size
    if factor == 1:
        return read_rows(0, height_px)
    across, down = min(factor, width_px), min(factor, height_px)
    rows = max(1, height_px // factor)
    strip = max(1, REDUCED_AT_ONCE_PX // (width_px * down))
    return np.concatenate(
        [
            average(read_rows(top * down, min(top + strip, rows) * down), down, across)
            for top in range(0, rows, strip)
        ]
    )


class Reduction:
    """Makes of a picture, row by row, what `reduced` makes of it: some pixels of that.

    Parameters
    ----------
    size
        Width and height in pixels.
    factor
        As `reduced` takes it.
    every
        Of what `reduced` makes, one pixel of so many along each side.
    """

    def __init__(self, size: tuple[int, int], factor: int, every: int) -> None:
        width_px, height_px = size
        self._width_px = width_px
        self._across, self._down = min(factor, width_px), min(factor, height_px)
        self._tops = [row * self._down for row in range(0, max(1, height_px // self._down), every)]
        self._every = every
        self._begun: list[Codes] = []
        self._parts: list[Codes] = []

    def list_rows(self) -> list[list[range]]:
        """List the rows that are looked at, as many together as are to be read at once."""
        wanted = [range(top, top + self._down) for top in self._tops]
        together = max(1, REDUCED_AT_ONCE_PX // (self._width_px * self._down))
        return [wanted[first : first + together] for first in range(0, len(wanted), together)]

    def add(self, top: int, pixels: Codes) -> None:
        """Take the next rows that are looked at; row `top` of the picture is the first of them."""
        end = top + len(pixels)
        whole: list[Codes] = []
        while self._tops and self._tops[0] < end:
            first, last = self._tops[0], self._tops[0] + self._down
            self._begun.append(self._kept(pixels[max(first - top, 0) : last - top]))
            if last > end:
                break
            whole += self._begun
            self._begun = []
            del self._tops[0]
        if whole:
            self._parts.append(average(np.concatenate(whole), self._down, self._across))

    def copy(self) -> Codes:
        """Return the copy, of all rows that came: shape (rows, columns, channels), uint16."""
        return np.concatenate(self._parts)

    def _kept(self, rows: Codes) -> Codes:
        """Keep one of so many squares of pixels along rows."""
        columns = rows.shape[1] // self._across
        squares = rows[:, : columns * self._across].reshape(len(rows), columns, self._across, -1)
        return squares[:, :: self._every].reshape(len(rows), -1, rows.shape[-1])
