"""Numbers of pixels: XYZ and Lab, the white of each encoding, alpha.

Lab pixels are the 16-bit PCSLAB of ICC.1:2022, 6.3.4.2, table 12: L* 0 … 100 is 0 … 65535, a* and
b* -128 … 127 are 0 … 65535 with 0 at 32896.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Codes, Floats
from hotfolder.model.encoding import Encoding

D50_XYZ = (0.9642, 1.0, 0.8249)
"""White of the PCS, Y = 1 (ICC.1:2022, 6.3.2)."""

KAPPA = 24389 / 27
"""Slope of CIELAB near black, 903.3 (CIE 15:2004, 8.2.1.1)."""

EPSILON = 216 / 24389
"""Where that ends, as a share of white."""


def lab_to_xyz(lab: Floats) -> NDArray[np.float64]:
    """CIELAB to XYZ, white D50 with Y = 1 (CIE 15:2004, 8.2.1.1). Shape (..., 3)."""
    L, a, b = np.moveaxis(np.asarray(lab, dtype=np.float64), -1, 0)
    fy = (L + 16) / 116
    f = np.stack([fy + a / 500, fy, fy - b / 200], axis=-1)
    cube = f * f * f  # a tenth of the time of f**3
    ratio = np.where(cube > EPSILON, cube, (116 * f - 16) / KAPPA)
    xyz: NDArray[np.float64] = ratio * np.array(D50_XYZ)
    return xyz


def xyz_to_lab(xyz: Floats) -> NDArray[np.float64]:
    """XYZ to CIELAB, white D50 with Y = 1 (CIE 15:2004, 8.2.1.1).

    Parameters
    ----------
    xyz
        Shape (..., 3), any float.

    Returns
    -------
    float64, shape (..., 3): L*, a*, b*.
    """
    ratio = np.asarray(xyz, dtype=np.float64) / np.array(D50_XYZ)
    f = np.where(ratio > EPSILON, np.cbrt(ratio), (KAPPA * ratio + 16) / 116)
    x, y, z = np.moveaxis(f, -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def white(encoding: Encoding) -> Codes:
    """Return the lightest pixel of an encoding: on paper, the paper.

    Parameters
    ----------
    encoding
        The kind of colour.

    Returns
    -------
    Shape (channels,), dtype uint16.
    """
    codes = {
        Encoding.RGB: [65535, 65535, 65535],
        Encoding.GREY: [65535],
        Encoding.CMYK: [0, 0, 0, 0],
        Encoding.LAB: [65535, 32896, 32896],
    }
    return np.array(codes[encoding], dtype=np.uint16)


def flattened(pixels: Codes, alpha: Codes | None, encoding: Encoding) -> Codes:
    """Lay a picture with unassociated alpha onto white, in its own encoding.

    Mixing encoded values, not light, is what the programs do in which such pictures are made, so
    edges look as they did there; common practice, no source.

    Parameters
    ----------
    pixels
        Shape (rows, width, channels), dtype uint16.
    alpha
        Shape (rows, width), dtype uint16, 65535 is opaque. None leaves the pixels as they are.
    encoding
        The kind of colour.

    Returns
    -------
    uint16, the shape of `pixels`.
    """
    if alpha is None or bool((alpha == 65535).all()):
        return pixels
    share = alpha[..., None].astype(np.float32) / 65535
    paper = white(encoding).astype(np.float32)
    return np.rint(paper + (pixels - paper) * share).astype(np.uint16)
