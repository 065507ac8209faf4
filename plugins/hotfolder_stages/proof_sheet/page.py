"""The page: one HTML file that needs nothing else, and lets nothing else in.

Its policy (Content Security Policy Level 3, in a ``meta`` element) allows pictures that are in
the page itself, and the one style sheet and the one script whose SHA-256 it names. Everything
that comes from a file or a setting is escaped.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from hotfolder.pages import load_template, source_hash, style, text_of
from hotfolder_stages.proof_sheet.facts import Fact
from hotfolder_stages.proof_sheet.hue_bars import HueBar

if TYPE_CHECKING:
    from jinja2 import Template

MOST_BYTES = 3_000_000
"""Of a page: small enough to send and to open on a telephone."""

WORDS_BYTES = 100_000
"""Kept free of them for what is no picture."""


@dataclass(frozen=True)
class Spot:
    """Where a place lies in the picture, in percent of its sides, and how large its pieces are."""

    number: int
    left: float
    top: float
    width: float
    height: float
    width_px: int
    height_px: int
    lost: bool
    is_for_detail: bool = False
    """It is shown for its detail."""


@dataclass(frozen=True)
class ReferencePart:
    """What a reference says of the picture as it came."""

    title: str
    sentences: tuple[str, ...]
    views: tuple[tuple[str, str, int, int], ...]
    """Of each picture: its name, its title, its width and its height."""
    outlines: tuple[str, ...]
    """Corners of charts and cards, as a polygon's points in percent."""
    places: tuple[tuple[float, float], ...]
    """Middles of patches, in percent."""


@dataclass(frozen=True)
class Sheet:
    """Everything that a page says."""

    name: str
    job: str
    destination: str
    commands: Mapping[str, str]
    """What ``strip``, ``proof`` and ``release`` are called with, to be copied."""
    medium: str
    on_screen: bool
    width_px: int
    height_px: int
    pictures: Mapping[str, str]
    """``data:`` URIs by name: ``finished``, ``medium``, ``adapted``, ``map``, and
    ``finished-1``, ``medium-1``, ``adapted-1`` and so on for the places; ``whole``."""
    numbers: str
    """L*a*b* of both sides, as `hotfolder.pages.pack_numbers` writes them."""
    spots: tuple[Spot, ...]
    notices: tuple[str, ...]
    """What the picture is held for, and what is warned of."""
    front: tuple[float, float, float, float] | None
    """What is looked at: left, top, width, height in percent of the raster; None: all of it."""
    has_bleed: bool
    """Whether what lies around that is cut off; else it is folded away."""
    cropped: str
    """How much of the whole picture is cut off, in words; "" when nothing is."""
    whole_px: tuple[int, int]
    """Width and height of ``whole``, the whole picture with what is cut off; (0, 0) without."""
    lost_share: float
    """0 … 1."""
    out_of_gamut_share: float | None
    """What the medium cannot make at all, 0 … 1; None when nobody looked."""
    lost_words: str
    """Which colours those are."""
    tolerance: float
    hues: tuple[HueBar, ...]
    paper: tuple[int, int, int]
    """The medium's white in sRGB."""
    size: tuple[Fact, ...]
    decisions: tuple[Fact, ...]
    cost: str
    """"" if not known."""
    bits: int
    reference: ReferencePart | None = None
    is_trial: bool = False
    """The picture was only asked about, so there is no job."""
    measured: str = ""
    """When the medium was measured, if there are views of it as it was; else ""."""
    first: str = "medium"
    """The view that is shown first: ``medium`` or ``measured``."""


def load_page() -> Template:
    """Return the page's template, which is compiled once in a process."""
    return load_template("hotfolder_stages.proof_sheet", "sheet.html")


def render(sheet: Sheet) -> str:
    """Return the page."""
    look = style({"paper": sheet.paper})
    script = text_of("hotfolder_stages.proof_sheet", "sheet.js")
    return load_page().render(
        sheet=sheet,
        most_present=max((bar.present for bar in sheet.hues), default=1.0),
        style=Markup(look),  # noqa: S704 - ours, with three numbers
        script=Markup(script),  # noqa: S704 - ours
        style_hash=source_hash(look),
        script_hash=source_hash(script),
    )
