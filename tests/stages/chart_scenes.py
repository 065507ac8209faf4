"""Scenes with a 24-patch chart in them, made from spectra: lights, cameras, perspective, faults.

Patches and lights are spectral, cameras are measured sensitivities, all of colour-science. The
chart is drawn by the inverse of its homography, so nothing but numpy and scipy is needed.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import ndimage

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from colour.quality.cfi2017 import load_TCS_CIE2017

    import colour

SHAPE = colour.SpectralShape(400, 700, 10)
LIGHTS = ("D50", "D65", "A", "FL2", "FL11", "LED-B3")
CHART = "babel_average"
GREYS = slice(18, 24)
D50_XY = [0.3457, 0.3585]

PATCH_MM = 40.0
CORNERS = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)

# of each patch, 24 × 31, and of 99 surfaces that are in no chart (CIE 224:2017)
PATCHES = np.stack(
    [s.copy().align(SHAPE).values for s in colour.SDS_COLOURCHECKERS[CHART].values()]
)


@lru_cache(maxsize=1)
def other_surfaces():
    """99 reflectances that take no part in any fit; shape (99, 31)."""
    return load_TCS_CIE2017(colour.SpectralShape(380, 780, 1)).copy().align(SHAPE).values.T


@lru_cache(maxsize=8)
def light(name):
    return colour.SDS_ILLUMINANTS[name].copy().align(SHAPE).values


@lru_cache(maxsize=1)
def cameras():
    """Sensitivities of all measured cameras; each of shape (31, 3)."""
    return [each.copy().align(SHAPE).values for each in colour.MSDS_CAMERA_SENSITIVITIES.values()]


@lru_cache(maxsize=1)
def observer():
    return colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(SHAPE).values


def xyz_under(name, surfaces):
    """XYZ, Y of white 1; shape (n, 3)."""
    illuminant = light(name)
    return (surfaces * illuminant) @ observer() / (illuminant @ observer()[:, 1])


def to_srgb(xyz):
    return colour.XYZ_to_RGB(
        xyz, "sRGB", illuminant=D50_XY, chromatic_adaptation_transform="Bradford"
    )


@lru_cache(maxsize=8)
def _to_linear_srgb(camera):
    """A camera's matrix for daylight, as its maker would fit it; white stays white."""
    sensitivity = cameras()[camera]
    white = light("D50") @ sensitivity
    raw = (PATCHES * light("D50")) @ sensitivity / white
    matrix = np.linalg.lstsq(raw, to_srgb(xyz_under("D50", PATCHES)))[0]
    return matrix / matrix.sum(axis=0)


def photographed(surfaces, light_name="D50", camera=0, balanced_for=None, exposure=1.0):
    """Linear sRGB of surfaces as a camera's file has them; shape (n, 3), not clipped above."""
    sensitivity = cameras()[camera]
    white = light(light_name) @ sensitivity
    balance = light(balanced_for or light_name) @ sensitivity
    balance = balance * (white[1] / balance[1])
    raw = (surfaces * light(light_name)) @ sensitivity / balance
    return np.maximum(raw @ _to_linear_srgb(camera) * exposure, 0)


def encode(linear):
    linear = np.clip(linear, 0, 1)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def decode(coded):
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def look(coded, saturation=1.2):
    """A look that is baked in: an S-curve on encoded values, and more saturation."""
    coded = np.clip(coded + 0.10 * np.sin(2 * np.pi * (coded - 0.5)), 0, 1)
    mean = coded.mean(axis=-1, keepdims=True)
    return np.clip(mean + (coded - mean) * saturation, 0, 1)


@dataclass(frozen=True)
class Scene:
    """A picture and where its chart is.

    codes: shape (rows, width, 3), uint8, sRGB; centres: shape (24, 2), pixels, 0 at the middle
    of the first; pitch_px: mean distance of patches; linear: shape (24, 3), light of the patches
    in sRGB before anything fell onto it; shown: the light, and the one it is balanced for.
    """

    codes: np.ndarray
    centres: np.ndarray
    pitch_px: float
    linear: np.ndarray
    shown: tuple[str, str]


