"""Measure every band against the destination; only look, change nothing.

Two shares of the picture are told. What is *lost* comes out farther than the tolerance from what
the picture asks for, whatever is to blame. What is *out of gamut* this medium cannot make at all.
Both are of every pixel where the table of differences is certain, or of four million of a large
picture, and of some thousand that are computed exactly where it is not.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from hotfolder import (
    Area,
    Band,
    ConversionToCome,
    Encoding,
    Facts,
    Findings,
    Hold,
    InkLimit,
    IntentChosen,
    Job,
    Json,
    LossMeasured,
    LossTolerance,
    Message,
    OwnPixels,
    Place,
    RasterSpec,
    ReachMeasured,
    Rendering,
    Share,
    SizeToCome,
    Stage,
    StageSettings,
    hookimpl,
    number_in,
    say_share,
    source_profile,
    text_in,
)
from hotfolder.colour import (
    CELL_BITS,
    Cells,
    DifferenceStatistics,
    Profile,
    ProfileError,
    Route,
    Transform,
    flattened,
    losses,
    make_loss_lookup,
    round_trip_noise,
    shift_parts,
)
from hotfolder_stages.gamut_check.causes import (
    Causes,
    count_by_blocks,
    find_causes,
    take_sample,
)
from hotfolder_stages.gamut_check.regions import Blocks, Region
from hotfolder_stages.gamut_check.tally import ENOUGH_PX, LOST, UNDECIDED, Counter, thin_out
from hotfolder_stages.gamut_check.telling import list_remedies, say_hold, say_notes

UNDECIDED_PART, UNDECIDED_LEAST, UNDECIDED_MOST = 0.33, 0.3, 1.5
"""Share of the tolerance to either side of it within which the table is not trusted to say what is
lost, and how much that is at least and at most, ΔE00: several times what the table is off."""


class GamutCheckSettings(StageSettings):
    """The table ``[stage.gamut-check]``."""

    only_looks: ClassVar[bool] = True

    tolerance: Annotated[float, Field(ge=0, le=100)] = 3.0
    """The difference (ΔE00) above which a colour counts as lost. The destination profile's own
    uncertainty takes its place when that is larger."""
    hold_above: Share | None = None
    """Share of the picture's pixels that may be lost before the job is held; never, when it is
    not set. What is delivered counts: what the medium cannot make, what the profile's table does
    not make although the medium could, shadows darker than the black that comes out and whites
    lighter than the white. Colours that the intent perceptual or saturation moves on purpose are
    told, and do not count here."""

    def doubts_about(self, profile: Profile) -> Mapping[str, str]:
        """Say when the profile's own uncertainty takes the place of the tolerance."""
        noise = round_trip_noise(profile).p99 if profile.can_be_destination else 0.0
        if noise <= self.tolerance:
            return {}
        return {
            "tolerance": f"is {self.tolerance:g} ΔE00 and cannot be kept: the profile's own tables "
            f"are {noise:.1f} ΔE00 uncertain, so only what is lost by more than that is counted"
        }


@dataclass(frozen=True)
class _Seen:
    """What all pixels together tell."""

    delivered: Route
    """How they are delivered."""
    causes: Causes
    """How much is lost, and what is to blame."""
    region: Region | None
    """Where most of it lies together."""
    loss: DifferenceStatistics
    """Of all pixels."""
    shift: DifferenceStatistics
    """Of all pixels."""
    shift_parts: dict[str, dict[str, float]]
    """Statistics of the shift's lightness, chroma and hue, by name."""


