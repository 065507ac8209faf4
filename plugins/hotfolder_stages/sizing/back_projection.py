"""What an enlargement would lose, given to the picture before it is enlarged.

Interpolation softens: an enlarged picture that is reduced again is not the picture that it was
made of. Back-projection adds what is missing, enlarges, and looks again (Irani and Peleg,
"Improving resolution by image registration", CVGIP: Graphical Models and Image Processing 53, 231
(1991), DOI 10.1016/1049-9652(91)90045-L). With h the response of an enlargement and reduction by
our kernel, the picture after two rounds has the response

    1 + (1 - h) + (1 - h)² = 3 - 3 h + h²

h hardly depends on the scale, so no round is run: one filter of seven samples per direction has
their response, to 0.035 up to 3/8 cycle per pixel, and less beyond, where there is more noise
than picture. Its three weights are fitted to 16 photographs, reduced to half and a quarter: they
give the best mean PSNR where our own kernel had reduced them, with a fifth of the weight for the
same photographs reduced by a lens and a sensor's square pixels
(``tests/benchmarks/enlarging.py`` measures both).

Close to the same size many results lie on a sample, and lose nothing. From twice the size down,
the share of the filter is therefore half of the scale: measured, no source.

What is added is bounded by the picture as it was. A sample stays between those beside it, above
it and below it, or reaches the peak that the samples on both sides of it head for along one of the
directions. So a line or a wave gets its crest, and a step, which one side of it does not head for,
gets no rim. The limit is that of `resample`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hotfolder_stages.sizing.mixing import correct
from hotfolder_stages.sizing.rows import RowBuffer, Samples

REACH = 3
"""Samples on each side of the one that is corrected."""

_BESIDE = np.array([-0.12, 0.077, -0.025])
"""Weights of the samples 1, 2 and 3 beside."""

_FULL_FROM_SCALE = 2.0


def half_kernel(in_size: int, out_size: int) -> NDArray[np.float32]:
    """Weights of a sample and of the three on each side of it, for the enlargement of a direction.

    With the three counted twice they sum to 1. A direction that is not enlarged is left alone.
    """
    share = min(1.0, out_size / in_size / _FULL_FROM_SCALE) if out_size > in_size else 0.0
    beside = share * _BESIDE
    return np.array([1 - 2 * beside.sum(), *beside], np.float32)


class BackProjection:
    """The correction of a picture whose rows come in blocks from its top.

    For each block: fill the `room` for it, `mix` the rows that are `ready`, and `go_on`.

    Parameters
    ----------
    in_size, out_size
        Columns and rows of the whole picture before and after the enlargement.
    planes
        Numbers per pixel.
    """

    def __init__(self, in_size: tuple[int, int], out_size: tuple[int, int], planes: int) -> None:
        (width, self._height), (out_width, out_height) = in_size, out_size
        self._across = half_kernel(width, out_width)
        self._down = half_kernel(self._height, out_height)
        self._rows = RowBuffer((width, planes))
        self._next = 0

    def room(self, rows: int) -> Samples:
        """Where the next rows go."""
        return self._rows.room(rows)

    @property
    def ready(self) -> range:
        """The rows that can be corrected now."""
        there = self._rows.stop
        stop = there if there == self._height else there - REACH
        return range(self._next, max(self._next, stop))

    def mix(self, rows: range) -> Samples:
        """Correct rows that are ready; shape (rows, width, planes)."""
        kept = self._rows.kept
        made = np.empty((len(rows), *kept.shape[1:]), np.float32)
        correct(
            kept.reshape(len(kept), -1),
            kept.shape[2],
            self._rows.start,
            rows.start,
            self._height,
            self._down,
            self._across,
            made.reshape(len(made), -1),
        )
        return made

    def go_on(self) -> None:
        """Forget the rows that only those needed that are ready."""
        self._next = self.ready.stop
        self._rows.forget(self._next - REACH if self._next < self._height else self._height)
