"""A picture: fired clay on wet sand, in the colours of many skins; soft light from the left."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from hotfolder_demo.texture import (
    Grid,
    Picture,
    blend,
    blurred,
    developed,
    finished,
    fractal_tile,
    frame,
    normals,
    ramp,
    rgb,
    sample,
    smooth,
    unit,
)


@dataclass(frozen=True)
class Vessel:
    """A thrown vessel: where it stands, how tall, its outline, the linear colour of its clay."""

    middle: float
    foot: float
    tall: float
    outline: Sequence[float]
    """Half widths in shares of the height, at equal steps from the foot to the mouth."""
    clay: tuple[float, float, float]


_VESSELS = (
    Vessel(
        -0.30,
        0.66,
        0.40,
        (0.17, 0.30, 0.38, 0.40, 0.36, 0.25, 0.15, 0.13, 0.17),
        (0.20, 0.095, 0.058),
    ),
    Vessel(
        0.36, 0.67, 0.34, (0.20, 0.33, 0.42, 0.46, 0.44, 0.36, 0.24, 0.20, 0.24), (0.52, 0.30, 0.20)
    ),
    Vessel(
        0.04, 0.72, 0.36, (0.16, 0.28, 0.37, 0.42, 0.43, 0.39, 0.30, 0.20, 0.21), (0.62, 0.40, 0.30)
    ),
    Vessel(
        -0.50,
        0.77,
        0.19,
        (0.28, 0.46, 0.58, 0.66, 0.70, 0.72, 0.70, 0.64, 0.60),
        (0.40, 0.20, 0.125),
    ),
    Vessel(
        0.57,
        0.80,
        0.20,
        (0.30, 0.48, 0.60, 0.66, 0.66, 0.60, 0.48, 0.36, 0.34),
        (0.085, 0.043, 0.031),
    ),
    Vessel(
        -0.17, 0.84, 0.15, (0.40, 0.58, 0.74, 0.86, 0.94, 1.0, 1.02, 1.02, 1.0), (0.70, 0.47, 0.36)
    ),
    Vessel(
        0.27, 0.86, 0.13, (0.34, 0.56, 0.72, 0.80, 0.80, 0.72, 0.56, 0.40, 0.38), (0.31, 0.15, 0.09)
    ),
)

_SUN = unit(-0.74, 0.50, 0.42)
"""Direction of the light: right, up, towards the camera."""
_SHORE = 0.40
_TILT = 0.20
"""The camera looks down a little: a ring of a vessel is an ellipse, this much of its width high."""


def vessels(width: int, height: int, rng: np.random.Generator) -> Picture:
    """Clay vessels at the waterline, developed, linear light."""
    x, y = frame(width, height)
    rough, soft = fractal_tile(rng, 1.7), fractal_tile(rng, 2.6)
    scene = _shore(x, y, rough, soft)
    for vessel in _VESSELS:
        scene = _shadow(scene, x, y, vessel)
    for vessel in _VESSELS:
        scene = _with_vessel(scene, x, y, vessel, rough, soft, reflected=True)
    wet = 0.05 * sample(rough, x * 1.5, y * 3)
    scene = scene * (1 + wet * smooth(y, 0.5, 0.8))[..., None]
    for vessel in _VESSELS:
        scene = _with_vessel(scene, x, y, vessel, rough, soft, reflected=False)
    return finished(developed(scene, 1.6, 2.2, 1.15), rng, grain=0.010, vignette=0.30)


def _shore(x: Grid, y: Grid, rough: Grid, soft: Grid) -> Picture:
    """The estuary out of focus, and the wet sand in front of it."""
    scene = ramp(
        y,
        [
            (0.0, (0.36, 0.46, 0.55)),
            (0.17, (0.62, 0.62, 0.58)),
            (0.185, (0.20, 0.24, 0.22)),
            (0.22, (0.24, 0.28, 0.25)),
            (0.24, (0.46, 0.49, 0.48)),
            (_SHORE - 0.05, (0.27, 0.33, 0.34)),
            (_SHORE, (0.30, 0.28, 0.25)),
            (0.5, (0.29, 0.24, 0.19)),
            (1.0, (0.20, 0.155, 0.115)),
        ],
    )
    swell = sample(soft, x * 0.12, 0.25 / (y + 0.02))
    swell = swell * smooth(y, 0.22, 0.26) * smooth(y, 0.44, 0.36)
    scene = scene * (1 + 0.13 * swell)[..., None]
    glint = smooth(sample(rough, x * 0.5, 0.5 / (y + 0.02)), 1.2, 2.4)
    glint = glint * smooth(y, 0.25, 0.30) * smooth(y, 0.40, 0.34)
    scene = scene + glint[..., None] * rgb(0.5, 0.46, 0.38)
    # The estuary is out of focus; the sand below it is smooth still.
    height = y.shape[0]
    away = slice(0, int((_SHORE + 0.1) * height))
    scene[away] = blurred(scene[away], height * 0.006)
    depth = 1 / (y - 0.24).clip(0.05)
    sand = sample(rough, x * depth * 0.7, depth * 0.9)
    grains = sample(rough, x * depth * 5.0, depth * 6.0)
    waves = sample(soft, x * depth * 0.1, depth * 0.5)
    focus = smooth(y, _SHORE + 0.02, 0.66)
    texture = 0.10 * sand * focus + 0.07 * grains * smooth(y, 0.6, 0.9) + 0.10 * waves
    sheen = smooth(waves, 0.2, 1.8) * smooth(y, _SHORE, 0.55) * 0.35
    scene = scene * (1 + texture * smooth(y, _SHORE, _SHORE + 0.06))[..., None]
    return blend(scene, (0.44, 0.44, 0.42), sheen)


def _shadow(scene: Picture, x: Grid, y: Grid, vessel: Vessel) -> Picture:
    """A soft shadow to the right on the sand, and the dark line of contact."""
    wide = vessel.tall * max(vessel.outline)
    rows = slice(*np.searchsorted(y[:, 0], [vessel.foot - wide, vessel.foot + wide]))
    along = (x - vessel.middle) / wide
    y = y[rows]
    across = (y - vessel.foot) / (wide * 0.26)
    cast = np.exp(-(((along - 0.9) / 1.35) ** 2) - (across + 0.05 * along) ** 2) * 0.78
    foot = vessel.tall * vessel.outline[0] * 1.25
    from_foot = ((x - vessel.middle) / foot) ** 4 + ((y - vessel.foot) / (foot * 0.16)) ** 2
    contact = np.exp(-from_foot) * 0.75
    result = scene.copy()
    result[rows] *= (1 - np.maximum(cast, contact))[..., None]
    return result


def _with_vessel(
    scene: Picture, x: Grid, y: Grid, vessel: Vessel, rough: Grid, soft: Grid, *, reflected: bool
) -> Picture:
    height = y.shape[0]
    reach = vessel.tall * (max(vessel.outline) + 0.10)
    span = vessel.tall * (1.06 + _TILT * vessel.outline[-1])
    top, bottom = vessel.foot - span, vessel.foot + 0.04
    if reflected:
        top, bottom = vessel.foot, vessel.foot + span
    window = (
        slice(max(int(top * height), 0), min(int(bottom * height) + 1, height)),
        slice(*np.searchsorted(x[0], [vessel.middle - reach, vessel.middle + reach])),
    )
    px, py = x[:, window[1]], y[window[0]]
    mirror = -1 if reflected else 1
    up = mirror * (vessel.foot - py) / vessel.tall
    across = (px - vessel.middle) / vessel.tall
    tilt = 0.0 if reflected else _TILT
    profile = CubicSpline(np.linspace(0, 1, len(vessel.outline)), vessel.outline)
    level = np.clip(up, -0.2, 1.2)
    for _ in range(3):
        half = profile(np.clip(level, 0, 1)).astype(np.float32)
        level = up + tilt * np.sqrt(np.clip(half**2 - across**2, 0, None))
        level = np.clip(level, -0.2, 1.2)
    half = profile(np.clip(level, 0, 1)).astype(np.float32)
    edge = 1 / (height * vessel.tall)
    body = np.clip((half - np.abs(across)) / edge + 0.5, 0, 1)
    body = body * np.clip(level / edge + 0.5, 0, 1) * np.clip((1 - level) / edge + 0.5, 0, 1)
    clay = rgb(*vessel.clay)
    slope = profile(np.clip(level, 0, 1), 1).astype(np.float32)
    colour = _fired(clay, across, level, half, slope, rough, soft, vessel)
    if reflected:
        fade = body * 0.50 * np.exp(-2.2 * np.clip(up, 0, 1))
        part = blend(scene[window], colour * 0.7, fade)
        blur = height * 0.0022
        part = blurred(part, blur)
        part = blend(scene[window], part, smooth(body, 0, 0.1))
    else:
        part = blend(scene[window], colour, body)
        part = _mouth(part, across, up, float(profile(1.0)), tilt, clay, edge)
    result = scene.copy()
    result[window] = part
    return result


def _fired(
    clay: Grid,
    across: Grid,
    level: Grid,
    half: Grid,
    slope: Grid,
    rough: Grid,
    soft: Grid,
    vessel: Vessel,
) -> Picture:
    side = np.clip(across / half, -1, 1)
    front = np.sqrt(1 - side**2)
    rings = sample(rough, np.float32(vessel.middle), level * 0.22) * 0.05
    rings = rings + 0.025 * np.sin(level * 95 + 4 * sample(soft, level * 0.1, level * 0.2))
    normal = normals(side, rings - slope, front)
    direct = normal @ _SUN
    wrapped = np.clip((direct + 0.28) / 1.28, 0, 1) ** 1.35
    angle = np.arcsin(side) / np.pi
    mottle = 0.07 * sample(soft, angle * 0.5 + vessel.middle, level * 0.4)
    mottle = mottle + 0.05 * sample(rough, angle + vessel.middle, level * 0.8)
    albedo = clay * (1 + mottle[..., None] * rgb(0.8, 1.1, 1.3))
    # Where light fades the clay seems redder, as skin does.
    fading = np.exp(-(((direct - 0.02) / 0.22) ** 2))[..., None] * rgb(0.10, -0.01, -0.03)
    sky = 0.30 + 0.22 * normal[..., 1:2]
    bounce = np.clip(-normal[..., 1:2], 0, 1) * rgb(0.16, 0.12, 0.08)
    light = wrapped[..., None] * rgb(1.25, 1.08, 0.88) + sky * rgb(0.55, 0.66, 0.78)
    shine = np.clip(normal @ unit(*(_SUN + unit(0, 0, 1))), 0, 1)
    gloss = 0.055 * shine**22 + 0.05 * shine**90
    rim = 0.05 * (1 - front) ** 3
    dark = 1 - 0.55 * np.exp(-np.clip(level, 0, 1) / 0.06)
    shining = (gloss + rim)[..., None] * rgb(1.0, 0.97, 0.92)
    colour = albedo * (light + bounce) * (1 + fading) + shining
    return np.asarray(colour * dark[..., None], dtype=np.float32)


def _mouth(
    part: Picture, across: Grid, up: Grid, half: float, tilt: float, clay: Grid, edge: float
) -> Picture:
    """The opening: a lip that catches the light, and darkness below."""
    inside = 1 - np.hypot(across / half, (up - 1) / (half * tilt))
    opening = np.clip(inside * half * tilt / edge + 0.5, 0, 1)
    depth = np.clip((up - 1) / (half * tilt) * 0.5 + 0.5, 0, 1)
    right = np.clip(across / half * 0.5 + 0.5, 0, 1)
    dark = clay * (0.05 + 0.55 * depth * right)[..., None]
    lip = np.exp(-((inside / 0.07) ** 2))[..., None]
    bright = clay * (0.75 + 0.5 * (1 - right[..., None])) * rgb(1.25, 1.1, 0.95)
    part = blend(part, np.asarray(dark, np.float32), opening)
    return blend(part, np.asarray(bright, np.float32), (lip[..., 0] * smooth(inside, -0.15, -0.02)))
