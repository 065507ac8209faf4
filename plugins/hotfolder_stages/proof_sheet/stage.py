"""Look at every band before it is converted, and leave a page that shows what will become of it.

The stage stands before ``profile-conversion``, where the picture is finished, and converts what it
shows with the very transform that conversion uses: a piece at full resolution has, to the bit, the
pixels that are delivered (before an 8-bit result is dithered), converted back for a display.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar

from pydantic import Field

from hotfolder.colour.encodings import flattened
from hotfolder.colour.profile import ProfileError
from hotfolder.colour.transform import Transform
from hotfolder.errors import Hold
from hotfolder.model.destination import Surface
from hotfolder.model.intent import Intent
from hotfolder.model.units import ByteCount
from hotfolder.raster.picture import Band, RasterSpec, rebanded
from hotfolder.raster.source_profile import source_profile
from hotfolder.stages.contract import Findings, Job, Stage, StageSettings
from hotfolder_stages.gamut_check.loss import Route, black_luminance, round_trip_noise
from hotfolder_stages.gamut_check.table import make_lookup
from hotfolder_stages.profile_conversion import ProfileConversionSettings
from hotfolder_stages.profile_conversion.stage import CHOICE_FILE, IntentSetting
from hotfolder_stages.proof_sheet import facts
from hotfolder_stages.proof_sheet.collect import Collector, Place
from hotfolder_stages.proof_sheet.hue_bars import by_hue
from hotfolder_stages.proof_sheet.loss_map import loss_map
from hotfolder_stages.proof_sheet.moved import lightness, moved
from hotfolder_stages.proof_sheet.page import MOST_BYTES, WORDS_BYTES, Sheet, Spot, render
from hotfolder_stages.proof_sheet.pictures import (
    Views,
    apply_at_once,
    as_uris,
    paper_white,
    thumbnail,
    views,
)

SHEET_FILE, THUMBNAIL_FILE = "sheet.html", "thumbnail.jpg"

_TOLERANCE = 3.0
_MISPLACED = (
    "This sheet was made after the conversion, so it cannot show the picture as finished. Put "
    "proof-sheet before profile-conversion in the destination's list of stages."
)


class ProofSheetSettings(StageSettings):
    """The table ``[stage.proof-sheet]``.

    places: how many of the worst places are shown at 1:1; page_size: bytes that the page may
    have, after parsing; its pictures are compressed more until they fit.
    """

    only_looks: ClassVar[bool] = True

    places: Annotated[int, Field(ge=0, le=8)] = 4
    page_size: Annotated[ByteCount, Field(ge=300_000)] = MOST_BYTES


@dataclass(frozen=True)
class _Way:
    """The conversion whose outcome is shown; reason: why its intent was chosen, or ""."""

    transform: Transform
    reason: str = ""


class ProofSheet(Stage[ProofSheetSettings]):
    """Make a proof sheet and a thumbnail; the pixels pass through as they are."""

    name = "proof-sheet"
    Settings = ProofSheetSettings

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
        asked = job.settings.get("profile-conversion")
        self._conversion = asked if isinstance(asked, ProfileConversionSettings) else None
        self._delivered = job.profile if self._conversion else self._source
        gamut = job.settings.get("gamut-check")
        intent, compensates = self._intent(), True
        if self._conversion:
            compensates = self._conversion.black_point_compensation
        self._route = Route(self._source, job.profile, intent, black_point_compensation=compensates)
        try:
            look_up = make_lookup(self._route)
            noise = round_trip_noise(job.profile)
        except ProfileError as error:
            raise Hold(
                "profiles-do-not-join",
                f"No proof sheet can be made for this destination: the profile {error}. "
                f"Give the picture or the destination another profile.",
            ) from error
        self._tolerance = max(getattr(gamut, "tolerance", _TOLERANCE), noise.p99)
        self._collector = Collector(raster, look_up, self._tolerance)
        return raster

    def review(self, result: RasterSpec) -> None:
        """Remember the size and resolution that will be written."""
        self._result = result

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Gather, and pass every pixel on."""
        encoding = self._raster.encoding
        seen: list[Band] = []

        def noted() -> Iterator[Band]:
            for band in bands:
                seen.append(band)
                yield band

        for strip in rebanded(noted(), self._collector.rows):
            self._collector.add(strip.top, flattened(strip.pixels, strip.alpha, encoding))
            yield from seen
            seen.clear()

    def close(self) -> Findings:
        """Say what is lost and moved; the places that will be shown."""
        self._way, self._reduced = self._conversion_made(), self._collector.reduced()
        self._places = self._collector.places(self.settings.places)
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
            "places": [
                {
                    "left_px": place.left_px,
                    "top_px": place.top_px,
                    "width_px": place.width_px,
                    "height_px": place.height_px,
                }
                for place in self._places
            ],
        }

    def present(self) -> None:
        """Write the page and the thumbnail into the job's folder."""
        pieces = [self._reduced.pixels, *(place.pixels for place in self._places)]
        made = apply_at_once(self._way.transform, pieces)
        shown = views(list(zip(pieces, made, strict=True)), self._source, self._delivered)
        folder = self._job.folder
        (folder / SHEET_FILE).write_bytes(self._page(shown).encode("utf-8"))
        (folder / THUMBNAIL_FILE).write_bytes(thumbnail(shown[0].adapted))

    def _intent(self) -> Intent:
        """The intent asked for; relative colorimetric where conversion will choose."""
        asked = self._conversion.intent if self._conversion else None
        if asked is None or asked is IntentSetting.LEAST_LOSS:
            return Intent.RELATIVE_COLORIMETRIC
        return Intent(asked)

    def _transform(self, intent: Intent) -> Transform:
        asked = self._conversion
        if asked is None:
            return Transform(self._source, self._source)
        by_looking = asked.intent is IntentSetting.LEAST_LOSS
        return Transform(
            self._source,
            self._delivered,
            intent,
            black_point_compensation=by_looking or asked.black_point_compensation,
            precision=asked.precision,
        )

    def _conversion_made(self) -> _Way:
        """The conversion as it took place; what it chose by looking, it has left in a file."""
        chosen = self._job.folder / CHOICE_FILE
        if self._conversion is None or self._conversion.intent is not IntentSetting.LEAST_LOSS:
            return _Way(self._transform(self._intent()))
        choice = json.loads(chosen.read_text("utf-8"))
        return _Way(self._transform(Intent(choice["chosen"])), choice["reason"])

    def _page(self, shown: list[Views]) -> str:
        job, result, medium, way = self._job, self._result, self._job.medium, self._way
        reduced, hues = self._reduced, self._hues
        whole, *pieces = shown
        pictures: dict[str, Any] = vars(whole).copy()
        pictures["map"] = loss_map(whole.finished, reduced.loss, self._tolerance)
        for number, piece in enumerate(pieces, 1):
            pictures |= {f"{name}-{number}": view for name, view in vars(piece).items()}
        cost = facts.cost(result, medium)
        return render(
            Sheet(
                name=job.original.name,
                job=job.id,
                destination=job.destination,
                medium=facts.medium_in_words(medium.surface),
                on_screen=medium.surface is Surface.SCREEN,
                width_px=reduced.pixels.shape[1],
                height_px=reduced.pixels.shape[0],
                pictures=as_uris(pictures, int(self.settings.page_size) - WORDS_BYTES),
                spots=tuple(
                    self._spot(place, number) for number, place in enumerate(self._places, 1)
                ),
                lost_share=self._lost_share,
                lost_words=hues.words,
                tolerance=self._tolerance,
                hues=hues.bars,
                paper=paper_white(self._delivered),
                size=tuple(facts.size_facts(result, medium)),
                decisions=tuple(facts.decisions(self._raster, way.transform, job, way.reason)),
                cost=str(cost) if cost else "",
                bits=job.result.bits,
                warning=_MISPLACED if self._is_misplaced() else "",
                is_trial=job.is_trial,
            )
        )

    def _is_misplaced(self) -> bool:
        """Whether the picture was converted before it came here."""
        before = self._job.original.spec.profile
        is_there = self._source == self._job.profile
        return bool(self._conversion) and is_there and before is not None and before != self._source

    def _spot(self, place: Place, number: int) -> Spot:
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
        )
