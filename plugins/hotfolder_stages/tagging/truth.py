"""What the metadata of a result must say about it, whatever the original's said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from fractions import Fraction
from importlib.metadata import version
from typing import Literal
from uuid import NAMESPACE_URL, UUID, uuid5

from hotfolder import Area, Encoding, Job, RasterSpec
from hotfolder.colour import is_srgb

_OURS = uuid5(NAMESPACE_URL, "urn:hotfolder:results")
SOFTWARE = f"hotfolder {version('hotfolder')}"


class Text(StrEnum):
    """The texts that settings may supply."""

    COPYRIGHT = "copyright"
    DESCRIPTION = "description"
    CREATOR = "creator"


Texts = Mapping[Text, str]


@dataclass(frozen=True)
class Truth:
    """Facts about the result."""

    width_px: int
    height_px: int
    ppi: Fraction | None
    """Pixels per inch; None when nobody knows."""
    is_srgb: bool
    profile: str
    encoding: Encoding
    at: Area
    """Where the whole of the original lies in it."""

    @classmethod
    def of(cls, raster: RasterSpec) -> Truth:
        """The facts of a raster; ppi as a ratio that a RATIONAL can hold, to 1/1000."""
        profile = raster.profile
        return cls(
            raster.width_px,
            raster.height_px,
            Fraction(raster.ppi).limit_denominator(1000) if raster.ppi else None,
            profile is not None and is_srgb(profile),
            profile.description if profile else "",
            raster.encoding,
            raster.original_area,
        )


@dataclass(frozen=True)
class Edition:
    """What makes the file that is about to be written one of its own."""

    format: Literal["tiff", "jpeg", "png", "pdf", "jxl", "avif", "webp"]
    document: UUID
    instance: UUID
    made: datetime
    """When, in local time."""

    @classmethod
    def of(cls, job: Job) -> Edition:
        """Return that of an attempt: the same on whichever machine it is made."""
        attempt = f"{job.id} {job.begun.isoformat()}"
        document = uuid5(_OURS, f"{attempt} document")
        instance = uuid5(_OURS, f"{attempt} instance")
        return cls(job.result.format, document, instance, job.begun)
