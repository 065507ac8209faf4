"""OKLab, a space in which lines of equal hue are straight: for moving colours along their hue.

CIELAB's blues turn purple when their chroma is taken back. OKLab was fitted so that they do not.

References
----------
Ottosson, B. (2020). A perceptual color space for image processing.
https://bottosson.github.io/posts/oklab/ (matrices for XYZ under D65).

Adaptation between D65 and the PCS's D50 is Bradford's (ICC.1:2022, annex E).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Floats
from hotfolder.colour.encodings import D50_XYZ, lab_to_xyz, xyz_to_lab

_D65_XYZ = np.array([0.95047, 1.0, 1.08883])
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
_M1 = np.array(
    [
        [0.8189330101, 0.3618667424, -0.1288597137],
        [0.0329845436, 0.9293118715, 0.0361456387],
        [0.0482003018, 0.2643662691, 0.6338517070],
    ]
)
_M2 = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)
_TO_D65 = np.linalg.solve(
    _BRADFORD, ((_BRADFORD @ _D65_XYZ) / (_BRADFORD @ np.array(D50_XYZ)))[:, None] * _BRADFORD
)
_TO_CONES = _M1 @ _TO_D65
_FROM_CONES = np.linalg.inv(_TO_CONES)
_FROM_M2 = np.linalg.inv(_M2)


def lab_to_oklab(lab: Floats) -> NDArray[np.float64]:
    """CIELAB D50 to OKLab. Shape (..., 3): L 0 … 1, a, b about -0.4 … 0.4."""
    return np.asarray(np.cbrt(lab_to_xyz(lab) @ _TO_CONES.T) @ _M2.T)


def oklab_to_lab(oklab: Floats) -> NDArray[np.float64]:
    """OKLab to CIELAB D50. Shape (..., 3)."""
    return xyz_to_lab((np.asarray(oklab, np.float64) @ _FROM_M2.T) ** 3 @ _FROM_CONES.T)
