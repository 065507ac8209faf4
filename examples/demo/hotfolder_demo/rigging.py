"""A picture: boats at their moorings at high water, with rigging one pixel fine."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image, ImageDraw

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
    rgb,
    sample,
    smooth,
)

Colour = tuple[float, float, float]
Light = Sequence[float] | NDArray[np.float64]
Points = NDArray[np.float64]
At = Callable[[ArrayLike, ArrayLike], Points]

_HORIZON = 0.565
_OVERSAMPLED = 3
_GREATEST_LIGHT = 0.9
"""Linear light that the drawings' 255 stands for, through a square root as encoding."""


@dataclass(frozen=True)
class Boat:
    """A boat seen from the side: middle at the waterline, length, mast height, colours, heading."""

    middle: float
    length: float
    mast: float
    hull: Colour
    deck: Colour
    sail: Colour
    heading: int = 1
    two_masts: bool = False


_GROUPS: tuple[tuple[float, float, tuple[Boat, ...]], ...] = (
    # waterline, haze, boats
    (
        0.590,
        0.62,
        (
            Boat(-0.60, 0.085, 0.13, (0.30, 0.32, 0.36), (0.5, 0.45, 0.4), (0.6, 0.58, 0.52)),
            Boat(-0.44, 0.070, 0.10, (0.45, 0.20, 0.16), (0.5, 0.45, 0.4), (0.5, 0.5, 0.5), -1),
            Boat(0.02, 0.090, 0.14, (0.15, 0.22, 0.26), (0.5, 0.45, 0.4), (0.5, 0.4, 0.35), -1),
            Boat(0.30, 0.075, 0.11, (0.62, 0.60, 0.55), (0.5, 0.45, 0.4), (0.5, 0.5, 0.5)),
            Boat(0.66, 0.080, 0.12, (0.30, 0.26, 0.16), (0.5, 0.45, 0.4), (0.6, 0.58, 0.52), -1),
        ),
    ),
    (
        0.645,
        0.26,
        (
            Boat(-0.56, 0.23, 0.33, (0.60, 0.58, 0.52), (0.34, 0.20, 0.11), (0.10, 0.16, 0.24), -1),
            Boat(0.54, 0.25, 0.37, (0.030, 0.11, 0.13), (0.40, 0.26, 0.15), (0.52, 0.48, 0.40)),
        ),
    ),
    (
        0.765,
        0.0,
        (
            Boat(
                -0.02,
                0.60,
                0.66,
                (0.020, 0.035, 0.085),
                (0.36, 0.20, 0.09),
                (0.36, 0.085, 0.035),
                two_masts=True,
            ),
        ),
    ),
)


def rigging(width: int, height: int, rng: np.random.Generator) -> Picture:
    """Moored boats against a pale sky, developed, linear light."""
    x, y = frame(width, height)
    clouds, chop = fractal_tile(rng, 1.9), fractal_tile(rng, 1.8, stretch=2.2)
    split = round(_HORIZON * height)
    sky = _sky(x, y[:split], clouds, height)
    below = np.maximum(y - _HORIZON, 1e-3)
    depth = 0.14 / (below + 0.012)
    swell = sample(chop, x * depth * 0.16, depth * 0.9) + 0.6 * sample(
        chop, x * depth * 0.7, depth * 3.1
    )
    scene = np.concatenate([sky, _water(sky, y[split:], swell[split:], height)])
    for waterline, haze, boats in _GROUPS:
        colour, cover = _drawn(boats, waterline, width, height, rng)
        air = rgb(0.60, 0.62, 0.62)
        colour = colour * (1 - haze) + air * haze
        scene = _reflected(scene, colour, cover, y, waterline, swell)
        scene = blend(scene, colour, cover)
    return finished(developed(scene, 1.55, 2.4, 1.25), rng, grain=0.009, vignette=0.18)