class GamutCheck(Stage[GamutCheckSettings]):
    """Say what of the picture is lost, what the medium cannot make, where, and how far it moves."""

    name = "gamut-check"
    Settings = GamutCheckSettings
    place = Place.FINISHED
    tells = (LossTolerance, LossMeasured)
    comes_after = (SizeToCome,)

    def announce(self, job: Job) -> None:
        """Tell from which difference on a colour counts as lost."""
        self._job = job
        job.tell(LossTolerance(self.settings.tolerance))

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Compute the table of differences for these two profiles.

        Raises
        ------
        Hold
            ``no-profile``, ``wrong-profile`` or ``profiles-do-not-join``, as profile-conversion.
        """
        told = job.told(ConversionToCome)
        self._is_converted = told is not None
        conversion = told or ConversionToCome()
        self._notes: list[str] = []
        self._conversion = conversion
        self._route = Route(
            source_profile(raster),
            job.profile,
            conversion.expected_intent,
            black_point_compensation=conversion.black_point_compensation,
            rendering=conversion.rendering,
            depth=conversion.depth,
        )
        self._pixels = raster.width_px * raster.height_px
        try:
            self._look_up = make_loss_lookup(
                self._route, precision=conversion.expected_precision, pixels=self._pixels
            )
            self._noise = round_trip_noise(job.profile)
        except ProfileError as error:
            raise Hold(
                "profiles-do-not-join",
                f"The picture cannot be compared with this destination: the profile {error}. "
                f"Give the picture or the destination another profile, and drop it again.",
            ) from error
        self._tolerance = max(self.settings.tolerance, self._noise.p99)
        if self._tolerance > self.settings.tolerance:
            uncertain = (
                f"The destination's profile is itself uncertain by {self._noise.p99:.1f} ΔE00, "
                f"so only what is lost by more than that is counted, not by more than "
                f"{self.settings.tolerance:g}."
            )
            self._notes.append(uncertain)
            job.warn("uncertain-profile", uncertain)
        self._seen: Future[_Seen] | None = None
        self._encoding = raster.encoding
        # an enlargement has no colours but those of fewer pixels
        own = job.told(OwnPixels)
        looked_at = own.raster if own else raster
        self._waiting: deque[Band] | None = None
        if own:
            self._waiting = deque()
            own.watch(self._waiting.append)
        self._at = own.at if own else Area(0, 0, raster.width_px, raster.height_px)
        self._blocks = Blocks(looked_at.width_px, looked_at.height_px)
        self._every = max(1, looked_at.width_px * looked_at.height_px // ENOUGH_PX)
        self._counter = Counter(
            CELL_BITS[raster.encoding],
            self._blocks.shape,
            self._blocks.side_px,
            self._undecided(),
            every=self._every,
            samples_kept=self._is_decided_later,
        )
        return raster

    @property
    def _is_decided_later(self) -> bool:
        """Whether what is delivered may be something else than the table is of."""
        return self._conversion.is_open or self._conversion.rendering is Rendering.DETAIL

    def _undecided(self) -> tuple[int, int]:
        """Codes of loss between which the table may be wrong about what is lost."""
        first = DifferenceStatistics.first_code_above
        if self._encoding is Encoding.GREY:  # its table is exact
            return first(self._tolerance), first(self._tolerance)
        margin = min(max(UNDECIDED_PART * self._tolerance, UNDECIDED_LEAST), UNDECIDED_MOST)
        return first(max(0.0, self._tolerance - margin)), first(self._tolerance + margin)

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Look at every pixel, of an enlargement at the picture's own, and pass all on."""
        for band in bands:
            if self._waiting is None:
                self._look_at(band)
            else:
                self._look_at_own(self._waiting)
            yield band
        if self._waiting is not None:
            self._look_at_own(self._waiting)
        self._begin_to_look_back()

    def _begin_to_look_back(self) -> None:
        """Look back beside the stages that follow, once it is known what delivers the picture."""
        awaited: type[Message] | None = None
        if self._is_decided_later:
            awaited = IntentChosen if self._conversion.is_open else ReachMeasured
        if awaited and not self._job.told(awaited):
            self._job.when_told(awaited, self._begin_to_look_back)
            return
        aside = ThreadPoolExecutor(1)
        self._seen = aside.submit(self._look_back)
        aside.shutdown(wait=False)  # its thread ends with that

    def _look_at_own(self, waiting: deque[Band]) -> None:
        while waiting:
            self._look_at(waiting.popleft())

    def _look_at(self, band: Band) -> None:
        pixels = flattened(band.pixels, band.alpha, self._encoding)
        pixels = thin_out(band.top, pixels, self._every)
        self._counter.add(band.top, pixels, self._look_up(pixels))

    def close(self) -> Findings:
        """Return what is lost, why, in which hues and where, and statistics of loss and shift.

        Raises
        ------
        Hold
            ``gamut-loss``, when more than ``hold_above`` is lost.
        """
        seen = self._seen.result() if self._seen else self._look_back()
        causes, region, limit = seen.causes, seen.region, self.settings.hold_above
        self._job.tell(LossMeasured(causes.lost, causes.words, causes.medium))
        notes = [*self._notes, *say_notes(causes, seen.delivered)]
        if self._conversion.is_open and not self._job.told(IntentChosen):
            notes.append(
                "The conversion chooses its rendering after this stage, and has not; all is said "
                "of relative colorimetric."
            )
        findings: dict[str, Json] = {
            "tolerance_delta_e_00": self.settings.tolerance,
            "effective_tolerance_delta_e_00": round(self._tolerance, 3),
            "round_trip_noise_delta_e_00": self._noise.summary(),
            "measured_on": "the picture's own pixels"
            if self._waiting is not None
            else "the pixels as sized",
            "measured_one_in": self._every,
            "out_of_gamut_share": round(causes.medium, 6),
            "lost_share": round(causes.lost, 6),
            "counted_for_hold_share": round(causes.counted, 6),
            "lost_by_cause": {
                "medium": round(causes.medium, 6),
                "profile": round(causes.profile, 6),
                "intent": round(causes.intent, 6),
            },
            "crushed_shadows_share": round(causes.crushed, 6),
            "clipped_whites_share": round(causes.clipped, 6),
            "lost_share_if_refined": None if causes.refined is None else round(causes.refined, 6),
            "error_in_95_of_100": {
                "lost_share": round(causes.lost_error, 6),
                "out_of_gamut_share": round(causes.medium_error, 6),
            },
            "lost_in_words": causes.words,
            "lost_by_hue": {hue: round(part, 4) for hue, part in causes.hues.items()},
            "largest_region": {**asdict(region), "share": round(region.share, 6)}
            if region
            else None,
            "delta_e_00": seen.loss.summary(),
            "shift_delta_e_00": seen.shift.summary(),
            "shift_parts_delta_e_00": seen.shift_parts,
            "shift_intent": str(seen.delivered.intent),
            "notes": notes,
        }
        if limit is not None and causes.counted > limit:
            message = say_hold(causes, seen.delivered, limit, self._job.medium.surface, region)
            raise Hold(
                "gamut-loss",
                message,
                findings,
                excess=causes.counted / max(limit, 1e-9),
                remedies=list_remedies(causes, limit) if self._is_converted else (),
            )
        return findings

    def _look_back(self) -> _Seen:
        """Compute what all pixels together tell, with some of them looked at exactly."""
        tally = self._counter.total()
        loss, shift, cells = DifferenceStatistics(), DifferenceStatistics(), Cells(self._encoding)
        loss.add_counts(tally.loss)
        shift.add_counts(tally.shift)
        cells.add(np.stack([tally.cells, np.zeros_like(tally.cells)]))
        delivered = self._route_as_delivered()
        transform = self._transform_of(delivered)
        sample = take_sample(tally, self._every)
        off = np.zeros((2, 0))
        if len(sample.pixels):
            off = np.stack(losses(delivered, sample.pixels, transform))
        if delivered != self._route:  # the table is of something else
            loss, shift = DifferenceStatistics(), DifferenceStatistics()
            loss.add_weighted(off[0], sample.weights)
            shift.add_weighted(off[1], sample.weights)
        told = self._job.told(InkLimit)
        causes = find_causes(
            delivered, sample, off[0], self._tolerance, told.percent / 100 if told else None
        )
        if delivered == self._route and not delivered.moves_on_purpose:
            counts = tally.blocks[LOST] + tally.blocks[UNDECIDED] * causes.undecided
        else:  # the table is of something else, or of more than counts
            counts = count_by_blocks(tally, sample, causes)
        self._blocks.add(np.rint(counts * self._every).astype(np.int64))
        pixels, count, _ = cells.occupied()
        return _Seen(
            delivered,
            causes,
            self._blocks.largest(self._at),
            loss,
            shift,
            _parts(delivered, pixels, count, transform),
        )

    def _transform_of(self, delivered: Route) -> Transform | None:
        """Return what has delivered the picture, where the table is of something else.

        It has made its points already, and exactly computed, each colour that detail brings in
        would be searched for once more.
        """
        if delivered == self._route:
            return None
        return Transform(
            delivered.source,
            delivered.destination,
            delivered.intent,
            black_point_compensation=delivered.black_point_compensation,
            precision=self._conversion.precision,
            pixels=self._pixels,
            rendering=delivered.rendering,
            depth=delivered.depth,
            reach=delivered.reach,
        )

    def _route_as_delivered(self) -> Route:
        """The route with what was chosen by looking at the picture."""
        route, chosen = self._route, self._job.told(IntentChosen)
        if chosen:
            route = replace(route, intent=chosen.intent, rendering=chosen.rendering)
        measured = self._job.told(ReachMeasured)
        return replace(route, reach=measured.reach) if measured else route

    @classmethod
    @hookimpl
    def hotfolder_facts(cls, findings: Findings, settings: Mapping[str, Json]) -> Facts:
        """Say how much is lost, in which hues, and by how much."""
        by_hue = findings.get("lost_by_hue")
        hues = by_hue if isinstance(by_hue, Mapping) else {}
        mean, p95, most = (number_in(findings, "delta_e_00", key) for key in ("mean", "p95", "max"))
        words = [text_in(findings, "lost_in_words")]
        if moved := number_in(findings, "lost_by_cause", "intent"):
            # else perceptual, which a ticket asks for, looks like a fault in every report
            words.append(f"the rendering moves {say_share(moved)} of the picture on purpose")
        return Facts(
            share_lost=number_in(findings, "lost_share"),
            share_out_of_gamut=number_in(findings, "out_of_gamut_share"),
            lost_in_words="; ".join(filter(None, words)),
            tolerance_delta_e_00=number_in(findings, "effective_tolerance_delta_e_00"),
            delta_e_mean=mean,
            delta_e_p95=p95,
            delta_e_max=most,
            hues={hue: number_in(hues, hue) or 0.0 for hue in hues},
        )


def _parts(
    route: Route,
    pixels: NDArray[np.uint16],
    counts: NDArray[np.int64],
    transform: Transform | None,
) -> dict[str, dict[str, float]]:
    """Statistics of the shift's parts, by name.

    ``mean_signed`` above 0 is lighter, richer, or a turn of hue from red towards yellow.
    """
    parts = shift_parts(route, pixels, transform)
    found: dict[str, dict[str, float]] = {}
    split = {"lightness": parts.lightness, "chroma": parts.chroma, "hue": parts.hue}
    for name, values in split.items():
        statistics = DifferenceStatistics()
        statistics.add_weighted(np.abs(values), counts)
        # `@` would leave it to threads of BLAS, which spin on a core for a tenth of a second after
        signed = float((values * counts).sum() / max(1, counts.sum()))
        found[name] = {"mean_signed": round(signed, 3), **statistics.summary()}
    return found
