"""Convert every band to the destination's profile."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from enum import StrEnum
from typing import ClassVar, Self

import imagecodecs
import numpy as np
from numpy.typing import NDArray
from pydantic import model_validator

from hotfolder import (
    Band,
    ColoursAhead,
    ConversionToCome,
    Findings,
    Hold,
    Intent,
    IntentChosen,
    IntentWish,
    Job,
    Json,
    Place,
    RasterSpec,
    ReachMeasured,
    Rendering,
    RenderingWish,
    ScratchRows,
    Stage,
    StageSettings,
    Way,
    Wish,
    rebanded,
    rows_per_band,
    source_profile,
)
from hotfolder.colour import (
    Bound,
    Codes,
    Precision,
    Profile,
    ProfileError,
    Reach,
    Transform,
    can_be_refined,
    find_reach,
    flattened,
    has_hues,
    reach_step,
)
from hotfolder_stages.profile_conversion.estimate import Estimate
from hotfolder_stages.profile_conversion.least_loss import (
    Choice,
    choose,
    list_ways,
    without_looking,
)
from hotfolder_stages.profile_conversion.reduction import ReadRows, Reduction, factor_of

PIXELS_PER_CALL = 4_000_000
"""LittleCMS's own grid is sampled anew at each call, so calls for it are large."""


MARKED_EVERY = 2
"""Of so many rows of a band, one is looked at for the points that the picture needs. Nearly all are
found so; the few others are made as they come."""

_IN_MEMORY_BYTES = 160 * 2**20
"""Bands that wait while a picture is looked at do so in memory up to this: 28 megapixels of three
channels. Of a larger picture they go on, where it can be looked at ahead of them."""


class IntentSetting(StrEnum):
    """The four intents, or what loses least of the picture: see `least_loss`."""

    PERCEPTUAL = Intent.PERCEPTUAL
    RELATIVE_COLORIMETRIC = Intent.RELATIVE_COLORIMETRIC
    SATURATION = Intent.SATURATION
    ABSOLUTE_COLORIMETRIC = Intent.ABSOLUTE_COLORIMETRIC
    LEAST_LOSS = "least loss"


class ProfileConversionSettings(StageSettings):
    """The table ``[stage.profile-conversion]``."""

    grants: ClassVar[tuple[type[Wish], ...]] = (IntentWish, RenderingWish)

    intent: IntentSetting = IntentSetting.RELATIVE_COLORIMETRIC
    """The rendering intent. Least loss compares all that the destination's profile allows for each
    picture, perceptual, relative colorimetric, refined and detail; it always compensates for black.
    Of a result above 28 megapixels it needs room on the disk for the pixels where the original lies
    on its side, or a stage before it changes colours."""
    rendering: Rendering = Rendering.INTENT
    """Refined searches by what the destination's profile measured and begins at its table's answer:
    nearer to the picture's colours, with no more ink. Detail does the same, and brings what the
    medium cannot make in along its hue, as far as the picture goes beyond the medium, so that
    neighbouring colours stay apart; it needs room on the disk where least loss does. Both are
    computed from the profile's measurements; a measured strip proves them. They go with relative
    colorimetric. Where a profile has no table (that of a screen, mostly) refined changes nothing;
    where it has no colours, detail is the same as refined."""
    depth: bool = False
    """Lay lightness onto the medium's range by a curve in place of black point compensation: middle
    tones keep their contrast, lights become lighter and darks darker, where a matte medium would
    look flat. It moves all colours of a picture. It goes with relative colorimetric, refined and
    detail; where the medium's black is as dark as the picture's (that of a screen, mostly) it
    changes nothing."""
    black_point_compensation: bool = True
    """Whether the picture's black becomes the medium's black, so that shadows keep their steps.
    Absolute colorimetric ignores this; least loss always does it."""
    precision: Precision = Precision.FINE
    """How closely the conversion follows the profiles. Exact takes about six times as long as
    fine."""

    def granting(self, wish: Wish) -> Mapping[str, Json]:
        """Convert with the intent or the rendering that is asked for."""
        if isinstance(wish, RenderingWish):
            return self._granting_rendering(wish.rendering)
        if not isinstance(wish, IntentWish):
            return {}
        # another intent is asked for this one picture, which nothing else here goes with
        if wish.intent != IntentSetting.RELATIVE_COLORIMETRIC:
            return Way().settings | {"intent": wish.intent}
        return {"intent": wish.intent}

    def _granting_rendering(self, name: str) -> Mapping[str, Json]:
        if name == Rendering.INTENT:
            return {"rendering": name, "depth": False}
        way = Way.named(name)
        changes: dict[str, Json] = dict(way.settings)
        # what cannot go beside it gives way: the rendering is what was asked for
        if way.rendering is not Rendering.INTENT or way.depth:
            changes |= {"precision": "fine"} if self.precision is Precision.FAST else {}
        if way.depth and not self.black_point_compensation:
            changes["black_point_compensation"] = True
        return changes

    @model_validator(mode="after")
    def _goes_together(self) -> Self:
        if self.rendering is not Rendering.INTENT:
            asked, without = f'rendering = "{self.rendering}"', 'rendering = "intent"'
        elif self.depth:
            asked, without = "depth = true", "depth = false"
        else:
            return self
        if self.intent is not IntentSetting.RELATIVE_COLORIMETRIC:
            raise ValueError(
                f'intent = "relative colorimetric" with {asked}; for intent = "{self.intent}", '
                f"{without}"
            )
        if self.precision is Precision.FAST:
            raise ValueError(
                f'precision = "fine" or "exact" with {asked}; for precision = "fast", {without}'
            )
        if self.depth and not self.black_point_compensation:
            raise ValueError(
                "black_point_compensation = true with depth = true, which takes its place"
            )
        return self


