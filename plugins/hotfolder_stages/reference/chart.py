"""The 24-patch chart: how its patches lie, and what colours they have.

Four rows of six, in reading order: dark skin first, six greys last, black the very last. All
numbers are those of colour-science, under the keys that it uses.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour import D50_XYZ

COLUMNS, ROWS = 6, 4
PATCHES = COLUMNS * ROWS
GREYS = slice(18, 24)
"""White to black."""

NAMES = (
    *("dark skin", "light skin", "blue sky", "foliage", "blue flower", "bluish green"),
    *("orange", "purplish blue", "moderate red", "purple", "yellow green", "orange yellow"),
    *("blue", "green", "red", "yellow", "magenta", "cyan"),
    *("white", "light grey", "middle light grey", "middle dark grey", "dark grey", "black"),
)
"""What the patches are called: the names of colours that are in general use for them."""

LATTICE: NDArray[np.float64] = (
    np.stack(np.meshgrid(np.arange(COLUMNS), np.arange(ROWS)), axis=-1)
    .reshape(-1, 2)
    .astype(np.float64)
)
"""Column and row of each patch; shape (24, 2)."""

KEYS = ("babel_average", "cc2005", "ccb2014", "cca2014")
"""Sets of values that colour-science has; the first is the mean of many charts."""

FINDING_COLOURS: NDArray[np.float64] = np.array(
    [
        [0.18, 0.084, 0.057],
        [0.57, 0.3, 0.22],
        [0.11, 0.2, 0.34],
        [0.1, 0.15, 0.052],
        [0.23, 0.22, 0.43],
        [0.11, 0.51, 0.41],
        [0.74, 0.2, 0.026],
        [0.06, 0.11, 0.39],
        [0.57, 0.088, 0.12],
        [0.11, 0.045, 0.14],
        [0.35, 0.51, 0.05],
        [0.8, 0.36, 0.02],
        [0.02, 0.05, 0.29],
        [0.059, 0.3, 0.067],
        [0.46, 0.029, 0.04],
        [0.87, 0.58, 0.008],
        [0.53, 0.089, 0.3],
        [0.0, 0.24, 0.39],
        [0.92, 0.92, 0.87],
        [0.58, 0.59, 0.58],
        [0.35, 0.36, 0.36],
        [0.19, 0.19, 0.19],
        [0.087, 0.09, 0.091],
        [0.032, 0.032, 0.033],
    ]
)
"""Linear sRGB of the patches, to two digits: enough to find a chart by.

So that a picture without one need not wait for colour-science to be loaded. A test compares them
with `reference_xyz`.
"""


@lru_cache(maxsize=4)
def reference_xyz(key: str = KEYS[0]) -> NDArray[np.float64]:
    """Return the patches' XYZ under D50, Y of the perfect diffuser 1; shape (24, 3).

    The white is exactly that of the PCS (ICC.1:2022, 6.3.2): what the chart's own white differs
    from it, in the fourth digit, is scaled away.
    """
    import colour

    chart = colour.CCS_COLOURCHECKERS[key]
    xyz = colour.xyY_to_XYZ(np.array(list(chart.data.values())))
    return np.asarray(xyz * (np.array(D50_XYZ) / colour.xy_to_XYZ(chart.illuminant)))
