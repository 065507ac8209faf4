"""A picture: orange and red buoys on dark water, behind green reeds; colours beyond sRGB."""

from __future__ import annotations

import numpy as np
from PIL import Image, ImageDraw
from scipy import ndimage

from hotfolder_demo.texture import (
    Grid,
    Picture,
    blend,
    blurred,
    developed,
    finished,
    fractal_tile,
    frame,
    mirrored_rows,
    normals,
    ramp,
    rgb,
    sample,
    smooth,
    unit,
)

Buoy = tuple[float, float, float, tuple[float, float, float]]

_BUOYS: tuple[Buoy, ...] = (
    # middle, waterline, radius, linear colour: negative parts lie outside sRGB
    (0.42, 0.40, 0.050, (0.80, 0.36, -0.02)),
    (-0.34, 0.47, 0.085, (0.62, 0.004, 0.012)),
    (0.13, 0.58, 0.150, (0.98, 0.16, -0.035)),
)
_BANK = 0.20
_SUN = unit(0.45, 0.70, 0.55)
"""Direction of the light: right, up, towards the camera."""
_OVERSAMPLED = 2


def reeds(width: int, height: int, rng: np.random.Generator) -> Picture:
    """Buoys behind reeds, developed, linear light; the greens and reds exceed sRGB."""
    x, y = frame(width, height)
    rough, soft = fractal_tile(rng, 1.7), fractal_tile(rng, 2.4, stretch=2.0)
    split = round(_BANK * height)
    above = _far_bank(x, y[:split], rough, soft, height)
    scene = np.concatenate([above, _water(above, x, y[split:], rough, soft, height)])
    for buoy in _BUOYS:
        scene = _with_ball(scene, x, y, buoy, rough)
    scene = _with_reeds(scene, rng, number=110, tallest=0.52, far=True)
    scene = _with_reeds(scene, rng, number=105, tallest=0.90, far=False)
    return _kept_in_wide_rgb(finished(developed(scene, 1.5, 2.0, 1.2), rng, grain=0.010))


def _kept_in_wide_rgb(picture: Picture) -> Picture:
    """The same, nowhere beyond the wide RGB that it will be stored in, so that nothing clips.

    There red = 0.7152 r + 0.2848 g and blue = 0.0412 g + 0.9588 b of linear sRGB (both under D65).
    """
    veil = 0.0008
    picture = np.maximum(picture, rgb(-1, 0, -1)) + veil
    green = picture[..., 1]
    picture[..., 0] = np.maximum(picture[..., 0], -0.37 * green)
    picture[..., 2] = np.maximum(picture[..., 2], -0.038 * green)
    return np.asarray(picture)


def _far_bank(x: Grid, y: Grid, rough: Grid, soft: Grid, height: int) -> Picture:
    """Trees and marsh on the other side, out of focus."""
    scene = ramp(
        y, [(0, (0.30, 0.40, 0.46)), (0.05, (0.42, 0.48, 0.46)), (0.3, (0.40, 0.44, 0.40))]
    )
    crowns = 0.075 - 0.035 * sample(soft, x * 0.22, 0.3) - 0.008 * sample(rough, x * 0.9, 0.6)
    trees = smooth(y - crowns, -0.012, 0.012)
    leaf = 0.5 + 0.30 * sample(rough, x * 0.5, y * 0.7)
    scene = blend(scene, ramp(leaf, [(0, (0.012, 0.028, 0.012)), (1, (0.10, 0.16, 0.045))]), trees)
    grass = smooth(y, _BANK - 0.060, _BANK - 0.045)
    tone = 0.45 + 0.16 * sample(rough, x * 2.0, y * 5.0) + 0.16 * sample(soft, x * 0.3, y * 0.5)
    scene = blend(scene, ramp(tone, [(0, (0.05, 0.075, 0.012)), (1, (0.25, 0.27, 0.06))]), grass)
    scene = scene * (1 - 0.55 * smooth(y, _BANK - 0.022, _BANK - 0.004))[..., None]
    return blurred(scene, height * 0.005)


