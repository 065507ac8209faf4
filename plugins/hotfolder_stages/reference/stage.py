"""The stage ``reference``: find a 24-patch chart, and say what it tells of light and colours."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, ClassVar, Literal

from hotfolder import Band, Encoding, Findings, Hold, Job, RasterSpec, Stage, StageSettings
from hotfolder.raster.source_profile import source_profile
from hotfolder_stages.reference.finder import find_charts
from hotfolder_stages.reference.measure import measure_chart
from hotfolder_stages.reference.reduced import ReducedCopy


class ReferenceSettings(StageSettings):
    """The table ``[stage.reference]``.

    chart_values: which of colour-science's sets of values the chart's patches have:
    ``babel_average``, the mean of many charts; ``cc2005``, ``ccb2014`` for charts made before
    November 2014, ``cca2014`` for later ones.
    """

    only_looks: ClassVar[bool] = True

    chart_values: Literal["babel_average", "cc2005", "ccb2014", "cca2014"] = "babel_average"


class Reference(Stage[ReferenceSettings]):
    """Look for charts; the pixels pass through as they are."""

    name = "reference"
    Settings = ReferenceSettings

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Make ready for a smaller copy of the picture.

        Raises
        ------
        Hold
            ``no-profile`` or ``wrong-profile``, as profile-conversion; ``stage-order``: the
            picture is not the original any more.
        """
        before = job.original.spec
        places = (before.width_px, before.height_px, before.encoding)
        if places != (raster.width_px, raster.height_px, raster.encoding):
            raise Hold(
                "stage-order",
                "A chart's place and colours cannot be told, because reference stands behind a "
                "stage that changes the picture. Put it first in the destination's stages, and "
                "drop the picture again.",
            )
        self._profile = source_profile(raster)
        self._copy = ReducedCopy(raster)
        return raster

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Keep a smaller copy and pass every pixel on."""
        looks = self._profile.encoding is not Encoding.GREY
        for band in bands:
            if looks:
                self._copy.add(band)
            yield band

    def close(self) -> Findings:
        """Return the charts that are in the picture, best first."""
        if self._profile.encoding is Encoding.GREY:
            return {"charts": [], "not_looked": "The picture is grey; a chart is known by colours."}
        codes, space = self._copy.in_rgb(self._profile)
        found: list[dict[str, Any]] = []
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
        return {"charts": found}
