"""The stage ``reference``: find a 24-patch chart, and say what it tells of light and colours."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import ClassVar, Literal

from hotfolder import (
    Band,
    Encoding,
    Findings,
    Hold,
    Job,
    Json,
    Place,
    RasterSpec,
    Stage,
    StageSettings,
    source_profile,
)
from hotfolder.colour import Profile
from hotfolder_stages.reference.finder import find_charts
from hotfolder_stages.reference.measure import measure_chart
from hotfolder_stages.reference.reduced import ReducedCopy, srgb


class ReferenceSettings(StageSettings):
    """The table ``[stage.reference]``."""

    only_looks: ClassVar[bool] = True

    chart_values: Literal["babel_average", "cc2005", "ccb2014", "cca2014"] = "babel_average"
    """Which values the chart's patches have, by colour-science's names: the mean of many charts,
    those of 2005, those of charts made before November 2014, or of later ones."""


class Reference(Stage[ReferenceSettings]):
    """Find 24-patch charts and say what they tell of light and colours."""

    name = "reference"
    Settings = ReferenceSettings
    place = Place.ORIGINAL

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Make ready for a smaller copy of the picture.

        A picture without a profile is no reason to hold it here: another stage may assume one.
        RGB is then measured as sRGB, and that is said.
        """
        self._said: dict[str, Json] = {}
        self._profile = self._meaning(raster)
        self._copy = None if self._profile is None else ReducedCopy(raster)
        return raster

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Keep a smaller copy and pass every pixel on."""
        for band in bands:
            if self._copy is not None:
                self._copy.add(band)
            yield band

    def close(self) -> Findings:
        """Return the charts that are in the picture, best first."""
        found: list[dict[str, Json]] = []
        if self._copy is not None and self._profile is not None:
            codes, space = self._copy.in_rgb(self._profile)
            for chart in find_charts(space.light(codes)):
                centres = self._copy.to_picture(chart.centres)
                found.append(
                    {
                        "centres_px": [[round(x, 2), round(y, 2)] for x, y in centres.tolist()],
                        "score": round(chart.score, 3),
                        "patch_distance_px": round(chart.pitch_px * self._copy.factor, 1),
                        **measure_chart(codes, space, chart, self.settings.chart_values),
                    }
                )
            self._copy = None
        return {"charts": found, **self._said}

    def _meaning(self, raster: RasterSpec) -> Profile | None:
        """Return the profile to measure with; None, and why, when nothing can be looked for."""
        if raster.encoding is Encoding.GREY:
            self._said["not_looked"] = "The picture is grey; a chart is known by its colours."
            return None
        try:
            profile = source_profile(raster)
        except Hold as hold:
            if raster.encoding is not Encoding.RGB:
                self._said["not_looked"] = hold.message
                return None
            profile = srgb()
            self._said["profile_assumed"] = profile.description
            return profile
        if raster.profile_assumed:
            self._said["profile_assumed"] = profile.description
        return profile
