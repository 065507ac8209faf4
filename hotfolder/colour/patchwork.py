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

from hotfolder.colour.arrays import Array, Codes, Indices, Whole
from hotfolder.colour.machine_code import compiled, inlined, made, number, seen
from hotfolder.colour.slabs import over_slabs

Scalar = TypeVar("Scalar", bound=np.generic)

POINTS = "points"
"""What the values at the points of a block are called among what is known of it."""

_LANES = 4
"""Values kept at a point, used or not: four are read at once."""

_AT_ONCE = 256
"""Pixels that stay in a core's first cache with all that is computed of them."""

COLOURS_PER_CALL = 20_000
"""An engine's call for fewer takes as long again to begin as it takes to convert them."""

_FEW_BLOCKS = 64
_FULL = np.uint32(65535)
_PER_CODE = np.float32(1 / 65535)
_HALF = np.float32(0.5)
_ONE = np.uint32(1)
_WORD = np.uint32(16)


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

    nodes: NDArray[np.float32] = field(repr=False)
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
        shape (blocks, points of a block, outputs), any number type, 0 … 65535. It is called by
        one thread at a time.
    inputs, outputs
        Channels: 3 or 4, and 1 … 4.
    blocks, cells
        Blocks of the space a side, and cells of a block a side, which is a power of two.
    known
        Blocks that need not be computed, if there are any; the function returns uint16 then.
    """

    def __init__(
        self,
        compute: Callable[[Indices], Array],
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
        self._nodes = np.empty((0, _LANES), np.float32)
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
        nodes = self._nodes.reshape(-1, self._per_block, _LANES)
        return nodes[self._slots[blocks], :, : self.outputs].astype(np.uint16)

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
        _find_within(np.ascontiguousarray(pixels), self.blocks, marked, found, count)
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
        now, parts = ask(np.empty(0, np.int64)), np.arange(-(-len(pixels) // _AT_ONCE))
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
        """Interpolate parts of `_AT_ONCE` pixels; return those of which blocks are missing."""
        loop = _THREE[self.outputs] if self.inputs == 3 else _four
        shift = self.cells.bit_length() - 1

        def work(start: int, stop: int) -> Indices:
            left, count = np.empty(stop - start, np.int64), np.zeros(1, np.int64)
            loop(
                pixels,
                parts[start:stop],
                self._slots,
                now.count,
                now.nodes,
                self.blocks,
                shift,
                out,
                missing,
                left,
                count,
            )
            return left[: count[0]]

        return np.concatenate(over_slabs(work, len(parts), _AT_ONCE))

    def _make(self, fresh: Indices) -> None:
        stop = self._count + len(fresh)
        if stop * self._per_block > len(self._nodes):
            room = max(stop, min(2 * stop, len(self._slots)), _FEW_BLOCKS)
            grown = np.zeros((room * self._per_block, _LANES), np.float32)
            grown[: self._count * self._per_block] = self._nodes[: self._count * self._per_block]
            self._nodes = grown
        first = self._count
        values = self._nodes[first * self._per_block : stop * self._per_block].reshape(
            len(fresh), self._per_block, _LANES
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
        _mark(pixels[start:stop], blocks, used)

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


@inlined
def _cell(code: Whole, cells: Whole) -> tuple[np.uint32, np.uint32]:
    """Index of the cell that a code is in, and how far into it, 0 … 65535; up to 512 cells.

    The index is ``place // 65535`` by shifts, and the last cell holds its end. Numba makes 64 bits
    of the sum of two numbers of 32, of which half as many are computed at once.
    """
    place = np.uint32(code * cells)
    index = np.uint32(np.uint32(place + np.uint32(place >> _WORD) + _ONE) >> _WORD)
    index = min(index, np.uint32(cells - _ONE))
    return index, np.uint32(place - np.uint32(index * _FULL))


@inlined
def _corners(
    fx: np.uint32, fy: np.uint32, fz: np.uint32, x: np.uint32, y: np.uint32, z: np.uint32
) -> tuple[np.uint32, np.uint32, np.uint32, np.float32, np.float32, np.float32, np.float32]:
    """Offsets of the tetrahedron's second to fourth corner, and weights of all four.

    fx, fy, fz: places in the cell, 0 … 65535; x, y, z: steps from a point to the next.
    """
    xy, yz, xz = fx >= fy, fy >= fz, fx >= fz
    most = max(fx, fy, fz)
    least = min(fx, fy, fz)
    middle = np.uint32(np.uint32(np.uint32(np.uint32(fx + fy) + fz) - most) - least)
    first = x if (xy & xz) else (y if (yz & (not xy)) else z)
    last = z if (yz & xz) else (y if (xy & (not yz)) else x)
    third = np.uint32(x + y + z)
    return (
        first,
        np.uint32(third - last),
        third,
        np.float32(np.int32(np.uint32(_FULL - most))) * _PER_CODE,
        np.float32(np.int32(np.uint32(most - middle))) * _PER_CODE,
        np.float32(np.int32(np.uint32(middle - least))) * _PER_CODE,
        np.float32(np.int32(least)) * _PER_CODE,
    )


@inlined
def _blocks_of(pixels: Array, blocks: int, found: Array) -> None:
    for pixel in range(len(pixels)):
        x, _ = _cell(pixels[pixel, 0], blocks)
        y, _ = _cell(pixels[pixel, 1], blocks)
        z, _ = _cell(pixels[pixel, 2], blocks)
        block = np.uint32(np.uint32(x * blocks + y) * blocks + z)
        if pixels.shape[1] > 3:
            k, _ = _cell(pixels[pixel, 3], blocks)
            block = np.uint32(block * blocks + k)
        found[pixel] = block


@compiled(seen("u2", 2), number("u4"), seen("u1", 1), made("i8", 1), made("i8", 1))
def _find_within(pixels: Array, blocks: int, marked: Array, found: Array, count: Array) -> None:
    block = np.empty(_AT_ONCE, np.uint32)
    at = 0
    for start in range(0, len(pixels), _AT_ONCE):
        part = pixels[start : start + _AT_ONCE]
        _blocks_of(part, blocks, block)
        for pixel in range(len(part)):
            if marked[block[pixel]]:
                found[at] = start + pixel
                at += 1
    count[0] = at


@compiled(seen("u2", 2), number("u4"), made("u1", 1))
def _mark(pixels: Array, blocks: int, used: Array) -> None:
    found = np.empty(_AT_ONCE, np.uint32)
    for start in range(0, len(pixels), _AT_ONCE):
        part = pixels[start : start + _AT_ONCE]
        _blocks_of(part, blocks, found)
        for pixel in range(len(part)):
            used[found[pixel]] = 1


@inlined
def _are_covered(
    block: Array, slots: Array, covered: int, count: int, slot: Array, missing: Array
) -> bool:
    """Look up the slots of some pixels' blocks; note which of these are missing, if any."""
    last = np.uint32(0)
    for pixel in range(count):
        slot[pixel] = np.uint32(slots[block[pixel]])
        last = max(last, slot[pixel])
    if last < covered:
        return True
    for pixel in range(count):
        if slot[pixel] >= covered:
            missing[block[pixel]] = 1
    return False


