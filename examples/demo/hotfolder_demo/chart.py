"""A picture: a 24-patch chart with the published colours, flat, for checks by number."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

PATCHES_LAB = np.array(
    [
        [37.54, 14.37, 14.92],
        [64.66, 19.27, 17.50],
        [49.32, -3.82, -22.54],
        [43.46, -12.74, 22.72],
        [54.94, 9.61, -24.79],
        [70.48, -32.26, -0.37],
        [62.73, 35.83, 56.50],
        [39.43, 10.75, -45.17],
        [50.57, 48.64, 16.67],
        [30.10, 22.54, -20.87],
        [71.77, -24.13, 58.19],
        [71.51, 18.24, 67.37],
        [28.37, 15.42, -49.80],
        [54.38, -39.72, 32.27],
        [42.43, 51.05, 28.62],
        [81.80, 2.67, 80.41],
        [50.63, 51.28, -14.12],
        [49.57, -29.71, -28.32],
        [95.19, -1.03, 2.93],
        [81.29, -0.57, 0.44],
        [66.89, -0.75, -0.06],
        [50.76, -0.13, 0.14],
        [35.63, -0.46, -0.48],
        [20.64, 0.07, -0.46],
    ]
)
"""L*, a*, b* (D50, 2°), two decimals, row by row of 6, from colour-science 0.4.7 (BSD-3-Clause),
``CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]``."""

PALETTE_LAB = np.concatenate([PATCHES_LAB, [[60.0, 0.0, 0.0], [22.0, 0.0, 0.0]]])
"""The patches, then the surround and the frame."""

_COLUMNS, _ROWS = 6, 4
_PATCH, _GAP = 0.15, 0.025
"""Side of a patch, and the frame between two, in picture heights."""


def chart(width: int, height: int) -> NDArray[np.intp]:
    """The chart as indices into `PALETTE_LAB`, shape (height, width); hard edges, no noise."""
    surround, frame = len(PATCHES_LAB), len(PATCHES_LAB) + 1
    picture = np.full((height, width), surround)
    pitch = _PATCH + _GAP
    left = (width / height - _COLUMNS * pitch - _GAP) / 2
    top = (1 - _ROWS * pitch - _GAP) / 2
    _fill(picture, left, top, _COLUMNS * pitch + _GAP, _ROWS * pitch + _GAP, frame)
    for index in range(_COLUMNS * _ROWS):
        row, column = divmod(index, _COLUMNS)
        _fill(
            picture, left + _GAP + column * pitch, top + _GAP + row * pitch, _PATCH, _PATCH, index
        )
    return picture


def patch_centres_px(width: int, height: int) -> list[tuple[int, int]]:
    """Row and column of the middle of each patch, in the order of `PATCHES_LAB`."""
    pitch = _PATCH + _GAP
    left = (width / height - _COLUMNS * pitch - _GAP) / 2 + _GAP + _PATCH / 2
    top = (1 - _ROWS * pitch - _GAP) / 2 + _GAP + _PATCH / 2
    return [
        (round((top + row * pitch) * height), round((left + column * pitch) * height))
        for row in range(_ROWS)
        for column in range(_COLUMNS)
    ]


def _fill(
    picture: NDArray[np.intp], left: float, top: float, wide: float, tall: float, index: int
) -> None:
    height = picture.shape[0]
    rows = slice(round(top * height), round((top + tall) * height))
    columns = slice(round(left * height), round((left + wide) * height))
    picture[rows, columns] = index
