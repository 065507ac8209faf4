"""Where colours are lost: the picture in pale grey, hatched the more densely the more is lost.

Nothing depends on telling colours apart: strength is the density of lines, and from farther away,
or where a telephone shows the map small, the darkness that they add up to.
"""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

from hotfolder.colour import Floats

Shown = NDArray[np.uint8]

STEPS = (1.0, 2.0, 4.0)
"""Times the tolerance at which lost is much, and very much. Our own choice."""

PALEST, DARKEST, LINE = 245, 150, 25
"""Codes of the picture's white and black in the map, and of its lines."""

_LINES_ALONG_EDGE = 110
_SMOOTHING_PX = 5


def levels(loss: Floats, tolerance: float) -> NDArray[np.intp]:
    """Say how much is lost: 0 nothing, 1 to 3 more than `STEPS` times the tolerance.

    Shape (rows, width). Means of a few pixels, so that hatching is not cut up by noise.
    """
    smooth = scipy.ndimage.uniform_filter(np.asarray(loss, dtype=np.float32), _SMOOTHING_PX)
    above = [step * tolerance for step in STEPS]
    return np.asarray(np.digitize(smooth, above, right=True), dtype=np.intp)


def loss_map(finished: Shown, loss: Floats, tolerance: float) -> Shown:
    """Draw the map.

    Parameters
    ----------
    finished
        Shape (rows, width, 3), uint8: the picture.
    loss
        Shape (rows, width), ΔE00.

    Returns
    -------
    uint8, shape (rows, width): grey.
    """
    # Weights of ITU-R BT.601-7, 2.5.1; any would do for a pale likeness.
    grey = finished @ np.array([0.299, 0.587, 0.114], dtype=np.float32)
    pale = DARKEST + grey * np.float32((PALEST - DARKEST) / 255)
    level = levels(loss, tolerance)
    rows, width = level.shape
    gap = max(6, round(max(rows, width) / _LINES_ALONG_EDGE))
    down, across = np.arange(rows)[:, None], np.arange(width)
    rising, falling = (down + across) % gap, (down - across) % gap
    sparse, dense = rising < max(2, gap // 5), rising < max(3, gap // 2)
    lines = (sparse & (level == 1)) | (dense & (level >= 2))
    lines |= (falling < max(3, gap // 2)) & (level == 3)
    return np.where(lines, LINE, pale).astype(np.uint8)
