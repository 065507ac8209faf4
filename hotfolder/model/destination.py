"""What hangs on the wall and the file that comes out: the part of a destination stages may see."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from hotfolder.model.name_template import ResultNameTemplate
from hotfolder.model.units import ColourOfLightK, IlluminanceLx, LengthMm, Luminance, MoneyAmount


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


Lamp = Literal[
    "A", "FL2", "FL11", "LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-B5", "LED-V1", "LED-V2"
]
"""A lamp whose spectrum is published: illuminants of CIE 15:2018."""

_BOOTHS = ("booth P1", "booth P2")


class Viewing(SettingsModel):
    """The table ``[medium.viewing]``: the light in which the result is judged; changes no pixel."""

    where: Literal["booth P1", "booth P2", "studio", "wall", "display"]
    """Where it is judged: in a booth after ISO 3664, in the studio's light, on the wall where it
    will hang, or on a display."""
    illuminance: IlluminanceLx | None = None
    """How much light falls on it there, as a lux meter says."""
    colour_of_light: ColourOfLightK | None = None
    """The colour of the light, as it stands on the lamp; of a display, its white."""
    lamp: Lamp | None = None
    """The kind of lamp: "A" tungsten and halogen; "FL2" and "FL11" fluorescent, FL11 of three
    bands; "LED-B1" (2733 K) to "LED-B5" (6598 K) LED excited by blue, "LED-V1" and "LED-V2" by
    violet. The page of measured strips computes what the print becomes under it."""
    luminance: Luminance | None = None
    """How bright a display's white is, as an instrument says."""
    display_profile: str = ""
    """What a display was calibrated and profiled to, in your words."""

    @model_validator(mode="after")
    def _fit_its_place(self) -> Self:
        """Refuse what another place has."""
        strange: dict[str, object]
        display: dict[str, object] = {
            "luminance": self.luminance,
            "display_profile": self.display_profile or None,
        }
        light: dict[str, object] = {"illuminance": self.illuminance, "lamp": self.lamp}
        if self.where == "display":
            strange = light
        elif self.where in _BOOTHS:
            strange = {**display, **light, "colour_of_light": self.colour_of_light}
        else:
            strange = display
        if given := [key for key, each in strange.items() if each is not None]:
            because = ", which says its own light" if self.where in _BOOTHS else ""
            raise ValueError(f'where = "{self.where}"{because}; leave out {", ".join(given)}')
        if self.colour_of_light is not None and not 1000 <= self.colour_of_light <= 25_000:
            raise ValueError('colour_of_light from "1000 K" to "25000 K", as in "2700 K"')
        return self


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
    roll_width: LengthMm | None = None
    """The width of the roll, on which `hotfolder nest` lays several pictures."""
    viewing: Viewing | None = None
    """The light in which the result is judged: the table ``[medium.viewing]``. Sheets say it."""


class Reading(SettingsModel):
    """The table ``[reading]``: how an original is read where its file leaves a choice."""

    page: Annotated[int, Field(ge=1, le=1000)] = 1
    """Which picture is taken of a file that holds several, counted from 1; thumbnails and masks do
    not count."""
    above_white: Literal["hold", "scale", "cut"] = "hold"
    """What becomes of values above white, as pictures in floating point and for high dynamic range
    (PQ, HLG) have them. "hold": a person decides; of floating point, where ``preflight`` finds more
    than its ``hold_above_cut``. "scale": the picture becomes darker until its brightest value is
    white. "cut": they become white. White is 1, and of PQ and HLG 203 cd/m²."""


_OF_8_BITS = {"jpeg", "webp", "avif"}


FileFormat = Literal["tiff", "jpeg", "png", "pdf", "jxl", "avif", "webp"]
"""What a result can be written as."""


class Result(SettingsModel):
    """The table ``[result]``: the file that comes out."""

    format: FileFormat = "tiff"
    """File format of the result. "pdf" is a page for print, made after PDF/X-4: device values with
    the medium's profile as output intent, and boxes for bleed and trim. "jxl" is JPEG XL."""
    also: tuple[FileFormat, ...] = ()
    """More files of the same picture from the same job, each in a format of its own beside the
    first: ``["avif", "webp"]`` behind a JPEG, for web pages that name all three. Bits, quality
    and the like hold for each format that has them."""
    bits: Literal[8, 16] = 16
    """Bits per channel; a JPEG, a WebP and an AVIF always have 8."""
    compression: Literal["none", "lzw", "deflate"] = "deflate"
    """Compression of a TIFF; each choice is lossless."""
    quality: Annotated[int, Field(ge=1, le=100)] = 92
    """Quality of a JPEG, a JPEG XL, a WebP or an AVIF; at 100 a JPEG XL and a WebP lose nothing."""
    subsampling: Literal["4:4:4", "4:2:2", "4:2:0"] = "4:4:4"
    """Chroma subsampling of a JPEG or an AVIF; "4:4:4" keeps the full resolution of colour."""
    name: ResultNameTemplate = "{file} {size} {medium}"
    """How a single picture's result is called, without its suffix. Fields: ``{file}``, the
    original's name without its suffix, also as ``{stem}``; ``{size}``, in mm, or in pixels for a
    screen; ``{size_cm}``, ``{size_in}``, ``{size_px}``; ``{ppi}``; ``{medium}``; ``{destination}``;
    ``{date}``, the day on which it is made; ``{number}``, of the job in this root. With size and
    medium in it, it never is the original's own name. A name that is taken gets a number behind it.
    A ticket's rows are named by ``[ticket]``."""
    bigtiff: Literal["write", "refuse"] = "write"
    """What to do when a TIFF may exceed 4 GiB: write a BigTIFF, or refuse the picture."""

    @property
    def is_lossy(self) -> bool:
        """Whether the first file has other pixels than those that it is made of."""
        if self.format in {"jxl", "webp"}:
            return self.quality < 100
        return self.format in {"jpeg", "avif"}

    def list_files(self) -> tuple[Self, ...]:
        """Say how each file of a job is written.

        Returns
        -------
        The table for each file alone, the first one first.
        """
        return tuple(
            self.model_copy(
                update={"format": each, "also": (), "bits": 8 if each in _OF_8_BITS else self.bits}
            )
            for each in (self.format, *self.also)
        )

    @model_validator(mode="after")
    def _be_of_different_formats(self) -> Self:
        """Refuse two files of one format: they would be the same file twice."""
        if len({self.format, *self.also}) <= len(self.also):
            raise ValueError("in also each format once, and not the one that format says")
        return self

    @model_validator(mode="before")
    @classmethod
    def _set_bits_of_jpeg(cls, raw: object) -> object:
        # a list, as of TOML, cannot be looked up in a set
        if isinstance(raw, dict) and raw.get("format") in tuple(_OF_8_BITS):
            return {"bits": 8, **raw}
        return raw

    @model_validator(mode="after")
    def _refuse_16_bits_in_jpeg(self) -> Self:
        if self.format in _OF_8_BITS and self.bits != 8:
            said = f"bits = 8 with format = {self.format}, which has no other; or format = tiff"
            raise ValueError(said)
        return self