def _water(above: Picture, x: Grid, y: Grid, rough: Grid, soft: Grid, height: int) -> Picture:
    """Dark water with the bank, the sky and the buoys in it."""
    below = np.maximum(y - _BANK, 1e-3)
    depth = 0.25 / (below + 0.02)
    swell = sample(soft, x * depth * 0.16, depth * 0.42)
    chop = sample(rough, x * depth * 0.9, depth * 2.6)
    tilt = (swell * 0.020 + chop * 0.006) * (0.2 + below)
    # Each buoy is mirrored about its own waterline, the bank about the bank.
    mirror = 2 * _BANK - y
    seen = np.clip(np.clip(mirror, 0, None) + tilt * 1.4, 0, _BANK - 0.004)
    scene = mirrored_rows(above, seen * height)
    sky = ramp(
        below, [(0, (0.10, 0.13, 0.10)), (0.25, (0.16, 0.23, 0.26)), (0.9, (0.035, 0.075, 0.105))]
    )
    facing = smooth(swell * 0.6 + chop * 0.6, -1.6, 2.0)
    sky_light = (0.15 + 1.15 * facing) * smooth(below, 0.0, 0.2)
    scene = scene * (0.30 + 0.5 * np.exp(-below / 0.16))[..., None] + sky * sky_light[..., None]
    for middle, line, radius, colour in _BUOYS:
        down = y - line
        wobble = (swell * 0.5 + chop * 0.55) * radius * 0.55 * (0.25 + down.clip(0) / radius * 0.35)
        away = np.hypot(x - middle + wobble, (down - radius * 0.62) * 0.86)
        ball = smooth(away, radius * 1.02, radius * 0.90) * smooth(down, 0, radius * 0.04)
        broken = smooth(swell * 0.5 + chop * 0.9, 1.5 - 0.9 * down.clip(0, radius) / radius, -0.6)
        ball = ball * (0.93 - 0.25 * smooth(down, 0, radius * 2)) * broken
        shade = 0.13 + 0.34 * smooth(down, radius * 0.1, radius * 0.9)
        scene = blend(scene, rgb(*colour) * shade[..., None], ball)
    sparkle = smooth(chop + 0.5 * swell, 2.1, 3.2) * smooth(below, 0.02, 0.2)
    return np.asarray(scene + sparkle[..., None] * rgb(0.72, 0.74, 0.70))


def _with_ball(scene: Picture, x: Grid, y: Grid, buoy: Buoy, rough: Grid) -> Picture:
    middle, line, radius, paint = buoy
    height = y.shape[0]
    centre = line - radius * 0.62
    rows = slice(max(int((centre - 1.5 * radius) * height), 0), int((line + 0.02) * height))
    columns = slice(*np.searchsorted(x[0], [middle - 1.1 * radius, middle + 1.1 * radius]))
    window = (rows, columns)
    px, py = (x[:, columns] - middle) / radius, (centre - y[rows]) / radius
    edge = 1 / (height * radius)
    round_ = np.hypot(px, py)
    front = np.sqrt(np.clip(1 - round_**2, 0, None))
    turn, rise = np.arctan2(px, front + 1e-3) / (2 * np.pi), py * 0.25
    dents = 0.05 * sample(rough, turn + middle, rise)
    normal = normals(px + dents * 0.5, py + dents * 0.4, front)
    direct = np.clip(normal @ _SUN, 0, 1)
    scuffs = smooth(sample(rough, turn * 2 + 0.3, rise * 2 + middle), 0.9, 2.6) * 0.5
    paint_here = rgb(*paint) * (1 - 0.10 * dents[..., None] * 8)
    faded = rgb(0.62, 0.52, 0.42) * 0.8
    paint_here = paint_here + (faded - paint_here) * scuffs[..., None] * 0.55
    slime = smooth(py + 0.05 * sample(rough, turn * 3, rise), -0.38, -0.56)
    paint_here = paint_here + (rgb(0.030, 0.042, 0.014) - paint_here) * slime[..., None] * 0.85
    sky = (0.30 + 0.20 * normal[..., 1:2]) * rgb(0.62, 0.72, 0.80)
    light = direct[..., None] * rgb(1.05, 0.98, 0.86) + sky
    halfway = unit(*(_SUN + unit(0, 0, 1)))
    shine = np.clip(normal @ halfway, 0, 1)
    gloss = (0.30 * shine**130 + 0.07 * shine**18) * (1 - 0.7 * scuffs) * (1 - slime)
    rim = 0.06 * (1 - front) ** 3
    colour = paint_here * light + (gloss + rim)[..., None]
    ball = np.clip((1 - round_) / edge + 0.5, 0, 1)
    ring = np.hypot(px / 0.17, (py - 1.08) / 0.17)
    eye = np.clip((0.30 - np.abs(ring - 0.85)) / (edge * 6) + 0.5, 0, 1) * (py > 0.9)
    metal = 0.10 + 0.35 * np.clip(px * 4 + 0.5, 0, 1)
    dip = line + 0.05 * radius * np.sqrt(np.clip(1 - px**2, 0, 1))
    water = np.clip((dip - y[rows]) * height + 0.5, 0, 1)
    result = scene.copy()
    part = blend(scene[window], metal[..., None], eye)
    result[window] = blend(part, colour, (ball * water))
    return result


