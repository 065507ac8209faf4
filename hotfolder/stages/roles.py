"""What looking before printing needs of stages: a role says who can do it, a model what it says.

`hotfolder proof` and `hotfolder strip` run stages of their own, beside those of a destination. They
find them by role, never by name. A stage that takes a role has the settings that the role names,
and findings that the role's model can read; what else is in either is its own.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from hotfolder.model.units import Money, say_share


class Role(StrEnum):
    """A part that a stage plays for the program itself.

    See Also
    --------
    Stage.role
    """

    SHEET = "shows what will become of the picture"
    """It leaves a page of the kind ``"proof-sheet"``, stands on the finished picture, and has the
    settings ``places``, how many of the worst places it shows, ``at``, places to show instead, each
    as two shares of width and height, ``first``, whether the print is shown first as the profile
    says (``"medium"``) or as it was measured (``"measured"``), and ``page_size``, the most bytes of
    the page. Its findings are a `SheetFindings`."""

    PLACES = "finds the pieces that a test strip should show"
    """It stands on the finished picture and changes nothing. It has the setting ``at``: places that
    must be among the pieces, each as two shares. Its findings are a `PlacesFindings`."""

    STRIP = "cuts the pieces of a test strip out of a picture"
    """It has the settings ``pieces``, each with ``left_px``, ``top_px``, ``width_px``,
    ``height_px`` and ``label``, and ``heading``; ``rendering``, a word for what was made of the
    picture; ``raw_to``, a file for the bare pixels of the pieces; and ``beside``, each with
    ``file``, such pixels of another rendering, and its word, ``rendering``. Its findings are a
    `StripFindings`."""

    WHITES = "shows which places of a picture could be white or grey"
    """It stands on the original and changes nothing. It has the setting ``at``: places that a
    person points at, each as in ``"40%,30%"``. It leaves a page, whose pictures are named in
    ``data-view``: ``came`` for the picture as it came, and ``choice-1`` and so on for what it would
    become. Its findings are a `WhitesFindings`."""

    LIGHT = "makes a profile of the light from a chart"
    """It stands on the original and changes nothing. It has the setting ``chart_values``, as the
    stage that corrects by a chart. It leaves an ICC profile, and its findings are a
    `LightFindings`."""

    BESIDE = "lays a control strip beside the picture"
    """It stands on the sheet. The program gives it the strip, as
    `MediumStanding.strip`. Its findings are a `BesideFindings`."""

    PHOTOGRAPH = "reads control strips in a photograph of them"
    """It stands on the original and changes nothing. It has the setting ``grids``, how patches may
    lie between marks. Its findings are a `PhotographFindings`."""


class _Findings(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")


class Rectangle(_Findings):
    """A part of a picture, in its pixels."""

    left_px: int
    """From the picture's left edge."""
    top_px: int
    """From its top edge."""
    width_px: int
    """Its width."""
    height_px: int
    """Its height."""


class ShownPlace(Rectangle):
    """A place that is shown."""

    at: tuple[float, float]
    """Its middle, as shares of the original's width and height, 0 … 1."""
    delivered_sha256: str = ""
    """Of its pixels as they will be delivered, 16 bits little-endian, before dither and coding; ""
    where that is not said."""


class Moved(_Findings):
    """By how much colours come out from what they were, over the whole picture."""

    mean: float
    """ΔE00."""
    p95: float
    """ΔE00 that one pixel in twenty exceeds."""


class Kept(_Findings):
    """What of the picture a rendering keeps, measured in the reduced picture."""

    off_delta_e_00: Moved
    """How far colours are from the picture's with its black scaled to the medium's."""
    unfit_share: float
    """Share of the picture that the medium cannot make, 0 … 1."""
    unfit_contrast: float
    """Local contrast kept where colours do not fit, 0 … 1; 1 where all fit."""
    contrast: float
    """Local contrast of the whole picture kept, the medium's weaker black included, 0 … 1."""


class SheetFindings(_Findings):
    """What a stage in the role `Role.SHEET` measures."""

    lost_share_of_reduced: float
    """Share of the reduced picture that is lost in what is delivered, 0 … 1."""
    lost_in_words: str
    """Which colours those are, in a few plain words."""
    tolerance_delta_e_00: float
    """ΔE00 above which a colour counts as lost."""
    moved_delta_e_00: Moved
    """How far colours move."""
    medium_black_lightness: float
    """L* of the darkest that the medium can show, 0 … 100."""
    medium_white_srgb: tuple[int, int, int]
    """Its white, 0 … 255 each."""
    print_mm: tuple[float, float] | None
    """Width and height; None on a screen, or without a resolution."""
    material_cost: Money | None
    """Of one print; None when no price is set."""
    face: Rectangle | None = None
    """What is looked at; None when that is all of it, without wrap and bleed."""
    has_bleed: bool = False
    """Whether what lies around the face is cut off; else it is folded away."""
    original_at: tuple[float, float, float, float] | None = None
    """Where the whole original lies: left, top, width, height as shares of the picture's; None when
    that is not known."""
    places: tuple[ShownPlace, ...]
    """The places that are shown, the worst first."""
    kept: Kept | None = None
    """Of a trial; None when the stage does not measure it."""


