"""The stage ``ink-check``: whether the paper can take the ink that the separations lay on it.

It stands on the converted picture, where pixels are amounts of ink, and looks at every one of
them as it is written: where the result has 8 bits, after its dither. It never changes one: whoever
wants less ink at a place wants other separations, and those come from the profile.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, ClassVar

from pydantic import Field

from hotfolder import (
    Band,
    ConversionToCome,
    Dither,
    Encoding,
    Facts,
    Findings,
    Hold,
    InkLimit,
    Job,
    Json,
    Place,
    RasterSpec,
    Share,
    Stage,
    StageSettings,
    hookimpl,
    number_in,
    say_share,
)
from hotfolder_stages.ink_check.coverage import Coverage, measured

__all__ = ["DITHER_SLACK_PERCENT", "SLACK_PERCENT", "InkCheck", "InkCheckSettings"]

SLACK_PERCENT = 4 * 0.5 / 255 * 100
"""What rounding alone may add: half a step of 8 bits in each of four inks, 0.8 %.

Many profiles' tables and many results have 8 bits, so a separation made for exactly the limit
comes out up to this much above it.
"""

DITHER_SLACK_PERCENT = SLACK_PERCENT + 4 * 0.5 / 255 * 100
"""The same for a result of 8 bits, 1.6 %: its dither takes each ink to the code below or above, of
which the area's mean knows nothing.
"""

_NO_INKS = "The result is not made of cyan, magenta, yellow and black ink; nothing to measure."


class InkCheckSettings(StageSettings):
    """The table ``[stage.ink-check]``."""

    only_looks: ClassVar[bool] = True

    limit_percent: Annotated[float, Field(ge=100, le=400)] = 300.0
    """The most ink at one point: cyan, magenta, yellow and black added up, 100 % each."""
    hold_above_share: Share | None = None
    """Share of the picture that may be above the limit before the job is held; never, when it is
    not set. A pixel counts as above when it exceeds the limit by more than rounding to 8 bits can
    cause: 0.8 %, and 1.6 % in a result of 8 bits, which is dithered. What is measured are the codes
    as written."""


class InkCheck(Stage[InkCheckSettings]):
    """Measure the heaviest ink coverage, and hold a picture that the paper cannot take."""

    name = "ink-check"
    Settings = InkCheckSettings
    place = Place.CONVERTED
    tells = (InkLimit,)
    comes_after = (ConversionToCome,)

    def announce(self, job: Job) -> None:
        """Tell the limit, for stages that ask what the medium can make within it."""
        job.tell(InkLimit(self.settings.limit_percent))

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Look at what kind of pixels come in."""
        self._encoding = raster.encoding
        self._coverage = Coverage()
        self._dither: Dither | None = None
        self._slack_percent = SLACK_PERCENT
        if job.result.bits == 8 and self._encoding is Encoding.CMYK:
            self._dither = Dither(raster.width_px, raster.channels)
            self._slack_percent = DITHER_SLACK_PERCENT
        return raster

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Add up the inks of every pixel and pass it on."""
        for band in bands:
            if self._encoding is Encoding.CMYK:
                limit = self.settings.limit_percent + self._slack_percent
                found = measured(band.pixels, band.top, limit, self._dither)
                self._coverage = self._coverage.plus(found)
            yield band

    def close(self) -> Findings:
        """Return the maximum, where it is, and the share above the limit.

        Raises
        ------
        Hold
            ``too-much-ink``, when more than ``hold_above_share`` lies above the limit.
        """
        if self._encoding is not Encoding.CMYK:
            return {"measured": False, "note": _NO_INKS}
        coverage, limit = self._coverage, self.settings.limit_percent
        findings: dict[str, Json] = {
            "measured": True,
            "limit_percent": limit,
            "slack_percent": round(self._slack_percent, 3),
            "bits": 8 if self._dither else 16,
            "max_percent": round(coverage.max_percent, 2),
            "max_at_px": {"x": coverage.x_px, "y": coverage.y_px},
            "mean_percent": round(coverage.mean_percent, 2),
            "above_limit_share": round(coverage.share_above, 6),
        }
        allowed = self.settings.hold_above_share
        if allowed is not None and coverage.share_above > allowed:
            raise Hold(
                "too-much-ink",
                f"{say_share(coverage.share_above)} of the picture gets more ink than the limit "
                f"of {limit:g} % (allowed: {say_share(allowed)}); the most is "
                f"{coverage.max_percent:.0f} %, {coverage.x_px} px from the left and "
                f"{coverage.y_px} px from the top. Use a profile that is made for this limit, or "
                "release the picture if the printer says that this paper takes it.",
                findings,
                excess=coverage.share_above / max(allowed, 1e-9),
            )
        return findings

    @classmethod
    @hookimpl
    def hotfolder_facts(cls, findings: Findings, settings: Mapping[str, Json]) -> Facts:
        """Say how much ink there is, and how much there may be."""
        return Facts(
            ink_max_percent=number_in(findings, "max_percent"),
            ink_limit_percent=number_in(findings, "limit_percent"),
            ink_above_share=number_in(findings, "above_limit_share"),
        )