def _sky(x: Grid, y: Grid, clouds: Grid, height: int) -> Picture:
    up = np.abs(_HORIZON - y)
    scene = ramp(
        up,
        [
            (0, (0.74, 0.70, 0.62)),
            (0.10, (0.70, 0.71, 0.68)),
            (0.30, (0.46, 0.57, 0.66)),
            (0.60, (0.24, 0.39, 0.56)),
        ],
    )
    depth = 0.30 / (up + 0.16)
    thick = sample(clouds, x * depth * 0.42 + 0.1, depth * 0.62 + 0.35)
    lower = sample(clouds, x * depth * 0.42 + 0.11, depth * 0.62 + 0.368)
    cover = smooth(thick, -0.1, 1.3) * smooth(up, 0.0, 0.14) * 0.85
    bright = np.clip(0.55 + (thick - lower) * 0.9, 0, 1)
    lit = ramp(
        bright, [(0, (0.42, 0.46, 0.52)), (0.55, (0.86, 0.84, 0.80)), (1, (1.35, 1.28, 1.16))]
    )
    scene = blend(scene, lit, cover)
    hills = (
        0.016 + 0.010 * sample(clouds, x * 0.22 + 0.4, 0.8) + 0.0016 * sample(clouds, x * 3, 0.1)
    )
    bank = np.clip((np.maximum(hills, 0.004) - up) * height + 0.5, 0, 1)
    return blend(scene, (0.42, 0.47, 0.47), bank)


def _water(sky: Picture, y: Grid, swell: Grid, height: int) -> Picture:
    below = np.maximum(y - _HORIZON, 0)
    rows = (2 * _HORIZON - y - swell * (0.010 + 0.11 * below)) * height
    mirror = mirrored_rows(sky, np.clip(rows, 0, (_HORIZON - 0.001) * height))
    dark = rgb(0.085, 0.13, 0.14)
    seen = (0.80 - 0.50 * smooth(below, 0, 0.45)) * (0.86 + 0.14 * np.tanh(swell))
    return np.asarray(dark + seen[..., None] * (mirror - dark))


def _reflected(
    scene: Picture, colour: Picture, cover: Grid, y: Grid, waterline: float, swell: Grid
) -> Picture:
    height, width = cover.shape
    down = np.maximum(y - waterline, 0)
    # Waves tilt the mirror up, down and sideways, the more the longer the way in the water.
    rows = (2 * waterline - y - swell * (0.003 + 0.13 * down)) * height
    aside = (swell * (0.0008 + 0.030 * down) * height).astype(np.intp)
    rows = np.clip(rows, 0, height - 1).astype(np.intp)
    columns = np.clip(np.arange(width) + aside, 0, width - 1)
    there = cover[rows, columns] * smooth(down, 0, 0.002) * (0.82 - 0.9 * np.minimum(down, 0.5))
    return blend(scene, colour[rows, columns] * 0.75 + 0.02, there)


def _drawn(
    boats: Sequence[Boat], waterline: float, width: int, height: int, rng: np.random.Generator
) -> tuple[Picture, Grid]:
    """The boats of a group, antialiased: colour and cover."""
    size = (width * _OVERSAMPLED, height * _OVERSAMPLED)
    pen = _Pen(Image.new("RGB", size), Image.new("L", size), width / height, height * _OVERSAMPLED)
    for boat in boats:
        _draw_boat(pen, boat, waterline, rng)
    cover = np.asarray(pen.cover.reduce(_OVERSAMPLED), dtype=np.float32) / 255
    colour = np.asarray(pen.paint.reduce(_OVERSAMPLED), dtype=np.float32) / 255
    # Averaged with the black around it, in a square-root encoding; both are undone.
    colour = colour / np.maximum(cover, 1 / 255)[..., None]
    return np.minimum(colour, 1) ** 2 * np.float32(_GREATEST_LIGHT), cover


class _Pen:
    """Draws shapes given in picture heights."""

    def __init__(self, paint: Image.Image, cover: Image.Image, aspect: float, scale: float) -> None:
        self.paint, self.cover = paint, cover
        self._draws = ((ImageDraw.Draw(paint), True), (ImageDraw.Draw(cover), False))
        self._aspect, self._scale = aspect, scale

    def shape(self, points: Points, colour: Light) -> None:
        places = self._places(points)
        for draw, is_paint in self._draws:
            draw.polygon(places, fill=_ink(colour) if is_paint else 255)

    def line(self, points: Points, width_px: float, colour: Light) -> None:
        places = self._places(points)
        wide = max(1, round(width_px * _OVERSAMPLED))
        for draw, is_paint in self._draws:
            draw.line(places, fill=_ink(colour) if is_paint else 255, width=wide)

    def bar(self, start: Points, end: Points, widths: tuple[float, float], colour: Colour) -> None:
        """A round spar: lit from the left, dark on the right."""
        along = (end - start) / np.linalg.norm(end - start)
        aside = np.array([-along[1], along[0]])
        if aside[0] > 0:
            aside = -aside
        for left, right, light in ((1.0, 0.35, 1.15), (0.35, -0.3, 1.5), (-0.3, -1.0, 0.55)):
            points = np.stack(
                [
                    start + aside * widths[0] * left,
                    end + aside * widths[1] * left,
                    end + aside * widths[1] * right,
                    start + aside * widths[0] * right,
                ]
            )
            self.shape(points, np.array(colour) * light)

    def _places(self, points: Points) -> list[tuple[float, float]]:
        moved = (points + np.array([self._aspect / 2, 0])) * self._scale
        return [(float(across), float(down)) for across, down in moved]