class Telling(Rectangle):
    """A piece that a test strip should show."""

    why: tuple[str, ...]
    """What it tells, in a few words each."""


class PlacesFindings(_Findings):
    """What a stage in the role `Role.PLACES` finds."""

    pieces: Annotated[tuple[Telling, ...], Field(min_length=1)]
    """The worst first."""
    conversion_in_words: str = ""
    """How the picture is converted, for the strip's heading; "" when it is not."""


class StripPiece(Rectangle):
    """A piece as it lies on the strip."""

    label: str
    """The words below it."""
    rendering: str = ""
    """Which one it shows, where there are several."""
    strip_left_px: int
    """From the strip's left edge."""
    strip_top_px: int
    """From its top edge."""


class StripFindings(_Findings):
    """What a stage in the role `Role.STRIP` has made."""

    pieces: tuple[StripPiece, ...]
    """In the order of the setting."""
    picture_px: tuple[int, int]
    """Width and height of the picture they were cut from."""
    shown_share: float
    """Share of the strip's area that shows the picture, 0 … 1."""


class WhiteLight(_Findings):
    """The colour in which a picture shows what would be white."""

    cct_k: int | None
    """Its correlated colour temperature; None where that means nothing."""
    duv: float | None
    """Its distance from Planck's locus."""


class WhiteBalance(_Findings):
    """The cast that a picture would lose."""

    a: float
    """a* of a middle grey."""
    b: float
    """b* of it."""
    chroma: float
    """C* of it."""


class WhiteChoice(_Findings):
    """Something that could be white or grey."""

    number: int
    """From 1; on the page as well."""
    what: str
    """What it is, in words."""
    share: float | None
    """Of the picture, 0 … 1; None for a place that a person points at."""
    places: tuple[tuple[float, float], ...]
    """Where it is, as shares of width and height."""
    white_at: str
    """The first place, as a release and a ticket name it."""
    light: WhiteLight
    """What white would be, as the picture is now."""
    balance: WhiteBalance
    """What would be taken away."""

    @property
    def in_words(self) -> str:
        """What it is, and what would become of the picture, as a sentence."""
        it_is, its = ("It is", "its") if len(self.places) == 1 else ("They are", "their")
        light = f"{self.light.cct_k} K" if self.light.cct_k else "no usual light"
        share = f"{it_is} {say_share(self.share, 2)} of the picture. " if self.share else ""
        return (
            f"{share}The picture shows {its} white as {light}; a middle grey would lose a cast of "
            f"C* {self.balance.chroma:.1f}."
        )


class WhitesFindings(_Findings):
    """What a stage in the role `Role.WHITES` finds."""

    choices: tuple[WhiteChoice, ...]
    """Those that a person pointed at first."""
    picture_px: tuple[int, int] = (1, 1)
    """Width and height of the pictures on its page."""


class LightFindings(_Findings):
    """What a stage in the role `Role.LIGHT` has made."""

    description: str
    """What the profile calls itself, with its error."""
    kind: str
    """``"matrix"`` or ``"table"``."""
    use: str
    """Where a destination names it."""
    leave_one_out_delta_e_00: float
    """Of colours that took no part in the fit."""
    fit_delta_e_00: float | None
    """Of the chart's own."""
    read_back_delta_e_00: float
    """Between the profile and the fit, on average over the chart."""
    patches_used: int
    """Of 24."""
    light: WhiteLight
    """In which the chart was taken, as the picture shows it."""


class BesideFindings(_Findings):
    """What a stage in the role `Role.BESIDE` has done."""

    laid_on: str | None
    """The day that the strip beside the picture says, as in ``"2026-11-28"``; None without one."""


class SeenPatch(_Findings):
    """A place of a strip in a photograph, in light that is linear and of no known colour."""

    x: float
    """Share of the photograph's width."""
    y: float
    """Share of its height."""
    rgb: tuple[float, float, float]
    """The mean, 0 … 1."""
    sd: tuple[float, float, float]
    """The standard deviation of that mean."""
    cut: bool
    """Whether some of it is as light as the photograph can hold, or as dark."""


class SeenGrid(_Findings):
    """One way in which four marks of a photograph may be the corners of a strip."""

    grid: int
    """Which of the setting ``grids``."""
    corners: tuple[tuple[float, float], ...]
    """Middles of the marks, clockwise from where the strip begins: shares of width and height."""
    patches: tuple[SeenPatch, ...]
    """In the order in which they are read."""
    paper: tuple[SeenPatch, ...]
    """Places between them."""


class PhotographFindings(_Findings):
    """What a stage in the role `Role.PHOTOGRAPH` has found."""

    marks: int
    """How many marks were found."""
    seen: tuple[SeenGrid, ...]
    """Every way in which they may be strips, turned all four ways."""
