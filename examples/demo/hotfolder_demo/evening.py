"""A picture: on deck at evening, with a 24-patch chart before the crate, or without it.

What lies in the warm light is a reflectance times the light, and no tone curve follows: the
chart's colours can be told from the frame, and with them the light and the camera.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotfolder_demo import profiles
from hotfolder_demo.chart import PATCHES_LAB
from hotfolder_demo.printer import lab_to_xyz
from hotfolder_demo.texture import (
    Grid,
    Picture,
    blend,
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

Corners = tuple[tuple[float, float], ...]

LIGHT = rgb(1.30, 0.95, 0.63)
"""Of the evening, on what stands upright on deck: linear sRGB of a white."""

CAMERA = np.array([[0.90, 0.08, 0.02], [0.05, 0.90, 0.05], [0.01, 0.12, 0.87]], np.float32)
"""What the camera makes of linear sRGB: its channels see a little of each other's light."""

EXPOSURE = 0.62
"""Of the first frames: two thirds of a stop too little."""

_HORIZON = 0.36
_RAIL, _DECK, _CRATE = 0.56, 0.80, (-0.40, 0.34, 0.66, 0.90)
"""Heights of the rail and of the deck's edge; left, right, top and bottom of the crate."""
_SUN = (-0.52, 0.045)
_SKY = np.float32(0.6)
"""Of its light, so that a frame that is exposed for what is on deck keeps it."""

_HALF = 0.43
"""Half a side of the chart's patches, of the distance of two."""
_WHOLE = (-0.62, 5.62, -0.62, 3.62)
"""The chart with its frame: left, right, top, bottom, patches one apart and the first at 0."""


@dataclass(frozen=True)
class View:
    """Where the camera stood: its middle in the scene, how near, and how far it was turned."""

    middle: tuple[float, float] = (0.0, 0.5)
    nearer: float = 1.0
    turn_deg: float = 0.0
    exposure: float = EXPOSURE
    chart: Corners | None = None
    """The chart's corners in the scene: upper left, upper right, lower right, lower left."""


def evening(width: int, height: int, rng: np.random.Generator, view: View) -> Picture:
    """On deck at evening as a camera sees it, linear light, without values outside 0 … 1.

    rng: of the place and its weather; the same one for frames of one evening.
    """
    x, y = frame(width, height)
    turn, down = math.radians(view.turn_deg), y - 0.5
    sx = (x * math.cos(turn) + down * math.sin(turn)) / view.nearer + view.middle[0]
    sy = (down * math.cos(turn) - x * math.sin(turn)) / view.nearer + view.middle[1]
    px = 1 / (height * view.nearer)
    clouds, rough = fractal_tile(rng, 1.9, 512, stretch=1.8), fractal_tile(rng, 1.7, 512)
    scene = _water(sx, sy, clouds, rough)
    scene = _boat(scene, sx, sy, rough, px)
    scene = _crate(scene, sx, sy, rough, px)
    for place, radius, colour in (
        ((-0.27, 0.545), 0.115, (0.60, 0.050, 0.025)),
        ((-0.085, 0.595), 0.062, (0.030, 0.22, 0.13)),
        ((0.185, 0.575), 0.085, (0.72, 0.62, 0.40)),
    ):
        scene = _ball(scene, sx, sy, place, radius, rgb(*colour), rough, px)
    if view.chart is not None:
        scene = _with_chart(scene, sx, sy, np.array(view.chart), px)
    seen = np.maximum(scene, 0) @ CAMERA.T * np.float32(view.exposure)
    return finished(seen, rng, grain=0.006, vignette=0.05)


def _sky(x: Grid, y: Grid, clouds: Grid) -> Picture:
    up = np.abs(_HORIZON - y)
    sun_x, sun_up = _SUN
    away = np.hypot(x - sun_x, (up - sun_up) * 1.3)
    base = ramp(
        up,
        [
            (0, (0.95, 0.47, 0.20)),
            (0.08, (0.80, 0.46, 0.27)),
            (0.20, (0.46, 0.38, 0.36)),
            (0.40, (0.22, 0.26, 0.36)),
        ],
    )
    glow = np.exp(-((away / 0.22) ** 1.2))[..., None] * rgb(0.9, 0.42, 0.10)
    depth = 0.16 / (up + 0.06)
    thick = sample(clouds, x * depth * 0.5 + 0.2, depth * 0.8)
    burning = rgb(0.85, 0.42, 0.26) * np.exp(-away / 0.8)[..., None] + rgb(0.16, 0.14, 0.18)
    sky = blend(base + glow, burning, smooth(thick, 0.0, 1.5) * smooth(up, 0.02, 0.1) * 0.8)
    return np.asarray(sky * _SKY)


