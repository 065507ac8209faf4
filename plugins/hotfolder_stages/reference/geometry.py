"""Perspective: the map from a plane, as that of a chart, to a picture of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour import Floats

Points = NDArray[np.float64]
"""Shape (n, 2): x, y."""


def fit_homography(plane: Points, picture: Points) -> NDArray[np.float64]:
    """Return the homography that maps points of a plane to a picture with the least squares.

    The normalised direct linear transform: Hartley, R. I. (1997). In defense of the eight-point
    algorithm. IEEE TPAMI 19(6), 580-593. DOI 10.1109/34.601246.

    Parameters
    ----------
    plane, picture
        Shape (n, 2), four pairs or more, no three of four in one line.

    Returns
    -------
    Shape (3, 3), scaled so that its last entry is 1.

    Raises
    ------
    numpy.linalg.LinAlgError
        When the points determine none.
    """
    from_plane, plane_scaling = _normalised(plane)
    to_picture, picture_scaling = _normalised(picture)
    rows = np.zeros((2 * len(plane), 9))
    rows[0::2, 0:2] = rows[1::2, 3:5] = from_plane
    rows[0::2, 2] = rows[1::2, 5] = 1
    rows[0::2, 6:8] = -from_plane * to_picture[:, :1]
    rows[1::2, 6:8] = -from_plane * to_picture[:, 1:]
    rows[0::2, 8] = -to_picture[:, 0]
    rows[1::2, 8] = -to_picture[:, 1]
    # the smallest eigenvector of 9 × 9 is found sooner than the singular vectors of all rows
    h = np.linalg.eigh(rows.T @ rows)[1][:, 0].reshape(3, 3)
    full = np.linalg.inv(picture_scaling) @ h @ plane_scaling
    if not np.isfinite(full).all() or abs(full[2, 2]) < 1e-12:
        raise np.linalg.LinAlgError("these points determine no homography")
    return np.asarray(full / full[2, 2])


def project(homography: NDArray[np.float64], points: Floats) -> Points:
    """Map points, shape (n, 2), by a homography; what lies at infinity becomes huge."""
    mapped = np.c_[points, np.ones(len(points))] @ homography.T
    depth = mapped[:, 2:]
    safe = np.where(np.abs(depth) < 1e-9, 1e-9, depth)
    return np.asarray(mapped[:, :2] / safe)


def _normalised(points: Points) -> tuple[Points, NDArray[np.float64]]:
    """Return points around 0 at a mean distance of √2, and the matrix that does it."""
    middle = points.mean(axis=0)
    scale = np.sqrt(2) / (np.linalg.norm(points - middle, axis=1).mean() + 1e-12)
    scaling = np.array([[scale, 0, -scale * middle[0]], [0, scale, -scale * middle[1]], [0, 0, 1]])
    return (points - middle) * scale, scaling
