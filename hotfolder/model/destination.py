"""What hangs on the wall and the file that comes out: the part of a destination stages may see."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from hotfolder.model.name_template import ResultNameTemplate
from hotfolder.model.units import LengthMm, MoneyAmount


class SettingsModel(BaseModel):
    """Base of every settings model: frozen, unknown keys forbidden.

    Notes
    -----
    For a table inside a stage's table; the stage's table itself extends `StageSettings`.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Surface(StrEnum):
    """What light meets on the wall or on the screen."""

    CANVAS = "canvas"
    """Woven, and coated."""

    MATTE = "matte"
    """Paper without any shine."""

    LUSTRE = "lustre"
    """Paper with a soft shine."""

    GLOSS = "gloss"
    """Paper that shines."""

    NEWSPRINT = "newsprint"
    """Uncoated and grey."""

    SCREEN = "screen"
    """A display."""


class Medium(SettingsModel):
    """The table ``[medium]``: what will hang on the wall."""

    profile: Annotated[str, Field(min_length=1)]
    """The medium's ICC profile: a file in the root's ``profiles/``."""
    surface: Surface
    """The medium's surface; sharpening follows from it."""
    viewing_distance: LengthMm
    """The distance from which people look at the picture; sharpening follows from it."""
    cost_per_square_metre: MoneyAmount | None = None
    """The price of the medium, from which sheets, strips and reports estimate a print's cost."""


class Result(SettingsModel):
    """The table ``[result]``: the file that comes out."""

    format: Literal["tiff", "jpeg", "png"] = "tiff"
    """File format of the result."""
    bits: Literal[8, 16] = 16
    """Bits per channel; a JPEG always has 8."""
    compression: Literal["none", "lzw", "deflate"] = "deflate"
    """Compression of a TIFF; each choice is lossless."""
    quality: Annotated[int, Field(ge=1, le=100)] = 92
    """Quality of a JPEG."""
    subsampling: Literal["4:4:4", "4:2:2", "4:2:0"] = "4:4:4"
    """Chroma subsampling of a JPEG; "4:4:4" keeps the full resolution of colour."""
    name: ResultNameTemplate = "{file} {size} {medium}"
    """How a single picture's result is called, without its suffix, from the fields ``{file}``,
    ``{size}``, ``{medium}`` and ``{destination}``. With size and medium in it, it never is the
    original's own name. A ticket's rows are named by ``[ticket]``."""
    bigtiff: Literal["write", "refuse"] = "write"
    """What to do when a TIFF may exceed 4 GiB: write a BigTIFF, or refuse the picture."""

    @model_validator(mode="before")
    @classmethod
    def _set_bits_of_jpeg(cls, raw: object) -> object:
        if isinstance(raw, dict) and raw.get("format") == "jpeg":
            return {"bits": 8, **raw}
        return raw

    @model_validator(mode="after")
    def _refuse_16_bits_in_jpeg(self) -> Self:
        if self.format == "jpeg" and self.bits != 8:
            raise ValueError("bits = 8 with format = jpeg, which has no other; or format = tiff")
        return self
