"""Which colours a picture of any size has, in bounded memory: pixels counted in cells of colour.

Loss and shift are looked up for every pixel; what is said only about many pixels together (hues,
and what of a shift is lightness, chroma or hue) is computed exactly once for each cell that occurs,
at the cell's middle. A cell is 1/64 of the range of R, G and B wide, about 0.8 L* to either side,
and the picture's colours lie on all sides of its middle, so that averages hardly notice.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Codes
from hotfolder.model.encoding import Encoding

CELL_BITS = {
    Encoding.RGB: (6, 6, 6),
    Encoding.GREY: (12,),
    Encoding.CMYK: (5, 5, 5, 5),
    Encoding.LAB: (6, 7, 7),
}
"""Bits of each channel that tell cells apart; real colours fill a small part of Lab."""


class Cells:
    """Counts of pixels, kept and lost apart, by the cell their colour lies in.

    Parameters
    ----------
    encoding
        The kind of colour that the pixels are.
    """

    def __init__(self, encoding: Encoding) -> None:
        self._bits = CELL_BITS[encoding]
        self._cells = 1 << sum(self._bits)
        self._counts = np.zeros((2, self._cells), dtype=np.int64)

    def counts_of(self, pixels: Codes, lost: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Count pixels without adding them, so that threads can share the work.

        Parameters
        ----------
        pixels
            Shape (rows, width, channels), dtype uint16.
        lost
            Whether each is lost; shape (rows, width).

        Returns
        -------
        Shape (2, cells): how many of each cell are kept, and how many are lost; for `add`.
        """
        cell = np.zeros(pixels.shape[:2], dtype=np.intp)
        np.left_shift(lost, sum(self._bits), out=cell, dtype=np.intp)
        shift = sum(self._bits)
        for channel, bits in enumerate(self._bits):
            shift -= bits
            cell |= (pixels[..., channel] >> (16 - bits)).astype(np.intp) << shift
        counts = np.bincount(cell.ravel(), minlength=2 * self._cells)
        return counts.reshape(2, self._cells)

    def add(self, counts: NDArray[np.int64]) -> None:
        """Add what `counts_of` returned.

        Parameters
        ----------
        counts
            As `counts_of` returns them.
        """
        self._counts += counts

    def occupied(self) -> tuple[Codes, NDArray[np.int64], NDArray[np.int64]]:
        """Return the colours that occur, how often, and how often they are lost.

        Returns
        -------
        Shapes (n, channels), uint16, the middles of the cells; (n,); (n,).
        """
        total = self._counts.sum(axis=0)
        (cells,) = np.nonzero(total)
        channels = []
        rest = cells
        for bits in reversed(self._bits):
            step = 1 << (16 - bits)
            channels.append((rest & ((1 << bits) - 1)) * step + step // 2)
            rest = rest >> bits
        middles = np.stack(channels[::-1], axis=-1).astype(np.uint16)
        return middles, total[cells], self._counts[1, cells]
