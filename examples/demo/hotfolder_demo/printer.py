"""Printers that do not exist, in closed form, so that the right answer is known exactly.

A recipe says what a medium looks like: its white, its black, its six full colours, how much a dot
grows, how the black ink is used. From that `Printer` answers both ways without any table:
device values to L*a*b* and back, and whether a colour can be printed at all.

From device values to colour, in three steps:

1. ink to light: how much light (0 … 1, on a scale even in L*) a share of one ink lets through;
   mechanical dot gain a = d + 4 g d (1 - d), then Y^(1/n) = 1 - a (1 - Y0^(1/n)), which is Murray
   and Davies for n = 1 (J. Franklin Inst. 221, 1936) and Yule and Nielsen otherwise (TAGA
   Proceedings 3, 1951); both from memory;
2. inks to colorant light: for an RGB device each channel is the light of its own colorant; for
   CMYK the light of an ink is multiplied with that of black, (1 - α c)(1 - β k), scaled so that
   black at the ink limit is 0. Ink beyond the limit makes nothing darker. Own model, no source;
3. colorant light to colour: the `Solid` of the medium.

All L*a*b* here are media-relative, D50: the medium's white is (100, 0, 0), as in the colorimetric
tables of a profile. `Printer.absolute` and `Printer.relative` change to what an instrument sees.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import BaseModel, ConfigDict, Field

from hotfolder.colour.icc_encode import D50_XYZ
from hotfolder_demo.solid import Solid

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
LabTriple = tuple[float, float, float]


class Black(BaseModel):
    """How a CMYK device uses black ink."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    limit: Annotated[float, Field(ge=3, le=4)]
    """The most ink at one place, in shares of full ink: 3.0 is 300 %, and not less, because the
    darkest red needs two full colours under full black."""
    residue: Annotated[float, Field(gt=0, lt=0.5)]
    """Light that a full colour ink still lets through, 0 … 1."""
    start: Annotated[float, Field(ge=1, le=2)]
    """Exponent of black generation in greys: 1 replaces all grey by black, more starts later;
    saturated colours replace all grey."""


class Recipe(BaseModel):
    """What a demo printer is. Colours are absolute L*a*b* (D50, 2°), as an instrument sees them."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    description: str
    device: Literal["RGB", "CMYK"]
    white: LabTriple
    black: LabTriple
    red: LabTriple
    yellow: LabTriple
    green: LabTriple
    cyan: LabTriple
    blue: LabTriple
    magenta: LabTriple
    dot_gain: Annotated[float, Field(ge=0, le=0.25)]
    """Tone value increase at 50 %, 0 … 0.25."""
    scatter: Annotated[float, Field(ge=1, le=10)]
    """Yule and Nielsen's n."""
    black_ink: Black | None = None


def read_recipe(path: Path) -> Recipe:
    """Read a recipe from a TOML file.

    Raises
    ------
    pydantic.ValidationError
        When a key is missing, unknown or out of range.
    """
    return Recipe.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))


