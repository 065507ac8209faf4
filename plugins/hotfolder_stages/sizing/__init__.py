"""The stage ``sizing``: the right number of pixels for the size that will hang or be shown.

The size is what the settings ask for, the resampling is Lanczos' without ringing (`resample`),
reductions in linear light and enlargements in the encoding (`domain`), rounding as in `geometry`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Annotated, Self

import numpy as np
from pydantic import Field, model_validator

from hotfolder import Band, Encoding, Findings, Job, RasterSpec, Stage, StageSettings
from hotfolder.raster.model import rebanded, rows_per_band
from hotfolder.units import MM_PER_INCH
from hotfolder_stages.sizing.domain import Codes, Domain, Planes, choose
from hotfolder_stages.sizing.geometry import Box, Mode, Plan, Side, plan
from hotfolder_stages.sizing.resample import Across, Down

__all__ = ["Sizing", "SizingSettings"]

SCREEN_PPI = 72.0
"""What a size in pixels is marked with when nothing is said; by convention, screens ignore it."""

_BLOCK_PX = 2_000_000
_OPAQUE = 65535
_WHITE = {
    Encoding.RGB: (65535, 65535, 65535),
    Encoding.GREY: (65535,),
    Encoding.CMYK: (0, 0, 0, 0),
    Encoding.LAB: (65535, 32896, 32896),
}
"""The medium's white: what a media-relative conversion leaves free of ink."""


class SizingSettings(StageSettings):
    """The table ``[stage.sizing]``.

    Give `long_edge`, or `short_edge`, or `width` and `height` (one of them is enough for
    ``inside``), each in mm, cm, m, in, ft, or px. ppi: pixels per inch of the result, needed
    unless the size is in px, which is marked with 72 when nothing is said. enlarge: whether a
    picture may get more pixels than it has; if not, a small one comes out smaller than asked.
    """

    long_edge: Side | None = None
    short_edge: Side | None = None
    width: Side | None = None
    height: Side | None = None
    mode: Mode = "inside"
    ppi: Annotated[float, Field(gt=0, le=20000)] | None = None
    enlarge: bool = True

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        sides = (self.long_edge, self.short_edge, self.width, self.height)
        ways = [self.long_edge, self.short_edge, self.width or self.height]
        if sum(each is not None for each in ways) != 1:
            raise ValueError("one of long_edge, short_edge, or width and height")
        if self.mode != "inside" and not (self.width and self.height):
            raise ValueError(f'both width and height with mode = "{self.mode}"')
        if self.ppi is None and any(side and side.unit == "mm" for side in sides):
            raise ValueError("ppi as well, as in ppi = 300, or a size in px")
        return self

    def box(self, ppi: float) -> Box:
        """What is asked for, in pixels."""
        sides = (self.width, self.height, self.long_edge, self.short_edge)
        return Box(*(side.px(ppi) if side else None for side in sides))


@dataclass(frozen=True)
class _Work:
    """What `bands` needs to know, decided in `open`."""

    source: RasterSpec
    plan: Plan
    domain: Domain | None


class Sizing(Stage[SizingSettings]):
    """Resample, crop and border a picture to the size asked for."""

    name = "sizing"
    Settings = SizingSettings

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Decide on the size; the result's ppi is that of the settings."""
        ppi = self.settings.ppi or SCREEN_PPI
        settings = self.settings
        made = plan(
            raster.width_px,
            raster.height_px,
            settings.box(ppi),
            settings.mode,
            enlarge=settings.enlarge,
        )
        same = (made.scaled_width_px, made.scaled_height_px) == (raster.width_px, raster.height_px)
        reduces = made.scaled_width_px * made.scaled_height_px < raster.width_px * raster.height_px
        domain = None if same else choose(raster, reduces=reduces)
        self._work = _Work(raster, made, domain)
        self._result = replace(
            raster,
            width_px=made.width_px,
            height_px=made.height_px,
            ppi=ppi,
            enlargement=raster.enlargement * made.scaled_width_px / raster.width_px,
        )
        return self._result

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Resample band by band; whatever the bands' height, the pixels are the same."""
        made = self._work.plan
        with ThreadPoolExecutor(2) as threads:
            scaled = _resampled(bands, self._work, threads)
            framed = _bordered(scaled, made, self._work.source)
            yield from rebanded(framed, rows_per_band(made.width_px))

    def close(self) -> Findings:
        """Say what was done: sizes, scale, and the domain of the resampling."""
        made, source, domain = self._work.plan, self._work.source, self._work.domain
        result = self._result
        mm_per_px = MM_PER_INCH / result.ppi
        scaled = made.scaled_width_px * made.scaled_height_px
        return {
            "mode": self.settings.mode,
            "from_width_px": source.width_px,
            "from_height_px": source.height_px,
            "width_px": made.width_px,
            "height_px": made.height_px,
            "width_mm": round(made.width_px * mm_per_px, 2),
            "height_mm": round(made.height_px * mm_per_px, 2),
            "ppi": result.ppi,
            "ppi_by_convention": self.settings.ppi is None,
            "scale": round(made.scaled_width_px / source.width_px, 6),
            "resampling": "Lanczos, three lobes, without ringing" if domain else "none",
            "domain": domain.name if domain else "none",
            "cropped_share": round(1 - made.kept_width_px * made.kept_height_px / scaled, 6),
            "bordered": made.has_border,
        }


