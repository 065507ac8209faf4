"""Look at the finished picture and say which pieces of it a test strip should show."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict
from typing import Annotated

import numpy as np
from pydantic import Field

from hotfolder.colour.encodings import flattened
from hotfolder.colour.profile import ProfileError
from hotfolder.colour.transform import to_lab
from hotfolder.errors import Hold
from hotfolder.model.intent import Intent
from hotfolder.raster.picture import Band, RasterSpec, rebanded
from hotfolder.raster.source_profile import source_profile
from hotfolder.stages.contract import Findings, Job, Stage, StageSettings
from hotfolder_stages.gamut_check.loss import Route, round_trip_noise
from hotfolder_stages.gamut_check.table import make_lookup
from hotfolder_stages.proof_sheet.collect import Collector
from hotfolder_stages.test_strip.layout import cell
from hotfolder_stages.test_strip.telling import telling

_TOLERANCE = 3.0


class StripPlacesSettings(StageSettings):
    """The table ``[stage.strip-places]``. worst: how many pieces show what is lost, at most."""

    worst: Annotated[int, Field(ge=1, le=12)] = 4


class StripPlaces(Stage[StripPlacesSettings]):
    """Choose the pieces of a test strip; stands before profile-conversion, pixels pass through."""

    name = "strip-places"
    Settings = StripPlacesSettings

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Make the table of differences ready.

        Raises
        ------
        Hold
            ``no-profile``, ``wrong-profile`` or ``profiles-do-not-join``, as profile-conversion.
        """
        self._raster = raster
        self._source = source_profile(raster)
        conversion = job.settings.get("profile-conversion")
        asked = str(getattr(conversion, "intent", ""))
        intent = Intent(asked) if asked in list(Intent) else Intent.RELATIVE_COLORIMETRIC
        compensates = getattr(conversion, "black_point_compensation", True)
        route = Route(self._source, job.profile, intent, black_point_compensation=compensates)
        try:
            look_up, noise = make_lookup(route), round_trip_noise(job.profile)
        except ProfileError as error:
            raise Hold(
                "profiles-do-not-join",
                f"No test strip can be made for this destination: the profile {error}. "
                f"Give the picture or the destination another profile.",
            ) from error
        tolerance = getattr(job.settings.get("gamut-check"), "tolerance", _TOLERANCE)
        self._tolerance = max(tolerance, noise.p99)
        self._collector = Collector(raster, look_up, self._tolerance)
        return raster

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Gather, and pass every pixel on."""
        for band in rebanded(bands, self._collector.rows):
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
            self.settings.worst,
        )
        return {
            "tolerance_delta_e_00": round(self._tolerance, 3),
            "pieces": [{**asdict(piece), "why": list(piece.why)} for piece in chosen],
        }
