"""The stage ``blur-index``: how blurred a picture looks, measured without a reference.

The index of Crété and others: a picture is blurred once more, and the differences between
neighbouring pixels are compared. In a sharp picture they shrink much, in a blurred one hardly. ::

    stages = ["preflight", "sizing", "blur-index", ...]

    [stage.blur-index]
    warn_above = 0.45

References
----------
F. Crété, T. Dolmiere, P. Ladret and M. Nicolas, "The blur effect: perception and estimation with
a new no-reference perceptual blur metric", Proc. SPIE 6492, Human Vision and Electronic Imaging
XII, 64920I (2007). https://doi.org/10.1117/12.702790
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from hotfolder import (
    Band,
    Column,
    Encoding,
    Facts,
    Findings,
    Hold,
    Job,
    Json,
    Place,
    RasterSpec,
    SizeToCome,
    Stage,
    StageSettings,
    hookimpl,
    number_in,
)

TAPS = 9
"""Width of the low-pass filter h_v of the paper: nine equal weights."""

Index = Annotated[float, Field(ge=0, le=1)]
"""Of the paper: 0 is as sharp as can be, 1 so blurred that blurring it more changes nothing."""

Light = NDArray[np.int64]
"""Sums of a pixel's channels, 16 bits each; shape (rows, width)."""


class BlurIndexSettings(StageSettings):
    """The table ``[stage.blur-index]``."""

    only_looks: ClassVar[bool] = True

    warn_above: Index | None = None
    """The index, 0 (sharp) to 1, above which a picture is delivered with a warning; never, when it
    is not set."""

    hold_above: Index | None = None
    """The index above which a picture is held; never, when it is not set."""


class BlurIndex(Stage[BlurIndexSettings]):
    """Measure the index on every pixel of the finished picture; none is changed."""

    name = "blur-index"
    Settings = BlurIndexSettings
    place = Place.FINISHED
    comes_after = (SizeToCome,)

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Begin with nothing; a new object is made for every job."""
        self._job = job
        # in L*a*b* lightness alone; elsewhere all channels, of which only differences are looked at
        self._channels = 1 if raster.encoding is Encoding.LAB else raster.channels
        self._down, self._across = _Axis(), _Axis()
        self._above: Light = np.zeros((0, raster.width_px), np.int64)
        return raster

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Measure, keeping the few rows that the next band needs, and pass each on as it came."""
        for band in bands:
            light: Light = band.pixels[..., : self._channels].sum(axis=2, dtype=np.int64)
            self._across.add(light.T)
            light = np.concatenate([self._above, light])
            self._down.add(light)
            self._above = light[-TAPS:]
            yield band

    def close(self) -> Findings:
        """Return the index; None for a picture of one colour, or of fewer pixels than the filter.

        Raises
        ------
        Hold
            ``blurred``, when it is above ``hold_above``.
        """
        both = [each.index() for each in (self._down, self._across)]
        found = [each for each in both if each is not None]
        # the worse of the two directions
        index = round(max(found), 4) if found else None
        findings: dict[str, Json] = {"blur": index}
        held, warned = self.settings.hold_above, self.settings.warn_above
        if index is None:
            return findings
        if held is not None and index > held:
            raise Hold(
                "blurred",
                f"The picture looks blurred at its final size: index {index:.2f} (allowed: "
                f"{held:.2f}). Look at it at full size; release it if it is meant to be soft.",
                findings,
                excess=index / max(held, 1e-9),
            )
        if warned is not None and index > warned:
            self._job.warn(
                "blurred",
                f"The picture may look blurred at its final size: index {index:.2f} (expected: at "
                f"most {warned:.2f}). Look at it at full size.",
            )
        return findings

    @classmethod
    @hookimpl
    def hotfolder_facts(cls, findings: Findings, settings: Mapping[str, Json]) -> Facts:
        """Add a column to records and reports."""
        return Facts(columns=(Column("blur", "Blur", "", number_in(findings, "blur")),))


class _Axis:
    """The sums of one direction, which is the first axis; all of it in whole numbers.

    Symbols are the paper's: D_F and D_B are absolute differences of neighbours in the picture and
    in its blurred copy, V what of D_F is lost. Whole numbers make sums that do not depend on how
    the picture is cut into bands. Beyond the picture's edge nothing is known, so nothing is summed
    there: the paper leaves that open.
    """

    def __init__(self) -> None:
        self._s_F = 0
        self._s_V = 0

    def add(self, light: Light) -> None:
        """Sum up all neighbours of which the whole filter lies in `light`."""
        if len(light) <= TAPS:
            return
        sums = np.cumsum(light, axis=0)
        # TAPS times the blurred copy
        blurred = sums[TAPS - 1 :].copy()
        blurred[1:] -= sums[:-TAPS]
        half = TAPS // 2
        D_F = np.abs(np.diff(light[half:-half], axis=0)) * TAPS
        D_B = np.abs(np.diff(blurred, axis=0))
        V = np.maximum(0, D_F - D_B)
        self._s_F += int(D_F.sum())
        self._s_V += int(V.sum())

    def index(self) -> float | None:
        """Return b = (s_F - s_V) / s_F, 0 … 1; None when there is no difference at all."""
        return (self._s_F - self._s_V) / self._s_F if self._s_F else None