_ARGUMENTS = (
    seen("u2", 2),
    seen("i8", 1),
    seen("i4", 1),
    number("u4"),
    seen("f4", 2),
    number("u4"),
    number("u4"),
    made("u2", 2),
    made("u1", 1),
    made("i8", 1),
    made("i8", 1),
)
"""Of a loop over pixels: these, which parts of `_AT_ONCE` of them, the slot of each block, how many
slots have points, the points, blocks a side, the power of two that cells of a block a side are,
codes, blocks without points (1 where a pixel is in one), parts in which such pixels are, and how
many these are."""


def _for_three(outputs: int) -> Callable[..., None]:
    """Make the loop over pixels of three channels; a fixed count of outputs is twice as fast.

    Where and how much for some pixels, then their sums, then their codes, each by itself: so the
    first and the last are done for many pixels at once, the second for the four values of a point.
    """

    @compiled(*_ARGUMENTS)
    def loop(
        pixels: Array,
        parts: Array,
        slots: Array,
        covered: int,
        nodes: Array,
        blocks: int,
        shift: int,
        out: Array,
        missing: Array,
        left: Array,
        count_left: Array,
    ) -> None:
        inner = np.uint32((_ONE << shift) - _ONE)
        side = np.uint32((_ONE << shift) + _ONE)
        plane = np.uint32(side * side)
        solid = np.uint32(plane * side)
        opposite = np.uint32(plane + side + _ONE)
        in_all = np.uint32(blocks << shift)
        reds = np.empty(_AT_ONCE, np.uint32)
        greens = np.empty(_AT_ONCE, np.uint32)
        blues = np.empty(_AT_ONCE, np.uint32)
        block = np.empty(_AT_ONCE, np.uint32)
        slot = np.empty(_AT_ONCE, np.uint32)
        first = np.empty(_AT_ONCE, np.uint32)
        to_second = np.empty(_AT_ONCE, np.uint32)
        to_third = np.empty(_AT_ONCE, np.uint32)
        weight = np.empty((4, _AT_ONCE), np.float32)
        sums = np.empty(_AT_ONCE * outputs + _LANES, np.float32)
        flat = out.reshape(-1)
        for number_of_part in range(len(parts)):
            start = parts[number_of_part] * _AT_ONCE
            part = pixels[start : start + _AT_ONCE]
            count = len(part)
            for pixel in range(count):
                reds[pixel] = part[pixel, 0]
                greens[pixel] = part[pixel, 1]
                blues[pixel] = part[pixel, 2]
            for pixel in range(count):
                x, fx = _cell(reds[pixel], in_all)
                y, fy = _cell(greens[pixel], in_all)
                z, fz = _cell(blues[pixel], in_all)
                rows = np.uint32((x >> shift) * blocks) + (y >> shift)
                block[pixel] = np.uint32(np.uint32(rows) * blocks) + (z >> shift)
                first[pixel] = (
                    np.uint32((x & inner) * plane) + np.uint32((y & inner) * side) + (z & inner)
                )
                to_p1, to_p2, _, w0, w1, w2, w3 = _corners(fx, fy, fz, plane, side, _ONE)
                to_second[pixel], to_third[pixel] = to_p1, to_p2
                weight[0, pixel], weight[1, pixel] = w0, w1
                weight[2, pixel], weight[3, pixel] = w2, w3
            if not _are_covered(block, slots, covered, count, slot, missing):
                left[count_left[0]] = parts[number_of_part]
                count_left[0] += 1
                continue
            for pixel in range(count):
                p0 = np.uint32(slot[pixel] * solid + first[pixel])
                p1 = np.uint32(p0 + to_second[pixel])
                p2 = np.uint32(p0 + to_third[pixel])
                p3 = np.uint32(p0 + opposite)
                w0, w1 = weight[0, pixel], weight[1, pixel]
                w2, w3 = weight[2, pixel], weight[3, pixel]
                # of fewer outputs, the lanes left over are those of the next pixel, and overwritten
                to = pixel * outputs
                for lane in range(_LANES):
                    one = nodes[p0, lane] * w0 + nodes[p1, lane] * w1
                    sums[to + lane] = one + nodes[p2, lane] * w2 + nodes[p3, lane] * w3
            made_here = flat[start * outputs :]
            for at in range(count * outputs):
                made_here[at] = np.uint16(np.int32(sums[at] + _HALF))

    return loop


