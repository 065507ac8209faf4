"""Find marks of control strips in a photograph: a black dot in a ring, on paper.

What is darker than half of the paper around it is cut into regions. A mark is a region inside
another: both have one middle, and the outer one is three times as wide and as high, however it is
tilted. The squares of a 2D code are nearer to each other in size and fall out.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

_WINDOWS: Final = (8, 20, 50)
"""The paper's light is looked for in that share of the longer side."""
_DARKER: Final = 0.45
_RATIO: Final = (2.55, 3.5)
_FILLED: Final = (0.28, 0.62)
"""Share of its box that the ring fills; 0.44 in a photograph without faults."""
_LEAST_PX: Final = 9
_MOST: Final = 16
_SAME: Final = 0.12
"""Of the ring's size: how far middles may be apart."""

Points = NDArray[np.float64]


def find_marks(light: NDArray[np.float32]) -> Points:
    """Find marks.

    Parameters
    ----------
    light
        Of a picture, linear: shape (rows, width).

    Returns
    -------
    Middles, the largest first: shape (n, 2), in pixels across and down.
    """
    found: list[tuple[float, float, float]] = []
    for window in _WINDOWS:
        paper = _find_paper(light, max(light.shape) // window)
        for size, x, y in _find_rings(light < _DARKER * paper):
            if all(np.hypot(x - a, y - b) > size / 2 for _, a, b in found):
                found.append((size, x, y))
    found.sort(reverse=True)
    return np.array([(x, y) for _, x, y in found[:_MOST]]).reshape(-1, 2)


def list_corners(marks: Points, aspects: Sequence[float]) -> list[tuple[int, Points]]:
    """List fours of marks that may be corners of a strip.

    Parameters
    ----------
    marks
        Middles: shape (n, 2).
    aspects
        Width over height of each kind of strip.

    Returns
    -------
    Which kind, and its corners clockwise, in each turn that its shape allows: shape (4, 2).
    """
    made = []
    for four in itertools.combinations(range(len(marks)), 4):
        points = _order(marks[list(four)])
        if points is None:
            continue
        sides = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
        if min(sides) < _LEAST_PX:
            continue
        for kind, aspect in enumerate(aspects):
            for turn in range(4):
                turned = np.roll(sides, -turn)
                across, down = turned[[0, 2]].mean(), turned[[1, 3]].mean()
                if abs(np.log(across / down / aspect)) < 0.45:
                    made.append((kind, np.roll(points, -turn, axis=0)))
    return made


class Square:
    """The unit square, as a photograph shows it.

    Parameters
    ----------
    corners
        Where (0, 0), (1, 0), (1, 1) and (0, 1) are: shape (4, 2).
    """

    def __init__(self, corners: Points) -> None:
        square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float64)
        rows = []
        for (x, y), (u, v) in zip(square, corners, strict=True):
            rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        solved = np.linalg.solve(np.array(rows), corners.reshape(-1))
        self._matrix = np.append(solved, 1.0).reshape(3, 3)

    def find(self, points: Points) -> Points:
        """Return where points of the square are, of any shape (..., 2)."""
        ahead = np.concatenate([points, np.ones((*points.shape[:-1], 1))], axis=-1)
        ahead = ahead @ self._matrix.T
        found: Points = ahead[..., :2] / ahead[..., 2:]
        return found


def _find_paper(light: NDArray[np.float32], window: int) -> NDArray[np.float32]:
    """How light the lightest is around each pixel, smoothly."""
    import scipy

    side = max(4, window // 2)
    rows, width = -(-light.shape[0] // side), -(-light.shape[1] // side)
    padded = np.pad(
        light, ((0, rows * side - light.shape[0]), (0, width * side - light.shape[1])), mode="edge"
    )
    blocks = padded.reshape(rows, side, width, side).transpose(0, 2, 1, 3).reshape(rows, width, -1)
    best = scipy.ndimage.maximum_filter(np.percentile(blocks, 90, axis=2), size=3)
    smooth = scipy.ndimage.uniform_filter(best, size=3)
    grown: NDArray[np.float32] = np.kron(smooth, np.ones((side, side)))
    return grown[: light.shape[0], : light.shape[1]].astype(np.float32)


def _find_rings(dark: NDArray[np.bool_]) -> list[tuple[float, float, float]]:
    """Find dots in rings: the ring's size, and the middle across and down."""
    import scipy

    labels, _ = scipy.ndimage.label(dark)
    boxes = scipy.ndimage.find_objects(labels)
    areas = np.bincount(labels.ravel())
    rings, dots = [], []
    for number, (down, across) in enumerate(boxes, start=1):
        height, width = down.stop - down.start, across.stop - across.start
        if not 0.2 < width / height < 5 or max(height, width) > max(dark.shape) / 6:
            continue
        filled = areas[number] / (width * height)
        middle = ((across.start + across.stop) / 2, (down.start + down.stop) / 2)
        if min(width, height) >= _LEAST_PX and _FILLED[0] < filled < _FILLED[1]:
            rings.append((number, width, height, *middle))
        elif min(width, height) >= _LEAST_PX // 4 and filled > 0.6:
            dots.append((number, width, height, *middle))
    if not rings or not dots:
        return []
    of_dots = np.array(dots)
    found = []
    for number, width, height, x, y in rings:
        near = np.hypot((of_dots[:, 3] - x) / width, (of_dots[:, 4] - y) / height) < _SAME
        ratio = np.stack([width / of_dots[:, 1], height / of_dots[:, 2]])
        # a pixel more or less of a small dot makes much
        slack = 1 / np.minimum(of_dots[:, 1], of_dots[:, 2])
        fits = (ratio > _RATIO[0] - slack) & (ratio < _RATIO[1] + 2 * slack)
        here = np.flatnonzero(near & fits.all(axis=0))
        if len(here) != 1:
            continue
        dot = int(of_dots[here[0], 0])
        middles = [_find_middle(labels, boxes[each - 1], each) for each in (number, dot)]
        column, row = np.mean(middles, axis=0).tolist()
        found.append((float(np.sqrt(width * height)), column, row))
    return found


def _find_middle(
    labels: NDArray[np.int32], box: tuple[slice, slice], number: int
) -> tuple[float, float]:
    """The middle of a region, across and down; `box`: where it lies."""
    rows, columns = np.nonzero(labels[box] == number)
    return box[1].start + float(columns.mean()), box[0].start + float(rows.mean())


def _order(points: Points) -> Points | None:
    """Put four points clockwise, as a picture shows them; None when they are not convex."""
    middle = points.mean(axis=0)
    angle = np.arctan2(points[:, 1] - middle[1], points[:, 0] - middle[0])
    ordered: Points = points[np.argsort(angle)]
    edges = np.roll(ordered, -1, axis=0) - ordered
    after = np.roll(edges, -1, axis=0)
    turns = edges[:, 0] * after[:, 1] - edges[:, 1] * after[:, 0]
    return ordered if (turns > 0).all() else None
