"""The public interface as an outsider uses it. Never run: the type checker reads it.

Not one ``Any``, no ``cast`` and no ``type: ignore`` may be needed here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Annotated

import numpy as np
from pydantic import Field

from hotfolder import (
    Band,
    ByteCount,
    Column,
    ConversionToCome,
    DurationS,
    Facts,
    Findings,
    Hold,
    HotfolderError,
    Job,
    Json,
    LengthMm,
    Medium,
    Message,
    Original,
    Place,
    RasterSpec,
    Refuse,
    Result,
    SettingsError,
    Share,
    SizeToCome,
    Stage,
    StageError,
    StageSettings,
    StorageError,
    Surface,
    Verdict,
    hookimpl,
    number_in,
)
from hotfolder.colour import Codes, Profile, Transform, over_slabs
from hotfolder.testing import Done, cut, make_job, make_spec, make_stage, run_stage, srgb


@dataclass(frozen=True)
class VarnishToCome(Message):
    """A message of an outsider's own."""

    thickness_mm: float


class VarnishSettings(StageSettings):
    """The table ``[stage.varnish]``."""

    thickness: LengthMm = 0.1
    drying: DurationS = 3600.0
    hold_above: Share | None = None
    most_memory: ByteCount = 2.0**30
    coats: Annotated[int, Field(ge=1, le=5)] = 1


def darkest_of(pixels: Codes) -> int:
    """The lowest code, found on all cores."""
    return min(over_slabs(lambda a, b: int(pixels[a:b].min()), *pixels.shape[:2]))


class Varnish(Stage[VarnishSettings]):
    """Look at the converted picture and leave a note."""

    name = "varnish"
    Settings = VarnishSettings
    place = Place.CONVERTED
    tells = (VarnishToCome,)
    comes_after = (ConversionToCome, SizeToCome)

    def announce(self, job: Job) -> None:
        """Tell how thick it will be."""
        job.tell(VarnishToCome(self.settings.thickness * self.settings.coats))

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Refuse what cannot be varnished."""
        medium: Medium = job.medium
        result: Result = job.result
        original: Original = job.original
        if medium.surface is Surface.SCREEN or result.format == "jpeg":
            raise Refuse("no-print", f"{original.name} is for a screen and takes no varnish.")
        told = job.told(ConversionToCome)
        self._is_converted: bool = told is not None and not told.is_open
        self._job, self._darkest = job, 65535
        return replace(raster, has_alpha=False)

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Find the darkest code."""
        for band in bands:
            self._darkest = min(self._darkest, darkest_of(band.pixels))
            yield Band(band.top, band.pixels)

    def close(self) -> Findings:
        """Say it."""
        findings: dict[str, Json] = {"darkest_code": self._darkest, "coats": [1, 2]}
        if self.settings.hold_above is not None and self._darkest < 100:
            raise Hold("too-dark", "It is too dark for varnish. Lighten it.", findings)
        return findings

    def present(self) -> None:
        """Leave a note for people."""
        path = self._job.attach("varnish.txt", "How to varnish it")
        path.write_text("Thinly.", encoding="utf-8")

    @classmethod
    @hookimpl
    def hotfolder_facts(cls, findings: Findings, settings: Mapping[str, Json]) -> Facts:
        """Add a column."""
        darkest = number_in(findings, "darkest_code")
        return Facts(columns=(Column("darkest", "Darkest code", "", darkest),))


def use() -> str:
    """Drive the stage as its author's test would."""
    pixels = np.zeros((4, 6, 3), np.uint16)
    profile: Profile = srgb()
    spec = make_spec(pixels, profile, ppi=100.0)
    job = make_job(spec, "canvas", "2 m", told=[ConversionToCome()])
    stage = make_stage(Varnish, {"thickness": "0.2 mm", "coats": 2})
    done: Done = run_stage(stage, pixels, spec, job)
    there = Transform(profile, profile).apply(done.pixels)
    for band in cut(there, 2):
        print(band.top)  # noqa: T201
    told = job.told(VarnishToCome)
    return f"{told.thickness_mm if told else 0}"


def handle(error: HotfolderError) -> str:
    """Tell errors apart."""
    match error:
        case Verdict():
            return error.code
        case SettingsError():
            return str(error.problems[0].key)
        case StageError():
            return error.stage
        case StorageError():
            return "later"
        case _:
            return str(error)