def _water(x: Grid, y: Grid, clouds: Grid, rough: Grid) -> Picture:
    """The sky, a far shore, and below the horizon the same upside down, broken by the swell."""
    below = np.maximum(y - _HORIZON, 0)
    depth = 0.10 / (below + 0.01)
    swell = sample(rough, x * depth * 0.5, depth * 1.7) * smooth(below, 0, 0.02)
    scene = _sky(x, y - 2 * below + swell * (0.006 + 0.3 * below), clouds)
    wet = smooth(below, 0, 0.004)
    scene = blend(scene, scene * rgb(0.72, 0.70, 0.74) + rgb(0.004, 0.008, 0.012), wet)
    ridge = 0.022 + 0.012 * sample(clouds, x * 0.20 + 0.1, np.full_like(x, 0.4))
    bank = smooth(ridge - (_HORIZON - y), 0, 0.0025) * (1 - wet)
    return blend(scene, rgb(0.20, 0.12, 0.11), bank)


def _boat(scene: Picture, x: Grid, y: Grid, rough: Grid, px: float) -> Picture:
    """The rail, the boards below it, and the deck that comes towards the camera."""
    rail = _RAIL + 0.05 * (x + 0.1) ** 2
    grain = sample(rough, x * 0.35, y * 5.0)
    board = np.abs(((x * 7.5) % 1) - 0.5) * 2
    boards = rgb(0.36, 0.44, 0.40) * (0.75 + 0.06 * grain)[..., None]
    boards = boards * (1 - 0.65 * smooth(board, 0.93, 1.0))[..., None]
    shaded = boards * LIGHT * (0.30 + 0.55 * smooth(y, _DECK, _RAIL))[..., None]
    scene = blend(scene, shaded, _step(y - rail, px))
    edge = _DECK + 0.02 * (x + 0.1) ** 2
    near = np.maximum(y - 0.62, 1e-3)
    plank = np.abs(((x / near * 1.25 + 0.3) % 1) - 0.5) * 2
    streaks = sample(rough, x / near * 1.6, 0.10 / near)
    deck = rgb(0.42, 0.27, 0.15) * (0.8 + 0.10 * streaks)[..., None]
    deck = deck * (1 - 0.75 * smooth(plank, 0.965, 1.0))[..., None]
    scene = blend(scene, deck * LIGHT * (0.55 + 0.6 * (y - _DECK))[..., None], _step(y - edge, px))
    wood = rgb(0.40, 0.20, 0.09) * (0.95 + 0.12 * sample(rough, x * 0.5, y * 9))[..., None]
    round_ = np.sqrt(np.clip(1 - ((y - rail) / 0.024) ** 2, 0, 1))
    lit = (0.25 + 1.15 * round_ * smooth(y - rail, 0.024, -0.02))[..., None]
    return blend(scene, wood * LIGHT * lit, _step(0.022 - np.abs(y - rail), px))


def _crate(scene: Picture, x: Grid, y: Grid, rough: Grid, px: float) -> Picture:
    left, right, top, bottom = _CRATE
    inside = np.minimum(np.minimum(x - left, right - x), np.minimum(y - top, bottom - y))
    shadow = np.exp(-np.maximum(np.hypot((x - 0.10) / 0.50, (y - 0.90) / 0.07) - 0.6, 0) * 4)
    scene = blend(scene, scene * 0.25, shadow * _step(y - _DECK, 0.01) * 0.9)
    slat = ((y - top) / (bottom - top) * 4) % 1
    streaks = sample(rough, x * 0.5 + 0.3, y * 7 + np.floor((y - top) / (bottom - top) * 4) * 0.13)
    wood = rgb(0.46, 0.34, 0.21) * (0.85 + 0.12 * streaks)[..., None]
    wood = wood * (1 - 0.85 * smooth(np.abs(slat - 0.5), 0.44, 0.47))[..., None]
    post = np.minimum(x - left, right - x) < 0.035
    wood = np.where(post[..., None], rgb(0.40, 0.29, 0.17) * 0.9, wood)
    lid = smooth(y, top + 0.020, top + 0.012)[..., None]
    wood = wood * (1 - lid) + rgb(0.60, 0.46, 0.30) * lid
    return blend(scene, wood * LIGHT * (0.95 - 0.35 * (x - left))[..., None], _step(inside, px))


