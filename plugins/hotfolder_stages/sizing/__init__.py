"""The stage ``sizing``: the right number of pixels for the size that will hang or be shown.

What is asked for and what becomes of a picture by it is decided in `request`, with the rounding
of `geometry`; the resampling is Lanczos' without ringing (`resample`), reductions in linear light
and enlargements in the encoding (`domain`); an enlargement is given beforehand what it would lose
(`back_projection`); border and wrap are put around it in `surround`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TypeVar

import numpy as np

from hotfolder import (
    CLOSE_LOOKING,
    MM_PER_INCH,
    Area,
    Band,
    ColoursAhead,
    Cropped,
    Facts,
    Findings,
    Hold,
    Job,
    Json,
    OwnPixels,
    Place,
    RasterSpec,
    SizeToCome,
    Stage,
    hookimpl,
    largest_mm,
    needed_ppi,
    number_in,
    rebanded,
    rows_per_band,
)
from hotfolder.colour import cpu_count
from hotfolder_stages.sizing.back_projection import BackProjection
from hotfolder_stages.sizing.colour import codes_of
from hotfolder_stages.sizing.crop import WORTH_SHOWING, find_kept, find_ways_on, say_crop
from hotfolder_stages.sizing.domain import Domain, Samples, choose
from hotfolder_stages.sizing.geometry import Plan
from hotfolder_stages.sizing.overview import Overview
from hotfolder_stages.sizing.request import Request, SizingSettings, request
from hotfolder_stages.sizing.resample import Across, Down
from hotfolder_stages.sizing.surround import bordered, wrapped

__all__ = ["Sizing", "SizingSettings"]

Task = TypeVar("Task")

_BLOCK_PX = 1_500_000
_ROWS_PER_TASK = 64
_ROWS_AT_ONCE = 8
_OPAQUE = 65535

_METHODS = {
    False: "Lanczos, three lobes, without ringing",
    True: "back-projection, then Lanczos, three lobes, without ringing",
}


@dataclass(frozen=True)
class _Work:
    """What `bands` needs to know, decided in `open`."""

    source: RasterSpec
    plan: Plan
    domain: Domain | None
    enlarges: bool


class Sizing(Stage[SizingSettings]):
    """Resample, crop, border and wrap a picture to the size asked for."""

    name = "sizing"
    Settings = SizingSettings
    place = Place.FINISHED
    keeps_colours = True
    tells = (SizeToCome, OwnPixels, Cropped, ColoursAhead)

    def announce(self, job: Job) -> None:
        """Tell that the picture gets its final size here."""
        job.tell(SizeToCome())

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Decide on the size; the result's ppi is that of the settings.

        Raises
        ------
        Hold
            ``wrap-too-wide``; ``no-profile`` for a border of a given colour.
        """
        self._distance_mm = job.medium.viewing_distance
        self._request = made = request(self.settings, raster, self._distance_mm)
        front = made.front
        pixels = (raster.width_px, raster.height_px)
        scaled = (front.scaled_width_px, front.scaled_height_px)
        reduces = math.prod(scaled) < math.prod(pixels)
        domain = None if scaled == pixels else choose(raster, reduces=reduces)
        self._work = _Work(raster, front, domain, enlarges=domain is not None and not reduces)
        self._job = job
        self._overview = Overview(raster) if made.cropped_share > WORTH_SHOWING else None
        self._own: OwnPixels | None = None
        ahead = job.told(ColoursAhead)
        if ahead and made.cropped_share:
            job.tell(ahead.cut(*_kept((ahead.width_px, ahead.height_px), front)))
        if self._work.enlarges:
            job.tell(own := _own_pixels(raster, made))
            self._own = own
        self._border_colour = self._wrap_colour = np.empty(0, np.uint16)
        if front.border:
            self._border_colour = codes_of(self.settings.border_colour, raster)
        if self._plain_wrap:
            self._wrap_colour = codes_of(self.settings.wrap_colour, raster)
        return replace(
            raster,
            width_px=made.width_px,
            height_px=made.height_px,
            ppi=made.ppi,
            enlargement=raster.enlargement * front.scaled_width_px / raster.width_px,
            front_px=made.trim_px,
            bleed_px=made.bleed_px,
            original_at=raster.original_area.placed(
                made.wrap.left + front.border_left_px - front.crop_left_px,
                made.wrap.top + front.border_top_px - front.crop_top_px,
                (scaled[0] / raster.width_px, scaled[1] / raster.height_px),
            ),
        )

    def review(self, result: RasterSpec) -> None:
        """See whether too much of the picture is cut off.

        Raises
        ------
        Hold
            ``cropped``, when more than ``hold_above_cropped`` is.
        """
        share, limit = self._request.cropped_share, self.settings.hold_above_cropped
        if limit is not None and share > limit:
            raise Hold(
                "cropped",
                say_crop(self._request, self._work.source, limit, self.settings.anchor),
                excess=share / max(limit, 1e-9),
                remedies=find_ways_on(self.settings),
            )

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Resample block by block; whatever the bands' height, the pixels are the same."""
        made, front = self._request, self._work.plan
        size = (front.width_px, front.height_px)
        if self._overview:
            bands = _gathered(bands, self._overview)
        if self._own and self._own.watchers:
            bands = _watched(bands, self._work, self._own)
        with ThreadPoolExecutor(cpu_count()) as threads:
            flow: Iterable[Band] = _resampled(bands, self._work, threads)
            if front.border:
                kept = (front.kept_width_px, front.kept_height_px)
                flow = bordered(flow, *kept, front.border, self._border_colour)
            if self._plain_wrap:
                flow = bordered(flow, *size, made.wrap, self._wrap_colour)
            elif made.wrap:
                flow = wrapped(flow, size[1], made.wrap, self.settings.wrap_edges)
            if (
                front.scaled_width_px < self._work.source.width_px
            ):  # of each block few rows are left
                flow = rebanded(flow, rows_per_band(made.width_px, height_px=made.height_px))
            yield from flow

    def close(self) -> Findings:
        """Say what was done, and what the picture's own pixels allow."""
        made, work = self._request, self._work
        front, source, domain = work.plan, work.source, work.domain
        settings, mm_per_px = self.settings, MM_PER_INCH / made.ppi
        if self._overview:
            whole = self._overview.picture()
            self._job.tell(Cropped(made.cropped_share, find_kept(front), whole, source))
        return {
            "mode": settings.mode,
            "from_width_px": source.width_px,
            "from_height_px": source.height_px,
            "width_px": made.width_px,
            "height_px": made.height_px,
            "width_mm": round(made.width_px * mm_per_px, 2),
            "height_mm": round(made.height_px * mm_per_px, 2),
            "ppi": made.ppi,
            "ppi_by_convention": not (
                settings.ppi or settings.native_ppi or made.ppi == source.ppi
            ),
            "scale": round(front.scaled_width_px / source.width_px, 6),
            "resampling": _METHODS[work.enlarges] if domain else "none",
            "domain": domain.name if domain else "none",
            "cropped_share": round(made.cropped_share, 6),
            "bordered": bool(front.border),
            "trim_px": _trim(made),
            "bleed_px": made.bleed_px,
            "wrap_edges": settings.wrap_edges if made.wrap else "none",
            **self._enough(),
        }

    @classmethod
    @hookimpl
    def hotfolder_facts(cls, findings: Findings, settings: Mapping[str, Json]) -> Facts:
        """Say how much is cut off."""
        return Facts(cropped_share=number_in(findings, "cropped_share"))

    @property
    def _plain_wrap(self) -> bool:
        return bool(self._request.wrap) and self.settings.wrap_edges == "plain"

    def _enough(self) -> dict[str, Json]:
        """The picture's own pixels per inch beside what the distance needs."""
        front, source = self._work.plan, self._work.source
        needs = needed_ppi(self._distance_mm)
        # Of the original's pixels, those that are seen.
        shown = source.width_px / front.scaled_width_px
        kept = (front.kept_width_px * shown, front.kept_height_px * shown)
        enlargement = source.enlargement * front.scaled_width_px / source.width_px
        return {
            "enlargement": round(enlargement, 4),
            "effective_ppi": round(self._request.ppi / enlargement, 1),
            "viewing_distance_mm": self._distance_mm,
            "needed_ppi": round(needs, 1),
            "needed_ppi_close": round(needs * CLOSE_LOOKING, 1),
            "largest_sharp_mm": largest_mm(*kept, needs) if needs else None,
            "largest_sharp_close_mm": largest_mm(*kept, CLOSE_LOOKING * needs) if needs else None,
        }