@dataclass(frozen=True)
class Printer:
    """A printer in closed form.

    Device values are 0 … 1: light for RGB, ink for CMYK. Colours are media-relative L*a*b*,
    shape (n, 3). Out of gamut, a colour is printed as the nearest colour in ΔE*ab (CIE 1976).
    """

    recipe: Recipe
    white_xyz: Floats = field(init=False, repr=False)
    solid: Solid = field(init=False, repr=False)
    _black_strength: float = field(init=False, repr=False)

    def __post_init__(self) -> None:
        recipe = self.recipe
        object.__setattr__(self, "white_xyz", lab_to_xyz(np.array(recipe.white)))
        names = ("white", "black", "red", "yellow", "green", "cyan", "blue", "magenta")
        corners = self.relative([getattr(recipe, name) for name in names])
        corners[0] = [100, 0, 0]
        object.__setattr__(self, "solid", Solid(corners[0], corners[1], corners[2:]))
        object.__setattr__(self, "_black_strength", self._find_black_strength())

    def device_to_lab(self, device: ArrayLike) -> Floats:
        """The colour of device values, shape (n, channels)."""
        return self.solid.to_lab(self.device_to_light(device))

    def lab_to_device(self, lab: ArrayLike) -> Floats:
        """The device values for colours; those that cannot be printed become the nearest."""
        return self.light_to_device(self.solid.to_light(self.solid.nearest(lab)))

    def in_gamut(self, lab: ArrayLike) -> Bools:
        """Whether colours can be printed; the surface of the gamut belongs to it."""
        return self.solid.contains(lab)

    def signed_distance(self, lab: ArrayLike) -> Floats:
        """ΔE*ab (CIE 1976) to the surface of the gamut; negative inside."""
        return self.solid.signed_distance(lab)

    @property
    def channels(self) -> int:
        """Number of device channels."""
        return len(self.recipe.device)

    def device_to_light(self, device: ArrayLike) -> Floats:
        """Colorant light, shape (n, 3), of device values, shape (n, channels)."""
        device = np.asarray(device, dtype=np.float64)
        if self.recipe.black_ink is None:
            return 1 - self.ink_strength(1 - device)
        return self.strengths_to_light(self.ink_strength(device))

    def light_to_device(self, light: ArrayLike) -> Floats:
        """Device values for colorant light 0 … 1; for CMYK the one separation of this printer."""
        light = np.clip(np.asarray(light, dtype=np.float64), 0, 1)
        if self.recipe.black_ink is None:
            return 1 - self.ink_share(1 - light)
        return self.ink_share(self._separate(light, self.recipe.black_ink))

    def strengths_to_light(self, strengths: ArrayLike) -> Floats:
        """Colorant light of the four inks' strengths, shape (n, 4), 0 … 1."""
        strengths = np.asarray(strengths, dtype=np.float64)
        residue = self._residue
        colours = 1 - (1 - residue) * strengths[:, :3]
        black = 1 - self._black_strength * strengths[:, 3:]
        return np.clip((colours * black - residue) / (1 - residue), 0, 1)

    def ink_strength(self, share: ArrayLike) -> Floats:
        """How much of the way from paper to full ink, even in L*, a share of ink (0 … 1) goes."""
        share = np.asarray(share, dtype=np.float64)
        gain, n, dark = 4 * self.recipe.dot_gain, self.recipe.scatter, self._dark
        covered = share + gain * share * (1 - share)
        luminance = (1 - covered * (1 - dark ** (1 / n))) ** n
        return (100 - _lightness(luminance)) / (100 - _lightness(dark))

    def ink_share(self, strength: ArrayLike) -> Floats:
        """The share of ink for a strength: the inverse of `ink_strength`."""
        strength = np.asarray(strength, dtype=np.float64)
        gain, n, dark = 4 * self.recipe.dot_gain, self.recipe.scatter, self._dark
        luminance = _luminance(100 - strength * (100 - _lightness(dark)))
        covered = (1 - luminance ** (1 / n)) / (1 - dark ** (1 / n))
        # Of the two roots of covered = share + gain share (1 - share), the one below 1, in the
        # form that does not cancel and holds for no gain.
        root = np.sqrt((1 + gain) ** 2 - 4 * gain * covered)
        return np.clip(2 * covered / (1 + gain + root), 0, 1)

    def relative(self, lab: ArrayLike) -> Floats:
        """Media-relative from absolute colours (ICC.1:2022, 6.3.2.2: XYZ scaled per component)."""
        return xyz_to_lab(lab_to_xyz(lab) / self.white_xyz * D50_XYZ)

    def absolute(self, lab: ArrayLike) -> Floats:
        """Absolute from media-relative colours."""
        return xyz_to_lab(lab_to_xyz(lab) * self.white_xyz / D50_XYZ)

    @property
    def _dark(self) -> np.float64:
        """Luminance of the darkest print, the medium's white being 1."""
        return np.float64(_luminance(self.solid.black[0]))

    @property
    def _residue(self) -> float:
        return self.recipe.black_ink.residue if self.recipe.black_ink else 0.0

    def _find_black_strength(self) -> float:
        """β, such that full black over the colour inks that the limit leaves is just black."""
        black = self.recipe.black_ink
        if black is None:
            return 0.0
        beneath = float(self.ink_strength(min(1.0, (black.limit - 1) / 3)))
        return 1 - black.residue / (1 - (1 - black.residue) * beneath)

    def _separate(self, light: Floats, black: Black) -> Floats:
        """Strengths of cyan, magenta, yellow and black ink for colorant light, shape (n, 4)."""
        residue, beta = black.residue, self._black_strength
        wanted = residue + (1 - residue) * light
        most = np.minimum(1, (1 - wanted.max(axis=1, keepdims=True)) / beta)
        # Two full inks under black fill the limit, so saturated darks give all their grey to black.
        greyness = wanted.min(axis=1, keepdims=True) / wanted.max(axis=1, keepdims=True)
        key = most ** (1 + (black.start - 1) * greyness)
        colours = (1 - wanted / (1 - beta * key)) / (1 - residue)
        return np.concatenate([np.clip(colours, 0, 1), key], axis=1)


def lab_to_xyz(lab: ArrayLike) -> Floats:
    """XYZ relative to D50, Y of white = 1, from L*a*b*, shape (..., 3) (CIE 15:2018, 8.2.1)."""
    lab = np.asarray(lab, dtype=np.float64)
    middle = (lab[..., 0] + 16) / 116
    cubes = np.stack([middle + lab[..., 1] / 500, middle, middle - lab[..., 2] / 200], axis=-1)
    return np.where(cubes > 6 / 29, cubes**3, (cubes - 4 / 29) * 108 / 841) * D50_XYZ


def xyz_to_lab(xyz: ArrayLike) -> Floats:
    """L*a*b* from XYZ relative to D50, shape (..., 3): the inverse of `lab_to_xyz`."""
    ratio = np.asarray(xyz, dtype=np.float64) / D50_XYZ
    roots = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * 841 / 108 + 4 / 29)
    x, y, z = np.moveaxis(roots, -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def _lightness(luminance: ArrayLike) -> Floats:
    luminance = np.asarray(luminance, dtype=np.float64)
    cubes = np.where(luminance > (6 / 29) ** 3, np.cbrt(luminance), luminance * 841 / 108 + 4 / 29)
    return np.asarray(116 * cubes - 16)


def _luminance(lightness: ArrayLike) -> Floats:
    cubes = (np.asarray(lightness, dtype=np.float64) + 16) / 116
    return np.where(cubes > 6 / 29, cubes**3, (cubes - 4 / 29) * 108 / 841)
