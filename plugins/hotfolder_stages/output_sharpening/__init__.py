"""The stage ``output-sharpening``: what ink, surface and distance soften, put back before.

It acts at the final size and before the conversion to the medium, on lightness only: width and
strength come from the medium (`strength`), what is detail and what is noise from the
surroundings of each pixel (`detail`), and colour stays what it was (`apply`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from itertools import pairwise
from typing import Annotated

import numpy as np
from pydantic import Field

from hotfolder import (
    MM_PER_INCH,
    Band,
    Findings,
    Job,
    LengthMm,
    Place,
    RasterSpec,
    SharpeningToCome,
    SizeToCome,
    Stage,
    StageSettings,
    rebanded,
    rows_per_band,
    source_profile,
)
from hotfolder.colour import Codes, cpu_count
from hotfolder_stages.output_sharpening import strength
from hotfolder_stages.output_sharpening.adding import AddedLightness
from hotfolder_stages.output_sharpening.apply import Plane, lightness_of
from hotfolder_stages.output_sharpening.detail import DetailFilter

__all__ = ["OutputSharpening", "OutputSharpeningSettings"]

SCREEN_PPI = 96.0
"""Assumed where neither file nor settings say a resolution; the unit px of web pages."""


class OutputSharpeningSettings(StageSettings):
    """The table ``[stage.output-sharpening]``."""

    spread: LengthMm | None = None
    """How much the medium softens detail: the sigma of a Gaussian. Follows from the medium's
    surface unless you set it."""
    amount: Annotated[float, Field(ge=0, le=5)] | None = None
    """Share of the detail that is added. Follows from spread and viewing distance unless you set
    it."""
    radius_px: Annotated[float, Field(ge=strength.MIN_RADIUS_PX, le=50)] | None = None
    """Sigma, in pixels, of the Gaussian that separates detail from the rest. Follows from viewing
    distance and ppi unless you set it."""
    halo_limit: Annotated[float, Field(gt=0, le=100)] = 10.0
    """The most by which a pixel's L* is raised or lowered. Less is added where its surroundings
    leave no room for it."""
    noise: Annotated[float, Field(ge=0, le=20)] = 0.5
    """Detail in L* that always counts as noise and is not sharpened."""
    most_noise: Annotated[float, Field(ge=0, le=20)] = 1.5
    """The most detail in L* that may count as noise, unless it is as even over all frequencies as
    white noise. When equal to `noise`, the picture's own noise is not measured."""


class OutputSharpening(Stage[OutputSharpeningSettings]):
    """Sharpen lightness for the medium and the distance it is looked at from."""

    name = "output-sharpening"
    Settings = OutputSharpeningSettings
    place = Place.FINISHED
    keeps_colours = True
    tells = (SharpeningToCome,)
    comes_after = (SizeToCome,)

    def announce(self, job: Job) -> None:
        """Tell that the picture is sharpened here."""
        job.tell(SharpeningToCome())

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
        self._spread_mm = settings.spread
        if self._spread_mm is None:
            self._spread_mm = strength.spread_mm(medium.surface)
        self._strength = strength.strength(
            self._spread_mm,
            medium.viewing_distance,
            self._ppi,
            radius=settings.radius_px,
            amount=settings.amount,
        )
        made = DetailFilter(
            self._strength.radius_px,
            self._strength.amount,
            settings.noise,
            settings.most_noise,
            settings.halo_limit,
            self._strength.frequency_per_mm * MM_PER_INCH / self._ppi,
        )
        self._added = AddedLightness(made, raster.height_px, raster.width_px)
        self._lightness = lightness_of(source_profile(raster))
        return raster

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Sharpen; each result sees the rows around it, also those of other bands."""
        if not self._strength.amount:
            yield from bands
            return
        waiting: list[Band] = []
        top = 0
        with ThreadPoolExecutor(cpu_count()) as threads:
            rows = rows_per_band(self._raster.width_px, height_px=self._raster.height_px)
            for band in rebanded(bands, rows):
                waiting.append(band)
                added = self._added.push(self._lightness_of(band.pixels, threads), threads)
                if len(added):
                    taken, waiting = _taken(waiting, top + len(added))
                    yield self._moved(taken, added, threads)
                    top += len(added)

    def close(self) -> Findings:
        """Say what was done, and how much of the picture met a limit."""
        used, pixels = self._strength, self._raster.width_px * self._raster.height_px
        mm_per_px = MM_PER_INCH / self._ppi
        # What noise, limits and the balance of light left of the amount, by the detail's power.
        applied = self._added.applied if used.amount else 0.0
        with_applied = 1 + (used.response - 1) * applied
        return {
            "radius_px": round(used.radius_px, 3),
            "radius_mm": round(used.radius_px * mm_per_px, 4),
            "amount": round(used.amount, 3),
            "surface": self._medium.surface.value,
            "spread_mm": self._spread_mm,
            "ppi": self._ppi,
            "ppi_assumed": not self._raster.ppi,
            "viewing_distance_mm": self._medium.viewing_distance,
            "best_seen_per_mm": round(used.frequency_per_mm, 4),
            "medium_leaves_share": round(used.transfer, 4),
            "meant_share": round(used.transfer * used.response, 4),
            "applied_amount_share": round(applied, 4),
            "with_sharpening_share": round(used.transfer * with_applied, 4),
            "halo_width_mm": round(strength.HALO_PER_RADIUS * used.radius_px * mm_per_px, 3),
            "halo_limit_l": self.settings.halo_limit,
            "capped_share": round(self._added.limited / pixels, 6),
            "left_alone_share": round(self._added.left_alone / pixels, 6) if used.amount else 1.0,
            "method": self._lightness.how,
        }

    def _lightness_of(self, pixels: Codes, threads: Executor) -> Plane:
        lightness = np.empty(pixels.shape[:2], np.float32)

        def work(part: slice) -> None:
            self._lightness.of(pixels[part], lightness[part])

        for _ in threads.map(work, _parts(len(pixels))):
            pass
        return lightness

    def _moved(self, bands: list[Band], added: Plane, threads: Executor) -> Band:
        """One band of several, with `added` L*."""
        top = bands[0].top
        out = np.empty((*added.shape, bands[0].pixels.shape[2]), np.uint16)

        def work(task: tuple[Band, slice]) -> None:
            band, part = task
            at = band.top - top
            rows = slice(at + part.start, at + part.stop)
            self._lightness.move(band.pixels[part], added[rows], out[rows])

        tasks = [(band, part) for band in bands for part in _parts(band.rows)]
        for _ in threads.map(work, tasks):
            pass
        alphas = [band.alpha for band in bands if band.alpha is not None]
        return Band(top, out, np.concatenate(alphas) if alphas else None)


def _taken(bands: list[Band], stop: int) -> tuple[list[Band], list[Band]]:
    """The rows of `bands` up to row `stop` of the picture, and those that remain."""
    taken, remaining = [], []
    for band in bands:
        count = min(max(stop - band.top, 0), band.rows)
        if count:
            taken.append(_part(band, 0, count))
        if count < band.rows:
            remaining.append(_part(band, count, band.rows))
    return taken, remaining


def _part(band: Band, start: int, stop: int) -> Band:
    alpha = None if band.alpha is None else band.alpha[start:stop]
    return Band(band.top + start, band.pixels[start:stop], alpha)


def _parts(rows: int) -> list[slice]:
    """Even parts, one for every core."""
    count = min(cpu_count(), rows)
    edges = [rows * each // count for each in range(count + 1)] if count else []
    return [slice(*each) for each in pairwise(edges)]
