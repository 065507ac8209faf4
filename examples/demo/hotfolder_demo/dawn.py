"""A picture: dawn over the mudflats, a creek that holds the sky, a line of old posts."""

from __future__ import annotations

import numpy as np

from hotfolder_demo.texture import (
    Grid,
    Picture,
    blend,
    developed,
    finished,
    fractal_tile,
    frame,
    mirrored_rows,
    ramp,
    relief_of_ripples,
    rgb,
    sample,
    smooth,
)

_HORIZON = 0.44
_SHORELINE = _HORIZON + 0.009
"""Where the flats begin, in picture heights from the top."""
_SUN = (0.30, 0.035)
"""Place of the sun: right of the middle, and above the horizon, in picture heights."""


def dawn(width: int, height: int, rng: np.random.Generator) -> Picture:
    """Dawn over the mudflats, developed, linear light."""
    x, y = frame(width, height)
    clouds, land = fractal_tile(rng, 1.75, stretch=1.6), fractal_tile(rng, 1.9)
    soft = fractal_tile(rng, 2.5)
    split = round(_SHORELINE * height)
    far = _shores(_sky(x, y[:split], clouds), x, y[:split], land, height)
    scene = np.concatenate([far, _flats(far, x, y[split:], land, soft, height)])
    scene = _posts(scene, x, y, rng)
    return finished(developed(scene, 1.55, 2.9, 1.3), rng, grain=0.012)


def _sky(x: Grid, y: Grid, clouds: Grid) -> Picture:
    up = np.abs(_HORIZON - y)
    sun_x, sun_up = _SUN
    away = np.hypot((x - sun_x) * 0.8, (up - sun_up) * 1.5)
    base = ramp(
        up,
        [
            (0, (0.80, 0.36, 0.20)),
            (0.06, (0.78, 0.42, 0.26)),
            (0.15, (0.48, 0.38, 0.38)),
            (0.28, (0.20, 0.26, 0.38)),
            (0.6, (0.06, 0.11, 0.24)),
        ],
    )
    glow = np.exp(-((away / 0.30) ** 1.3))[..., None] * rgb(1.1, 0.50, 0.14)
    core = np.exp(-((away / 0.045) ** 1.2))[..., None] * rgb(3.2, 2.0, 0.9)
    depth = 0.16 / (up + 0.055)
    u, v = x * depth * 0.34 + 0.63, depth * 0.50 + 0.15
    thick = sample(clouds, u, v)
    towards_sun = sample(clouds, u + (sun_x - x) * 0.03, v + 0.012)
    cover = smooth(thick, -0.25, 1.5) * smooth(up, 0.015, 0.09) * 0.95
    lit = np.clip(0.45 + 0.9 * (thick - towards_sun), 0, 1.3)
    near_sun = np.exp(-((away / 0.42) ** 1.5))
    shadowed = ramp(near_sun, [(0, (0.13, 0.14, 0.22)), (1, (0.55, 0.25, 0.20))])
    burning = ramp(
        near_sun, [(0, (0.52, 0.34, 0.36)), (0.5, (1.0, 0.50, 0.32)), (1, (2.2, 1.2, 0.5))]
    )
    return blend(base + glow + core, shadowed + (burning - shadowed) * lit[..., None], cover)


def _shores(sky: Picture, x: Grid, y: Grid, land: Grid, height: int) -> Picture:
    """Two far shores, the further the paler: the air between is lit by the dawn."""
    scene = sky
    row = 1 / height
    for base, tall, place, air in ((0.0, 0.022, 0.10, 0.72), (0.006, 0.010, 0.63, 0.36)):
        ridge = sample(land, x[0] * 0.17 + place, np.float32(place)) * 0.5 + 0.6
        rough = sample(land, x[0] * 1.9 + place, np.float32(0.31)) * 0.05
        top = _HORIZON + base - tall * np.maximum(ridge + rough, 0.08)
        cover = np.clip((y - top) / row + 0.5, 0, 1)
        haze = sky * air + rgb(0.035, 0.035, 0.06) * (1 - air)
        scene = blend(scene, haze * rgb(0.8, 0.78, 0.9), cover)
    return scene


