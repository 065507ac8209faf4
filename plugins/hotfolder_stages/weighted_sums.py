"""Weighted sums of neighbouring rows or columns, as small matrix products.

A filter along one direction makes each result of a few neighbours. Thirty-two results beside each
other share most of theirs, so they are one product with a banded matrix, for which the machine's
linear algebra is several times as fast as any loop, although it multiplies many zeros.

Products are kept so small that OpenBLAS computes each in the thread that asks for it: its own
threads would divide large ones as they happen to be free, and with that change the last bit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]
"""Shape (rows, width), float32."""

RESULTS_PER_TILE = 32
_ONE_THREAD = 2**18
"""OpenBLAS, interface/gemm.c: up to this many multiplications it does not share out."""


@dataclass(frozen=True)
class Tile:
    """Results ``out_start`` to ``out_stop``, made of samples ``in_start`` to ``in_stop``.

    matrix: shape (samples, results), float32.
    """

    in_start: int
    in_stop: int
    out_start: int
    out_stop: int
    matrix: Plane


def tiles(
    first: NDArray[np.int64], weights: NDArray[np.float32], start: int, stop: int
) -> list[Tile]:
    """Matrices for the results `start` to `stop`.

    Parameters
    ----------
    first
        Index of the first sample of each result, never falling.
    weights
        Shape (results, taps): of the samples from the first on.
    """
    made = []
    taps = np.arange(weights.shape[1])
    for at in range(start, stop, RESULTS_PER_TILE):
        end = min(at + RESULTS_PER_TILE, stop)
        in_start, in_stop = int(first[at]), int(first[end - 1]) + len(taps)
        matrix = np.zeros((in_stop - in_start, end - at), np.float32)
        rows = first[at:end, None] - in_start + taps
        matrix[rows, np.arange(end - at)[:, None]] = weights[at:end]
        made.append(Tile(in_start, in_stop, at, end, matrix))
    return made


def sum_columns(samples: Plane, made: Plane, over: list[Tile]) -> None:
    """Fill `made`, each result of samples beside it: along the rows."""
    if not over:
        return
    base = over[0].out_start
    for tile in over:
        part = samples[:, tile.in_start : tile.in_stop]
        out = made[:, tile.out_start - base : tile.out_stop - base]
        for rows in _pieces(len(samples), tile.matrix.size):
            np.matmul(part[rows], tile.matrix, out=out[rows])


def sum_rows(samples: Plane, at: int, made: Plane, over: list[Tile]) -> None:
    """Fill `made`, each result of samples above each other; `samples` begins with row `at`."""
    if not over:
        return
    base = over[0].out_start
    for tile in over:
        part = samples[tile.in_start - at : tile.in_stop - at]
        out = made[tile.out_start - base : tile.out_stop - base]
        for columns in _pieces(samples.shape[1], tile.matrix.size):
            np.matmul(tile.matrix.T, part[:, columns], out=out[:, columns])


def _pieces(size: int, work_each: int) -> Iterator[slice]:
    step = max(1, _ONE_THREAD // work_each)
    if step >= 16:  # whole vectors, so that a piece has no slow end
        step -= step % 16
    for at in range(0, size, step):
        yield slice(at, min(at + step, size))
