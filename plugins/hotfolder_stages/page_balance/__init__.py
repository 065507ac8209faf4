"""The stage ``page-balance``: how light a page is, and which way its greys lean.

Two pages that face each other are seen together, and a difference that nobody notices on one of
them shows between the two. So every result leaves two figures: its mean lightness, and the mean
a* and b* of what is nearly grey in it. The morning report of a batch compares them.

About 100,000 pixels at even distances stand for the picture: enough for a mean, and for one in a
picture whose pattern repeats at just that distance it is not. Colours are CIELAB relative to the
medium's white (ICC.1:2022, media-relative), as an eye sees them that has the page before it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from hotfolder import (
    Band,
    ConversionToCome,
    Facts,
    Findings,
    Job,
    Json,
    Place,
    RasterSpec,
    Stage,
    StageSettings,
    hookimpl,
    number_in,
    source_profile,
)
from hotfolder.colour import flattened, to_lab

__all__ = ["PageBalance", "PageBalanceSettings"]

SAMPLES = 100_000

LIGHTNESS_OF_GREYS = (10.0, 97.0)
"""Paper that shows through and the deepest black say nothing of a cast; our own judgement."""

ENOUGH_SHARE = 0.01
"""With fewer greys than this share of the picture, their mean says nothing of the page."""


class PageBalanceSettings(StageSettings):
    """The table ``[stage.page-balance]``."""

    only_looks: ClassVar[bool] = True

    nearly_grey: Annotated[float, Field(gt=0, le=30)] = 8.0
    """Chroma, C*ab, up to which a colour counts as nearly grey."""


class PageBalance(Stage[PageBalanceSettings]):
    """Measure lightness and greys of what is delivered; the pixels pass through as they are."""

    name = "page-balance"
    Settings = PageBalanceSettings
    place = Place.CONVERTED
    comes_after = (ConversionToCome,)

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Choose which pixels stand for the picture.

        Raises
        ------
        Hold
            ``no-profile`` or ``wrong-profile``, as profile-conversion.
        """
        self._encoding, self._profile = raster.encoding, source_profile(raster)
        pixels = raster.width_px * raster.height_px
        self._step = max(1, math.isqrt(pixels // SAMPLES))
        self._samples: list[NDArray[np.uint16]] = []
        return raster

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Take samples and pass every pixel on."""
        for band in bands:
            first, step = -band.top % self._step, self._step
            pixels = band.pixels[first::step, ::step]
            if pixels.size:
                alpha = None if band.alpha is None else band.alpha[first::step, ::step]
                kept = flattened(pixels, alpha, self._encoding)
                self._samples.append(kept.reshape(-1, kept.shape[-1]).copy())
            yield band

    def close(self) -> Findings:
        """Return the means; those of the greys are None where there are too few of them."""
        pixels = np.concatenate(self._samples)
        lab = to_lab(self._profile, pixels)
        low, high = LIGHTNESS_OF_GREYS
        is_grey = np.hypot(lab[:, 1], lab[:, 2]) <= self.settings.nearly_grey
        greys = lab[is_grey & (lab[:, 0] >= low) & (lab[:, 0] <= high)]
        share = len(greys) / len(lab)
        a, b = greys[:, 1:].mean(axis=0).tolist() if share >= ENOUGH_SHARE else (None, None)
        return {
            "mean_lightness": round(float(lab[:, 0].mean()), 2),
            "grey_share": round(share, 4),
            "grey_a": None if a is None else round(a, 2),
            "grey_b": None if b is None else round(b, 2),
            "nearly_grey": self.settings.nearly_grey,
            "measured_pixels": len(lab),
        }

    @classmethod
    @hookimpl
    def hotfolder_facts(cls, findings: Findings, settings: Mapping[str, Json]) -> Facts:
        """Say how light the page is, and which way its greys lean."""
        return Facts(
            mean_lightness=number_in(findings, "mean_lightness"),
            grey_share=number_in(findings, "grey_share"),
            grey_a=number_in(findings, "grey_a"),
            grey_b=number_in(findings, "grey_b"),
        )
