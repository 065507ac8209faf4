"""The stage ``reference``: find a 24-patch chart, say what it tells, and correct by it if asked."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from hotfolder import (
    Band,
    Column,
    Encoding,
    Facts,
    Findings,
    Hold,
    Job,
    Json,
    Place,
    RasterSpec,
    Remedy,
    ScratchRows,
    Stage,
    hookimpl,
    number_in,
    rows_per_band,
    source_profile,
)
from hotfolder.colour import Codes, Profile, tone_of
from hotfolder_stages.reference.correcting import (
    Corrector,
    matrix_for_white,
    read_correction,
    white_of,
)
from hotfolder_stages.reference.finder import find_charts
from hotfolder_stages.reference.measure import measure_chart
from hotfolder_stages.reference.reduced import ReducedCopy, Space, srgb
from hotfolder_stages.reference.settings import ReferenceSettings
from hotfolder_stages.reference.shoot import (
    Carried,
    find_carried,
    find_served,
    read_shot,
)
from hotfolder_stages.reference.spot import read_spot

_CARRIED = (
    *("exposure_stops", "light", "balance", "residual", "correction"),
    *("curve_suspected", "wrong_profile_suspected", "too_uneven"),
)
"""What of a chart's findings others of the shoot get."""

_MOST_NAMED = 5


@dataclass(frozen=True)
class _Decided:
    """What is done with the picture, and why."""

    corrector: Corrector | None
    why: str
    """Why nothing is corrected, or what it is corrected by."""


