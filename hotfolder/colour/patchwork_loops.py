"""The loops of `hotfolder.colour.patchwork`: blocks of pixels, and what lies between points.

Pixels are taken in parts of `AT_ONCE`. A part of which a block has no points is left out, and its
blocks are noted.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from hotfolder.colour.arrays import Array, Whole
from hotfolder.colour.machine_code import compiled, inlined, made, number, seen

LANES = 4
"""Codes kept at a point, used or not: four are read at once, as a number of 64 bits, in which the
first lies lowest."""

AT_ONCE = 256
"""Pixels that stay in a core's first cache with all that is computed of them."""

_FULL = np.uint32(65535)
_PER_CODE = np.float32(1 / 65535)
_HALF = np.float32(0.5)
_ONE = np.uint32(1)
_WORD = np.uint32(16)
_FIRST, _SECOND, _THIRD, _FOURTH = np.uint64(0), np.uint64(16), np.uint64(32), np.uint64(48)
"""By how many bits each code of a point is shifted."""


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
def _blocks_of(pixels: Array, blocks: int, codes: Array, found: Array) -> None:
    """Say in which block each pixel is; codes: room for those of one channel."""
    count = np.uint64(len(pixels))
    for pixel in range(count):
        found[pixel] = 0
    for channel in range(pixels.shape[1]):
        for pixel in range(count):
            codes[pixel] = pixels[pixel, channel]
        for pixel in range(count):
            index, _ = _cell(codes[pixel], blocks)
            found[pixel] = np.uint32(found[pixel] * blocks) + index


@compiled(seen("u2", 2), number("u4"), seen("u1", 1), made("i8", 1), made("i8", 1))
def find_within(pixels: Array, blocks: int, marked: Array, found: Array, count: Array) -> None:
    """Find the pixels in marked blocks."""
    block, codes = np.empty(AT_ONCE, np.uint32), np.empty(AT_ONCE, np.uint32)
    at = 0
    for start in range(0, len(pixels), AT_ONCE):
        part = pixels[start : start + AT_ONCE]
        _blocks_of(part, blocks, codes, block)
        for pixel in range(len(part)):
            if marked[block[pixel]]:
                found[at] = start + pixel
                at += 1
    count[0] = at


@compiled(seen("u2", 2), number("u4"), made("u1", 1))
def mark(pixels: Array, blocks: int, used: Array) -> None:
    """Mark the blocks that pixels lie in."""
    found, codes = np.empty(AT_ONCE, np.uint32), np.empty(AT_ONCE, np.uint32)
    for start in range(0, len(pixels), AT_ONCE):
        part = pixels[start : start + AT_ONCE]
        _blocks_of(part, blocks, codes, found)
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


@inlined
def _code(point: np.uint64, by: np.uint64) -> np.float32:
    """One of the codes at a point: the one that lies `by` bits from the lowest."""
    return np.float32(np.int32(np.uint32(np.uint32(point >> by) & _FULL)))


@inlined
def _between(corners: Array, weights: Array, pixel: int, by: np.uint64) -> np.uint64:
    """Interpolate one code of a pixel, and lay it where it lies at a point."""
    one = _code(corners[0, pixel], by) * weights[0, pixel]
    one += _code(corners[1, pixel], by) * weights[1, pixel]
    total = one + _code(corners[2, pixel], by) * weights[2, pixel]
    total += _code(corners[3, pixel], by) * weights[3, pixel]
    return np.uint64(np.uint64(np.uint32(np.int32(total + _HALF))) << by)


_ARGUMENTS = (
    seen("u2", 2),
    seen("i8", 1),
    seen("i4", 1),
    number("u4"),
    seen("u8", 1),
    number("u4"),
    number("u4"),
    made("u2", 2),
    made("u1", 1),
    made("i8", 1),
    made("i8", 1),
)
"""Of a loop over pixels: these, which parts of `AT_ONCE` of them, the slot of each block, how many
slots have points, the points, blocks a side, the power of two that cells of a block a side are,
codes, blocks without points (1 where a pixel is in one), parts in which such pixels are, and how
many these are."""


def _for_three(outputs: int) -> Callable[..., None]:
    """Make the loop over pixels of three channels; a fixed count of outputs is twice as fast.

    Where and how much for some pixels, then the points around them, then their codes, each by
    itself. So all but the second is done for many pixels at once; that reads four codes at once.
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
        reds = np.empty(AT_ONCE, np.uint32)
        greens = np.empty(AT_ONCE, np.uint32)
        blues = np.empty(AT_ONCE, np.uint32)
        block = np.empty(AT_ONCE, np.uint32)
        slot = np.empty(AT_ONCE, np.uint32)
        first = np.empty(AT_ONCE, np.uint32)
        to_second = np.empty(AT_ONCE, np.uint32)
        to_third = np.empty(AT_ONCE, np.uint32)
        weight = np.empty((4, AT_ONCE), np.float32)
        corners = np.empty((4, AT_ONCE), np.uint64)
        codes = np.empty(AT_ONCE, np.uint64)
        flat = out.reshape(-1)
        for number_of_part in range(len(parts)):
            start = parts[number_of_part] * AT_ONCE
            part = pixels[start : start + AT_ONCE]
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
                corners[0, pixel] = nodes[p0]
                corners[1, pixel] = nodes[np.uint32(p0 + to_second[pixel])]
                corners[2, pixel] = nodes[np.uint32(p0 + to_third[pixel])]
                corners[3, pixel] = nodes[np.uint32(p0 + opposite)]
            for pixel in range(count):
                found = _between(corners, weight, pixel, _FIRST)
                if outputs > 1:
                    found |= _between(corners, weight, pixel, _SECOND)
                if outputs > 2:
                    found |= _between(corners, weight, pixel, _THIRD)
                if outputs > 3:
                    found |= _between(corners, weight, pixel, _FOURTH)
                codes[pixel] = found
            made_here = flat[start * outputs :]
            for pixel in range(count):
                for lane in range(outputs):
                    made_here[pixel * outputs + lane] = codes[pixel] >> np.uint64(16 * lane)

    return loop


@compiled(*_ARGUMENTS)
def four(
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
    """Interpolate pixels of four channels."""
    inner = (_ONE << shift) - _ONE
    side = (_ONE << shift) + _ONE
    plane = side * side
    solid = plane * side
    outputs = out.shape[1]
    in_all = blocks << shift
    block, codes = np.empty(AT_ONCE, np.uint32), np.empty(AT_ONCE, np.uint32)
    slot = np.empty(AT_ONCE, np.uint32)
    for number_of_part in range(len(parts)):
        start = parts[number_of_part] * AT_ONCE
        part, new = pixels[start : start + AT_ONCE], out[start : start + AT_ONCE]
        count = len(part)
        _blocks_of(part, blocks, codes, block)
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
                by = np.uint64(16 * lane)
                light = _code(nodes[p0], by) * w0 + _code(nodes[p1], by) * w1
                light += _code(nodes[p2], by) * w2 + _code(nodes[p3], by) * w3
                dark = _code(nodes[q0], by) * w0 + _code(nodes[q1], by) * w1
                dark += _code(nodes[q2], by) * w2 + _code(nodes[q3], by) * w3
                new[pixel, lane] = np.uint16(light * lower + dark * upper + _HALF)


THREE = {outputs: _for_three(outputs) for outputs in (1, 2, 3, 4)}
"""Interpolate pixels of three channels, by how many come out."""