def _ink(colour: Light) -> tuple[int, int, int]:
    codes = np.sqrt(np.clip(np.array(colour) / _GREATEST_LIGHT, 0, 1)) * 255
    red, green, blue = np.rint(codes).astype(int)
    return int(red), int(green), int(blue)


def _draw_boat(pen: _Pen, boat: Boat, waterline: float, rng: np.random.Generator) -> None:
    def at(along: ArrayLike, up: ArrayLike) -> Points:
        """Places from shares of the length, bow forward, and shares of it upwards."""
        across = boat.middle + boat.heading * boat.length * np.asarray(along, dtype=np.float64)
        down = waterline - boat.length * np.asarray(up, dtype=np.float64)
        return np.stack(np.broadcast_arrays(across, down), axis=-1)

    t = np.linspace(-0.5, 0.5, 41)
    sheer = 0.085 + 0.16 * (t - 0.06) ** 2 + 0.11 * np.clip(t, 0, None) ** 2
    fine = boat.length / 0.6
    foot = np.clip(t, -0.46, 0.43)
    _draw_hull(pen, boat, at, t, foot, sheer)
    _draw_cabin(pen, boat, at)
    masts = ((0.10, 1.0), (-0.30, 0.72)) if boat.two_masts else ((0.08, 1.0),)
    tall = boat.mast / boat.length
    wood = (0.30, 0.17, 0.075)
    rope = (0.035, 0.032, 0.030)
    for place, share in masts:
        top = 0.10 + tall * share
        pen.bar(at(place, 0.09), at(place - 0.012, top), (0.0058 * fine, 0.0032 * fine), wood)
        for spread in (0.52, 0.78):
            level = 0.10 + tall * share * spread
            pen.line(at([place - 0.075, place + 0.055], level), max(1.4 * fine, 0.8), wood)
        for foot_, via in ((-0.105, -0.075), (-0.075, -0.05), (0.080, 0.055), (0.055, 0.035)):
            middle = 0.10 + tall * share * 0.52
            pen.line(
                at([place + foot_, place + via, place - 0.01], [0.10, middle, top * 0.985]),
                1.0,
                rope,
            )
        if boat.two_masts:
            for step in np.arange(0.14, 0.10 + tall * share * 0.50, 0.020):
                part = (step - 0.10) / (tall * share * 0.52)
                left = place - 0.105 + 0.030 * part
                pen.line(at([left, left + 0.030 - 0.005 * part], step), 1.0, rope)
        _draw_boom(pen, boat, at, place, share, fine, wood)
        pen.line(at([place - 0.012, place - 0.012 - 0.25 * share], [top * 0.98, 0.205]), 1.0, rope)
        for _ in range(3):
            slack = rng.uniform(0.006, 0.022)
            pen.line(
                at([place + slack, place - 0.004 + slack * 0.3], [0.12, top * 0.97]), 1.0, rope
            )
    _draw_stays(pen, boat, at, masts, tall, rope)


def _draw_hull(pen: _Pen, boat: Boat, at: At, t: Points, foot: Points, sheer: Points) -> None:
    hull = np.array(boat.hull)
    bands = np.linspace(0, 1, 25)
    for low, high in pairwise(bands):
        # Planks turn from the sky's light at the rail to the water's at the waterline.
        light = 0.55 + 0.75 * high**1.5 + 0.18 * np.exp(-(((high - 0.12) / 0.08) ** 2))
        lower = at(foot + (t - foot) * low, sheer * low - 0.004)
        upper = at(foot + (t - foot) * high, sheer * high)
        pen.shape(np.concatenate([lower, upper[::-1]]), hull * light + 0.012 * high)
    boot = at(foot + (t - foot) * 0.1, sheer * 0 + 0.010)
    pen.shape(np.concatenate([at(foot, sheer * 0 - 0.006), boot[::-1]]), (0.16, 0.022, 0.016))
    lower = at(foot + (t - foot) * 0.86, sheer * 0.86)
    upper = at(foot + (t - foot) * 0.90, sheer * 0.90)
    stripe = np.concatenate([lower, upper[::-1]])
    pen.shape(stripe, (0.62, 0.50, 0.26))
    rail = np.concatenate([at(t, sheer), at(t, sheer + 0.009)[::-1]])
    pen.shape(rail, np.array(boat.deck) * 1.1)


