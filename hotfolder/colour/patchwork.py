"""A function of a pixel's channels, interpolated between points that a picture makes necessary.

The space of three or four channels is cut into blocks, and each block into cells. When the first
pixel comes that lies in a block, the function is computed at all corners of the block's cells;
after that, pixels in it are interpolated. Real pictures use a tenth of the blocks or less, so the
points can lie four times as close as in a grid that is made before the picture is seen, at less
than its price. What comes out depends on the pixel alone, never on which pixels came before.

Three channels are interpolated over the six tetrahedra that share a cell's diagonal from black to
white, so that greys lie on an edge and meet only the two points beside them (J. M. Kasson, S. I.
Nin, W. Plouffe, J. L. Hafner, "Performing color space conversions with three-dimensional linear
interpolation", J. Electronic Imaging 4, 226 (1995), DOI 10.1117/12.208656). The fourth channel is
interpolated between two of those.

Cell and place inside it are whole numbers, without rounding; weights and sums are float32, so a
result is off by less than 0.01 of a code before it is rounded.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Array, Codes, Indices
from hotfolder.colour.patchwork_loops import AT_ONCE, LANES, THREE, find_within, four, mark
from hotfolder.colour.slabs import over_slabs

Scalar = TypeVar("Scalar", bound=np.generic)

POINTS = "points"
"""What the values at the points of a block are called among what is known of it."""

COLOURS_PER_CALL = 5_000
"""Converted within some milliseconds: for fewer a thread is hardly worth its waking."""

_FEW_BLOCKS = 64


class KnownBlocks(Protocol):
    """Blocks of which the points are known before a picture asks for them."""

    def knows(self, name: str, blocks: Indices) -> NDArray[np.bool_]:
        """Say of which blocks `POINTS`, or what else has a name, are known."""
        ...

    def take(self, name: str, blocks: Indices) -> NDArray[Any]:
        """Return `POINTS` of known blocks: shape (blocks, points of a block, outputs), uint16."""
        ...

    def note(self, name: str, blocks: Indices, values: NDArray[Any]) -> None:
        """Note the same of blocks that were computed because they are not known."""
        ...


@dataclass(frozen=True)
class Covered:
    """Points of blocks at one moment; more may be made while they are used."""

    nodes: Codes = field(repr=False)
    """Shape (points of all slots, lanes)."""

    count: int
    """Slots whose points are there."""


Ask = Callable[[Indices], Covered]
"""Covers blocks that are missing, if there are any, and says what is covered then."""


class Patchwork:
    """A function known on some blocks of its space.

    Parameters
    ----------
    compute
        The function at all points of blocks, as `over_points` computes it: indices of blocks to
        shape (blocks, points of a block, outputs), uint16. It is called by one thread at a time.
    inputs, outputs
        Channels: 3 or 4, and 1 … 4.
    blocks, cells
        Blocks of the space a side, and cells of a block a side, which is a power of two.
    known
        Blocks that need not be computed, if there are any.
    """

    def __init__(
        self,
        compute: Callable[[Indices], Codes],
        inputs: int,
        outputs: int,
        *,
        blocks: int,
        cells: int,
        known: KnownBlocks | None = None,
    ) -> None:
        self._known = known
        self._compute = compute
        self.inputs, self.outputs = inputs, outputs
        self.blocks, self.cells = blocks, cells
        self._count = 0
        self._slots = np.full(blocks**inputs, -1, np.int32)
        self._nodes: Codes = np.empty((0, LANES), np.uint16)
        self._per_block = (cells + 1) ** inputs
        self._making = threading.Lock()

    def cover(self, blocks: Indices) -> Indices:
        """Compute blocks that are not known yet.

        Parameters
        ----------
        blocks
            Their indices, each once.

        Returns
        -------
        int64: indices of the blocks that were new.
        """
        with self._making:
            fresh: Indices = blocks[self._slots[blocks] < 0]
            if fresh.size:
                self._make(fresh)
        return fresh

    def points(self, blocks: Indices) -> Codes:
        """Return the values at the points of covered blocks: shape (n, points, outputs), uint16."""
        nodes = self._nodes.reshape(-1, self._per_block, LANES)
        return nodes[self._slots[blocks], :, : self.outputs]

    def over_points(
        self, blocks: Indices, function: Callable[[Codes], Array], *, every: int = 1
    ) -> Array:
        """Compute a function at the points of blocks.

        Neighbours share the points between them; of each it is computed once.

        Parameters
        ----------
        function
            Shape (n, inputs), uint16, to (n, ...); is called from several threads.
        every
            Take every so many points a side, a divisor of the cells: 2 is one of 8.

        Returns
        -------
        Shape (blocks, points of a block, ...).
        """
        codes, at = self.list_points(blocks, every=every)
        values: Array = compute_in_threads(function, codes)[at]
        return values

    def list_points(self, blocks: Indices, *, every: int = 1) -> tuple[Codes, NDArray[Any]]:
        """List the colours at points of blocks, each once, and say which each point has.

        Parameters
        ----------
        every
            As `over_points` takes it.

        Returns
        -------
        Shape (n, inputs), and whole numbers below n, shape (blocks, points of a block).
        """
        cells = self.cells // every
        side = self.blocks * cells + 1
        strides = side ** np.arange(self.inputs)[::-1]
        shape = (cells + 1,) * self.inputs
        within = np.unravel_index(np.arange(np.prod(shape)), shape)
        first = self.corners(blocks) @ strides * cells
        numbers = first[:, None] + np.stack(within, axis=-1) @ strides
        distinct, at = _distinct(numbers.ravel(), side**self.inputs)
        places = np.stack(np.unravel_index(distinct, (side,) * self.inputs), axis=-1)
        codes = np.rint(places * (65535 / (side - 1))).astype(np.uint16)
        return codes, at.reshape(numbers.shape)

    def corners(self, blocks: Indices) -> NDArray[np.int64]:
        """Index of each block along each channel: shape (n,) to (n, inputs)."""
        return np.stack(np.unravel_index(blocks, (self.blocks,) * self.inputs), axis=-1)

    def find_within(self, pixels: Codes, marked: NDArray[np.uint8]) -> Indices:
        """Return the indices of pixels that lie in marked blocks.

        Shapes (n, inputs), and (blocks of the space,), where what is not 0 is marked.
        """
        found, count = np.empty(len(pixels), np.int64), np.zeros(1, np.int64)
        find_within(np.ascontiguousarray(pixels), self.blocks, marked, found, count)
        return found[: count[0]]

    def covered(self) -> Covered:
        """Return the points that are there now."""
        with self._making:
            return Covered(self._nodes, self._count)

    def look_up(self, pixels: Codes, ask: Ask | None = None) -> Codes:
        """Interpolate, on all cores.

        Pixels whose blocks are missing are left out of a first walk and make up a second one, so
        that all blocks that an array needs are computed at once.

        Parameters
        ----------
        pixels
            Shape (n, inputs), uint16.
        ask
            Covers blocks that are missing; `cover` unless given.

        Returns
        -------
        uint16, shape (n, outputs), rounded.
        """
        pixels = np.ascontiguousarray(pixels)
        out: Codes = np.empty((len(pixels), self.outputs), np.uint16)
        ask = ask or self._ask
        now, parts = ask(np.empty(0, np.int64)), np.arange(-(-len(pixels) // AT_ONCE))
        while len(parts):
            missing = np.zeros(len(self._slots), np.uint8)
            parts = self._walk(pixels, parts, now, out, missing)
            if len(parts):
                now = ask(np.flatnonzero(missing))
        return out

    def _ask(self, missing: Indices) -> Covered:
        self.cover(missing)
        return self.covered()

    def _walk(
        self,
        pixels: Codes,
        parts: Indices,
        now: Covered,
        out: Codes,
        missing: NDArray[np.uint8],
    ) -> Indices:
        """Interpolate parts of `AT_ONCE` pixels; return those of which blocks are missing."""
        loop = THREE[self.outputs] if self.inputs == 3 else four
        shift = self.cells.bit_length() - 1

        def work(start: int, stop: int) -> Indices:
            left, count = np.empty(stop - start, np.int64), np.zeros(1, np.int64)
            loop(
                pixels,
                parts[start:stop],
                self._slots,
                now.count,
                now.nodes.view("<u8")[:, 0],
                self.blocks,
                shift,
                out,
                missing,
                left,
                count,
            )
            return left[: count[0]]

        return np.concatenate(over_slabs(work, len(parts), AT_ONCE))

    def _make(self, fresh: Indices) -> None:
        stop = self._count + len(fresh)
        if stop * self._per_block > len(self._nodes):
            room = max(stop, min(2 * stop, len(self._slots)), _FEW_BLOCKS)
            grown = np.zeros((room * self._per_block, LANES), np.uint16)
            grown[: self._count * self._per_block] = self._nodes[: self._count * self._per_block]
            self._nodes = grown
        first = self._count
        values = self._nodes[first * self._per_block : stop * self._per_block].reshape(
            len(fresh), self._per_block, LANES
        )[..., : self.outputs]
        if self._known is None:
            values[:] = self._compute(fresh)
        else:
            is_known = self._known.knows(POINTS, fresh)
            values[is_known] = self._known.take(POINTS, fresh[is_known])
            computed = fresh[~is_known]
            if computed.size:
                made = self._compute(computed)
                values[~is_known] = made
                self._known.note(POINTS, computed, made)
        self._slots[fresh] = np.arange(first, stop)
        self._count = stop


def compute_in_threads(
    function: Callable[[Codes], NDArray[Scalar]], codes: Codes
) -> NDArray[Scalar]:
    """Compute a function of colours, by several threads where they are many.

    Parameters
    ----------
    function
        Shape (n, inputs), uint16, to (n, ...).
    codes
        Colours.

    Returns
    -------
    What the function makes of them.
    """
    return np.concatenate(
        over_slabs(
            lambda start, stop: np.asarray(function(codes[start:stop])),
            len(codes),
            1,
            worth_a_thread=COLOURS_PER_CALL,
        )
    )


def mark_blocks(pixels: Codes, blocks: int, used: NDArray[np.uint8]) -> None:
    """Mark the blocks that pixels lie in.

    Parameters
    ----------
    pixels
        Shape (n, inputs), uint16.
    blocks
        Of the space a side.
    used
        Shape (blocks ** inputs,): becomes 1.
    """
    pixels = np.ascontiguousarray(pixels)

    def work(start: int, stop: int) -> None:
        mark(pixels[start:stop], blocks, used)

    over_slabs(work, len(pixels), 1)


def _distinct(numbers: Indices, most: int) -> tuple[Indices, NDArray[Any]]:
    """Return the numbers that occur below `most`, rising, and where each of those given is there.

    What `numpy.unique` does, without sorting where many are given of few.
    """
    if most > 8 * len(numbers):
        found, at = np.unique(numbers, return_inverse=True)
        return found, at
    occurs = np.zeros(most, np.bool_)
    occurs[numbers] = True
    found = np.flatnonzero(occurs)
    place = np.empty(most, np.int32)
    place[found] = np.arange(len(found))
    return found, place[numbers]