def background(rng, height, width):
    """Something like a photograph: soft shapes at all sizes, some hard edges, muted colours."""
    out = np.zeros((height, width, 3), np.float32)
    size = 3
    while size < width / 8:
        rows, columns = size * height // width + 2, size + 2
        coarse = rng.normal(0, 1, (rows, columns, 1)) + rng.normal(0, 0.25, (rows, columns, 3))
        across = _between(coarse.astype(np.float32), 1, width)
        out += _between(across, 0, height) / size**0.6
        size *= 3
    out = np.exp(out * 0.9 - 1.9)
    y, x = np.mgrid[0:height, 0:width]
    for _ in range(rng.integers(4, 16)):
        cx, cy = rng.uniform(0, width), rng.uniform(0, height)
        a, b = rng.uniform(0.02, 0.2, 2) * width
        inside = (np.abs(x - cx) < a) & (np.abs(y - cy) < b)
        if rng.random() < 0.5:
            inside = ((x - cx) / a) ** 2 + ((y - cy) / b) ** 2 < 1
        out[inside] = out[inside] * rng.uniform(0, 0.7) + rng.uniform(0.02, 0.6, 3)
    return np.clip(out, 0.002, 1)


def _between(values, axis, length):
    """Draw lines between values along an axis, to a new length."""
    at = np.linspace(0, values.shape[axis] - 1.001, length)
    left = at.astype(int)
    share = np.float32(at - left)[:, None, None] if axis == 0 else np.float32(at - left)[:, None]
    first, second = np.take(values, left, axis), np.take(values, left + 1, axis)
    return first + (second - first) * share


def _homography(source, target):
    rows = []
    for (x, y), (u, v) in zip(source, target, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
    h = np.linalg.solve(np.array(rows), np.asarray(target).ravel())
    return np.append(h, 1).reshape(3, 3)


def _project(h, points):
    out = np.c_[points, np.ones(len(points))] @ h.T
    return out[:, :2] / out[:, 2:]


CASES = (
    "turned", "tilted", "small", "half lit", "defocused", "cast", "fingers", "look", "dark", "gleam"
)  # fmt: skip


def scene(
    seed, case, width=1536, behind=None, light_name=None, balanced_for=None, camera=None, size=None
):
    """Make a scene; `behind` is a linear picture, shape (rows, width, 3)."""
    rng = np.random.default_rng([seed, CASES.index(case)])
    made = background(rng, width * 2 // 3, width) if behind is None else behind
    height = made.shape[0]
    size = size or (rng.uniform(0.03, 0.08) if case == "small" else rng.uniform(0.1, 0.6))
    turn = rng.uniform(0, 360)
    if case != "turned":
        turn = rng.choice([0, 90, 180, 270]) + rng.normal(0, 12)
    tilt = rng.uniform(25, 50) if case == "tilted" else 0
    camera = rng.integers(len(cameras())) if camera is None else camera
    shown = light_name or rng.choice(["D50", "D65"])
    if case == "cast":
        pairs = [("A", "D65"), ("FL2", "D50"), ("D65", "A"), ("FL11", "D50"), ("LED-B3", "D65")]
        shown, balanced_for = pairs[rng.integers(len(pairs))]
    exposure = 2 ** (rng.uniform(-4, -2) if case == "dark" else rng.uniform(-1.2, 0.1))
    linear = photographed(PATCHES, shown, camera, balanced_for, exposure)

    gap, mx, my = rng.uniform(4, 10), rng.uniform(8, 22), rng.uniform(8, 22)
    wide, tall = 6 * PATCH_MM + 5 * gap + 2 * mx, 4 * PATCH_MM + 3 * gap + 2 * my
    corners = (CORNERS - 0.5) * [wide, tall] * (size * width / wide)
    points = np.c_[corners, np.zeros(4)]
    t, axis = np.radians(tilt), rng.uniform(0, 2 * np.pi)
    u = np.array([np.cos(axis), np.sin(axis), 0])
    k = np.array([[0, -u[2], u[1]], [u[2], 0, -u[0]], [-u[1], u[0], 0]])
    points = points @ (np.eye(3) + np.sin(t) * k + (1 - np.cos(t)) * k @ k).T
    a = np.radians(turn)
    points[:, :2] = points[:, :2] @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    focal = 1.2 * width
    quad = points[:, :2] * (focal / (focal + points[:, 2:]))
    extent = np.ptp(quad, axis=0)
    fit = min(1, 0.92 * width / extent[0], 0.92 * height / extent[1])
    quad, extent = quad * fit, extent * fit
    low, high = extent / 2 + 0.02 * width, np.array([width, height]) - extent / 2 - 0.02 * width
    middle = rng.uniform(np.minimum(low, high), np.maximum(low, high))
    quad = quad + middle - (quad.max(axis=0) + quad.min(axis=0)) / 2
    h = _homography(CORNERS * [wide, tall], quad)
    i, j = np.mgrid[0:4, 0:6]
    centres_mm = np.stack([j, i], -1).reshape(-1, 2) * (PATCH_MM + gap) + [mx, my] + PATCH_MM / 2
    centres = _project(h, centres_mm)
    chart_px = np.linalg.norm(quad[1] - quad[0])

    out = made.astype(np.float32)
    _paint(out, h, quad, linear, (wide, tall), (gap, mx, my))
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    direction = rng.uniform(0, 2 * np.pi)
    along = (x - centres[:, 0].mean()) * np.cos(direction)
    along += (y - centres[:, 1].mean()) * np.sin(direction)
    if case == "half lit":
        ratio, shift = rng.uniform(2.5, 6), rng.normal(0, 0.15) * chart_px
        lit = 1 / (1 + np.exp(-np.clip((along - shift) / (0.02 * chart_px), -30, 30)))
        out *= (1 / ratio + (1 - 1 / ratio) * lit)[..., None]
    else:
        out *= np.clip(1 + 0.12 * rng.uniform(0, 1) * along / chart_px, 0.5, 1.5)[..., None]
    if case == "gleam":
        cx, cy = centres[rng.integers(24)]
        out += (
            0.5 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * (0.15 * chart_px) ** 2))[..., None]
        )
    if case == "fingers":
        for _ in range(rng.integers(1, 3)):
            edge = rng.integers(4)
            cx, cy = quad[edge] + (quad[(edge + 1) % 4] - quad[edge]) * rng.uniform(0.1, 0.9)
            b = rng.uniform(0, np.pi)
            p, q = (
                (x - cx) * np.cos(b) + (y - cy) * np.sin(b),
                (y - cy) * np.cos(b) - (x - cx) * np.sin(b),
            )
            on = (p / (0.16 * chart_px)) ** 2 + (q / (0.06 * chart_px)) ** 2 < 1
            out[on] = np.array([0.45, 0.25, 0.16]) * exposure
    pitch = float(np.linalg.norm(centres[1] - centres[0]))
    blur = pitch * rng.uniform(0.08, 0.16) if case == "defocused" else 0.6
    out = ndimage.gaussian_filter(out, (max(blur, 0.5), max(blur, 0.5), 0), truncate=3)
    noise = rng.standard_normal(out.shape, np.float32) * np.sqrt(
        np.clip(out, 0, None) * 2e-4 + 1e-6
    )
    coded = encode(out + noise)
    if case == "look":
        coded = look(coded, rng.uniform(1.1, 1.35))
    codes = np.rint(coded * 255).astype(np.uint8)
    return Scene(codes, centres, pitch, linear, (shown, balanced_for or shown))