def _resampled(bands: Iterable[Band], work: _Work, threads: Executor) -> Iterator[Band]:
    """The scaled picture without what is cropped; bands count from the first row that is kept."""
    made, domain = work.plan, work.domain
    columns = slice(made.crop_left_px, made.crop_left_px + made.kept_width_px)
    first, stop = made.crop_top_px, made.crop_top_px + made.kept_height_px
    if domain is None:
        yield from _cropped(bands, columns, first, stop)
        return
    across = Across(work.source.width_px, made.scaled_width_px)
    down = Down(work.source.height_px, made.scaled_height_px, first, stop)
    top = 0
    for piece in rebanded(bands, _rows_per_block(work)):
        planes = across(_planes(piece, domain), threads)
        mixed = down.push(np.ascontiguousarray(planes[:, :, columns]), threads)
        if mixed.shape[1]:
            yield _band(top, mixed, domain, has_alpha=work.source.has_alpha)
            top += mixed.shape[1]


def _rows_per_block(work: _Work) -> int:
    """Rows so many that neither they nor what becomes of them is large."""
    made, source = work.plan, work.source
    wide = max(source.width_px, made.scaled_width_px)
    rows_out_per_row = max(1.0, made.scaled_height_px / source.height_px)
    return max(1, int(_BLOCK_PX / (wide * rows_out_per_row)))


def _planes(band: Band, domain: Domain) -> Planes:
    """Numbers to be mixed; colour is multiplied by its alpha, which becomes the last plane."""
    planes = domain.to_planes(band.pixels)
    if band.alpha is None:
        return planes
    alpha = band.alpha.astype(np.float32) / np.float32(_OPAQUE)
    return np.concatenate([planes * alpha, alpha[None]])


def _band(top: int, mixed: Planes, domain: Domain, *, has_alpha: bool) -> Band:
    if not has_alpha:
        return Band(top, domain.to_codes(mixed))
    alpha = np.clip(mixed[-1], 0, 1)
    visible = np.maximum(alpha, np.float32(0.5 / _OPAQUE))
    codes = np.rint(alpha * np.float32(_OPAQUE)).astype(np.uint16)
    return Band(top, domain.to_codes(mixed[:-1] / visible), codes)


def _cropped(bands: Iterable[Band], columns: slice, first: int, stop: int) -> Iterator[Band]:
    for band in bands:
        start, end = max(first, band.top), min(stop, band.top + band.rows)
        if start < end:
            rows = slice(start - band.top, end - band.top)
            alpha = None if band.alpha is None else band.alpha[rows, columns]
            yield Band(start - first, np.ascontiguousarray(band.pixels[rows, columns]), alpha)


def _bordered(bands: Iterable[Band], made: Plan, spec: RasterSpec) -> Iterator[Band]:
    if not made.has_border:
        yield from bands
        return
    yield from _blank(0, made.border_top_px, made, spec)
    for band in bands:
        framed = _white(band.rows, made, spec)
        columns = slice(made.border_left_px, made.border_left_px + made.kept_width_px)
        framed[:, columns] = band.pixels
        alpha = None
        if band.alpha is not None:
            alpha = np.full((band.rows, made.width_px), _OPAQUE, np.uint16)
            alpha[:, columns] = band.alpha
        yield Band(made.border_top_px + band.top, framed, alpha)
    below = made.border_top_px + made.kept_height_px
    yield from _blank(below, made.height_px - below, made, spec)


def _blank(top: int, rows: int, made: Plan, spec: RasterSpec) -> Iterator[Band]:
    at_once = rows_per_band(made.width_px)
    for start in range(0, rows, at_once):
        count = min(at_once, rows - start)
        alpha = np.full((count, made.width_px), _OPAQUE, np.uint16) if spec.has_alpha else None
        yield Band(top + start, _white(count, made, spec), alpha)


def _white(rows: int, made: Plan, spec: RasterSpec) -> Codes:
    white = np.array(_WHITE[spec.encoding], np.uint16)
    return np.broadcast_to(white, (rows, made.width_px, spec.channels)).copy()
