"""A place in a picture that a person points at, and the colour that is there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour import Codes, Floats
from hotfolder_stages.reference.patches import DARK_END, LIGHT_END
from hotfolder_stages.reference.reduced import Space

HALF_SHARE = 0.006
"""Half the side of the square that is read, as a share of the longer edge."""


def read_spot(codes: Codes, space: Space, at: tuple[float, float]) -> Floats | None:
    """Read the colour at a place; None when it is black or clipped there.

    Parameters
    ----------
    codes
        Shape (3, rows, width), uint16, in `space`.
    at
        Shares of width and height.

    Returns
    -------
    XYZ under D50, shape (3,), Y of white 1.
    """
    piece = cut_spot(codes, at).reshape(3, -1)
    middle = np.median(piece, axis=1) / 65535
    if (middle >= LIGHT_END).any() or (middle <= DARK_END).any():
        return None
    light = np.median(space.light(np.ascontiguousarray(piece)), axis=1).astype(np.float64)
    return np.asarray(space.to_xyz @ light)


def cut_spot(codes: Codes, at: tuple[float, float]) -> NDArray[np.uint16]:
    """Return the square around a place, cut at the picture's edge."""
    _, height, width = codes.shape
    half = max(1, round(HALF_SHARE * max(height, width)))
    x = min(width - 1, max(0, round(at[0] * width - 0.5)))
    y = min(height - 1, max(0, round(at[1] * height - 0.5)))
    return codes[:, max(0, y - half) : y + half + 1, max(0, x - half) : x + half + 1]
