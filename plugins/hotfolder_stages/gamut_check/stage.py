"""Measure every band against the destination; only look, change nothing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from hotfolder.colour.difference import DifferenceStatistics
from hotfolder.colour.encodings import flattened
from hotfolder.colour.profile import ProfileError
from hotfolder.colour.slabs import over_slabs
from hotfolder.colour.source import source_profile
from hotfolder.colour.transform import Intent
from hotfolder.errors import Hold
from hotfolder.raster.model import Band, RasterSpec
from hotfolder.stage import Findings, Job, Stage, StageSettings
from hotfolder.units import Share
from hotfolder_stages.gamut_check.loss import Route
from hotfolder_stages.gamut_check.table import make_lookup


class GamutCheckSettings(StageSettings):
    """The table ``[stage.gamut-check]``.

    tolerance: ΔE00 above which a colour counts as lost. hold_above: share of the picture's pixels
    that may be lost before the job is held; never, when it is not set.
    """

    tolerance: Annotated[float, Field(ge=0, le=100)] = 3.0
    hold_above: Share | None = None


class GamutCheck(Stage[GamutCheckSettings]):
    """Say how much of the picture the destination cannot make, and how far its colours move."""

    name = "gamut-check"
    Settings = GamutCheckSettings

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Compute the table of differences for these two profiles.

        Raises
        ------
        Hold
            ``no-profile``, ``wrong-profile`` or ``profiles-do-not-join``, as profile-conversion.
        """
        conversion = job.settings.get("profile-conversion")
        route = Route(
            source_profile(raster),
            job.profile,
            Intent(getattr(conversion, "intent", Intent.RELATIVE_COLORIMETRIC)),
            black_point_compensation=getattr(conversion, "black_point_compensation", True),
        )
        try:
            self._look_up = make_lookup(route)
        except ProfileError as error:
            raise Hold(
                "profiles-do-not-join",
                f"The picture cannot be compared with this destination: the profile {error}. "
                f"Give the picture or the destination another profile.",
            ) from error
        self._encoding = raster.encoding
        self._route = route
        self._loss, self._shift = DifferenceStatistics(), DifferenceStatistics()
        return raster

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Look at every pixel and pass it on."""
        for band in bands:
            self._measure(flattened(band.pixels, band.alpha, self._encoding))
            yield band

    def close(self) -> Findings:
        """Return the share lost and the statistics of loss and shift.

        Raises
        ------
        Hold
            ``gamut-loss``, when more than ``hold_above`` is lost.
        """
        tolerance, limit = self.settings.tolerance, self.settings.hold_above
        share, loss = self._loss.share_above(tolerance), self._loss.summary()
        findings = {
            "tolerance_delta_e_00": tolerance,
            "out_of_gamut_share": round(share, 6),
            "delta_e_00": loss,
            "shift_delta_e_00": self._shift.summary(),
            "shift_intent": str(self._route.intent),
        }
        if limit is not None and share > limit:
            raise Hold(
                "gamut-loss",
                f"{_percent(share)} of this picture has colours that the destination cannot make "
                f"(allowed: {_percent(limit)}); on average they and the rest come out "
                f"{loss['mean']:.1f} ΔE00 off, at worst {loss['max']:.1f}. "
                f"Release it as it is, or bring these colours down and drop it again.",
                findings,
            )
        return findings

    def _measure(self, pixels: NDArray[np.uint16]) -> None:
        def count(start: int, stop: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
            codes = self._look_up(pixels[start:stop])
            loss, shift = (np.bincount(codes[..., k].ravel(), minlength=65536) for k in (0, 1))
            return loss, shift

        for loss, shift in over_slabs(count, *pixels.shape[:2]):
            self._loss.add_counts(loss)
            self._shift.add_counts(shift)


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"
