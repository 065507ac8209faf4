"""ICC profiles of the demo: two printers with tables, and plain RGB and grey profiles.

The tables are computed from the printers' closed form, so that what a colour management system
answers can be held against the exact answer. Tables per intent:

=================  =====================================================================
A2B1, B2A1         colorimetric; out of gamut the nearest colour (ΔE*ab 1976)
A2B0, B2A0         perceptual, see `rendering`
A2B2, B2A2         saturation, the same as perceptual
gamt               0 in gamut; above, the distance: 65535 is 64 ΔE*ab or more
=================  =====================================================================

How near LittleCMS, without its own grid, comes to the closed form through these tables
(ΔE00 mean / 99 % / greatest, 50,000 random device values or 100,000 random colours):

======================  ====================  ====================
table                   matte canvas, RGB     coated book, CMYK
======================  ====================  ====================
A2B1                    0.00 / 0.00 / 0.01    0.07 / 0.44 / 0.82
B2A1, in gamut          0.12 / 0.62 / 1.24    0.28 / 1.58 / 2.49
B2A1, more than 3 in    0.07 / 0.48 / 0.74    0.21 / 0.92 / 1.61
B2A1, out of gamut      0.09 / 0.79 / 2.14    0.12 / 0.79 / 2.87
======================  ====================  ====================
"""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hotfolder.colour import icc_encode as icc
from hotfolder_demo.printer import Printer, Recipe, read_recipe
from hotfolder_demo.rendering import REFERENCE_BLACK_LIGHTNESS, Rendering

Floats = NDArray[np.float64]
Version = Literal["2.4", "4.4"]

CREATED = datetime(2026, 1, 1, tzinfo=UTC)
"""The same in every profile, so that equal recipes make equal bytes."""

COPYRIGHT = "Made by the hotfolder demo. Nobody reserves any rights in this profile."

SHIPPED: dict[str, Version] = {"matte-canvas": "4.4", "coated-book": "2.4"}
"""Recipes whose profiles a new root gets, and the version of each."""

_DEVICE_GRID = {3: 33, 4: 13}
"""Grid points a side, from device values, by number of channels."""
_LAB_GRID = 35
_NEUTRAL = 16 / (_LAB_GRID - 1)
"""Grid place of a* = 0 and b* = 0: a whole grid point and, as 65535 × 16/34 = 30840, a whole code,
so that neutral colours, and white before all, meet the grid's values without interpolation."""

_CURVE_SAMPLES = 4096
_GAMUT_RANGE = 64.0
"""ΔE*ab to either side of the surface that the gamut tag's grid can hold."""

Primaries = tuple[tuple[float, float], tuple[float, float], tuple[float, float]]

SRGB_PRIMARIES: Primaries = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))
"""IEC 61966-2-1, table 1: x, y of red, green, blue."""

P3_PRIMARIES: Primaries = ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))
"""SMPTE EG 432-1."""

WIDE_PRIMARIES: Primaries = ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06))
"""Adobe RGB (1998) colour image encoding, version 2005-05, 4.3.1.2."""

WIDE_GAMMA = 563 / 256
"""The same, 4.3.1.2: 2.19921875 exactly."""

_D65_XY = (0.3127, 0.3290)
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
"""ICC.1:2022, annex E.2."""

_SRGB_CURVE = icc.parametric_curve([2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045])
"""IEC 61966-2-1, 5.2, in the form of a parametric curve of type 3."""


def write_profiles(folder: Path) -> list[Path]:
    """Write the profiles that a new root starts with; return their paths."""
    written = {name: build_shipped(name, version) for name, version in SHIPPED.items()}
    written["srgb"] = srgb()
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, profile in written.items():
        path = folder / f"{name}.icc"
        path.write_bytes(profile)
        paths.append(path)
    return paths


@cache
def build_shipped(name: str, version: Version) -> bytes:
    """Make the profile of a printer whose recipe is among the defaults; once in a process."""
    recipes = resources.files("hotfolder_defaults") / "profiles"
    with resources.as_file(recipes / f"{name}.toml") as path:
        return build_profile(read_recipe(path), version)