def _flats(far: Picture, x: Grid, y: Grid, land: Grid, soft: Grid, height: int) -> Picture:
    """Mud, wet and dry, and the creek; what is wet shows the sky of `far` upside down."""
    below = np.maximum(y - _HORIZON, 1e-4)
    depth = 0.10 / (below + 0.004)
    across = x * depth
    relief = sample(land, across * 0.22, depth * 0.16)
    fine = sample(land, across * 1.9 + 0.4, depth * 1.1)
    fade = smooth(below, 0.0, 0.10)
    waves = relief_of_ripples(soft, across * 5, depth * 5, 8.3)
    waves = waves * smooth(below, 0.03, 0.25) * smooth(relief, -1.4, 0.6)
    bend = 0.42 * np.sin(depth * 1.15 + 0.6) + 0.16 * np.sin(depth * 2.9)
    creek = np.abs(across - bend - 0.05) - (0.20 + 0.09 * np.sin(depth * 1.7))
    level = np.minimum(creek * 2.4, relief * 0.55 + 0.50) + fine * 0.10 * fade + 0.05 * waves
    water = smooth(level, 0.10, 0.015)
    wet = smooth(level, 0.9, 0.0) * 0.55
    ripple = sample(land, across * 0.9, depth * 3.0 + 0.2) * (0.010 * below + 0.0015)
    rows = (2 * _HORIZON - y + ripple * 2.0) * height - 0.5
    reflection = mirrored_rows(far, rows)
    gain = sample(land, across * 1.9 + 0.404, depth * 1.1) - fine
    grit = sample(land, across * 9.0, depth * 6.0 + 0.7)
    grit = grit - sample(land, across * 9.0 + 0.004, depth * 6.0 + 0.7)
    gain = gain + grit * 0.55 * smooth(below, 0.05, 0.35)
    nearer = np.minimum(np.arange(len(y)) + max(height // 300, 1), len(y) - 1)
    facing = waves - waves[nearer]
    slope = np.clip(0.5 + 3.2 * gain * fade + 0.25 * relief + 0.7 * facing, 0.05, 1.9)
    mud: Picture = slope[..., None] * rgb(0.105, 0.075, 0.066)
    warm = np.exp(-np.abs(x - _SUN[0]) / 0.5)[..., None] * rgb(0.10, 0.045, 0.016)
    mud = mud + warm * np.clip(gain * 3 * fade + 1.4 * facing + 0.4, 0, 1.8)[..., None]
    mud = blend(mud, reflection * 0.55, (wet * (0.45 + 0.4 * (1 - below))))
    mud = blend(mud, rgb(0.46, 0.27, 0.20), np.exp(-below / 0.018) * 0.6)
    dimmed = reflection * (0.90 - 0.35 * below[..., None])
    ground = blend(mud, dimmed, water)
    rim = np.exp(-(((level - 0.11) / 0.03) ** 2)) * 0.22 * fade
    return blend(ground, reflection * 1.1, rim)


def _posts(ground: Picture, x: Grid, y: Grid, rng: np.random.Generator) -> Picture:
    """Old posts, walking away towards the sun, with their reflections."""
    scene = ground.copy()
    row = 1 / y.shape[0]
    for index in range(11):
        depth = 0.19 * 1.32**index
        foot = _HORIZON + 0.009 + 0.10 / (depth + 0.03) * 0.45
        middle = -0.62 + 0.55 * (1 - np.exp(-index / 4.5)) + rng.normal(0, 0.004)
        size = 0.075 / (depth + 0.10)
        tall, thick = size * rng.uniform(0.75, 1.15), size * 0.055
        lean = rng.normal(0, 0.05)
        top, bottom = int((foot - tall) / row) - 2, int((foot + tall) / row) + 2
        reach = thick + tall * 0.2
        left, right = (int((middle + away + x.max()) / row) for away in (-reach, reach))
        window = (slice(max(top, 0), max(bottom, 0)), slice(max(left, 0), max(right, 0)))
        px, py = x[:, window[1]], y[window[0]]
        if px.size == 0 or py.size == 0:
            continue
        up = foot - py
        centre = middle + lean * np.abs(up)
        side = np.clip((thick * (1 - 0.15 * up / tall) - np.abs(px - centre)) / row + 0.5, 0, 1)
        post = side * np.clip((tall - up) / row + 0.5, 0, 1) * np.clip(up / row + 0.5, 0, 1)
        mirror = side * np.clip((tall + up) / row + 0.5, 0, 1) * np.clip(-up / row + 0.5, 0, 1)
        mirror = mirror * 0.62 * (1 + up / tall)
        lit = np.clip((px - centre) / thick * 0.5 + 0.2, 0, 1)
        haze = min(0.6, index * 0.055)
        wood = rgb(0.022, 0.018, 0.020) * (1 - haze) + rgb(0.40, 0.22, 0.16) * haze
        colour = wood + lit[..., None] ** 3 * rgb(0.22, 0.10, 0.04)
        scene[window] = blend(scene[window], wood, mirror)
        scene[window] = blend(scene[window], colour, post)
    return scene