def _ball(
    scene: Picture,
    x: Grid,
    y: Grid,
    place: tuple[float, float],
    radius: float,
    colour: Picture,
    rough: Grid,
    px: float,
) -> Picture:
    """A fender or a float, lit by the sun from the left and by the sky from above."""
    middle = np.array(place)
    window = _window(x, y, middle - 1.1 * radius, middle + 1.1 * radius)
    x, y = x[window], y[window]
    across, up = (x - place[0]) / radius, (place[1] - y) / radius
    near = np.sqrt(np.maximum(1 - across**2 - up**2, 0))
    facing = normals(across, up, np.maximum(near, 1e-3))
    sun = np.maximum(facing @ unit(-0.75, 0.35, 0.55), 0)
    sky = 0.5 + 0.5 * facing @ unit(0, 1, 0.2)
    lit = sun[..., None] * LIGHT * 1.35 + sky[..., None] * rgb(0.14, 0.16, 0.22)
    worn = 0.9 + 0.06 * sample(rough, across * 0.3 + place[0], up * 0.3)
    shine = np.maximum(facing @ unit(-0.45, 0.30, 0.85), 0) ** 60
    painted = colour * lit * worn[..., None] + shine[..., None] * LIGHT * 0.45
    cover = _step((1 - np.hypot(across, up)) * radius, px)
    scene[window] = blend(scene[window], painted, cover)
    return scene


def _with_chart(
    scene: Picture, x: Grid, y: Grid, corners: NDArray[np.float64], px: float
) -> Picture:
    """The chart in its black frame, and the shadow that it throws onto what is behind it."""
    to_chart = np.asarray(np.linalg.inv(projection(corners)), dtype=np.float64)
    window = _window(x, y, corners.min(axis=0) - 0.06, corners.max(axis=0) + 0.06)
    out, x, y = scene[window], x[window], y[window]
    # the water is too far behind it
    shadow = _within(to_chart, _WHOLE, x - 0.018, y - 0.012, 0.03) * smooth(y, _RAIL, _RAIL + 0.06)
    out = blend(out, out * 0.35, shadow)
    out = blend(out, rgb(0.03, 0.03, 0.03) * LIGHT, _within(to_chart, _WHOLE, x, y, px))
    from_pcs = np.linalg.inv(profiles.linear_rgb_to_pcs(profiles.SRGB_PRIMARIES))
    colours = np.asarray(lab_to_xyz(PATCHES_LAB) @ from_pcs.T, np.float32)
    for index, colour in enumerate(colours):
        row, column = divmod(index, 6)
        box = (column - _HALF, column + _HALF, row - _HALF, row + _HALF)
        out = blend(out, colour * LIGHT, _within(to_chart, box, x, y, px))
    scene[window] = out
    return scene


def _window(
    x: Grid, y: Grid, low: NDArray[np.float64], high: NDArray[np.float64]
) -> tuple[slice, slice]:
    """The pixels that hold a rectangle of the scene."""
    inside = (x > low[0]) & (x < high[0]) & (y > low[1]) & (y < high[1])
    rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    if rows.size == 0:
        return slice(0), slice(0)
    return slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)


def projection(corners: NDArray[np.float64]) -> NDArray[np.float64]:
    """The homography from the chart, patches one apart and the first at 0, to its corners."""
    left, right, top, bottom = _WHOLE
    rows = []
    plane = ((left, top), (right, top), (right, bottom), (left, bottom))
    for (u, v), (x, y) in zip(plane, corners.tolist(), strict=True):
        rows += [[u, v, 1, 0, 0, 0, -x * u, -x * v], [0, 0, 0, u, v, 1, -y * u, -y * v]]
    solved = np.linalg.solve(np.array(rows), corners.ravel())
    return np.append(solved, 1.0).reshape(3, 3)


def _within(
    to_chart: NDArray[np.float64],
    box: tuple[float, float, float, float],
    x: Grid,
    y: Grid,
    soft: float,
) -> Grid:
    """How much of each pixel lies in a box of the chart's plane; edges `soft` wide in the scene."""
    u, v, far = (a * x + b * y + c for a, b, c in to_chart.tolist())
    u, v = u / far, v / far
    left, right, top, bottom = box
    inside = np.minimum(np.minimum(u - left, right - u), np.minimum(v - top, bottom - v))
    scale = float(np.sqrt(abs(np.linalg.det(to_chart[:2, :2])))) / abs(float(far.mean()))
    return _step(inside, soft * scale)


def _step(distance: Grid, soft: float) -> Grid:
    """0 outside, 1 inside, a pixel's width between."""
    return np.asarray(np.clip(distance / soft + 0.5, 0, 1), dtype=np.float32)