def _with_reeds(
    scene: Picture, rng: np.random.Generator, number: int, tallest: float, *, far: bool
) -> Picture:
    """Blades as tapering, bending bands, drawn at twice the size and averaged down.

    Two drawings: where a blade is, and how it is lit (red: hue, green: lightness), because the
    drawing library has 8 bits and no colours outside sRGB.
    """
    height, width = scene.shape[:2]
    size = (width * _OVERSAMPLED, height * _OVERSAMPLED)
    cover, paint = Image.new("L", size), Image.new("RGB", size)
    draw_cover, draw_paint = ImageDraw.Draw(cover), ImageDraw.Draw(paint)
    aspect = width / height
    for _ in range(number):
        # Denser at both sides, so that the buoys stand in an opening.
        side = rng.choice([-1, 1]) * (1 - rng.beta(1.1, 2.4)) * aspect / 2 * 1.05
        foot = 1.03
        if far:
            side = rng.uniform(-aspect / 2, aspect / 2)
        taller = 1 if far else 0.55 + 0.5 * abs(side) / (aspect / 2)
        tall = tallest * rng.uniform(0.45, 1.0) * taller
        lean, droop = rng.normal(0.05, 0.10) * tall, rng.normal(0.10, 0.10) * tall
        thick = (0.0042 if far else 0.0105) * rng.uniform(0.6, 1.3)
        t = np.linspace(0, 1, 28)
        middle = side + lean * t + droop * t**3
        row = foot - tall * (t - 0.16 * abs(droop) / tall * t**4)
        half = thick * (1 - t) ** 0.65 * (0.75 + 0.25 * np.sin(np.pi * t)) + 0.0003
        hue, tone = rng.uniform(0, 255), rng.uniform(90, 235) * (0.8 if far else 1)
        centre = np.stack([(middle + aspect / 2) * height, row * height], axis=1) * _OVERSAMPLED
        offset = half[:, None] * height * _OVERSAMPLED * np.array([1, 0.12])
        for index in range(len(t) - 1):
            bright = tone * (0.35 + 0.75 * t[index])
            for left, right, factor in ((-1, 0.15, 0.72), (0.15, 1, 1.05)):
                here, there = index, index + 1
                corners = ((here, left), (here, right), (there, right), (there, left))
                quad = [tuple(centre[at] + offset[at] * where) for at, where in corners]
                shade = int(np.clip(bright * factor, 0, 255))
                draw_cover.polygon(quad, fill=255)
                draw_paint.polygon(quad, fill=(int(hue), shade, 0))
        if rng.random() < (0.10 if far else 0.13):
            _seed_head(draw_cover, draw_paint, centre[-1], height * (0.028 if far else 0.05))
    mask = _reduced(cover)[..., 0] / 255
    mix = _reduced(paint) / np.maximum(mask[..., None], 1 / 255)
    hues, tones = np.clip(mix[..., 0] / 255, 0, 1), np.clip(mix[..., 1] / 255, 0, 1)
    green = ramp(
        hues,
        [
            (0, (-0.030, 0.26, -0.012)),
            (0.45, (0.03, 0.40, -0.02)),
            (0.8, (0.22, 0.46, -0.025)),
            (0.985, (0.42, 0.40, 0.05)),
            (0.99, (0.16, 0.075, 0.03)),
            (1, (0.16, 0.075, 0.03)),
        ],
    )
    blade = green * (0.04 + 1.25 * tones[..., None] ** 2)
    if far:
        mask = ndimage.gaussian_filter(mask, height * 0.0009)
    return blend(scene, blade, mask)


def _seed_head(
    cover: ImageDraw.ImageDraw, paint: ImageDraw.ImageDraw, tip: Grid, tall: float
) -> None:
    wide = tall * 0.13 * _OVERSAMPLED
    for step in range(12):
        row = tip[1] - tall * _OVERSAMPLED * (step / 12 - 0.2)
        box = (tip[0] - wide, row - wide * 1.6, tip[0] + wide, row + wide * 1.6)
        cover.ellipse(box, fill=255)
        paint.ellipse(box, fill=(255, 150, 0))
        light = (tip[0] + wide * 0.1, row - wide * 1.6, tip[0] + wide * 0.8, row + wide * 1.6)
        paint.ellipse(light, fill=(255, 215, 0))


def _reduced(drawing: Image.Image) -> Picture:
    small = drawing.reduce(_OVERSAMPLED)
    values = np.asarray(small, dtype=np.float32)
    return values if values.ndim == 3 else values[..., None]
