"""Look at the finished picture and say which pieces of it a test strip should show."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict
from typing import Annotated

import numpy as np
from pydantic import Field

from hotfolder import (
    Band,
    ConversionToCome,
    Findings,
    Hold,
    IntentChosen,
    Job,
    LossTolerance,
    Place,
    RasterSpec,
    Rendering,
    Role,
    Share,
    SharpeningToCome,
    SizeToCome,
    Stage,
    StageSettings,
    source_profile,
)
from hotfolder.colour import (
    ProfileError,
    Route,
    Transform,
    WorstPlaces,
    flattened,
    make_loss_lookup,
    round_trip_noise,
    to_lab,
)
from hotfolder_stages.test_strip.layout import cell
from hotfolder_stages.test_strip.telling import telling

_TOLERANCE = LossTolerance(3.0)


class StripPlacesSettings(StageSettings):
    """The table ``[stage.strip-places]``."""

    worst: Annotated[int, Field(ge=1, le=12)] = 4
    """The most pieces that show where colours are lost."""
    at: Annotated[tuple[tuple[Share, Share], ...], Field(max_length=12)] = ()
    """Places that the strip has to show, each as shares of the original's width and height, as in
    ``[["40 %", "30 %"]]``."""


class StripPlaces(Stage[StripPlacesSettings]):
    """Choose the pieces of a test strip, before the conversion; change no pixel."""

    name = "strip-places"
    Settings = StripPlacesSettings
    place = Place.FINISHED
    keeps_colours = True
    role = Role.PLACES
    comes_after = (SizeToCome, SharpeningToCome)

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Make the table of differences ready.

        Raises
        ------
        Hold
            ``no-profile``, ``wrong-profile`` or ``profiles-do-not-join``, as profile-conversion.
        """
        self._raster, self._job = raster, job
        self._source = source_profile(raster)
        conversion = job.told(ConversionToCome) or ConversionToCome()
        route = Route(
            self._source,
            job.profile,
            conversion.expected_intent,
            black_point_compensation=conversion.black_point_compensation,
            rendering=conversion.rendering,
            depth=conversion.depth,
        )
        size_px = (raster.width_px, raster.height_px)
        try:
            look_up = make_loss_lookup(
                route,
                precision=conversion.expected_precision,
                pixels=raster.width_px * raster.height_px,
            )
            noise = round_trip_noise(job.profile)
        except ProfileError as error:
            raise Hold(
                "profiles-do-not-join",
                f"No test strip can be made for this destination: the profile {error}. "
                f"Give the picture or the destination another profile, and drop it again.",
            ) from error
        tolerance = job.told(LossTolerance) or _TOLERANCE
        self._tolerance = max(tolerance.delta_e_00, noise.p99)
        self._collector = WorstPlaces(self._source, size_px, look_up, self._tolerance)
        return raster

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Gather, and pass every pixel on."""
        for band in bands:
            pixels = flattened(band.pixels, band.alpha, self._raster.encoding)
            self._collector.add(band.top, pixels)
            yield band

    def close(self) -> Findings:
        """Return the pieces, the worst first."""
        raster, reduced = self._raster, self._collector.reduced()
        chosen = telling(
            np.asarray(to_lab(self._source, reduced.pixels), dtype=np.float32),
            reduced.loss,
            reduced.shift,
            self._tolerance,
            (raster.width_px, raster.height_px),
            cell(raster.width_px, raster.height_px, raster.ppi),
            raster.face_px,
            self.settings.worst,
            self._find_asked(),
        )
        return {
            "tolerance_delta_e_00": round(self._tolerance, 3),
            "pieces": [{**asdict(piece), "why": list(piece.why)} for piece in chosen],
            "conversion_in_words": self._conversion_in_words(),
        }

    def _find_asked(self) -> list[tuple[tuple[float, float], str]]:
        """Places of the original that were named, as shares of the raster, with how."""
        raster = self._raster
        found = []
        for across, down in self.settings.at:
            x, y = raster.original_area.point(across, down)
            why = f"asked for, {100 * across:g} %, {100 * down:g} %"
            found.append(((x / raster.width_px, y / raster.height_px), why))
        return found

    def _conversion_in_words(self) -> str:
        conversion, chosen = self._job.told(ConversionToCome), self._job.told(IntentChosen)
        if conversion is None:
            return ""
        made = Transform(
            self._source,
            self._job.profile,
            chosen.intent if chosen else conversion.expected_intent,
            black_point_compensation=conversion.black_point_compensation,
            precision=conversion.precision,
            pixels=1,  # none is converted here
            rendering=chosen.rendering if chosen else conversion.rendering,
            depth=conversion.depth,
        )
        own = "" if made.rendering is Rendering.INTENT else f", {made.rendering}"
        if made.is_deepened:
            return f"{made.intent}{own}, depth"
        return f"{made.intent}{own}{'' if made.compensates else ', black not compensated'}"
