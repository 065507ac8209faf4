"""Pictures that look like a 24-patch chart and are none: each a linear picture without noise."""

from __future__ import annotations

import colorsys

import numpy as np
from scipy import ndimage

from stages import chart_scenes as scenes


def _grid(colours, rows, columns, cell, gap, behind=0.03, margin=40):
    """Squares of given colours, shape (rows * columns, 3), on a plain ground."""
    step = cell + gap
    out = np.full((rows * step + 2 * margin, columns * step + 2 * margin, 3), behind)
    for index, colour in enumerate(colours):
        y, x = divmod(index, columns)
        top, left = margin + y * step, margin + x * step
        out[top : top + cell, left : left + cell] = colour
    return out


def _chart(order, **more):
    return _grid(scenes.photographed(scenes.PATCHES)[order], 4, 6, 40, 8, **more)


def mirrored(rng):
    """A chart in a mirror: its values would be read at the wrong places."""
    return scenes_turned(_chart(np.arange(24))[:, ::-1], rng)


def shuffled(rng):
    return _chart(rng.permutation(24))


def rows_exchanged(rng):
    order = np.arange(24).reshape(4, 6)
    return _chart(np.roll(order, int(rng.integers(1, 4)), axis=int(rng.integers(2))).ravel())


def upside_down_greys(rng):
    """The colours in their places, the greys from black to white."""
    order = np.arange(24)
    order[18:] = order[18:][::-1]
    order[:18] = rng.permutation(18)
    return _chart(order)


def tiles(rng):
    """A wall of tiles in colours by chance."""
    rows, columns = rng.integers(4, 12, 2)
    colours = rng.uniform(0.02, 0.9, (rows * columns, 3)) ** 1.5
    return _grid(colours, rows, columns, int(rng.integers(18, 44)), int(rng.integers(2, 12)))


def facade(rng):
    """Windows that reflect the sky, each a little differently, some lit."""
    rows, columns = rng.integers(5, 14, 2)
    colours = np.array([0.12, 0.16, 0.22]) * rng.uniform(0.4, 1.6, (rows * columns, 1))
    lit = rng.random(rows * columns) < 0.2
    colours[lit] = np.array([0.8, 0.6, 0.3]) * rng.uniform(0.6, 1.2, (int(lit.sum()), 1))
    return _grid(colours, rows, columns, 26, 12, behind=np.array([0.35, 0.28, 0.22]))


def palette(rng):
    """A fan of paints: hue across, lightness down, and a row of greys below, as many as a chart."""
    start = rng.uniform()
    colours = [
        colorsys.hls_to_rgb((start + x / 6) % 1, (0.7, 0.5, 0.3)[y], 0.7)
        for y in range(3)
        for x in range(6)
    ]
    colours += [(grey,) * 3 for grey in np.linspace(0.95, 0.1, 6)]
    return _grid(scenes.decode(np.array(colours)), 4, 6, 40, 8)


def chessboard(rng):
    colours = [(0.8,) * 3 if (x + y) % 2 else (0.05,) * 3 for y in range(8) for x in range(8)]
    return _grid(np.array(colours), 8, 8, 30, 0)


def without_colours(rng):
    """A photograph of a chart in black and white."""
    chart = _chart(np.arange(24))
    return np.repeat(chart @ [[0.2126], [0.7152], [0.0722]], 3, axis=2)


def books(rng):
    """Spines of equal height side by side."""
    return _grid(rng.uniform(0.02, 0.7, (40, 3)), 4, 10, 34, 3)


def scene_without(rng):
    return scenes.background(rng, 512, 768)


def scenes_turned(picture, rng):
    return np.maximum(ndimage.rotate(picture, rng.uniform(-30, 30), order=1, cval=0.1), 0)


KINDS = (
    mirrored,
    shuffled,
    rows_exchanged,
    upside_down_greys,
    tiles,
    facade,
    palette,
    chessboard,
    without_colours,
    books,
    scene_without,
)


def decoy(kind, seed):
    """A picture of one kind, with a lens's blur and noise; linear, shape (rows, width, 3)."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    picture = ndimage.gaussian_filter(kind(rng), (0.6, 0.6, 0))
    noise = rng.standard_normal(picture.shape) * np.sqrt(picture * 2e-4 + 1e-6)
    return np.clip(picture + noise, 0, 1)