@compiled(*_ARGUMENTS)
def _four(
    pixels: Array,
    parts: Array,
    slots: Array,
    covered: int,
    nodes: Array,
    blocks: int,
    shift: int,
    out: Array,
    missing: Array,
    left: Array,
    count_left: Array,
) -> None:
    inner = (_ONE << shift) - _ONE
    side = (_ONE << shift) + _ONE
    plane = side * side
    solid = plane * side
    outputs = out.shape[1]
    in_all = blocks << shift
    block = np.empty(_AT_ONCE, np.uint32)
    slot = np.empty(_AT_ONCE, np.uint32)
    for number_of_part in range(len(parts)):
        start = parts[number_of_part] * _AT_ONCE
        part, new = pixels[start : start + _AT_ONCE], out[start : start + _AT_ONCE]
        count = len(part)
        _blocks_of(part, blocks, block)
        if not _are_covered(block, slots, covered, count, slot, missing):
            left[count_left[0]] = parts[number_of_part]
            count_left[0] += 1
            continue
        for pixel in range(count):
            x, fx = _cell(part[pixel, 0], in_all)
            y, fy = _cell(part[pixel, 1], in_all)
            z, fz = _cell(part[pixel, 2], in_all)
            k, fk = _cell(part[pixel, 3], in_all)
            p0 = slot[pixel] * solid * side + (x & inner) * solid + (y & inner) * plane
            p0 += (z & inner) * side + (k & inner)
            to_p1, to_p2, to_p3, w0, w1, w2, w3 = _corners(fx, fy, fz, solid, plane, side)
            p1, p2, p3 = p0 + to_p1, p0 + to_p2, p0 + to_p3
            q0, q1, q2, q3 = p0 + _ONE, p1 + _ONE, p2 + _ONE, p3 + _ONE
            upper = np.float32(fk) * _PER_CODE
            lower = np.float32(_FULL - fk) * _PER_CODE
            for lane in range(outputs):
                light = nodes[p0, lane] * w0 + nodes[p1, lane] * w1
                light += nodes[p2, lane] * w2 + nodes[p3, lane] * w3
                dark = nodes[q0, lane] * w0 + nodes[q1, lane] * w1
                dark += nodes[q2, lane] * w2 + nodes[q3, lane] * w3
                new[pixel, lane] = np.uint16(light * lower + dark * upper + _HALF)


_THREE = {outputs: _for_three(outputs) for outputs in (1, 2, 3, 4)}
