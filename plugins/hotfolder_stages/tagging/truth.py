"""What the metadata of a result must say about it, whatever the original's said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from importlib.metadata import version

from hotfolder import RasterSpec
from hotfolder.colour import is_srgb

SOFTWARE = f"hotfolder {version('hotfolder')}"


class Text(StrEnum):
    """The texts that settings may supply."""

    COPYRIGHT = "copyright"
    DESCRIPTION = "description"
    CREATOR = "creator"


Texts = Mapping[Text, str]


@dataclass(frozen=True)
class Truth:
    """Facts about the result. ppi: None when nobody knows."""

    width_px: int
    height_px: int
    ppi: Fraction | None
    is_srgb: bool
    profile: str

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
        )