def _paint(out, h, quad, linear, size, layout):
    """Draw the chart into a linear picture, each pixel the mean of 3 × 3 points."""
    (wide, tall), (gap, mx, my) = size, layout
    height, width, _ = out.shape
    x0, y0 = np.clip(np.floor(quad.min(axis=0)) - 1, 0, [width, height]).astype(int)
    x1, y1 = np.clip(np.ceil(quad.max(axis=0)) + 2, 0, [width, height]).astype(int)
    inverse = np.linalg.inv(h)
    frame, patch = 0.03 * linear[18] / 0.9, PATCH_MM
    total = np.zeros((y1 - y0, x1 - x0, 3))
    was = out[y0:y1, x0:x1]
    for sy in (-1 / 3, 0, 1 / 3):
        for sx in (-1 / 3, 0, 1 / 3):
            y, x = np.mgrid[y0:y1, x0:x1]
            mm = _project(inverse, np.stack([x.ravel() + sx, y.ravel() + sy], 1))
            u, v = mm.T
            on = (u >= 0) & (u < wide) & (v >= 0) & (v < tall)
            column, left = np.divmod(u - mx, patch + gap)
            row, above = np.divmod(v - my, patch + gap)
            in_patch = on & (left < patch) & (above < patch)
            in_patch &= (column >= 0) & (column < 6) & (row >= 0) & (row < 4)
            colours = was.reshape(-1, 3).copy()
            colours[on] = frame
            index = (row * 6 + column).astype(int)[in_patch]
            colours[in_patch] = linear[index]
            total += colours.reshape(total.shape)
    out[y0:y1, x0:x1] = total / 9
