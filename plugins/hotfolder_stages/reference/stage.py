"""The stage ``reference``: find a 24-patch chart, say what it tells, and correct by it if asked."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

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
    ReferenceShown,
    Remedy,
    ScratchRows,
    Stage,
    WhiteWish,
    hookimpl,
    number_in,
    source_profile,
)
from hotfolder.colour import Codes, Profile, ProfileError
from hotfolder_stages.reference.card import find_known, measure_card, read_card, share_card
from hotfolder_stages.reference.correcting import (
    Corrector,
    apply_to,
    make_corrector,
    matrix_for_white,
    read_correction,
    why_unusable,
)
from hotfolder_stages.reference.finder import find_charts
from hotfolder_stages.reference.measure import measure_chart
from hotfolder_stages.reference.reduced import ReducedCopy, Space, find_space, srgb
from hotfolder_stages.reference.settings import ReferenceSettings
from hotfolder_stages.reference.shoot import (
    Carried,
    find_carried,
    list_holding,
    read_shot,
)
from hotfolder_stages.reference.spot import read_spot
from hotfolder_stages.reference.view import (
    TITLES,
    Seen,
    correct_view,
    middles,
    outline,
    reduce_codes,
    show_reference,
)

_CARRIED = (
    *("reference", "exposure_stops", "light", "balance", "residual", "correction"),
    *("curve_suspected", "wrong_profile_suspected", "too_uneven"),
)
"""What of a chart's findings others of the shoot get."""


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
    tells = (ReferenceShown,)

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Make ready for a smaller copy of the picture.

        A picture without a profile is no reason to hold it here: another stage may assume one.
        RGB is then measured as sRGB, and that is said.

        Raises
        ------
        Hold
            ``no-light-profile``: the profile that is to be used is not there, or does not fit.
        """
        raster = self._with_light_profile(raster, job)
        self._job, self._raster = job, raster
        self._said: dict[str, Json] = {}
        self._charts: list[dict[str, Json]] = []
        self._carried: Carried | None = None
        self._corrector: Corrector | None = None
        self._seen: Seen | None = None
        if raster.profile_chosen and raster.profile:
            self._said["profile_chosen"] = raster.profile.description
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

    def present(self) -> None:
        """Tell what the reference says, with small pictures, to who shows the job."""
        if self._seen is None:
            return
        holds = self._reference()
        reference = holds[0] if holds else None
        views = [("As it came", self._seen.view)]
        if self._space is not None and reference is not None and self._corrector is None:
            for how in ("keep the light", "neutral"):
                corrector = make_corrector(reference, self._space, how, holds[1] if holds else 1.0)
                if corrector is not None:
                    views.append((TITLES[how], corrector.apply(self._seen.view)))
        elif self._corrector is not None:
            views.append(("As corrected", correct_view(self._seen.view, self._corrector)))
        if len(views) > 1 or self._seen.outlines:
            self._job.tell(
                show_reference(
                    self._seen,
                    self._said,
                    holds,
                    tuple(views),
                    replace(self._raster, profile=self._profile),
                )
            )

    @classmethod
    @hookimpl
    def hotfolder_facts(cls, findings: Findings, settings: Mapping[str, Json]) -> Facts:
        """Say what the best chart, or the card, in the picture tells, and what a person decided."""
        decided = _describe_decision(findings)
        charts = findings.get("charts")
        own = charts[0] if isinstance(charts, list) and charts else findings.get("card")
        if not isinstance(own, dict):
            return Facts(columns=decided)
        exposure = number_in(own, "exposure_stops")
        cast = number_in(own, "balance", "chroma")
        residual = number_in(own, "residual", "leave_one_out")
        return Facts(
            columns=(
                Column("chart-exposure", "Exposure by its chart", "stops", exposure),
                Column("chart-cast", "Cast of its chart's greys", "C*ab", cast),
                Column("chart-residual", "Residual of its chart", "ΔE00", residual),
                *decided,
            )
        )

    def _with_light_profile(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Give the picture the profile of its light, where a person says so."""
        name = self.settings.light_profile
        if name is None:
            return raster
        try:
            profile = Profile.load(job.profiles / name)
        except (OSError, ProfileError) as error:
            raise Hold(
                "no-light-profile",
                f"The profile of the light, {name}, cannot be used: {error}. Put it into "
                "profiles/, or take light_profile out of [stage.reference].",
            ) from error
        if profile.encoding is not raster.encoding:
            raise Hold(
                "no-light-profile",
                f"The profile of the light, {name}, is for {profile.encoding.in_words} "
                "pictures, and this is none.",
            )
        return replace(raster, profile=profile, profile_assumed=False, profile_chosen=True)

    @property
    def _space(self) -> Space | None:
        """The picture's own linear RGB; None where it has none, so that nothing is corrected."""
        return find_space(self._raster.profile, self._raster.encoding)

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
            for top, pixels in scratch.pieces():
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
        found = find_charts(space.light(codes))
        for chart in found:
            centres = self._copy.to_picture(chart.centres)
            self._charts.append(
                {
                    "centres_px": [[round(x, 2), round(y, 2)] for x, y in centres.tolist()],
                    "score": round(chart.score, 3),
                    "patch_distance_px": round(chart.pitch_px * self._copy.factor, 1),
                    **measure_chart(codes, space, chart, self.settings.chart_values),
                }
            )
        self._look_for_card(codes, space)
        self._share()
        self._carry_over()
        decided = self._decide(codes)
        self._corrector = decided.corrector
        if self.settings.correct != "nothing" or self.settings.white_at is not None:
            key = "corrected" if decided.corrector else "not_corrected"
            if decided.corrector is None:
                self._said[key] = decided.why
                self._job.warn("not-corrected", f"Its colours were not corrected. {decided.why}")
        self._seen = Seen(
            reduce_codes(self._copy.codes),
            tuple(outline(each, codes) for each in found),
            tuple(place for each in found for place in middles(each, codes)),
        )
        self._copy = None

    def _look_for_card(self, codes: Codes, space: Space) -> None:
        """Read the card that a person names, or that lies where one lay beside a chart."""
        at, known = self.settings.card_at, None
        best = self._best_chart()
        if at is not None:
            card, confirmed = read_card(codes, space, at), "the person who named its place"
            if card is None:
                why = "The place that was named as a grey card is black, clipped or too small."
                self._said["card_not_read"] = why
                self._job.warn("card-not-read", why)
                return
            recorded = read_correction(best.get("correction")) if best else None
            if recorded is not None:
                known = apply_to(recorded, card.rgb)
                confirmed = "the chart beside it"
                self._said["card_beside_chart"] = share_card(card, known)
        elif not self._charts and self.settings.carry_over_within:
            within_s = self.settings.carry_over_within
            holding = list_holding(self._shot, self._job.neighbours, within_s)
            there = find_known(holding, codes, space)
            if there is None:
                return
            card, of_the_other, neighbour = there
            known = of_the_other.xyz
            confirmed = f"its place, where it lies beside the chart in {neighbour.name}"
        else:
            return
        self._said["card"] = measure_card(card, space, confirmed, known)

    def _best_chart(self) -> Mapping[str, Json] | None:
        """The best chart in the picture, if it can be used."""
        best = self._charts[0] if self._charts else None
        return best if best is not None and not why_unusable(best) else None

    def _own(self) -> Mapping[str, Json] | None:
        """What the picture's own reference says, a chart or a card; None without one to be used."""
        card = self._said.get("card")
        return self._best_chart() or (card if isinstance(card, dict) else None)

    def _share(self) -> None:
        """Say what others of the shoot can use."""
        own = self._own()
        shared: dict[str, Json] = {
            "gives": own is not None,
            "what": "a reference",
            "shot": self._shot.model_dump(mode="json"),
            "alike": self._shot.alike,
            "at": self._shot.at_s,
            "nearer_than": self.settings.carry_over_within,
            "chart": {key: own[key] for key in _CARRIED if key in own} if own else None,
            "card": self._said.get("card_beside_chart"),
        }
        self._said["shoot"] = shared

    def _carry_over(self) -> None:
        """Look for a reference in another picture of the shoot."""
        shared = self._said["shoot"]
        assert isinstance(shared, dict)
        has_own = bool(self._charts) or "card" in self._said
        if has_own or self.settings.white_at or not self.settings.carry_over_within:
            shared["nearer_than"] = 0.0
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
            shared["served_by"] = self._carried.neighbour.job
            shared["nearer_than"] = self._carried.apart_s
            return
        if any(each.gives for each in self._job.neighbours):
            self._said["not_carried_over"] = reason
        if self.settings.wait_for_reference:
            shared["waits_s"] = self.settings.wait_for_reference
            shared["waits_for"] = "a reference of its shoot (wait_for_reference)"

    def _reference(self) -> tuple[Mapping[str, Json], float, str] | None:
        """What holds for the picture, by how much more light comes out, and what it is in words."""
        card = self._said.get("card")
        if self._charts and (self._best_chart() or card is None):
            return self._charts[0], 1.0, "the chart in it"
        if isinstance(card, dict):
            return card, 1.0, "the grey card in it"
        if self._carried is not None:
            gain = 2.0 ** -(self._carried.exposure_differs_stops or 0.0)
            what = str(self._carried.chart.get("reference") or "chart")
            return self._carried.chart, gain, f"the {what} in {self._carried.neighbour.name}"
        return None

    def _decide(self, codes: Codes) -> _Decided:
        """Decide what the picture is corrected by."""
        space = self._space
        if space is None:
            why = "Only a picture in RGB whose profile is described by curves and a matrix can be."
            if self._raster.profile is None and self._raster.encoding is Encoding.RGB:
                why = (
                    "It carries no profile, and no stage before this one assumes any. Embed it, or "
                    "let preflight, which can assume sRGB, come first."
                )
            return _Decided(None, why)
        if self.settings.white_at is not None:
            return self._by_person(codes, space)
        how = self.settings.treatment
        if how == "nothing":
            return _Decided(None, "")
        holds = self._reference()
        if holds is None:
            return _Decided(
                None, "There is no reference in it, and none of its shoot holds for it."
            )
        reference, gain, said = holds
        corrector = make_corrector(reference, space, how, gain)
        if corrector is None:
            return _Decided(None, why_unusable(reference) or "Too little of the chart can be used.")
        self._said["corrected"] = {"how": how, "by": said, "gain": round(gain, 4)}
        return _Decided(corrector, said)

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
        chart = self._charts[0] if self._charts else self._said.get("card")
        if not isinstance(chart, dict):
            return []
        what_it_is, found = ("chart" if self._charts else "grey card"), []
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
                remedies = [Remedy(f"correct it by its {what_it_is} ({how})", {"correct": how})]
            found.append(
                Hold(
                    f"chart-{key}",
                    f"The {what_it_is} in the picture says {abs(value):.1f} {what}; "
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


def _describe_decision(findings: Findings) -> tuple[Column, ...]:
    """Say which place a person has called white; nothing was measured there."""
    corrected = findings.get("corrected")
    match corrected.get("white_at") if isinstance(corrected, Mapping) else None:
        case [float(across), float(down)]:
            where = WhiteWish((across, down)).in_words
            return (Column("white-said", "White by a person’s decision", "", where),)
    return ()


def _joined(band: Band) -> Codes:
    if band.alpha is None:
        return band.pixels
    return np.concatenate([band.pixels, band.alpha[..., None]], axis=-1)