def _own_pixels(raster: RasterSpec, made: Request) -> OwnPixels:
    """The source's pixels of which something is kept, and where they lie in the result."""
    front = made.front
    columns, rows = _kept((raster.width_px, raster.height_px), front)
    scale = (front.scaled_width_px / raster.width_px, front.scaled_height_px / raster.height_px)
    kept = replace(raster, width_px=len(columns), height_px=len(rows))
    left = made.wrap.left + front.border_left_px - front.crop_left_px + columns.start * scale[0]
    top = made.wrap.top + front.border_top_px - front.crop_top_px + rows.start * scale[1]
    return OwnPixels(kept, Area(left, top, len(columns) * scale[0], len(rows) * scale[1]))


def _kept(size: tuple[int, int], front: Plan) -> tuple[range, range]:
    """Columns and rows of a source of a size of which more than half is kept, at least one each."""
    width_px, height_px = size
    found = []
    for side, scaled, crop, kept in (
        (width_px, front.scaled_width_px, front.crop_left_px, front.kept_width_px),
        (height_px, front.scaled_height_px, front.crop_top_px, front.kept_height_px),
    ):
        start = min(side - 1, (2 * crop * side + scaled) // (2 * scaled))
        stop = (2 * (crop + kept) * side + scaled) // (2 * scaled)
        found.append(range(start, min(side, max(start + 1, stop))))
    return found[0], found[1]


def _gathered(bands: Iterable[Band], overview: Overview) -> Iterator[Band]:
    for band in bands:
        overview.add(band)
        yield band


def _watched(bands: Iterable[Band], work: _Work, own: OwnPixels) -> Iterator[Band]:
    """Show what is kept of each band to whoever looks, and pass all of it on."""
    columns, rows = _kept((work.source.width_px, work.source.height_px), work.plan)
    across = slice(columns.start, columns.stop)
    for band in bands:
        for piece in _cropped([band], across, rows.start, rows.stop):
            for take in own.watchers:
                take(piece)
        yield band


def _trim(made: Request) -> dict[str, int]:
    """The front without bleed and wrap: its place in the result."""
    return {
        "left": made.wrap.left + made.bleed_px,
        "top": made.wrap.top + made.bleed_px,
        "width": made.trim_px[0],
        "height": made.trim_px[1],
    }


def _resampled(bands: Iterable[Band], work: _Work, threads: Executor) -> Iterator[Band]:
    """The scaled picture without what is cropped; bands count from the first row that is kept."""
    made, domain = work.plan, work.domain
    columns = slice(made.crop_left_px, made.crop_left_px + made.kept_width_px)
    first, stop = made.crop_top_px, made.crop_top_px + made.kept_height_px
    if domain is None:
        yield from _cropped(bands, columns, first, stop)
        return
    source = work.source
    planes = source.channels + source.has_alpha
    across = Across(source.width_px, made.scaled_width_px, columns)
    # The direction that leaves fewer numbers for the other, and is the cheaper one, first.
    narrower = made.scaled_width_px < source.width_px
    width_px = source.width_px if narrower else made.kept_width_px
    down = Down(source.height_px, made.scaled_height_px, slice(first, stop), (width_px, planes))

    back = BackProjection(
        (source.width_px, source.height_px), (made.scaled_width_px, made.scaled_height_px), planes
    )

    def take(task: tuple[Band, Samples, slice]) -> None:
        band, room, rows = task
        samples = _samples(domain, band, rows)
        if work.enlarges or narrower:
            room[rows] = samples
        else:
            across.mix(samples, room[rows])

    def correct(task: tuple[Samples, slice]) -> None:
        room, rows = task
        start = back.ready.start
        samples = back.mix(range(start + rows.start, start + rows.stop))
        if narrower:
            room[rows] = samples
        else:
            across.mix(samples, room[rows])

    def give(task: tuple[Band, range]) -> None:
        band, rows = task
        # What is mixed is still in the core's cache when it is made into codes.
        step = _ROWS_PER_TASK if narrower else _ROWS_AT_ONCE
        for start in range(rows.start, rows.stop, step):
            mixed = down.mix(range(start, min(start + step, rows.stop)))
            if narrower:
                samples = mixed
                mixed = np.empty((len(samples), made.kept_width_px, planes), np.float32)
                across.mix(samples, mixed)
            _fill(band, start - first - band.top, domain, mixed)

    for piece in rebanded(bands, _rows_per_block(work)):
        room = (back if work.enlarges else down).room(piece.rows)
        _do_all(threads, take, [(piece, room, rows) for rows in _parts(range(piece.rows))])
        if work.enlarges:
            room = down.room(len(back.ready))
            _do_all(threads, correct, [(room, rows) for rows in _parts(range(len(room)))])
            back.go_on()
        ready = down.ready
        for part in _split(ready, rows_per_band(made.kept_width_px)):
            band = _empty(part.start - first, len(part), work)
            _do_all(threads, give, [(band, range(each.start, each.stop)) for each in _parts(part)])
            yield band
        down.go_on()


def _do_all(threads: Executor, work: Callable[[Task], None], tasks: list[Task]) -> None:
    for _ in threads.map(work, tasks):
        pass


def _parts(rows: range) -> list[slice]:
    """Even parts, as many for every thread."""
    cores = cpu_count()
    count = cores * math.ceil(len(rows) / cores / _ROWS_PER_TASK)
    edges = [rows.start + len(rows) * each // count for each in range(count + 1)] if count else []
    return [slice(*each) for each in pairwise(edges) if each[0] < each[1]]


def _split(rows: range, most: int) -> list[range]:
    """Even parts of not more than so many rows, so that a band is given free when it is done."""
    count = -(-len(rows) // most)
    edges = [rows.start + len(rows) * each // count for each in range(count + 1)] if count else []
    return [range(*each) for each in pairwise(edges)]


def _rows_per_block(work: _Work) -> int:
    """Rows so many that neither they nor what becomes of them is large."""
    made, source = work.plan, work.source
    wide = max(source.width_px, made.scaled_width_px)
    rows_out_per_row = max(1.0, made.scaled_height_px / source.height_px)
    return max(1, int(_BLOCK_PX / (wide * rows_out_per_row)))


def _samples(domain: Domain, band: Band, rows: slice) -> Samples:
    """Numbers to be mixed; colour is multiplied by its alpha, which becomes the last plane."""
    samples = domain.to_samples(band.pixels[rows])
    if band.alpha is None:
        return samples
    alpha = (band.alpha[rows].astype(np.float32) / np.float32(_OPAQUE))[..., None]
    return np.concatenate([samples * alpha, alpha], axis=-1)


def _empty(top: int, rows: int, work: _Work) -> Band:
    size = (rows, work.plan.kept_width_px)
    alpha = np.empty(size, np.uint16) if work.source.has_alpha else None
    return Band(top, np.empty((*size, work.source.channels), np.uint16), alpha)


def _fill(band: Band, start: int, domain: Domain, mixed: Samples) -> None:
    """Codes of what was mixed, into the rows of a band from `start` on."""
    rows = slice(start, start + len(mixed))
    if band.alpha is not None:
        alpha = mixed[..., -1]
        band.alpha[rows] = np.rint(np.clip(alpha, 0, 1) * np.float32(_OPAQUE))
        # By alpha before it is clipped: colour has gone beyond its range by the same factor.
        visible = np.maximum(alpha, np.float32(0.5 / _OPAQUE))[..., None]
        mixed = np.divide(mixed[..., :-1], visible, dtype=np.float32)
    domain.to_codes(mixed, band.pixels[rows])


def _cropped(bands: Iterable[Band], columns: slice, first: int, stop: int) -> Iterator[Band]:
    for band in bands:
        start, end = max(first, band.top), min(stop, band.top + band.rows)
        if start < end:
            rows = slice(start - band.top, end - band.top)
            alpha = None if band.alpha is None else band.alpha[rows, columns]
            yield Band(start - first, np.ascontiguousarray(band.pixels[rows, columns]), alpha)