def build_profile(recipe: Recipe, version: Version) -> bytes:
    """Make the output profile of a recipe's printer, class ``prtr``, PCS Lab.

    Version 2.4 has ``lut16Type`` tables and text tags of that version; version 4.4 has
    ``lutAToBType`` and ``lutBToAType`` tables.
    """
    printer = Printer(recipe)
    rendering = Rendering(printer.solid, REFERENCE_BLACK_LIGHTNESS[version])
    pcs = _PcsGrid(printer, version)
    device_curves, light = _device_side(printer)
    colours = printer.solid.to_lab(light)
    shape = (_DEVICE_GRID[printer.channels],) * printer.channels
    to_pcs = [
        _to_pcs(device_curves, lab.reshape(*shape, 3), version)
        for lab in (colours, rendering.from_medium(colours))
    ]
    exact = printer.lab_to_device(pcs.nodes)
    perceptual = printer.lab_to_device(rendering.to_medium(pcs.nodes))
    from_pcs = [
        pcs.table(exact, np.linspace(0, 1, 2)),
        pcs.table(perceptual, np.linspace(0, 1, 2)),
    ]
    # Signed on the grid, cut off by the curve after it: interpolation then finds the surface
    # between grid points, which a grid of zeros and ones could not.
    distance = printer.signed_distance(pcs.nodes)[:, None] / (2 * _GAMUT_RANGE) + 0.5
    gamut = pcs.table(distance, np.clip(np.linspace(-1, 1, _CURVE_SAMPLES), 0, 1))
    tags = {
        **_texts(f"{recipe.description} (demo)", version),
        "wtpt": icc.xyz(printer.white_xyz),
        "A2B0": to_pcs[1],
        "A2B1": to_pcs[0],
        "A2B2": to_pcs[1],
        "B2A0": from_pcs[1],
        "B2A1": from_pcs[0],
        "B2A2": from_pcs[1],
        "gamt": gamut,
    }
    if version == "4.4":
        tags["chad"] = icc.s15_fixed16_array(np.eye(3))
    space = "CMYK" if recipe.device == "CMYK" else "RGB "
    return icc.encode_profile(icc.Header(version, "prtr", space, "Lab ", CREATED), tags)


def srgb() -> bytes:
    """The sRGB display profile, version 4 (IEC 61966-2-1)."""
    return _matrix_profile("sRGB", SRGB_PRIMARIES, _SRGB_CURVE)


def display_p3() -> bytes:
    """A wide display with the P3 primaries, D65 and the sRGB curve (SMPTE EG 432-1)."""
    return _matrix_profile("Display with P3 primaries", P3_PRIMARIES, _SRGB_CURVE)


def adobe_rgb_compatible() -> bytes:
    """Wide RGB with gamma 563/256, compatible with Adobe RGB (1998), its specification of 2005."""
    curve = icc.parametric_curve([WIDE_GAMMA])
    return _matrix_profile("Wide RGB, gamma 563/256", WIDE_PRIMARIES, curve)


def grey_gamma22() -> bytes:
    """Grey with gamma 2.2, version 4."""
    tags = {
        **_texts("Grey, gamma 2.2", "4.4"),
        "wtpt": icc.xyz(icc.D50_XYZ),
        "kTRC": icc.parametric_curve([2.2]),
        "chad": icc.s15_fixed16_array(np.eye(3)),
    }
    return icc.encode_profile(icc.Header("4.4", "mntr", "GRAY", "XYZ ", CREATED), tags)


class _PcsGrid:
    """A grid over Lab that is close where the printer's colours are, and neutral on its points."""

    def __init__(self, printer: Printer, version: Version) -> None:
        self.version = version
        reach = float(np.abs(printer.solid.ring[:, 1:]).max()) + 8
        # The surroundings of the gamut get few points, yet enough to lead back to its surface.
        share = 2 / (_LAB_GRID - 1)
        chroma = (
            np.array([-128, -reach, 0, reach, 127]),
            np.array([0, share, _NEUTRAL, 1 - share, 1]),
        )
        lightness = np.array([0.0, 100.0]), np.array([0.0, 1.0])
        codes = np.linspace(0, 1, _CURVE_SAMPLES)
        axes = icc.codes_to_lab(np.repeat(codes[:, None], 3, axis=1), version)
        positions = np.linspace(0, 1, _LAB_GRID)
        curves, points = [], []
        for channel, (values, places) in enumerate((lightness, chroma, chroma)):
            curve = np.interp(axes[:, channel], values, places)
            exact = (100.0, 1.0) if channel == 0 else (0.0, _NEUTRAL)
            curves.append(_flat_around(axes[:, channel], curve, *exact))
            points.append(np.interp(positions, places, values))
        self.curves = curves
        self.nodes = np.stack(np.meshgrid(*points, indexing="ij"), axis=-1).reshape(-1, 3)

    def table(self, values: Floats, output_curve: Floats) -> bytes:
        """A table from Lab to `values`, shape (nodes, outputs), each through `output_curve`."""
        outputs = values.shape[1]
        grid = values.reshape(_LAB_GRID, _LAB_GRID, _LAB_GRID, outputs)
        if self.version == "2.4":
            return icc.lut16(self.curves, grid, np.tile(output_curve, (outputs, 1)))
        return icc.lut_b_to_a(
            [icc.curve(each) for each in self.curves], grid, [icc.curve(output_curve)] * outputs
        )


