"""A picture's rows, kept aside for a stage that must see all of them before the first."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from hotfolder.colour.arrays import Codes
from hotfolder.raster.picture import rows_per_band


class ScratchRows:
    """Rows of pixels, raw, in a file that is gone when the block ends.

    A context manager. The file is as large as the picture, two bytes a channel; a picture that has
    room in the memory allowed stays there.

    Parameters
    ----------
    path
        Of the file; it may not be there yet.
    width_px
        Pixels in a row.
    channels
        Of a pixel.
    in_memory_bytes
        Up to so many are kept in memory.
    """

    def __init__(
        self, path: Path, width_px: int, channels: int, *, in_memory_bytes: int = 0
    ) -> None:
        self._shape = (-1, width_px, channels)
        self._row_bytes = 2 * width_px * channels
        self._path = path
        self._file = path.open("xb+")
        self._most_rows = in_memory_bytes // self._row_bytes
        self._in_memory: list[Codes] | None = []
        self.rows = 0

    def append(self, pixels: Codes) -> None:
        """Add rows below those that are there.

        Parameters
        ----------
        pixels
            Shape (rows, width, channels), dtype uint16; not to be changed afterwards, as no band's
            are.
        """
        if self._in_memory is not None and self.rows + len(pixels) > self._most_rows:
            for each in self._in_memory:
                each.tofile(self._file)
            self._in_memory = None
        if self._in_memory is not None:
            self._in_memory.append(np.ascontiguousarray(pixels))
        else:
            self._file.seek(0, 2)
            np.ascontiguousarray(pixels).tofile(self._file)
        self.rows += len(pixels)

    def read(self, start: int, stop: int) -> Codes:
        """Return some of the rows.

        Parameters
        ----------
        start, stop
            The first, and the one behind the last.

        Returns
        -------
        Shape (rows, width, channels), dtype uint16; not to be written to, it may be what is kept.
        """
        if self._in_memory is not None:
            parts = list(_between(self._in_memory, start, stop))
            return parts[0] if len(parts) == 1 else np.concatenate(parts)
        self._file.seek(start * self._row_bytes)
        count = (stop - start) * self._row_bytes // 2
        return np.fromfile(self._file, np.uint16, count).reshape(self._shape)

    def pieces(self, rows: int | None = None) -> Iterator[tuple[int, Codes]]:
        """Go through all rows.

        Parameters
        ----------
        rows
            Of a piece; the last may have fewer. Unless given, what is in memory comes in the
            pieces in which it was added, and is not copied.

        Yields
        ------
        tuple[int, Codes]
            The number of a piece's first row, and its pixels.
        """
        if rows is None and self._in_memory is not None:
            top = 0
            for part in self._in_memory:
                yield top, part
                top += len(part)
            return
        rows = rows or rows_per_band(self._shape[1])
        for top in range(0, self.rows, rows):
            yield top, self.read(top, min(top + rows, self.rows))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close and remove the file."""
        self._file.close()
        self._path.unlink()


def _between(parts: list[Codes], start: int, stop: int) -> Iterator[Codes]:
    """Go through what parts that follow each other have of the rows from start to stop."""
    top = 0
    for part in parts:
        if top < stop and start < top + len(part):
            yield part[max(0, start - top) : stop - top]
        top += len(part)
