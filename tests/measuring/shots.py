"""Invented photographs of two strips: prints made of spectra, seen by measured cameras.

Reflectances have the wanted colours and are smooth; the part that no eye sees is the printer's own
and the same in both prints.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import ndimage

from hotfolder.colour.encodings import lab_to_xyz
from hotfolder.measured.photograph import list_photograph_grids
from hotfolder.measured.sheet import draw_sheet
from hotfolder.stages.roles import PhotographFindings, SeenGrid, SeenPatch
from stages import chart_scenes


@lru_cache(maxsize=1)
def _basis():
    surfaces = np.concatenate([chart_scenes.other_surfaces(), chart_scenes.PATCHES])
    mean = surfaces.mean(axis=0)
    return mean, np.linalg.svd(surfaces - mean, full_matrices=False)[2][:7]


def reflect(lab, own):
    """Reflectances of a print with these colours under D50; `own`: the printer, shape (3, 4)."""
    mean, parts = _basis()
    wanted = lab_to_xyz(lab)
    hidden = (wanted - 0.3) @ own @ parts[3:]
    base = mean + hidden
    to_xyz = chart_scenes.xyz_under("D50", parts[:3])
    weights = np.linalg.solve(to_xyz.T, (wanted - chart_scenes.xyz_under("D50", base)).T).T
    return np.clip(base + weights @ parts[:3], 0.004, 1.0)


@dataclass(frozen=True)
class Shot:
    """How a photograph is taken."""

    camera: int
    light: str
    is_looked: bool
    tilt: np.ndarray
    """Of the light over the frame, in natural logarithms: across, down, bent three ways."""
    tint: np.ndarray
    """Of its colour across and down, red and blue: shape (2, 2)."""
    exposure: float
    noise: float


def draw_shot(rng):
    return Shot(
        camera=int(rng.integers(len(chart_scenes.cameras()))),
        light=str(rng.choice(["D50", "D65", "FL11", "LED-B3"])),
        is_looked=bool(rng.random() < 0.5),
        tilt=rng.normal(0, [0.2, 0.2, 0.08, 0.08, 0.08]),
        tint=rng.normal(0, 0.015, (2, 2)),
        exposure=float(rng.uniform(0.45, 0.75)),
        noise=float(rng.uniform(0.003, 0.015)),
    )


def light_at(shot, at):
    x, y = (at - 0.5)[..., 0], (at - 0.5)[..., 1]
    luminance = np.stack([x, y, x * x, x * y, y * y], axis=-1) @ shot.tilt
    tints = np.stack([x, y], axis=-1) @ shot.tint
    return np.exp(luminance[..., None] + np.stack([tints[..., 0], 0 * x, tints[..., 1]], axis=-1))


def expose(surfaces, shot, factor):
    """What a camera's file holds, linear as its profile says: shape of `factor`."""
    linear = chart_scenes.photographed(surfaces, shot.light, shot.camera, exposure=shot.exposure)
    linear = linear * factor
    if shot.is_looked:
        linear = chart_scenes.decode(chart_scenes.look(chart_scenes.encode(linear)))
    return linear


def read_two(first_lab, new_lab, shot, rng, own, grid=0, turned=False):
    """What the stage would read of two strips, the first above the new one, without pixels."""
    made = list_photograph_grids(len(first_lab))[grid]
    seen = []
    for which, lab in enumerate((first_lab, new_lab)):
        # two sheets, each a little less than half of the frame's height
        width = 0.9
        height = min(0.38, width / made.aspect * 1.4)
        left, top = 0.05, 0.08 + which * 0.46
        places = {}
        for key, middles, colours in (
            ("patches", made.find_middles(), lab),
            ("paper", made.find_paper(), np.repeat(lab[:1], len(made.find_paper()), axis=0)),
        ):
            at = np.array([left, top]) + middles * [width, height]
            linear = expose(reflect(colours, own), shot, light_at(shot, at))
            # a hundred pixels and more of a patch; what stays is the paper's texture
            sd = shot.noise * np.sqrt(np.maximum(linear, 0.004)) / 5
            read = np.maximum(linear + rng.normal(0, 1, linear.shape) * sd, 1e-6)
            places[key] = tuple(
                SeenPatch(x=float(x), y=float(y), rgb=tuple(rgb), sd=tuple(each), cut=False)
                for (x, y), rgb, each in zip(at, read.tolist(), sd.tolist(), strict=True)
            )
        corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * [width, height] + [left, top]
        seen.append(SeenGrid(grid=grid, corners=tuple(map(tuple, corners.tolist())), **places))
    return PhotographFindings(marks=8, seen=tuple(seen[::-1] if turned else seen))


