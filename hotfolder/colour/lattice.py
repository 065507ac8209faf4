"""Looking colours up in a lattice of three or four dimensions, by linear interpolation.

A lattice holds the values of a function at points that are evenly spaced from 0 to 65535 in every
channel. Three channels are interpolated over the six tetrahedra that share a cell's diagonal from
black to white, so that greys lie on an edge and meet only the two points beside them (J. M.
Kasson, S. I. Nin, W. Plouffe, J. L. Hafner, "Performing color space conversions with
three-dimensional linear interpolation", J. Electronic Imaging 4, 226 (1995),
DOI 10.1117/12.208656). The fourth channel, black, is interpolated between two of those.

Cell and place inside it are whole numbers, without rounding; weights and sums are float32, so a
result is off by less than 0.01 of a code before it is rounded.
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from hotfolder.compiled import compiled, inlined, made, seen

Codes = NDArray[np.uint16]

_LANES = 4
"""Values kept at a point, used or not: four are read at once."""

_FULL = np.uint32(65535)
_PER_CODE = np.float32(1 / 65535)
_HALF = np.float32(0.5)
_ONE = np.uint32(1)


class Lattice:
    """A function of three or four channels, known at evenly spaced points.

    Parameters
    ----------
    values
        Shape (n, n, n, outputs) or (n, n, n, n, outputs) with one to four outputs, 0 … 65535; the
        first axis is the first channel. n is at least 2.
    """

    def __init__(self, values: NDArray[Any]) -> None:
        self.points = values.shape[0]
        self.inputs = values.ndim - 1
        self.outputs = values.shape[-1]
        count = self.points**self.inputs
        # At the far sides of the lattice neighbours are asked for that have no weight.
        beyond = sum(self.points**power for power in range(self.inputs))
        self._nodes = np.zeros((count + beyond, _LANES), np.float32)
        self._nodes[:count, : self.outputs] = values.reshape(count, self.outputs)

    def look_up(self, pixels: Codes, out: Codes | None = None) -> Codes:
        """Interpolate.

        Parameters
        ----------
        pixels
            Shape (n, inputs), dtype uint16.
        out
            Where the result goes, shape (n, outputs), C-contiguous; a new array unless given.

        Returns
        -------
        uint16, shape (n, outputs), rounded.
        """
        if out is None:
            out = np.empty((len(pixels), self.outputs), np.uint16)
        loop = _three if self.inputs == 3 else _four
        loop(np.ascontiguousarray(pixels), self._nodes, self.points, out)
        return out


@inlined
def _cell(code: Any, points: Any) -> Any:
    """Index of the point below a code, and how far beyond it, 0 … 65534."""
    place = np.uint32(code) * np.uint32(points - 1)
    index = place // _FULL
    return index, place - index * _FULL


@inlined
def _corners(fx: Any, fy: Any, fz: Any, x: Any, y: Any, z: Any) -> Any:
    """Offsets and weights of the tetrahedron's second to fourth corner, and of the first.

    fx, fy, fz: places in the cell, 0 … 65534; x, y, z: steps from a point to the next.
    """
    xy, yz, xz = fx >= fy, fy >= fz, fx >= fz
    most = max(fx, fy, fz)
    least = min(fx, fy, fz)
    middle = fx + fy + fz - most - least
    first = x if (xy and xz) else (y if yz else z)
    last = z if (yz and xz) else (y if (xy and not yz) else x)
    third = x + y + z
    return (
        first,
        third - last,
        third,
        np.float32(_FULL - most) * _PER_CODE,
        np.float32(most - middle) * _PER_CODE,
        np.float32(middle - least) * _PER_CODE,
        np.float32(least) * _PER_CODE,
    )


@compiled(seen("u2", 2), seen("f4", 2), numba.int64, made("u2", 2))
def _three(pixels: Any, nodes: Any, points: Any, out: Any) -> None:
    side = np.uint32(points)
    plane = side * side
    outputs = out.shape[1]
    for pixel in range(len(pixels)):
        x, fx = _cell(pixels[pixel, 0], points)
        y, fy = _cell(pixels[pixel, 1], points)
        z, fz = _cell(pixels[pixel, 2], points)
        p0 = x * plane + y * side + z
        to_p1, to_p2, to_p3, w0, w1, w2, w3 = _corners(fx, fy, fz, plane, side, _ONE)
        p1, p2, p3 = p0 + to_p1, p0 + to_p2, p0 + to_p3
        one = nodes[p0, 0] * w0 + nodes[p1, 0] * w1 + nodes[p2, 0] * w2 + nodes[p3, 0] * w3
        two = nodes[p0, 1] * w0 + nodes[p1, 1] * w1 + nodes[p2, 1] * w2 + nodes[p3, 1] * w3
        three = nodes[p0, 2] * w0 + nodes[p1, 2] * w1 + nodes[p2, 2] * w2 + nodes[p3, 2] * w3
        four = nodes[p0, 3] * w0 + nodes[p1, 3] * w1 + nodes[p2, 3] * w2 + nodes[p3, 3] * w3
        out[pixel, 0] = np.uint16(one + _HALF)
        if outputs > 1:
            out[pixel, 1] = np.uint16(two + _HALF)
        if outputs > 2:
            out[pixel, 2] = np.uint16(three + _HALF)
        if outputs > 3:
            out[pixel, 3] = np.uint16(four + _HALF)


@compiled(seen("u2", 2), seen("f4", 2), numba.int64, made("u2", 2))
def _four(pixels: Any, nodes: Any, points: Any, out: Any) -> None:
    side = np.uint32(points)
    plane = side * side
    solid = plane * side
    outputs = out.shape[1]
    for pixel in range(len(pixels)):
        x, fx = _cell(pixels[pixel, 0], points)
        y, fy = _cell(pixels[pixel, 1], points)
        z, fz = _cell(pixels[pixel, 2], points)
        k, fk = _cell(pixels[pixel, 3], points)
        p0 = x * solid + y * plane + z * side + k
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
            out[pixel, lane] = np.uint16(light * lower + dark * upper + _HALF)
