"""A colour for pages."""

from __future__ import annotations

import numpy as np

from hotfolder.colour import SRGB_TO_D50
from hotfolder.colour.arrays import Floats
from hotfolder.colour.encodings import lab_to_xyz


def lab_to_hex(lab: Floats) -> str:
    """Return L*a*b* (D50) as a colour of a page, clipped to sRGB (IEC 61966-2-1).

    Parameters
    ----------
    lab
        Shape (3,).
    """
    linear = np.clip(np.linalg.solve(np.array(SRGB_TO_D50), lab_to_xyz(np.asarray(lab))), 0, 1)
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return "#{:02x}{:02x}{:02x}".format(*np.rint(255 * coded).astype(int).tolist())