class Reference(Stage[ReferenceSettings]):
    """Find 24-patch charts, say what they tell of light and colours, and correct by them."""

    name = "reference"
    Settings = ReferenceSettings
    place = Place.ORIGINAL
    shares = "shoot"

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Make ready for a smaller copy of the picture.

        A picture without a profile is no reason to hold it here: another stage may assume one.
        RGB is then measured as sRGB, and that is said.
        """
        self._job, self._raster = job, raster
        self._said: dict[str, Json] = {}
        self._charts: list[dict[str, Json]] = []
        self._carried: Carried | None = None
        self._corrector: Corrector | None = None
        self._profile = self._meaning(raster)
        self._copy = None if self._profile is None else ReducedCopy(raster)
        self._shot = read_shot(raster)
        return raster

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Pass every pixel on, corrected where the settings ask for it and a reference is there."""
        if self._space is None or self.settings.looks_only():
            for band in bands:
                if self._copy is not None:
                    self._copy.add(band)
                yield band
            self._look()
            return
        yield from self._after_looking(bands)

    def close(self) -> Findings:
        """Return the charts that are in the picture, best first, and what was done.

        Raises
        ------
        Hold
            ``reference-strays``: residual, cast or exposure is above its limit.
        """
        if self._corrector is not None:
            corrected = self._said["corrected"]
            assert isinstance(corrected, dict)
            self._said["corrected"] = corrected | self._corrector.describe()
        findings: dict[str, Json] = {"charts": self._charts, **self._said}
        if holds := self._strays():
            first, *others = holds
            raise Hold(
                first.code,
                first.message,
                findings,
                excess=first.excess,
                remedies=first.remedies,
                also=others,
            )
        return findings

    @classmethod
    @hookimpl
    def hotfolder_facts(cls, findings: Findings, settings: Mapping[str, Json]) -> Facts:
        """Say what the best chart in the picture tells."""
        charts = findings.get("charts")
        if not isinstance(charts, list) or not charts:
            return Facts()
        exposure = number_in(charts[0], "exposure_stops")
        cast = number_in(charts[0], "balance", "chroma")
        residual = number_in(charts[0], "residual", "leave_one_out")
        return Facts(
            columns=(
                Column("chart-exposure", "Exposure by its chart", "stops", exposure),
                Column("chart-cast", "Cast of its chart's greys", "C*ab", cast),
                Column("chart-residual", "Residual of its chart", "ΔE00", residual),
            )
        )

    @property
    def _space(self) -> Space | None:
        """The picture's own linear RGB; None where it has none, so that nothing is corrected."""
        profile = self._raster.profile
        if profile is None or self._raster.encoding is not Encoding.RGB:
            return None
        matrix = tone_of(profile).matrix
        return None if matrix is None else Space(profile, matrix)

    def _after_looking(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Keep the picture aside until it is known what is in it."""
        raster = self._raster
        path = self._job.folder / "reference.rows"
        channels = raster.channels + raster.has_alpha
        with ScratchRows(path, raster.width_px, channels) as scratch:
            for band in bands:
                if self._copy is not None:
                    self._copy.add(band)
                scratch.append(_joined(band))
            self._look()
            for top, pixels in scratch.pieces(rows_per_band(raster.width_px)):
                alpha = np.ascontiguousarray(pixels[..., -1]) if raster.has_alpha else None
                colours = np.ascontiguousarray(pixels[..., : raster.channels])
                if self._corrector is not None:
                    colours = self._corrector.apply(colours)
                yield Band(top, colours, alpha)

    def _look(self) -> None:
        """Look at the whole picture, say what is in it, and decide what is done."""
        if self._copy is None or self._profile is None:
            return
        codes, space = self._copy.in_rgb(self._profile)
        for chart in find_charts(space.light(codes)):
            centres = self._copy.to_picture(chart.centres)
            self._charts.append(
                {
                    "centres_px": [[round(x, 2), round(y, 2)] for x, y in centres.tolist()],
                    "score": round(chart.score, 3),
                    "patch_distance_px": round(chart.pitch_px * self._copy.factor, 1),
                    **measure_chart(codes, space, chart, self.settings.chart_values),
                }
            )
        self._share()
        self._carry_over()
        decided = self._decide(codes)
        self._corrector = decided.corrector
        if self.settings.correct != "nothing" or self.settings.white_at is not None:
            key = "corrected" if decided.corrector else "not_corrected"
            if decided.corrector is None:
                self._said[key] = decided.why
                self._job.warn("not-corrected", f"Its colours were not corrected. {decided.why}")
        self._copy = None

    def _share(self) -> None:
        """Say what others of the shoot can use."""
        best = self._charts[0] if self._charts else None
        usable = best is not None and not why_unusable(best)
        shared: dict[str, Json] = {
            "gives": usable,
            "shot": self._shot.model_dump(mode="json"),
            "chart": {key: best[key] for key in _CARRIED if key in best}
            if best is not None and usable
            else None,
        }
        self._said["shoot"] = shared
        within_s = self.settings.carry_over_within
        if not usable or not within_s:
            return
        served = [
            each
            for each in find_served(self._shot, self._job.neighbours, within_s)
            if each.delivered
        ]
        if served:
            names = [each.name for each in served]
            more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
            after: list[Json] = [each.job for each in served]
            self._said["came_after"] = after
            shared["after"] = after
            self._job.warn(
                "came-after",
                f"It has a reference that came after {', '.join(names[:_MOST_NAMED])}{more} of "
                "the same shoot: they were delivered without it. Drop them again if they are to "
                "have it.",
            )

    def _carry_over(self) -> None:
        """Look for a reference in another picture of the shoot."""
        if self._charts or self.settings.white_at or not self.settings.carry_over_within:
            return
        within_s = self.settings.carry_over_within
        self._carried, reason = find_carried(self._shot, self._job.neighbours, within_s)
        if self._carried is not None:
            self._said["carried_over"] = {
                "from_job": self._carried.neighbour.job,
                "from": self._carried.neighbour.name,
                "taken_apart_s": self._carried.apart_s,
                "exposure_differs_stops": self._carried.exposure_differs_stops,
                "chart": dict(self._carried.chart),
            }
            return
        if any(each.gives for each in self._job.neighbours):
            self._said["not_carried_over"] = reason
        if self.settings.wait_for_reference:
            shared = self._said["shoot"]
            assert isinstance(shared, dict)
            shared["waits_s"] = self.settings.wait_for_reference
            shared["waits_for"] = "a reference of its shoot (wait_for_reference)"

    def _decide(self, codes: Codes) -> _Decided:
        """Decide what the picture is corrected by."""
        space = self._space
        if space is None:
            why = "Only a picture in RGB whose profile is described by curves and a matrix can be."
            return _Decided(None, why)
        if self.settings.white_at is not None:
            return self._by_person(codes, space)
        how = self.settings.correct
        if how == "nothing":
            return _Decided(None, "")
        chart: Mapping[str, Json]
        gain, said = 1.0, "the chart in it"
        if self._charts:
            chart = self._charts[0]
        elif self._carried is not None:
            chart = self._carried.chart
            gain = 2.0 ** -(self._carried.exposure_differs_stops or 0.0)
            said = f"the chart in {self._carried.neighbour.name}"
        else:
            return _Decided(
                None, "There is no reference in it, and none of its shoot holds for it."
            )
        recorded, white = read_correction(chart.get("correction")), white_of(chart)
        why = why_unusable(chart)
        if why or recorded is None or white is None:
            return _Decided(None, why or "Too little of the chart can be used.")
        light = white if how == "keep the light" else None
        self._said["corrected"] = {"how": how, "by": said, "gain": round(gain, 4)}
        return _Decided(Corrector(recorded, space, light, gain), said)

    def _by_person(self, codes: Codes, space: Space) -> _Decided:
        """Balance the picture for a place that a person says is white."""
        assert self.settings.white_at is not None
        seen = read_spot(codes, space, self.settings.white_at)
        if seen is None:
            return _Decided(None, "The place that was named as white is black or clipped.")
        self._said["corrected"] = {
            "how": "neutral",
            "by": "a person's decision, no measurement",
            "white_at": list(self.settings.white_at),
            "xyz_seen": [round(float(each), 5) for each in seen],
        }
        return _Decided(Corrector(matrix_for_white(seen, space), space), "a person's decision")

    def _strays(self) -> list[Hold]:
        """Why the picture is held for what its chart says."""
        if not self._charts:
            return []
        chart, found = self._charts[0], []
        for key, value, what in (
            ("residual", number_in(chart, "residual", "leave_one_out"), "ΔE00 of residual error"),
            ("cast", number_in(chart, "balance", "chroma"), "chroma in a middle grey"),
            ("exposure", number_in(chart, "exposure_stops"), "stops off in exposure"),
        ):
            limit = getattr(self.settings, f"hold_above_{key}")
            if limit is None or value is None or abs(value) <= limit:
                continue
            remedies = []
            if key != "residual" and self.settings.correct == "nothing":
                how = "neutral" if key == "cast" else "keep the light"
                remedies = [Remedy(f"correct it by its chart ({how})", {"correct": how})]
            found.append(
                Hold(
                    f"chart-{key}",
                    f"The chart in the picture says {abs(value):.1f} {what}; "
                    f"{limit:g} is the limit of {self._job.destination}. Take it again, develop it "
                    "again, or release it if that is how it should be.",
                    excess=abs(value) / limit,
                    remedies=remedies,
                )
            )
        return found

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


def why_unusable(chart: Mapping[str, Json]) -> str:
    """Say why nothing is corrected by a chart; "" when it can be used."""
    if chart.get("wrong_profile_suspected"):
        return "Its chart says that the profile is wrong, or that it is no picture of a camera."
    if chart.get("too_uneven"):
        return "The light on its chart is too uneven to say what is the light's and what is not."
    if chart.get("correction") is None:
        return "Too little of its chart can be used."
    return ""


def _joined(band: Band) -> Codes:
    if band.alpha is None:
        return band.pixels
    return np.concatenate([band.pixels, band.alpha[..., None]], axis=-1)
