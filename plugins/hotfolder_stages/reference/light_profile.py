"""A profile of the light, made from a chart: for frames of its camera, light and processing.

References
----------
ICC.1:2022, 8.3: input profiles.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour import Floats, matrix_input_profile, table_input_profile, tone_of
from hotfolder_stages.reference.correcting import RecordedCorrection, read_curve
from hotfolder_stages.reference.fit import Correction
from hotfolder_stages.reference.reduced import Space

SAMPLES = 1024
"""Of each curve."""

GRID = 33
"""Points of a table along a side."""


def make_light_profile(recorded: RecordedCorrection, space: Space, description: str) -> bytes:
    """Make an input profile from a correction: a matrix where it is one, else a table.

    The exposure stays as it is: a code of 1 in all channels has Y = 1, as a profile's white has.

    Parameters
    ----------
    recorded
        What was fitted to the chart; its kind was chosen by leave-one-out.
    space
        The picture's own RGB.
    """
    correction = Correction(recorded.kind, np.array(recorded.matrix), read_curve(recorded))
    scale = 1 / correction.apply(np.ones((1, 3)))[0, 1]
    if recorded.kind == "matrix":
        light = _decode(np.linspace(0, 1, SAMPLES), space)
        straight = correction.curve.apply(light.T).T if correction.curve else light
        ends = straight[:, -1:]
        matrix = correction.matrix * ends.T * scale
        return matrix_input_profile(description, straight / ends, matrix)
    axis = _decode(np.linspace(0, 1, GRID), space)
    red, green, blue = np.meshgrid(*axis, indexing="ij")
    light = np.stack([red, green, blue], axis=-1)
    xyz = correction.apply(light.reshape(-1, 3)) * scale
    return table_input_profile(description, xyz.reshape(GRID, GRID, GRID, 3))


def find_scale(recorded: RecordedCorrection) -> float:
    """Return by how much a profile shows less light than the correction it was made of."""
    correction = Correction(recorded.kind, np.array(recorded.matrix), read_curve(recorded))
    return float(1 / correction.apply(np.ones((1, 3)))[0, 1])


def _decode(codes: Floats, space: Space) -> Floats:
    """Return the light of codes, 0 … 1, in each channel; shape (3, n)."""
    curves = tone_of(space.profile).curves
    grid: NDArray[np.uint16] = np.rint(codes * 65535).astype(np.uint16)
    return np.stack([curve.decode(grid) for curve in curves]).astype(np.float64)