def _flat_around(values: Floats, curve: Floats, value: float, place: float) -> Floats:
    """The curve with the samples to either side of `value` put at `place`.

    No sample falls on the code of a neutral or of white; between two equal ones it is exact.
    """
    above = int(np.searchsorted(values, value - 1e-9))
    flat = curve.copy()
    flat[max(above - 1, 0) : above + 1] = place
    return flat


def _device_side(printer: Printer) -> tuple[Floats, Floats]:
    """Curves that make device values even in lightness, and the grid behind them as light."""
    samples = np.linspace(0, 1, _CURVE_SAMPLES)
    points = np.linspace(0, 1, _DEVICE_GRID[printer.channels])
    grid = np.stack(np.meshgrid(*[points] * printer.channels, indexing="ij"), axis=-1)
    grid = grid.reshape(-1, printer.channels)
    if printer.channels == 3:
        return 1 - printer.ink_strength(1 - samples), grid
    return printer.ink_strength(samples), printer.strengths_to_light(grid)


def _to_pcs(device_curve: Floats, lab: Floats, version: Version) -> bytes:
    channels = lab.ndim - 1
    grid = icc.lab_to_codes(lab, version)
    if version == "2.4":
        return icc.lut16(np.tile(device_curve, (channels, 1)), grid, np.tile([0.0, 1.0], (3, 1)))
    return icc.lut_a_to_b([icc.curve(device_curve)] * channels, grid, [icc.curve()] * 3)


def linear_rgb_to_pcs(primaries: Primaries) -> Floats:
    """The matrix from linear RGB of primaries (x, y) under D65 to XYZ under D50, Bradford-adapted.

    Returns
    -------
    float64, shape (3, 3): XYZ as a column = matrix @ RGB as a column, white having Y = 1.
    """
    white = _xyz_of(_D65_XY)
    colorants = np.stack([_xyz_of(each) for each in primaries], axis=1)
    return np.asarray(_adaptation() @ colorants * np.linalg.solve(colorants, white))


def _adaptation() -> Floats:
    """Bradford adaptation from D65 to the PCS white (ICC.1:2022, annex E)."""
    cone_ratio = (_BRADFORD @ icc.D50_XYZ) / (_BRADFORD @ _xyz_of(_D65_XY))
    return np.linalg.solve(_BRADFORD, cone_ratio[:, None] * _BRADFORD)


def _matrix_profile(name: str, primaries: Primaries, trc: bytes) -> bytes:
    """A display of three primaries under D65, version 4."""
    columns = np.rint(linear_rgb_to_pcs(primaries) * 65536) / 65536
    # The three must sum to the PCS white to the last code, or white is tinted.
    columns[:, 1] += np.array(icc.D50_XYZ) - columns.sum(axis=1)
    tags = {
        **_texts(name, "4.4"),
        "wtpt": icc.xyz(icc.D50_XYZ),
        "chad": icc.s15_fixed16_array(_adaptation()),
        "rXYZ": icc.xyz(columns[:, 0]),
        "gXYZ": icc.xyz(columns[:, 1]),
        "bXYZ": icc.xyz(columns[:, 2]),
        "rTRC": trc,
        "gTRC": trc,
        "bTRC": trc,
    }
    return icc.encode_profile(icc.Header("4.4", "mntr", "RGB ", "XYZ ", CREATED), tags)


def _texts(description: str, version: Version) -> dict[str, bytes]:
    if version == "2.4":
        return {"desc": icc.text_description(description), "cprt": icc.text(COPYRIGHT)}
    return {"desc": icc.localized_text(description), "cprt": icc.localized_text(COPYRIGHT)}


def _xyz_of(xy: ArrayLike) -> Floats:
    x, y = np.asarray(xy, dtype=np.float64)
    return np.array([x / y, 1.0, (1 - x - y) / y])
