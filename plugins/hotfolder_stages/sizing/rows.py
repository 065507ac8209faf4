"""Rows of samples that are kept while later results need them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]
"""Shape (rows, width, planes), float32."""


class RowBuffer:
    """The last rows of a picture that comes from its top.

    Parameters
    ----------
    shape
        Width and planes of the rows.
    """

    def __init__(self, shape: tuple[int, int]) -> None:
        self._samples: Samples = np.empty((0, *shape), np.float32)
        self._count = 0
        self.start = 0
        """The picture's row that is the first of those kept."""

    @property
    def stop(self) -> int:
        """The picture's row after the last of those kept."""
        return self.start + self._count

    @property
    def kept(self) -> Samples:
        """The rows that are kept."""
        return self._samples[: self._count]

    def room(self, rows: int) -> Samples:
        """Where the next rows go."""
        if self._count + rows > len(self._samples):
            larger = np.empty((self._count + rows, *self._samples.shape[1:]), np.float32)
            larger[: self._count] = self.kept
            self._samples = larger
        self._count += rows
        return self._samples[self._count - rows : self._count]

    def forget(self, row: int) -> None:
        """Forget the picture's rows before `row`."""
        gone = min(max(row - self.start, 0), self._count)
        self._samples[: self._count - gone] = self._samples[gone : self._count]
        self.start += gone
        self._count -= gone
