"""Look at every band before it is converted, and leave a page that shows what will become of it.

The stage stands before the conversion, where the picture is finished, and converts what it
shows with the very transform that conversion uses: a piece at full resolution has, to the bit, the
pixels that are delivered (before an 8-bit result is dithered), converted back for a display.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from hotfolder import (
    Band,
    ByteCount,
    ConversionToCome,
    Cropped,
    Findings,
    Hold,
    Intent,
    IntentChosen,
    Job,
    Json,
    LossMeasured,
    LossTolerance,
    Place,
    RasterSpec,
    ReachMeasured,
    ReferenceShown,
    Rendering,
    Role,
    Share,
    SharpeningToCome,
    SizeToCome,
    Stage,
    StageSettings,
    Surface,
    say_share,
    source_profile,
)
from hotfolder.colour import (
    ChangeModel,
    ChangeTable,
    Codes,
    ProfileError,
    Route,
    Transform,
    WorstPlace,
    WorstPlaces,
    black_luminance,
    fit_change,
    flattened,
    make_loss_lookup,
    round_trip_noise,
    to_lab,
    white,
)
from hotfolder.pages import describe_standing, pack_numbers
from hotfolder_stages.proof_sheet import facts
from hotfolder_stages.proof_sheet.facts import Fact
from hotfolder_stages.proof_sheet.hue_bars import by_hue
from hotfolder_stages.proof_sheet.kept import measure_kept
from hotfolder_stages.proof_sheet.loss_map import loss_map
from hotfolder_stages.proof_sheet.moved import lightness, losses_of, moved
from hotfolder_stages.proof_sheet.page import (
    MOST_BYTES,
    WORDS_BYTES,
    ReferencePart,
    Sheet,
    Spot,
    load_page,
    render,
)
from hotfolder_stages.proof_sheet.pictures import (
    Shown,
    Views,
    apply_at_once,
    as_they_came,
    as_uris,
    coarsened,
    paper_white,
    thumbnail,
    views,
    whole_with_crop,
)

SHEET_FILE, THUMBNAIL_FILE = "sheet.html", "thumbnail.jpg"

_TOLERANCE = LossTolerance(3.0)


class ProofSheetSettings(StageSettings):
    """The table ``[stage.proof-sheet]``."""

    only_looks: ClassVar[bool] = True

    places: Annotated[int, Field(ge=0, le=8)] = 4
    """How many of the worst places are shown at 1:1."""
    at: Annotated[tuple[tuple[Share, Share], ...], Field(max_length=8)] = ()
    """Places to show instead of the worst, each as shares of the original's width and height, as in
    ``[["40 %", "30 %"]]``."""
    first: Literal["medium", "measured"] = "medium"
    """Which view of the print is shown first: as the profile says, or as a control strip was
    measured, where one was."""
    page_size: Annotated[ByteCount, Field(ge=300_000)] = MOST_BYTES
    """The most that the page may take; its pictures are compressed until they fit."""


@dataclass(frozen=True)
class _Way:
    """The conversion whose outcome is shown."""

    transform: Transform
    reason: str = ""
    """Why its intent was chosen, or ""."""


class ProofSheet(Stage[ProofSheetSettings]):
    """Make a proof sheet and a thumbnail; the pixels pass through as they are."""

    name = "proof-sheet"
    Settings = ProofSheetSettings
    place = Place.FINISHED
    role = Role.SHEET
    comes_after = (SizeToCome, SharpeningToCome)

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Make the table of differences ready.

        Raises
        ------
        Hold
            ``no-profile``, ``wrong-profile`` or ``profiles-do-not-join``, as profile-conversion.
        """
        self._raster, self._job = raster, job
        self._result = raster
        self._source = source_profile(raster)
        told = job.told(ConversionToCome)
        self._conversion, self._is_converted = told or ConversionToCome(), told is not None
        self._delivered = job.profile if told else self._source
        self._route = Route(
            self._source,
            job.profile,
            self._conversion.expected_intent,
            black_point_compensation=self._conversion.black_point_compensation,
            rendering=self._conversion.rendering,
            depth=self._conversion.depth,
        )
        size_px = (raster.width_px, raster.height_px)
        try:
            look_up = make_loss_lookup(
                self._route,
                precision=self._conversion.expected_precision,
                pixels=raster.width_px * raster.height_px,
            )
            noise = round_trip_noise(job.profile)
        except ProfileError as error:
            raise Hold(
                "profiles-do-not-join",
                f"No proof sheet can be made for this destination: the profile {error}. "
                f"Give the picture or the destination another profile, and drop it again.",
            ) from error
        tolerance = job.told(LossTolerance) or _TOLERANCE
        self._tolerance = max(tolerance.delta_e_00, noise.p99)
        points = [raster.original_area.point(*each) for each in self.settings.at]
        at = [(x / raster.width_px, y / raster.height_px) for x, y in points]
        self._collector = WorstPlaces(
            self._source, size_px, look_up, self._tolerance, at, raster.face_px
        )
        return raster

    def review(self, result: RasterSpec) -> None:
        """Remember the size and resolution that will be written."""
        self._result = result

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Gather, and pass every pixel on."""
        for band in bands:
            pixels = flattened(band.pixels, band.alpha, self._raster.encoding)
            self._collector.add(band.top, pixels)
            yield band

    def close(self) -> Findings:
        """Say what is lost and moved; the places that will be shown."""
        self._way, self._reduced = self._conversion_made(), self._collector.reduced()
        self._draw_as_delivered()
        self._places = self._collector.places(self.settings.places)
        pieces = [self._reduced.pixels, *(place.pixels for place in self._places)]
        # the last is written as numbers, and not shown
        self._coarse = coarsened(self._reduced.pixels, int(self.settings.page_size))
        self._pieces, self._made = pieces, None
        hashes = [""] * len(self._places)
        if self._job.is_trial:
            self._made = apply_at_once(self._way.transform, [*pieces, self._coarse])
            hashes = [_hash(each) for each in self._made[1:-1]]
        lost = self._reduced.loss > self._tolerance
        self._lost_share = float(lost.mean())
        self._hues = by_hue(self._route, self._raster.encoding, self._reduced.pixels, lost)
        return {
            "reduced_by": self._reduced.factor,
            "lost_share_of_reduced": round(self._lost_share, 4),
            "tolerance_delta_e_00": round(self._tolerance, 3),
            "lost_in_words": self._hues.words,
            "moved_delta_e_00": moved(self._way.transform, self._reduced.pixels),
            "medium_black_lightness": round(lightness(black_luminance(self._delivered)), 1),
            "medium_white_srgb": list(paper_white(self._delivered)),
            **facts.measures(self._result, self._job.medium),
            "display": "Display P3",
            "return_intents": ["absolute colorimetric", "relative colorimetric"],
            "return_black_point_compensation": False,
            "face": self._find_face(),
            "has_bleed": self._raster.bleed_px > 0,
            "original_at": self._find_original(),
            "places": [
                {
                    "left_px": place.left_px,
                    "top_px": place.top_px,
                    "width_px": place.width_px,
                    "height_px": place.height_px,
                    "at": self._find_middle(place),
                    "delivered_sha256": digest,
                }
                for place, digest in zip(self._places, hashes, strict=True)
            ],
            "kept": measure_kept(self._way.transform, self._reduced.pixels)
            if self._job.is_trial and self._is_converted
            else None,
        }

    def _draw_as_delivered(self) -> None:
        """Show what is lost as delivered, and where, if that is known only after the last band."""
        told = self._job.told(ReachMeasured)
        chosen = self._job.told(IntentChosen)
        route = self._route
        if chosen:
            route = replace(route, intent=chosen.intent, rendering=chosen.rendering)
        if told:
            route = replace(route, reach=told.reach)
        if self._is_converted and route != self._route:
            self._route = route
            loss = losses_of(route, self._way.transform, self._reduced.pixels)
            self._reduced = replace(self._reduced, loss=loss)
            self._collector.judge(loss)

    @classmethod
    def prepare(cls) -> None:
        """Compile the page's template."""
        load_page()

    def present(self) -> None:
        """Write the page and the thumbnail."""
        pieces = self._pieces
        made = self._made or apply_at_once(self._way.transform, [*pieces, self._coarse])
        *made, coarse_made = made
        model = self._fit_change()
        table = ChangeTable(model) if model else None
        shown = views(list(zip(pieces, made, strict=True)), self._source, self._delivered, table)
        numbers = pack_numbers(
            to_lab(self._source, self._coarse),
            to_lab(self._delivered, coarse_made),
            to_lab(self._delivered, white(self._delivered.encoding), Intent.ABSOLUTE_COLORIMETRIC)
            .ravel()
            .tolist(),
        )
        self._as_measured = [self._predict_change(model, coarse_made)] if model else []
        sheet = self._job.attach(SHEET_FILE, "Proof sheet", "proof-sheet")
        sheet.write_bytes(self._page(shown, numbers).encode("utf-8"))
        small = self._job.attach(THUMBNAIL_FILE, "Small picture", "thumbnail")
        cropped = self._job.told(Cropped)
        whole = shown[0].adapted
        small.write_bytes(
            thumbnail(whole_with_crop(cropped, self._inside_wrap(whole)) if cropped else whole)
        )

    def _fit_change(self) -> ChangeModel | None:
        """How the medium prints now, by its control strip; None where none says it."""
        standing = self._job.standing
        if standing is None or not standing.is_verified or not standing.expected:
            return None
        if self._job.medium.surface is Surface.SCREEN or not self._is_converted:
            return None
        return fit_change(np.array(standing.expected), np.array(standing.found))

    def _predict_change(self, model: ChangeModel, made: Codes) -> Fact:
        """What the medium as it was measured makes of the picture."""
        lab = to_lab(self._delivered, made, Intent.ABSOLUTE_COLORIMETRIC).reshape(-1, 3)
        return facts.as_measured(lab, *model.predict(lab))

    def _say_measured(self) -> str:
        """When the medium was measured, where the sheet shows it so; else ""."""
        standing = self._job.standing
        return describe_standing(standing)[0].partition(":")[0] if standing else ""

    def _find_middle(self, place: WorstPlace) -> list[float]:
        """The middle of a place, as shares of the original's width and height, 0 … 1."""
        across, down = self._raster.original_area.shares_of(
            place.left_px + place.width_px / 2, place.top_px + place.height_px / 2
        )
        return [round(min(max(each, 0.0), 1.0), 6) for each in (across, down)]

    def _find_original(self) -> Json:
        """Where the whole original lies: left, top, width, height as shares of the raster."""
        raster, area = self._raster, self._raster.original_area
        across, down = raster.width_px, raster.height_px
        corner = (area.left_px / across, area.top_px / down)
        shares = (*corner, area.width_px / across, area.height_px / down)
        return [round(each, 5) for each in shares]

    def _find_face(self) -> Json:
        """What is looked at, in pixels of the raster; None when that is all of it."""
        raster = self._raster
        if raster.looked_at_px == (raster.width_px, raster.height_px):
            return None
        names = ("left_px", "top_px", "width_px", "height_px")
        return dict(zip(names, raster.face_px, strict=True))

    def _find_front(self) -> tuple[float, float, float, float] | None:
        """What is looked at, in percent of the raster; None when that is all of it."""
        raster = self._raster
        size = (raster.width_px, raster.height_px)
        if raster.looked_at_px == size:
            return None
        shares = [100 * side / of for side, of in zip(raster.looked_at_px, size, strict=True)]
        return (100 - shares[0]) / 2, (100 - shares[1]) / 2, shares[0], shares[1]

    def _inside_wrap(self, shown: Shown) -> Shown:
        """A view of the raster without its wrap, for a display."""
        raster = self._raster
        front = [side + 2 * raster.bleed_px for side in raster.looked_at_px]
        height, width = shown.shape[:2]
        across = max(0, raster.width_px - front[0]) / 2 / raster.width_px
        down = max(0, raster.height_px - front[1]) / 2 / raster.height_px
        left, top = round(across * width), round(down * height)
        return np.ascontiguousarray(shown[top : height - top, left : width - left])

    def _transform(self, intent: Intent, rendering: Rendering) -> Transform:
        if not self._is_converted:
            return Transform(self._source, self._source)
        reach = self._job.told(ReachMeasured)
        return Transform(
            self._source,
            self._delivered,
            intent,
            black_point_compensation=self._conversion.black_point_compensation,
            precision=self._conversion.precision,
            pixels=self._raster.width_px * self._raster.height_px,
            rendering=rendering,
            depth=self._conversion.depth,
            reach=reach.reach if reach else None,
        )

    def _conversion_made(self) -> _Way:
        """The conversion as it took place, with what it chose by looking."""
        chosen = self._job.told(IntentChosen)
        if chosen is None:
            told = self._conversion
            return _Way(self._transform(told.expected_intent, told.rendering))
        return _Way(self._transform(chosen.intent, chosen.rendering), chosen.reason)

    def _page(self, shown: list[Views], numbers: str) -> str:
        job, result, medium, way = self._job, self._result, self._job.medium, self._way
        reduced, hues = self._reduced, self._hues
        whole, *pieces = shown
        pictures = whole.named()
        pictures["map"] = loss_map(whole.finished, reduced.loss, self._tolerance)
        for number, piece in enumerate(pieces, 1):
            pictures |= {f"{name}-{number}": view for name, view in piece.named().items()}
        cropped = job.told(Cropped)
        if cropped:
            pictures["whole"] = whole_with_crop(cropped, self._inside_wrap(whole.finished))
        told = job.told(ReferenceShown)
        part = None
        if told is not None:
            came = as_they_came([codes for _, codes in told.views], source_profile(told.raster))
            pictures |= {f"reference-{number}": view for number, view in enumerate(came, 1)}
            part = _reference_part(told)
        cost = facts.cost(result, medium)
        # the whole picture's, where a stage has measured it: the sheet has only a reduced one
        lost = job.told(LossMeasured) or LossMeasured(self._lost_share, hues.words)
        return render(
            Sheet(
                name=job.original.name,
                job=job.id,
                destination=job.destination,
                commands={
                    "strip": job.command("strip", "IMAGE", "--for", job.destination),
                    "proof": job.command("proof", "IMAGE"),
                    "release": job.command("release", job.id),
                },
                medium=facts.medium_in_words(medium.surface),
                on_screen=medium.surface is Surface.SCREEN,
                width_px=reduced.pixels.shape[1],
                height_px=reduced.pixels.shape[0],
                pictures=as_uris(
                    pictures, int(self.settings.page_size) - WORDS_BYTES - len(numbers)
                ),
                numbers=numbers,
                spots=tuple(
                    self._spot(place, number) for number, place in enumerate(self._places, 1)
                ),
                notices=(
                    *(each.message for each in job.reasons),
                    *(each.message for each in job.warnings),
                ),
                front=self._find_front(),
                has_bleed=self._raster.bleed_px > 0,
                cropped=say_share(cropped.share) if cropped else "",
                whole_px=(pictures["whole"].shape[1], pictures["whole"].shape[0])
                if cropped
                else (0, 0),
                lost_share=lost.share,
                out_of_gamut_share=lost.out_of_gamut_share,
                lost_words=lost.in_words,
                tolerance=self._tolerance,
                hues=hues.bars,
                paper=paper_white(self._delivered),
                size=tuple(facts.size_facts(result, job)),
                decisions=(
                    *facts.decisions(self._raster, way.transform, job, way.reason),
                    *self._as_measured,
                ),
                cost=str(cost) if cost else "",
                bits=job.result.bits,
                reference=part,
                is_trial=job.is_trial,
                measured=self._say_measured() if whole.measured is not None else "",
                first=self.settings.first if whole.measured is not None else "medium",
            )
        )

    def _spot(self, place: WorstPlace, number: int) -> Spot:
        across, down = 100 / self._raster.width_px, 100 / self._raster.height_px
        return Spot(
            number,
            place.left_px * across,
            place.top_px * down,
            place.width_px * across,
            place.height_px * down,
            place.width_px,
            place.height_px,
            place.lost > 0,
            place.is_for_detail,
        )


def _reference_part(told: ReferenceShown) -> ReferencePart:
    return ReferencePart(
        title=told.title,
        sentences=told.sentences,
        views=tuple(
            (f"reference-{number}", title, codes.shape[1], codes.shape[0])
            for number, (title, codes) in enumerate(told.views, 1)
        ),
        outlines=tuple(
            " ".join(f"{100 * x:.2f},{100 * y:.2f}" for x, y in each) for each in told.outlines
        ),
        places=tuple((round(100 * x, 2), round(100 * y, 2)) for x, y in told.places),
    )


def _hash(pixels: Codes) -> str:
    """SHA-256 of delivered pixels, by which a result or a strip can be compared with a proof."""
    return hashlib.sha256(pixels.astype("<u2").tobytes()).hexdigest()
