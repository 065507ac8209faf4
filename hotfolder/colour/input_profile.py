"""ICC profiles of an input: from a camera's RGB, as it was developed, to colours under D50.

References
----------
ICC.1:2022, 8.3: N-component LUT-based and three-component matrix-based input profiles.
"""

from __future__ import annotations

import numpy as np

from hotfolder.colour import icc_encode as icc
from hotfolder.colour.encodings import xyz_to_lab
from hotfolder.colour.icc_encode import Floats
from hotfolder.colour.spaces import CREATED, describe_profile


def matrix_input_profile(description: str, curves: Floats, matrix: Floats) -> bytes:
    """Make a version 4 input profile of curves and a matrix.

    Parameters
    ----------
    description
        What the profile calls itself.
    curves
        Shape (3, n): light at equal steps of a channel's code, 0 … 1.
    matrix
        Shape (3, 3): XYZ under D50 as a column = matrix @ light as a column; Y of white 1.

    Returns
    -------
    The bytes of the profile.
    """
    tags = describe_profile(description, np.eye(3))
    for letter, column, samples in zip("rgb", matrix.T, curves, strict=True):
        tags[f"{letter}XYZ"] = icc.xyz(column)
        tags[f"{letter}TRC"] = icc.curve(samples)
    return icc.encode_profile(icc.Header("4.4", "scnr", "RGB ", "XYZ ", CREATED), tags)


def table_input_profile(description: str, grid: Floats) -> bytes:
    """Make a version 4 input profile of a table.

    Parameters
    ----------
    description
        What the profile calls itself.
    grid
        Shape (n, n, n, 3): XYZ under D50, Y of white 1, at equal steps of the codes of red, green
        and blue, in this order.

    Returns
    -------
    The bytes of the profile.
    """
    straight = [icc.curve()] * 3
    nodes = icc.lab_to_codes(xyz_to_lab(np.maximum(grid, 0)), "4.4")
    tags = describe_profile(description, np.eye(3))
    tags["A2B0"] = icc.lut_a_to_b(straight, np.clip(nodes, 0, 1), straight)
    return icc.encode_profile(icc.Header("4.4", "scnr", "RGB ", "Lab ", CREATED), tags)
