"""Settings of a root and of its destinations: models, and reading them with all problems at once."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Any, Literal

from pydantic import Field

from hotfolder.stage import SettingsModel
from hotfolder.units import ByteCount, DurationS, LengthMm, MoneyAmount


class Surface(StrEnum):
    """What light meets on the wall or on the screen."""

    CANVAS = "canvas"
    MATTE = "matte"
    LUSTRE = "lustre"
    GLOSS = "gloss"
    NEWSPRINT = "newsprint"
    SCREEN = "screen"


class Medium(SettingsModel):
    """The table ``[medium]``: what will hang on the wall.

    profile: file name in the root's ``profiles/``; viewing_distance: millimetres after parsing.
    """

    profile: Annotated[str, Field(min_length=1)]
    surface: Surface
    viewing_distance: LengthMm
    cost_per_square_metre: MoneyAmount | None = None


class Result(SettingsModel):
    """The table ``[result]``: the file that comes out.

    compression: for TIFF; quality: 1 … 100 and subsampling: for JPEG.
    """

    format: Literal["tiff", "jpeg", "png"] = "tiff"
    bits: Literal[8, 16] = 16
    compression: Literal["none", "lzw", "deflate"] = "deflate"
    quality: Annotated[int, Field(ge=1, le=100)] = 92
    subsampling: Literal["4:4:4", "4:2:2", "4:2:0"] = "4:4:4"
