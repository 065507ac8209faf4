"""The stage ``light-profile``: make a profile of the light from the chart in a picture.

It runs alone, for the command `hotfolder light`; no destination needs it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import ClassVar

import numpy as np

from hotfolder import (
    Band,
    Findings,
    Hold,
    Job,
    Place,
    RasterSpec,
    Role,
    Stage,
    StageSettings,
    number_in,
)
from hotfolder.colour import Codes, Floats, Profile, delta_e_00, to_lab, tone_of, xyz_to_lab
from hotfolder_stages.reference.correcting import (
    RecordedCorrection,
    read_correction,
    read_curve,
    why_unusable,
)
from hotfolder_stages.reference.finder import find_charts
from hotfolder_stages.reference.fit import Correction
from hotfolder_stages.reference.light_profile import find_scale, make_light_profile
from hotfolder_stages.reference.measure import measure_chart
from hotfolder_stages.reference.patches import read_patches
from hotfolder_stages.reference.reduced import ReducedCopy, find_space
from hotfolder_stages.reference.settings import ChartValues

PROFILE_FILE = "light.icc"


class LightSettings(StageSettings):
    """The table ``[stage.light-profile]``."""

    only_looks: ClassVar[bool] = True

    chart_values: ChartValues = "babel_average"
    """Which values the chart's patches have; see ``[stage.reference]``."""


class LightProfile(Stage[LightSettings]):
    """Make a profile of the light; the pixels pass through."""

    name = "light-profile"
    Settings = LightSettings
    place = Place.ORIGINAL
    role = Role.LIGHT

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Make ready for a smaller copy of the picture.

        Raises
        ------
        Hold
            ``no-light-profile``: the picture has no profile of curves and a matrix, by which its
            codes are light.
        """
        self._job = job
        space = find_space(raster.profile, raster.encoding)
        if space is None:
            raise Hold(
                "no-light-profile",
                "Only from a picture in RGB whose profile is described by curves and a matrix can "
                "a profile of its light be made.",
            )
        self._space = space
        self._made = b""
        self._copy = ReducedCopy(raster)
        return raster

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Gather, and pass every pixel on."""
        return self._copy.gather(bands)

    def close(self) -> Findings:
        """Find the chart, make the profile, and read it back.

        Raises
        ------
        Hold
            ``no-light-profile``: there is no chart in the picture, or it cannot be used.
        """
        codes, space = self._copy.codes, self._space
        charts = find_charts(space.light(codes))
        if not charts:
            raise Hold("no-light-profile", "There is no 24-patch chart in the picture.")
        chart = measure_chart(codes, space, charts[0], self.settings.chart_values)
        recorded = read_correction(chart.get("correction"))
        left_out = number_in(chart, "residual", "leave_one_out")
        if why_unusable(chart) or recorded is None or left_out is None:
            raise Hold(
                "no-light-profile",
                why_unusable(chart) or "Too little of the chart can be used.",
            )
        kind = "matrix" if recorded.kind == "matrix" else "table"
        description = (
            f"Light of {self._job.original.name}, by a 24-patch chart: {kind}, "
            f"ΔE00 {left_out:.1f} by leave-one-out"
        )
        self._made = make_light_profile(recorded, space, description)
        off = self._compare(recorded, read_patches(codes, space.light, charts[0]).light)
        return {
            "description": description,
            "kind": kind,
            "use": "light_profile in [stage.reference]",
            "leave_one_out_delta_e_00": left_out,
            "fit_delta_e_00": number_in(chart, "residual", "mean"),
            "read_back_delta_e_00": round(float(off.mean()), 2),
            "read_back_worst_delta_e_00": round(float(off.max()), 2),
            "patches_used": chart["patches_used"],
            "light": chart["light"],
        }

    def present(self) -> None:
        """Write the profile."""
        if self._made:
            self._job.attach(PROFILE_FILE, "Profile of the light").write_bytes(self._made)

    def _compare(self, recorded: RecordedCorrection, light: Floats) -> Floats:
        """Return ΔE00 between what LittleCMS reads in the profile and what was fitted, by patch."""
        curves = tone_of(self._space.profile).curves
        channels = [
            curve.encode(light[:, channel].astype(np.float32))
            for channel, curve in enumerate(curves)
        ]
        codes: Codes = np.stack(channels, axis=-1)
        fitted = Correction(recorded.kind, np.array(recorded.matrix), read_curve(recorded))
        wanted = fitted.apply(light) * find_scale(recorded)
        read = to_lab(Profile.parse(self._made), codes[None])[0]
        return np.asarray(delta_e_00(xyz_to_lab(wanted), read))
