"""Reading of the patches of a chart that was found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotfolder_stages.reference.chart import LATTICE, PATCHES
from hotfolder_stages.reference.finder import Chart
from hotfolder_stages.reference.geometry import project

Codes = NDArray[np.uint16]

HALF = 0.2
"""Half the side of the square that is read, in distances of patches: the inner half of a patch."""

MOST_POINTS = 32
"""Points along a side of that square; more make the mean no better."""

LIGHT_END = 0.99
"""Share of the largest code from which a channel is clipped: 252.5 of 255, noise in mind."""

DARK_END = 0.004
"""Share of the largest code up to which a channel is at zero: 1 of 255."""

UNEVEN = 0.25
"""Spread of light within a patch, as a share of it, from which an edge or a gleam is in it."""

DARK_LIGHT = 0.01
"""Added in that share: near black noise is not an edge."""


@dataclass(frozen=True)
class Patches:
    """What was read."""

    light: NDArray[np.float64]
    """Shape (24, 3), linear light."""

    clipped: NDArray[np.bool_]
    """Shape (24,): a channel is at its light end."""

    at_zero: NDArray[np.bool_]
    """Shape (24,): a channel is at its dark end, as in colours that the picture's space cannot
    hold."""

    covered: NDArray[np.bool_]
    """Shape (24,): something lies over the patch, or it is outside the picture."""

    crushed: NDArray[np.bool_]
    """Shape (24,): all channels are at their dark end."""

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Patches that a fit may use.

        One channel at zero is a small error in light, and without these patches a fit knows
        nothing of saturated colours: what is clipped there stays in.
        """
        return ~(self.clipped | self.covered | self.crushed)


def read_patches(
    codes: Codes, light: Callable[[Codes], NDArray[np.float32]], chart: Chart
) -> Patches:
    """Read the patches of a chart.

    Parameters
    ----------
    codes
        Shape (3, rows, width), uint16.
    light
        Turns codes, channels first, into linear light of the same shape.
    """
    points = int(np.clip(2 * HALF * chart.pitch_px + 1, 3, MOST_POINTS))
    steps = np.linspace(-HALF, HALF, points)
    across, down = np.meshgrid(steps, steps)
    inside_patch = np.stack([across.ravel(), down.ravel()], axis=1)
    places = (LATTICE[:, None] + inside_patch).reshape(-1, 2)
    x, y = np.rint(project(chart.homography, places)).astype(np.intp).T
    _, height, width = codes.shape
    is_seen = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    read = codes[:, np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)].reshape(3, PATCHES, -1)
    outside = ~is_seen.reshape(PATCHES, -1).all(axis=1)

    # the mean of the middle half: no dust, no hot pixel, and less noise than a median
    values = np.sort(light(read), axis=-1).astype(np.float64)
    quarter = values.shape[-1] // 4
    middle = values[..., quarter : values.shape[-1] - quarter].mean(axis=-1).T
    low, high = np.percentile(values, [10, 90], axis=-1)
    spread = ((high - low) / (middle.T + DARK_LIGHT)).max(axis=0)
    usual = float(np.median(spread))
    covered = outside | (spread > max(UNEVEN, 4 * usual))
    top, bottom = np.percentile(read, [75, 25], axis=-1) / 65535
    return Patches(
        light=middle,
        clipped=np.asarray((top >= LIGHT_END).any(axis=0)),
        at_zero=np.asarray((bottom <= DARK_END).any(axis=0)),
        covered=covered,
        crushed=np.asarray((top <= DARK_END).all(axis=0)),
    )
