"""Small tools for making pictures: fractal noise, blending, perspective, grain.

Pictures are linear light, shape (height, width, 3), float32, sRGB primaries, unbounded: what lies
outside 0 … 1 is a colour that sRGB cannot show. Grids have the shape (height, width), or 1 where
they do not change.
All of it common practice in computer graphics, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft, ndimage

Grid = NDArray[np.floating[Any]]
Picture = NDArray[np.floating[Any]]


def fractal_tile(
    rng: np.random.Generator, steepness: float = 1.9, size: int = 1024, stretch: float = 1.0
) -> Grid:
    """Noise that repeats without a seam: mean 0, standard deviation 1, shape (size, size).

    steepness: fall of the amplitude with frequency, 1 rough … 3 smooth; stretch: above 1, the
    features are that much longer across than down.
    """
    down = fft.fftfreq(size)[:, None]
    across = fft.rfftfreq(size)[None, :] * stretch
    frequency = np.hypot(down, across)
    frequency[0, 0] = np.inf
    spectrum = fft.rfft2(rng.standard_normal((size, size), dtype=np.float32))
    tile = fft.irfft2(spectrum * frequency ** (-steepness), s=(size, size))
    return np.asarray((tile - tile.mean()) / tile.std(), dtype=np.float32)


def sample(tile: Grid, across: ArrayLike, down: ArrayLike) -> Grid:
    """Values of a repeating tile at places in tiles (1.0 is one repetition), linearly between."""
    size = tile.shape[0]
    shape = np.broadcast_shapes(np.shape(across), np.shape(down))
    places = np.empty((2, *shape), dtype=np.float32)
    np.multiply(down, size, out=places[0], casting="same_kind")
    np.multiply(across, size, out=places[1], casting="same_kind")
    return np.asarray(ndimage.map_coordinates(tile, places, order=1, mode="grid-wrap"))


def frame(width: int, height: int) -> tuple[Grid, Grid]:
    """Places of the pixels' centres: x -w/2h … w/2h from the middle, y 0 (top) … 1 (bottom).

    Shapes (1, width) and (height, 1): what depends on one of them alone stays small.
    """
    x = (np.arange(width, dtype=np.float32) + 0.5 - width / 2) / height
    y = (np.arange(height, dtype=np.float32) + 0.5) / height
    return x[None, :], y[:, None]


def smooth(values: ArrayLike, low: ArrayLike, high: float) -> Grid:
    """0 below `low`, 1 above `high`, a smooth step between; the other way when high < low."""
    start = np.asarray(low, dtype=np.float32)
    part = np.clip((np.asarray(values, dtype=np.float32) - start) / (high - start), 0, 1)
    return np.asarray(part * part * (3 - 2 * part), dtype=np.float32)


def ramp(values: Grid, stops: Sequence[tuple[float, tuple[float, float, float]]]) -> Picture:
    """Colours from a gradient given as (place, colour), places rising."""
    places = [place for place, _ in stops]
    picture = np.empty((*values.shape, 3), dtype=np.float32)
    for channel in range(3):
        levels = [colour[channel] for _, colour in stops]
        picture[..., channel] = np.interp(values, places, levels)
    return picture


def rgb(red: float, green: float, blue: float) -> Picture:
    """One colour, shape (3,), of the type that pictures have."""
    return np.array([red, green, blue], dtype=np.float32)


def blurred(picture: Picture, radius_px: float) -> Picture:
    """A picture out of focus: a Gaussian blur with this standard deviation."""
    radii = (radius_px, radius_px, 0)
    return np.asarray(ndimage.gaussian_filter(picture, radii, mode="nearest", truncate=3.0))


def blend(below: Picture, above: ArrayLike, cover: Grid) -> Picture:
    """`above` (a picture or one colour) laid over `below` where `cover` is 1."""
    top = np.asarray(above, dtype=np.float32)
    return np.asarray(below + cover.astype(np.float32, copy=False)[..., None] * (top - below))


def mirrored_rows(picture: Picture, rows: Grid) -> Picture:
    """Each pixel from the row that `rows` names in its own column, linearly between rows."""
    rows = np.clip(rows, 0, picture.shape[0] - 1.001)
    first = rows.astype(np.int32)
    part = (rows - first.astype(np.float32))[..., None]
    flat = picture.reshape(-1, 3)
    places = first * np.int32(picture.shape[1]) + np.arange(picture.shape[1], dtype=np.int32)
    upper = flat[places]
    return np.asarray(upper + part * (flat[places + picture.shape[1]] - upper))


def developed(
    scene: Picture, exposure: float = 1.0, shoulder: float = 2.5, contrast: float = 1.25
) -> Picture:
    """A camera's tone curve: straight in the shadows, rolling off to white at `shoulder`.

    Per channel v (1 + v / s²) / (1 + v) after Reinhard et al. (ACM TOG 21, 2002), equation 4,
    then a power around 0.4 for contrast; negative values (colours outside sRGB) stay as they are.
    """
    light = scene * exposure
    up = np.maximum(light, 0)
    curve = 0.4 * (up * (1 + up / shoulder**2) / (1 + up) / 0.4) ** contrast
    return np.asarray(np.where(light < 0, light, curve), dtype=np.float32)


def finished(
    picture: Picture, rng: np.random.Generator, grain: float, vignette: float = 0.25
) -> Picture:
    """Lens and sensor: darker corners, then grain of shot noise's kind, a little soft.

    grain: standard deviation at mid grey, in shares of white.
    """
    height, width = picture.shape[:2]
    x, y = frame(width, height)
    corner = (x**2 + (y - 0.5) ** 2) / ((width / height / 2) ** 2 + 0.25)
    noise = rng.standard_normal((height, width), dtype=np.float32)
    noise = ndimage.gaussian_filter(noise, 0.6, mode="reflect") * (grain / 0.47)
    darker = (1 - vignette * corner)[..., None]
    light = np.maximum(picture.mean(axis=2), 0)
    return np.asarray(
        picture * darker + (noise * np.sqrt(light * 0.18 + 1e-4))[..., None], dtype=np.float32
    )


def relief_of_ripples(tile: Grid, across: Grid, depth: Grid, number: float) -> Grid:
    """Height of sand ripples, -1 … 1, sharp at the crest and round in the trough.

    tile: smooth noise that bends the ripples; number: ripples in one unit of depth.
    """
    bend = (
        sample(tile, across * 0.16, depth * 0.16) * 1.1
        + sample(tile, across * 0.55, depth * 0.45) * 0.5
    )
    wave = np.sqrt(np.sin(np.pi * (depth * number + across * number * 0.16 + bend)) ** 2 + 0.006)
    return np.asarray(1 - 2 * wave**0.85, dtype=np.float32) * (
        0.75 + 0.25 * np.tanh(sample(tile, across * 0.3 + 0.5, depth * 0.4))
    )


def unit(across: float, up: float, near: float) -> Picture:
    """A direction of length 1, shape (3,): right, up, towards the camera."""
    direction = np.array([across, up, near], dtype=np.float32)
    return np.asarray(direction / np.linalg.norm(direction))


def normals(across: Grid, up: Grid, near: Grid) -> Picture:
    """Directions of length 1 of a surface, shape (height, width, 3)."""
    length = np.sqrt(across**2 + up**2 + near**2)
    return np.stack(np.broadcast_arrays(across / length, up / length, near / length), axis=-1)
