"""A picture: ripples that the tide left in the mud, in black and white, with film grain."""

from __future__ import annotations

import numpy as np

from hotfolder_demo.texture import (
    Grid,
    fractal_tile,
    frame,
    relief_of_ripples,
    sample,
    smooth,
)


def ripples(width: int, height: int, rng: np.random.Generator) -> Grid:
    """Ripples at low tide against the light, linear light, shape (height, width)."""
    x, y = frame(width, height)
    tile, soft = fractal_tile(rng, 1.8), fractal_tile(rng, 2.6)
    depth = 0.62 / (y + 0.24)
    across = x * depth
    relief = relief_of_ripples(soft, across, depth, 9.0)
    broad = sample(soft, across * 0.10 + 0.3, depth * 0.13 + 0.45)
    grit = sample(tile, across * 2.2, depth * 2.2)
    surface = relief + 0.42 * broad + 0.035 * grit
    # The low sun is ahead and to the left: slopes that face it are bright, the others fall dark.
    step = height / 100
    down, right = np.gradient(surface)
    facing = (down * 1.0 + right * 0.55) * step * 1.35 / np.sqrt(depth)
    light = 0.10 + 0.20 * smooth(facing, -0.5, 0.5) + 0.42 * np.clip(facing * 0.9, -0.05, 1)
    light = light * (1 + 0.10 * grit)
    water = smooth(surface, -0.30, -0.44)
    sky = 0.20 + 0.50 * np.exp(-((x + 0.34) ** 2) / 0.10 - y / 1.1) + 0.10 * (1 - y)
    light = light * (1 - water) + sky * water
    edge = np.exp(-(((surface + 0.31) / 0.03) ** 2)) * np.clip(sky, 0, 1) * 0.35
    light = (light + edge) * (1.12 - 0.30 * y)
    light = light * (1 - 0.22 * ((x / x.max()) ** 2))
    lift = np.clip(light, 0.004, None)
    lift = 0.32 * (lift / 0.32) ** 1.45
    lift = lift * (1 + lift / 4) / (1 + lift * 0.42)
    grain = rng.standard_normal((height, width), dtype=np.float32)
    coarse = fractal_tile(rng, 0.45)[np.arange(height)[:, None] % 1024, np.arange(width) % 1024]
    bright = np.sqrt(np.clip(lift, 0, 1))
    return np.asarray(
        np.clip(lift + bright * (0.008 * grain + 0.022 * coarse), 0, 1), dtype=np.float32
    )
