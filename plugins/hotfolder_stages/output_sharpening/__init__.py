"""The stage ``output-sharpening``: what ink, surface and distance soften, put back before.

It acts at the final size and before the conversion to the medium, on lightness only: width and
strength come from the medium (`strength`), what is detail and what is noise from the
surroundings of each pixel (`detail`), and colour stays what it was (`apply`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from typing import Annotated

import numpy as np
from pydantic import Field

from hotfolder import Band, Findings, Job, RasterSpec, Stage, StageSettings
from hotfolder.colour.source import source_profile
from hotfolder_stages.output_sharpening import strength
from hotfolder_stages.output_sharpening.apply import Codes, Lightness, Plane, lightness_of
from hotfolder_stages.output_sharpening.detail import DetailFilter

__all__ = ["OutputSharpening", "OutputSharpeningSettings"]

SCREEN_PPI = 96.0
"""Assumed where neither file nor settings say a resolution; the unit px of web pages."""


class OutputSharpeningSettings(StageSettings):
    """The table ``[stage.output-sharpening]``.

    amount: share of the detail that is added, 0 … 5; by the medium's surface unless given.
    radius_px: sigma of the Gaussian; by viewing distance and ppi unless given.
    halo_limit: the most that is added to or taken from a pixel's L*.
    noise: detail in L* that is taken for noise and left alone.
    """

    amount: Annotated[float, Field(ge=0, le=5)] | None = None
    radius_px: Annotated[float, Field(ge=strength.MIN_RADIUS_PX, le=50)] | None = None
    halo_limit: Annotated[float, Field(gt=0, le=100)] = 10.0
    noise: Annotated[float, Field(ge=0, le=20)] = 0.5


class OutputSharpening(Stage[OutputSharpeningSettings]):
    """Sharpen lightness for the medium and the distance it is looked at from."""

    name = "output-sharpening"
    Settings = OutputSharpeningSettings

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Decide on radius and amount.

        Raises
        ------
        Hold
            When nobody knows what the picture's numbers mean.
        """
        settings, medium = self.settings, job.medium
        self._medium = medium
        self._raster = raster
        self._ppi = raster.ppi or SCREEN_PPI
        by_rule = strength.radius_px(medium.viewing_distance, self._ppi)
        self._radius_px = by_rule if settings.radius_px is None else settings.radius_px
        by_surface = strength.amount(medium.surface)
        self._amount = by_surface if settings.amount is None else settings.amount
        self._filter = DetailFilter(
            self._radius_px, self._amount, settings.noise, settings.halo_limit
        )
        self._lightness = lightness_of(source_profile(raster))
        self._capped = 0
        self._left = 0
        return raster

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Sharpen; each result sees the rows around it, also those of other bands."""
        if not self._amount:
            yield from bands
            return
        with ThreadPoolExecutor(2) as threads:
            for block in _with_surroundings(
                bands, self._filter.margin_rows, self._raster.height_px, self._lightness, threads
            ):
                yield self._sharpened(block, threads)

    def close(self) -> Findings:
        """Say what was done, and how much of the picture met a limit."""
        pixels = self._raster.width_px * self._raster.height_px
        return {
            "radius_px": round(self._radius_px, 3),
            "amount": self._amount,
            "surface": self._medium.surface.value,
            "ppi": self._ppi,
            "ppi_assumed": not self._raster.ppi,
            "viewing_distance_mm": self._medium.viewing_distance,
            "halo_width_mm": round(
                strength.HALO_PER_RADIUS * self._radius_px / self._ppi * 25.4, 3
            ),
            "halo_limit_l": self.settings.halo_limit,
            "capped_share": round(self._capped / pixels, 6),
            "left_alone_share": round(self._left / pixels, 6) if self._amount else 1.0,
            "method": self._lightness.how,
        }

    def _sharpened(self, block: _Block, threads: Executor) -> Band:
        out = np.empty_like(block.pixels)

        def work(part: slice) -> tuple[int, int]:
            above, lightness, below = block.around(part, self._filter.margin_rows)
            added, capped = self._filter.added(lightness, above, below)
            out[part] = self._lightness.moved(block.pixels[part], added)
            return capped, int(np.count_nonzero(added == 0))

        for capped, left in threads.map(work, _halves(len(block.pixels))):
            self._capped += capped
            self._left += left
        return Band(block.top, out, block.alpha)


class _Block:
    """Rows to be sharpened, and the lightness of these and of the rows around them."""

    def __init__(
        self, top: int, pixels: Codes, alpha: Codes | None, lightness: Plane, first: int
    ) -> None:
        self.top, self.pixels, self.alpha = top, pixels, alpha
        self._lightness = lightness
        self._first = first

    def around(self, part: slice, margin: int) -> tuple[int, Plane, int]:
        """Rows above, lightness, rows below, for some of the rows."""
        start, stop = (self.top - self._first + each for each in (part.start, part.stop))
        above, below = min(margin, start), min(margin, len(self._lightness) - stop)
        return above, self._lightness[start - above : stop + below], below


def _with_surroundings(
    bands: Iterable[Band],
    margin: int,
    height: int,
    lightness_of_codes: Lightness,
    threads: Executor,
) -> Iterator[_Block]:
    """Blocks whose surroundings have arrived; keeps no more rows than they need."""
    waiting: list[Band] = []
    known: Plane | None = None
    first = top = 0
    for band in bands:
        parts = [band.pixels[part] for part in _halves(band.rows)]
        fresh = list(threads.map(lightness_of_codes.of, parts))
        known = np.concatenate(fresh if known is None else [known, *fresh])
        waiting.append(band)
        arrived = band.top + band.rows
        ready = height if arrived == height else arrived - margin
        if ready <= top:
            continue
        pixels, alpha, waiting = _taken(waiting, ready)
        yield _Block(top, pixels, alpha, known, first)
        top = ready
        keep = max(0, top - margin)
        known = known[keep - first :]
        first = keep


def _taken(bands: list[Band], stop: int) -> tuple[Codes, Codes | None, list[Band]]:
    """The rows of `bands` up to row `stop` of the picture, and the bands that remain."""
    pixels: list[Codes] = []
    alphas: list[Codes] = []
    remaining: list[Band] = []
    for band in bands:
        count = min(max(stop - band.top, 0), band.rows)
        if count:
            pixels.append(band.pixels[:count])
            if band.alpha is not None:
                alphas.append(band.alpha[:count])
        if count < band.rows:
            alpha = None if band.alpha is None else band.alpha[count:]
            remaining.append(Band(band.top + count, band.pixels[count:], alpha))
    joined = np.ascontiguousarray(np.concatenate(pixels))
    return joined, np.concatenate(alphas) if alphas else None, remaining


def _halves(rows: int) -> list[slice]:
    half = (rows + 1) // 2
    return [slice(0, half), slice(half, rows)][: min(2, rows)]