def print_sheet(strip, destination, day, lab, shot, own):
    """A sheet as it was printed: linear light of each pixel, without the light's unevenness."""
    return print_codes(draw_sheet(strip, destination, day)[::2, ::2], strip, lab, shot, own)


def print_codes(drawn, strip, lab, shot, own):
    """The same of device values, in which a strip's patches are."""
    flat = drawn.reshape(-1, drawn.shape[2])
    colours, places = np.unique(flat, axis=0, return_inverse=True)
    device = np.rint(strip.device * 65535)
    paper = lab[strip.of_kind("paper")[0]]
    black = lab[strip.of_kind("black")[0]]
    nearest = np.abs(colours[:, None].astype(float) - device[None]).max(axis=2)
    # letters are drawn smoothly; any grey between paper and black serves for them
    share = colours.mean(axis=1, keepdims=True) / 65535
    made = np.where(
        nearest.min(axis=1, keepdims=True) < 2,
        lab[nearest.argmin(axis=1)],
        black + (paper - black) * share,
    )
    linear = chart_scenes.photographed(
        reflect(made, own), shot.light, shot.camera, exposure=shot.exposure
    )
    return linear[places.ravel()].reshape(*drawn.shape[:2], 3)


def photograph(sheets, shot, rng, size=(1100, 1400), tilt=0.05, swapped=False):
    """A photograph of sheets below each other on a table: uint8 sRGB, shape (rows, width, 3)."""
    rows, width = size
    out = np.full((rows, width, 3), 0.06) * rng.uniform(0.5, 1.5, 3)
    y, x = np.mgrid[0:rows, 0:width]
    for which, sheet in enumerate(sheets[::-1] if swapped else sheets):
        high, wide = sheet.shape[:2]
        scale = min(0.86 * width / wide, 0.40 * rows / high)
        left, top = (width - wide * scale) / 2, rows * (0.05 + 0.48 * which)
        corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * [wide * scale, high * scale]
        corners = corners + [left, top] + rng.normal(0, tilt, (4, 2)) * 45
        matrix = np.linalg.inv(
            chart_scenes._homography(
                np.array([[0, 0], [wide, 0], [wide, high], [0, high]], float), corners
            )
        )
        ahead = np.stack([x, y, np.ones_like(x)], axis=-1) @ matrix.T
        across, down = ahead[..., 0] / ahead[..., 2], ahead[..., 1] / ahead[..., 2]
        inside = (across > 0) & (down > 0) & (across < wide - 1) & (down < high - 1)
        soft = ndimage.gaussian_filter(sheet, (max(0.1, 0.5 / scale - 0.5),) * 2 + (0,))
        for channel in range(3):
            values = ndimage.map_coordinates(
                soft[..., channel], [down[inside], across[inside]], order=1, mode="nearest"
            )
            out[..., channel][inside] = values
    at = np.stack([x / width, y / rows], axis=-1)
    out = out * light_at(shot, at)
    out = ndimage.gaussian_filter(out, (0.7, 0.7, 0))
    out = out + rng.normal(0, 1, out.shape) * shot.noise * np.sqrt(np.maximum(out, 0.004))
    coded = chart_scenes.encode(np.clip(out, 0, 1))
    if shot.is_looked:
        coded = chart_scenes.look(coded)
    return np.rint(coded * 255).astype(np.uint8)
