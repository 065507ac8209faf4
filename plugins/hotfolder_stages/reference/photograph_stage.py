"""The stage ``strip-photograph``: what a photograph shows of control strips.

It finds their marks and reads the light of each patch, and of the paper between patches, wherever
four marks may be the corners of a strip. Which of these are strips, and what their colours say, is
decided by whoever knows the strips.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from hotfolder import (
    Band,
    Findings,
    Job,
    Json,
    Place,
    RasterSpec,
    Role,
    SettingsModel,
    Stage,
    StageSettings,
)
from hotfolder_stages.reference.marks import Square, find_marks, list_corners
from hotfolder_stages.reference.reduced import ReducedCopy, srgb

_ACROSS = np.linspace(-1, 1, 15)
_LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)
"""Rec. ITU-R BT.709-6, 3.2: near enough to tell paper from ink."""
_CUT_AT = (0.001, 0.985)
_CUT_SHARE = 0.02
_PAPER_IS_LIGHTER = 1.15
_MOST_SEEN = 60


class StripGrid(SettingsModel):
    """How the patches of a kind of strip lie between its marks, in shares of their rectangle."""

    aspect: Annotated[float, Field(gt=0)]
    """Its width over its height."""
    patches: tuple[tuple[float, float], ...]
    """Middles of the patches, in the order in which they are read."""
    paper: tuple[tuple[float, float], ...]
    """Middles of places between them."""
    reach: tuple[float, float]
    """Half of what is read of a patch, across and down."""
    paper_reach: tuple[float, float]
    """The same, of the paper."""


class StripPhotographSettings(StageSettings):
    """The table ``[stage.strip-photograph]``."""

    only_looks: ClassVar[bool] = True

    grids: Annotated[tuple[StripGrid, ...], Field(max_length=16)] = ()
    """Kinds of strips to look for. The program fills them in."""


class StripPhotograph(Stage[StripPhotographSettings]):
    """Find control strips and read their patches; the pixels pass through."""

    name = "strip-photograph"
    Settings = StripPhotographSettings
    place = Place.ORIGINAL
    role = Role.PHOTOGRAPH

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Make ready for a smaller copy of the picture."""
        self._profile = raster.profile or srgb()
        self._copy = ReducedCopy(raster)
        return raster

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Gather, and pass every pixel on."""
        return self._copy.gather(bands)

    def close(self) -> Findings:
        """Find marks, and read what lies between every four of them."""
        codes, space = self._copy.in_rgb(self._profile)
        light = space.light(codes)
        marks = find_marks(np.tensordot(_LUMINANCE, light, axes=1))
        grids = self.settings.grids
        seen: list[tuple[float, Json]] = []
        for kind, corners in list_corners(marks, [each.aspect for each in grids]):
            square, grid = Square(corners), grids[kind]
            if not _may_be(light, square, grid):
                continue
            lighter, found = _read(light, square, corners, kind, grid)
            if lighter > _PAPER_IS_LIGHTER:
                seen.append((lighter, found))
        seen.sort(key=lambda each: -each[0])
        return {"marks": len(marks), "seen": [found for _, found in seen[:_MOST_SEEN]]}


def _may_be(light: NDArray[np.float32], square: Square, grid: StripGrid) -> bool:
    """Whether, by one pixel of each place, paper is lighter than what is between it."""
    rows, width = light.shape[1:]
    means = []
    for places in (grid.paper, grid.patches):
        column, row = np.rint(square.find(np.array(places))).astype(int).T
        if column.min() < 0 or row.min() < 0 or column.max() >= width or row.max() >= rows:
            return False
        means.append(float(light[1, row, column].mean()))
    return means[0] > means[1]


def _read(
    light: NDArray[np.float32],
    square: Square,
    corners: NDArray[np.float64],
    kind: int,
    grid: StripGrid,
) -> tuple[float, Json]:
    """Read a strip, supposed that it lies there: how much lighter its paper is, and all of it."""
    patches = _read_places(light, square, np.array(grid.patches), grid.reach)
    paper = _read_places(light, square, np.array(grid.paper), grid.paper_reach)
    if patches is None or paper is None:
        return 0.0, None
    dark = np.mean([each.rgb[1] for each in patches])
    lightest = np.quantile([each.rgb[1] for each in paper], 0.2)
    rows, width = light.shape[1:]
    found: Json = {
        "grid": kind,
        "corners": [[round(x / width, 6), round(y / rows, 6)] for x, y in corners.tolist()],
        "patches": [each.to_json() for each in patches],
        "paper": [each.to_json() for each in paper],
    }
    return float(lightest / max(dark, 1e-6)), found


@dataclass(frozen=True)
class _Seen:
    """A place as it was read; see `SeenPatch`."""

    x: float
    y: float
    rgb: tuple[float, ...]
    sd: tuple[float, ...]
    cut: bool

    def to_json(self) -> Json:
        return {
            "x": round(self.x, 6),
            "y": round(self.y, 6),
            "rgb": [round(each, 7) for each in self.rgb],
            "sd": [round(each, 7) for each in self.sd],
            "cut": self.cut,
        }


def _read_places(
    light: NDArray[np.float32],
    square: Square,
    middles: NDArray[np.float64],
    reach: tuple[float, float],
) -> list[_Seen] | None:
    """Read the light of places; None when one lies outside the picture."""
    rows, width = light.shape[1:]
    x, y = np.meshgrid(_ACROSS * reach[0], _ACROSS * reach[1])
    around = np.stack([x.ravel(), y.ravel()], axis=-1)
    places = square.find(middles[:, None] + around[None])
    column, row = np.rint(places[..., 0]).astype(int), np.rint(places[..., 1]).astype(int)
    if column.min() < 0 or row.min() < 0 or column.max() >= width or row.max() >= rows:
        return None
    found = []
    for at in range(len(middles)):
        # a place is counted once, however near each other the samples lie
        own = np.unique(row[at] * width + column[at])
        samples = light.reshape(3, -1)[:, own].astype(np.float64)
        mean = _mean_of_most(samples)
        # neighbouring pixels of a photograph are not independent: a quarter of them count
        spread = samples.std(axis=1) / np.sqrt(max(1, samples.shape[1] / 4))
        is_cut = (samples > _CUT_AT[1]).mean(axis=1) > _CUT_SHARE
        across, down = square.find(middles[at]).tolist()
        found.append(
            _Seen(
                across / width,
                down / rows,
                tuple(mean.tolist()),
                tuple(spread.tolist()),
                bool(is_cut.any() or (mean < _CUT_AT[0]).all()),
            )
        )
    return found


def _mean_of_most(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """The mean without the tenth at each end: dust, and a pixel of a neighbour."""
    ordered = np.sort(samples, axis=1)
    cut = samples.shape[1] // 10
    mean: NDArray[np.float64] = ordered[:, cut : samples.shape[1] - cut].mean(axis=1)
    return mean
