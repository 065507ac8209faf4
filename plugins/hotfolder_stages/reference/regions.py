"""Flat regions of a picture with the outline of a parallelogram: what could be a chart's patches.

Flat is where the gradient of v / (v + s) is small, v the light and s half of what is usual around
it: near black that is a difference of light, above it a ratio, so that neither noise in the
shadows nor an uneven light makes an edge. A parallelogram is known by its moments: its area is
12 · √det of its covariance, whatever its angles and sides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

Planes = NDArray[np.float32]
"""Shape (3, rows, width): linear light in three channels."""

SMALLEST_PX, LARGEST_PX = 16, 4000
"""Areas of regions. Larger patches are found at a coarser level."""

SQUARENESS = (0.84, 1.12)
"""Area / (12 · √det cov): 1 for a parallelogram, 0.955 for an ellipse, less for what has holes."""

LONGEST = 9.0
"""Ratio of the principal variances: a patch that is seen at an angle of about 70°."""

SLAB_ROWS = 48
"""Rows that are worked on at once, so that what is between the steps stays in the cache."""


@dataclass(frozen=True)
class Regions:
    """Flat regions, largest first."""

    centres: NDArray[np.float64]
    """Shape (n, 2): x, y in pixels, 0 at the middle of the first."""

    areas: NDArray[np.float64]
    """Shape (n,), pixels."""


def flat_regions(planes: Planes, thresholds: Sequence[float]) -> Regions:
    """Return the flat regions with the outline of a parallelogram.

    Parameters
    ----------
    thresholds
        What gradients count as flat; noise and blur want different ones, so all are tried and the
        largest region at a place is kept.
    """
    gradient = _gradient(planes)
    found = [_regions_below(gradient, threshold) for threshold in thresholds]
    rows = np.concatenate(found)
    rows = rows[np.argsort(-rows[:, 2], kind="stable")]
    rows = rows[_distinct(rows)]
    return Regions(rows[:, :2], rows[:, 2])


def _gradient(planes: Planes) -> NDArray[np.float32]:
    """Return the largest gradient of the three channels, in both directions; 1 at the margin."""
    _, height, width = planes.shape
    surround = _Surround(planes)
    out = np.ones((height, width), np.float32)
    for top in range(1, height - 1, SLAB_ROWS):
        stop = min(top + SLAB_ROWS, height - 1)
        # two rows more on each side: one for the smoothing, one for the difference
        first, last = max(top - 2, 0), min(stop + 2, height)
        light = planes[:, first:last]
        v = light / (light + surround.rows(first, last))
        v[:, 1:-1] = (v[:, :-2] + v[:, 2:]) * 0.25 + v[:, 1:-1] * 0.5
        v[..., 1:-1] = (v[..., :-2] + v[..., 2:]) * 0.25 + v[..., 1:-1] * 0.5
        at = slice(top - first, stop - first)
        above, below = slice(at.start - 1, at.stop - 1), slice(at.start + 1, at.stop + 1)
        across = np.abs(v[:, at, 2:] - v[:, at, :-2])
        down = np.abs(v[:, below, 1:-1] - v[:, above, 1:-1])
        np.maximum(across, down, out=across)
        np.maximum(across[0], across[1], out=across[0])
        np.maximum(across[0], across[2], out=out[top:stop, 1:-1])
    return out


class _Surround:
    """How light it is around each pixel: a smooth picture, made small and enlarged by rows."""

    def __init__(self, planes: Planes) -> None:
        _, height, width = planes.shape
        step = max(1, min(height, width) // 100)
        rows, columns = height // step, width // step
        small = planes[:, : rows * step, : columns * step].mean(axis=0)
        small = small.reshape(rows, step, columns, step).mean(axis=(1, 3))
        size = max(3, min(height, width) // 6 // step)
        smooth = scipy.ndimage.uniform_filter(small, size) * 0.6 + float(small.mean()) * 0.1 + 1e-4
        left, right, share = _between(width, columns, step)
        self._across = smooth[:, left] * (1 - share) + smooth[:, right] * share
        self._above, self._below, self._share = _between(height, rows, step)

    def rows(self, first: int, last: int) -> NDArray[np.float32]:
        """Return the rows from `first` to before `last`."""
        at, share = slice(first, last), self._share[first:last, None]
        above, below = self._across[self._above[at]], self._across[self._below[at]]
        return np.asarray(above + (below - above) * share)


def _between(
    length: int, count: int, step: int
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float32]]:
    """Say between which two of `count` even points each of `length` places is, and how far."""
    at = np.clip((np.arange(length) + 0.5) / step - 0.5, 0, count - 1)
    left = at.astype(np.intp)
    return left, np.minimum(left + 1, count - 1), (at - left).astype(np.float32)


def _regions_below(gradient: NDArray[np.float32], threshold: float) -> NDArray[np.float64]:
    """Return x, y, area of the regions at one threshold; shape (n, 3)."""
    labels, count = scipy.ndimage.label(gradient < threshold)
    area = np.bincount(labels.ravel(), minlength=count + 1)
    keep = (area >= SMALLEST_PX) & (area <= LARGEST_PX)
    keep[0] = False
    chosen = np.flatnonzero(keep)
    if not len(chosen):
        return np.zeros((0, 3))
    number = np.full(count + 1, -1, np.int32)
    number[chosen] = np.arange(len(chosen), dtype=np.int32)
    place = np.flatnonzero(keep[labels].ravel())
    which = number[labels.ravel()[place]]
    y, x = np.divmod(place, labels.shape[1])
    n = area[chosen].astype(np.float64)

    def mean(values: NDArray[np.floating]) -> NDArray[np.float64]:
        return np.asarray(np.bincount(which, values, len(chosen)) / n)

    cx, cy = mean(x), mean(y)
    dx, dy = x - cx[which], y - cy[which]
    # a pixel is a square, not a point: 1/12 is its own variance
    xx, yy, xy = mean(dx * dx) + 1 / 12, mean(dy * dy) + 1 / 12, mean(dx * dy)
    det, half_trace = xx * yy - xy**2, (xx + yy) / 2
    squareness = n / (12 * np.sqrt(det))
    longer = half_trace + np.sqrt(np.maximum(half_trace**2 - det, 0))
    low, high = SQUARENESS
    is_patch = (squareness > low) & (squareness < high) & (longer**2 / det < LONGEST)
    return np.asarray(np.stack([cx, cy, n], axis=1)[is_patch])


def _distinct(rows: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say which regions have no larger one at their place; largest first."""
    kept = np.ones(len(rows), bool)
    if not len(rows):
        return kept
    tree = scipy.spatial.cKDTree(rows[:, :2])
    near = tree.query_ball_point(rows[:, :2], 0.35 * np.sqrt(rows[:, 2]))
    for index, others in enumerate(near):
        if kept[index]:
            for other in others:
                if other > index:
                    kept[other] = False
    return kept