class ProfileConversion(Stage[ProfileConversionSettings]):
    """Convert to the medium's profile; alpha is laid onto the medium's white first."""

    name = "profile-conversion"
    Settings = ProfileConversionSettings
    place = Place.CONVERTED
    tells = (ConversionToCome, IntentChosen, ReachMeasured)

    def announce(self, job: Job) -> None:
        """Tell how the picture will be converted, for stages that show it or reckon with it."""
        settings, by_looking = self.settings, self._is_by_looking
        # the source is not known yet; where it is the destination's, all of them do nothing
        ways = self._ways(job.profile)
        job.tell(
            ConversionToCome(
                tuple(way.intent for way in ways if way.rendering is settings.rendering),
                black_point_compensation=by_looking or settings.black_point_compensation,
                precision=settings.precision,
                rendering=settings.rendering,
                depth=settings.depth,
                also=tuple(way.rendering for way in ways if way.rendering != settings.rendering),
            )
        )

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Make the conversion ready.

        Raises
        ------
        Hold
            ``no-profile`` or ``wrong-profile``: nobody knows what the numbers mean;
            ``profiles-do-not-join``: they are known, and cannot be converted all the same.
        """
        self._source = source_profile(raster)
        self._raster = raster
        self._job = job
        self._ahead = job.told(ColoursAhead)
        self._choice: Choice | None = None
        self._reach: Reach | None = None
        ways = self._ways(job.profile)
        if self._is_by_looking:
            self._choice = without_looking(self._source, job.profile, ways)
            self._tell_choice()
        try:
            self._transform = self._made(ways[0], is_used=not self._needs_to_look)
        except ProfileError as error:
            raise Hold(
                "profiles-do-not-join",
                f"The picture cannot be converted to this destination: the profile {error}. "
                f"Give the picture or the destination another profile, and drop it again.",
            ) from error
        self._estimate = Estimate(raster.width_px, raster.height_px)
        return replace(
            raster,
            encoding=job.profile.encoding,
            profile=job.profile,
            profile_problem="",
            profile_assumed=False,
            has_alpha=False,
        )

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Convert.

        With least loss and with detail, the picture is looked at first: ahead of its bands, or
        while all of them wait. A small picture's do so in any case: all its points are then made
        at once, which takes less time than a few for each band.
        """
        yield from self._in_order(bands)
        aside = ThreadPoolExecutor(1)  # while the last bands are written
        self._estimated = aside.submit(self._estimate.findings, self._transform)
        aside.shutdown(wait=False)

    def _in_order(self, bands: Iterable[Band]) -> Iterator[Band]:
        if self._needs_to_look:
            if self._ahead is None or self._is_small:
                yield from self._after_looking(bands)
                return
            self._look_ahead(self._ahead)
        if self.settings.precision is Precision.FAST and not self._transform.is_identity:
            bands = rebanded(bands, rows_per_band(self._raster.width_px, PIXELS_PER_CALL))
        for band in bands:
            pixels = flattened(band.pixels, band.alpha, self._raster.encoding)
            yield self._converted(band.top, pixels)

    def _converted(self, top: int, pixels: Codes) -> Band:
        made = self._transform.apply(pixels)
        self._estimate.note(top, pixels, made)
        return Band(top, made)

    def close(self) -> Findings:
        """Say which conversion it was, so that it can be repeated."""
        transform = self._transform
        return {
            "source": _named(transform.source),
            "destination": _named(transform.destination),
            "intent": str(transform.intent),
            "rendering": str(transform.rendering),
            "depth": transform.is_deepened,
            "reach": _reach_said(self._reach),
            "measurement_model_delta_e_00": _model_error(transform.model_error),
            "black_point_compensation": transform.compensates,
            "precision": str(transform.precision),
            "bound_delta_e_00": {
                **self._estimated.result(),
                **_described(transform.bound),
            },
            "flags": transform.flags,
            "engine": imagecodecs.cms_version(),
            "alpha_laid_onto_white": self._raster.has_alpha,
            "least_loss": self._choice.findings() if self._choice else None,
            "notes": list(transform.notes),
        }

    @property
    def _is_by_looking(self) -> bool:
        return self.settings.intent is IntentSetting.LEAST_LOSS

    @property
    def _needs_to_look(self) -> bool:
        if self._is_by_looking:
            return self._choice is None
        if self.settings.rendering is not Rendering.DETAIL or self._source == self._job.profile:
            return False
        return has_hues(self._job.profile)

    @property
    def _is_small(self) -> bool:
        """Whether all of the picture can wait in memory."""
        raster = self._raster
        return raster.width_px * raster.height_px * raster.channels * 2 <= _IN_MEMORY_BYTES

    def _ways(self, destination: Profile) -> tuple[Way, ...]:
        """What is chosen among; one way, unless with least loss."""
        settings = self.settings
        if self._is_by_looking:
            return list_ways(destination, settings.precision)
        return (Way(Intent(settings.intent), settings.rendering, settings.depth),)

    def _made(self, way: Way, *, is_used: bool = True) -> Transform:
        return Transform(
            self._source,
            self._job.profile,
            way.intent,
            black_point_compensation=self._is_by_looking or self.settings.black_point_compensation,
            precision=self.settings.precision,
            # without points, where it is only to be seen that the profiles join
            pixels=self._raster.width_px * self._raster.height_px if is_used else 0,
            rendering=way.rendering,
            depth=way.depth,
            reach=self._reach,
        )

    def _tell_choice(self) -> None:
        if self._choice is not None:
            way, reason = self._choice.way, self._choice.reason
            self._job.tell(IntentChosen(way.intent, reason, way.rendering))

    def _look_ahead(self, ahead: ColoursAhead) -> None:
        """Look at the picture's own pixels, while the first bands of it are on their way."""
        encoding = self._raster.encoding

        def read_rows(start: int, stop: int) -> Codes:
            (band,) = ahead.read([range(start, stop)])
            return flattened(band.pixels, band.alpha, encoding)

        base = self._base()
        size = (ahead.width_px, ahead.height_px)
        reduction, used = _reduction(size), self._transform.new_use()
        if not self._is_by_looking:
            for wanted in reduction.list_rows():
                for band in ahead.read(wanted):
                    pixels = flattened(band.pixels, band.alpha, encoding)
                    reduction.add(band.top, pixels)
                    used.add(pixels)
        self._get_ready(base, used.find(), lambda: self._look(size, read_rows, reduction))

    def _after_looking(self, bands: Iterable[Band]) -> Iterator[Band]:
        raster = self._raster
        base = self._base()
        path = self._job.folder / "profile-conversion.rows"
        with ScratchRows(
            path, raster.width_px, raster.channels, in_memory_bytes=_IN_MEMORY_BYTES
        ) as scratch:
            size = (raster.width_px, raster.height_px)
            reduction, used = _reduction(size), self._transform.new_use()
            for band in bands:
                pixels = flattened(band.pixels, band.alpha, raster.encoding)
                scratch.append(pixels)
                used.add(pixels[::MARKED_EVERY])
                if not self._is_by_looking:
                    reduction.add(band.top, pixels)
            self._get_ready(base, used.find(), lambda: self._look(size, scratch.read, reduction))
            is_fast = self.settings.precision is Precision.FAST
            rows = rows_per_band(raster.width_px, PIXELS_PER_CALL) if is_fast else None
            for top, pixels in scratch.pieces(rows):
                yield self._converted(top, pixels)

    def _base(self) -> Transform | None:
        """Make the conversion whose points detail's are made from, before anything is known."""
        if self._is_by_looking or not can_be_refined(self._job.profile):
            return None
        (way,) = self._ways(self._job.profile)
        return self._made(replace(way, rendering=Rendering.REFINED))

    def _get_ready(
        self, base: Transform | None, blocks: NDArray[np.int64], look: Callable[[], Way]
    ) -> None:
        """Look at the picture, and make all points that it needs at once: few cost as much."""
        with ThreadPoolExecutor(1) as beside:
            begun = beside.submit(base.make_ready, blocks) if base else None
            way = look()
            if begun:
                begun.result()
        self._transform = self._made(way)
        self._transform.make_ready(blocks)

    def _look(self, size: tuple[int, int], read_rows: ReadRows, reduction: Reduction) -> Way:
        """Measure what the way depends on, tell it, and return the way."""
        source, destination, settings = self._source, self._job.profile, self.settings
        if self._is_by_looking:
            self._choice = choose(source, destination, size, read_rows, self._ways(destination))
            way, reach = self._choice.way, self._choice.reach
        else:
            (way,) = self._ways(destination)
            reach = find_reach(source, destination, reduction.copy(), depth=settings.depth)
        if way.rendering is Rendering.DETAIL:
            self._reach = reach
            self._job.tell(ReachMeasured(reach))
        self._tell_choice()  # who waits for it finds the reach there
        return way


def _reduction(size: tuple[int, int]) -> Reduction:
    """Return what makes the copy of a picture by which detail is measured."""
    factor = factor_of(size)
    return Reduction(size, factor, reach_step(*(side // factor for side in size)))


def _named(profile: Profile) -> dict[str, str]:
    return {"description": profile.description, "sha256": profile.sha256}


def _model_error(bound: Bound | None) -> dict[str, float] | None:
    if bound is None:
        return None
    return {"mean": round(bound.mean, 4), "max": round(bound.largest, 3)}


def _described(bound: Bound) -> dict[str, float | int]:
    """Say how close the points of the grid lie, and how much is converted without it."""
    return {
        "measured_colours": bound.colours,
        "grid_points": bound.points,
        "exact_share_of_colours": round(bound.exact_share, 4),
    }


def _reach_said(reach: Reach | None) -> dict[str, float | str] | None:
    """Say how far the picture goes beyond the medium, and which table it was."""
    if reach is None:
        return None
    return {
        "largest": round(float(reach.table.max()), 3),
        "darkening": reach.direction.others,
        "darkening_of_blues": reach.direction.blues,
        "sha256": reach.sha256,
    }