def _draw_cabin(pen: _Pen, boat: Boat, at: At) -> None:
    side = at([-0.24, -0.22, 0.02, 0.05], [0.10, 0.150, 0.142, 0.10])
    pen.shape(side, np.array(boat.deck) * 0.95)
    pen.shape(at([-0.235, -0.225, 0.03, 0.025], [0.146, 0.154, 0.146, 0.138]), (0.66, 0.62, 0.54))
    for place in (-0.19, -0.14, -0.09, -0.04):
        pen.shape(
            at([place, place, place + 0.024, place + 0.024], [0.116, 0.132, 0.131, 0.116]),
            (0.03, 0.045, 0.055),
        )
    for post in np.linspace(-0.46, 0.47, 14):
        level = 0.085 + 0.16 * (post - 0.06) ** 2 + 0.11 * max(post, 0) ** 2
        pen.line(at([post, post], [level, level + 0.045]), 1.0, (0.55, 0.55, 0.55))
    along = np.linspace(-0.46, 0.47, 41)
    level = 0.085 + 0.16 * (along - 0.06) ** 2 + 0.11 * np.clip(along, 0, None) ** 2
    for up in (0.024, 0.045):
        pen.line(at(along, level + up), 1.0, (0.30, 0.30, 0.30))


def _draw_boom(
    pen: _Pen, boat: Boat, at: At, place: float, share: float, fine: float, wood: Colour
) -> None:
    """The boom, and on it the furled sail with its ties."""
    reach = 0.27 * share
    pen.bar(at(place, 0.185), at(place - reach, 0.195), (0.0040 * fine, 0.0030 * fine), wood)
    t = np.linspace(0, 1, 25)
    along = place - 0.008 - (reach - 0.02) * t
    thick = 0.030 * share * (1 - 0.55 * t) * (0.86 + 0.14 * np.cos(2 * np.pi * 7 * t))
    base = 0.188 + 0.010 * t
    for low, high, light in (
        (0.0, 0.3, 0.55),
        (0.3, 0.62, 0.9),
        (0.62, 0.86, 1.25),
        (0.86, 1.0, 1.5),
    ):
        points = np.concatenate(
            [at(along, base + thick * low), at(along, base + thick * high)[::-1]]
        )
        pen.shape(points, np.array(boat.sail) * light)
    for tie in np.arange(0.07, 1, 1 / 7):
        index = int(tie * 24)
        pen.line(
            at([along[index], along[index]], [base[index], base[index] + thick[index]]),
            1.0,
            (0.5, 0.46, 0.38),
        )


def _draw_stays(
    pen: _Pen, boat: Boat, at: At, masts: Sequence[tuple[float, float]], tall: float, rope: Colour
) -> None:
    first = 0.10 + tall
    pen.bar(
        at(0.46, 0.155),
        at(0.66, 0.205),
        (0.004 * boat.length / 0.6, 0.0025 * boat.length / 0.6),
        (0.30, 0.17, 0.075),
    )
    for foot_, up, head in ((0.655, 0.204, 0.985), (0.56, 0.18, 0.80), (0.49, 0.162, 0.55)):
        pen.line(at([foot_, masts[0][0] - 0.012], [up, first * head]), 1.0, rope)
    last, share = masts[-1]
    pen.line(at([-0.49, last - 0.012], [0.125, 0.10 + tall * share]), 1.0, rope)
    if len(masts) > 1:
        pen.line(
            at([masts[0][0] - 0.012, last - 0.012], [first * 0.99, 0.10 + tall * share * 0.985]),
            1.0,
            rope,
        )
    top = 0.10 + tall * share
    fly, hoist = last - 0.055, last - 0.012
    flag = at([hoist, fly, fly + 0.005, hoist], [top, top - 0.006, top - 0.030, top - 0.026])
    pen.shape(flag, (0.55, 0.04, 0.03))
    t = np.linspace(0, 1, 20)
    pen.line(at(0.46 + 0.20 * t, 0.10 * (1 - t) ** 2 - 0.002), 1.4, (0.10, 0.09, 0.07))
