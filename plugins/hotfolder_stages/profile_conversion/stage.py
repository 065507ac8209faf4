"""Convert every band to the destination's profile."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from enum import StrEnum
from typing import ClassVar, Self

import imagecodecs
from pydantic import model_validator

from hotfolder import (
    Band,
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
    Rendering,
    ScratchRows,
    Stage,
    StageSettings,
    Wish,
    rebanded,
    rows_per_band,
    source_profile,
)
from hotfolder.colour import Bound, Codes, Precision, Profile, ProfileError, Transform, flattened
from hotfolder_stages.profile_conversion.estimate import Estimate
from hotfolder_stages.profile_conversion.least_loss import INTENTS, Choice, choose, without_looking

PIXELS_PER_CALL = 4_000_000
"""LittleCMS's own grid is sampled anew at each call, so calls for it are large."""


class IntentSetting(StrEnum):
    """The four intents, or that of two which loses less of the picture: see `least_loss`."""

    PERCEPTUAL = Intent.PERCEPTUAL
    RELATIVE_COLORIMETRIC = Intent.RELATIVE_COLORIMETRIC
    SATURATION = Intent.SATURATION
    ABSOLUTE_COLORIMETRIC = Intent.ABSOLUTE_COLORIMETRIC
    LEAST_LOSS = "least loss"


class ProfileConversionSettings(StageSettings):
    """The table ``[stage.profile-conversion]``."""

    grants: ClassVar[tuple[type[Wish], ...]] = (IntentWish,)

    intent: IntentSetting = IntentSetting.RELATIVE_COLORIMETRIC
    """The rendering intent. Least loss compares perceptual and relative colorimetric for each
    picture, which needs room on the disk for the picture's pixels; it always compensates for
    black."""
    rendering: Rendering = Rendering.INTENT
    """Refined searches by what the destination's profile measured and begins at its table's
    answer: nearer to the picture's colours, with no more ink. It is computed from the profile's
    measurements; a measured strip proves it. It goes with relative colorimetric; where a profile
    has no table (that of a screen, mostly) it changes nothing."""
    black_point_compensation: bool = True
    """Whether the picture's black becomes the medium's black, so that shadows keep their steps.
    Absolute colorimetric ignores this; least loss always does it."""
    precision: Precision = Precision.FINE
    """How closely the conversion follows the profiles. Exact takes about six times as long as
    fine."""

    def granting(self, wish: Wish) -> Mapping[str, Json]:
        """Convert with the intent that is asked for."""
        if not isinstance(wish, IntentWish):
            return {}
        # another intent is asked for this one picture, which `refined` has no answer to
        if wish.intent != IntentSetting.RELATIVE_COLORIMETRIC:
            return {"intent": wish.intent, "rendering": str(Rendering.INTENT)}
        return {"intent": wish.intent}

    @model_validator(mode="after")
    def _goes_with_refined(self) -> Self:
        if self.rendering is Rendering.REFINED:
            if self.intent is not IntentSetting.RELATIVE_COLORIMETRIC:
                raise ValueError(
                    f'intent = "relative colorimetric" with rendering = "refined"; for intent = '
                    f'"{self.intent}", rendering = "intent"'
                )
            if self.precision is Precision.FAST:
                raise ValueError(
                    'precision = "fine" or "exact" with rendering = "refined"; for precision = '
                    '"fast", rendering = "intent"'
                )
        return self


class ProfileConversion(Stage[ProfileConversionSettings]):
    """Convert to the medium's profile; alpha is laid onto the medium's white first."""

    name = "profile-conversion"
    Settings = ProfileConversionSettings
    place = Place.CONVERTED
    tells = (ConversionToCome, IntentChosen)

    def announce(self, job: Job) -> None:
        """Tell how the picture will be converted, for stages that show it or reckon with it."""
        settings, by_looking = self.settings, self._is_by_looking
        job.tell(
            ConversionToCome(
                INTENTS if by_looking else (Intent(settings.intent),),
                black_point_compensation=by_looking or settings.black_point_compensation,
                precision=settings.precision,
                rendering=settings.rendering,
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
        self._choice: Choice | None = None
        if self._is_by_looking:
            self._choice = without_looking(self._source, job.profile)
            self._tell_choice()
        intents = INTENTS if self._is_by_looking else (Intent(self.settings.intent),)
        try:
            self._transforms = {intent: self._made(job.profile, intent) for intent in intents}
        except ProfileError as error:
            raise Hold(
                "profiles-do-not-join",
                f"The picture cannot be converted to this destination: the profile {error}. "
                f"Give the picture or the destination another profile, and drop it again.",
            ) from error
        self._transform = self._transforms[intents[0]]
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

        With least loss, all of them come in before the first comes out.
        """
        if len(self._transforms) > 1 and self._choice is None:
            yield from self._after_looking(bands)
            return
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
            "measurement_model_delta_e_00": _model_error(transform.model_error),
            "black_point_compensation": transform.compensates,
            "precision": str(transform.precision),
            "bound_delta_e_00": {
                **self._estimate.findings(transform),
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

    def _made(self, destination: Profile, intent: Intent) -> Transform:
        return Transform(
            self._source,
            destination,
            intent,
            black_point_compensation=self._is_by_looking or self.settings.black_point_compensation,
            precision=self.settings.precision,
            rendering=self.settings.rendering,
            pixels=self._raster.width_px * self._raster.height_px,
        )

    def _tell_choice(self) -> None:
        if self._choice is not None:
            self._job.tell(IntentChosen(self._choice.intent, self._choice.reason))

    def _after_looking(self, bands: Iterable[Band]) -> Iterator[Band]:
        raster = self._raster
        path = self._job.folder / "profile-conversion.rows"
        with ScratchRows(path, raster.width_px, raster.channels) as scratch:
            for band in bands:
                scratch.append(flattened(band.pixels, band.alpha, raster.encoding))
            size = (raster.width_px, raster.height_px)
            self._choice = choose(self._source, self._transform.destination, size, scratch.read)
            self._tell_choice()
            self._transform = self._transforms[self._choice.intent]
            for top, pixels in scratch.pieces(rows_per_band(raster.width_px, PIXELS_PER_CALL)):
                yield self._converted(top, pixels)


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
