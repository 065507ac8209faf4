"""The stage ``neutral-places``: show what could be white or grey, for a person to decide.

It runs alone, for the command `hotfolder neutral`; no destination needs it.
"""

from __future__ import annotations

import io
from base64 import b64encode
from collections.abc import Iterable, Iterator
from typing import Annotated, ClassVar

import numpy as np
from markupsafe import Markup
from pydantic import Field

from hotfolder import (
    Band,
    Encoding,
    Findings,
    Hold,
    Job,
    Json,
    Place,
    RasterSpec,
    Role,
    Stage,
    StageSettings,
    WhiteWish,
)
from hotfolder.colour import (
    Codes,
    Floats,
    Profile,
    convert_to_8_bits,
    look_of,
)
from hotfolder.pages import load_template, source_hash, style
from hotfolder_stages.reference.correcting import Corrector, matrix_for_white
from hotfolder_stages.reference.light import describe_white
from hotfolder_stages.reference.reduced import ReducedCopy, find_space, srgb
from hotfolder_stages.reference.settings import Spot
from hotfolder_stages.reference.spot import read_spot
from hotfolder_stages.reference.view import reduce_codes
from hotfolder_stages.reference.whites import Group, find_whites

PAGE_FILE = "neutral.html"

_RULES = """
.views { display: grid; gap: .4rem 1.2rem;
  grid-template-columns: repeat(auto-fit, minmax(min(100%, 22rem), 1fr)); }
.marks .disc { fill: #000; }
.marks circle.under { fill: #fff; }
"""


class NeutralSettings(StageSettings):
    """The table ``[stage.neutral-places]``."""

    only_looks: ClassVar[bool] = True

    at: Annotated[tuple[Spot, ...], Field(max_length=8)] = ()
    """Places that a person points at; they are shown before those that are found."""


class NeutralPlaces(Stage[NeutralSettings]):
    """Find and show places that could be white or grey; the pixels pass through."""

    name = "neutral-places"
    Settings = NeutralSettings
    place = Place.ORIGINAL
    role = Role.WHITES

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Make ready for a smaller copy of the picture.

        Raises
        ------
        Hold
            ``not-by-a-place``: the picture's profile is none of curves and a matrix.
        """
        self._job = job
        profile = raster.profile
        if profile is None and raster.encoding is Encoding.RGB:
            profile = srgb()
            job.warn(
                "profile-assumed",
                "It has no profile; its colours are taken for sRGB. Embed one before you drop it.",
            )
        space = find_space(profile, raster.encoding)
        if space is None:
            raise Hold(
                "not-by-a-place",
                "Only a picture in RGB whose profile is described by curves and a matrix can be "
                "balanced for a place in it. Convert it to such a profile first.",
            )
        self._space = space
        self._copy = ReducedCopy(raster)
        return raster

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Gather, and pass every pixel on."""
        return self._copy.gather(bands)

    def close(self) -> Findings:
        """Say where the places are, and what light each would be white in."""
        codes = self._copy.codes
        self._choices: list[dict[str, Json]] = []
        self._whites: list[Floats] = []
        for at in self.settings.at:
            seen = read_spot(codes, self._space, at)
            if seen is None:
                self._job.warn(
                    "no-white",
                    f"At {WhiteWish(at)} the picture is black or clipped: nobody can know its "
                    "colour.",
                )
                continue
            self._add("the place that you point at", [at], seen, None)
        for group in find_whites(codes, self._space):
            first = read_spot(codes, self._space, group.places[0].at)
            if first is not None:
                self._add(_name(group), [each.at for each in group.places], first, group.share)
        self._view = reduce_codes(self._copy.codes)
        height, width, _ = self._view.shape
        return {"choices": list(self._choices), "picture_px": [width, height]}

    def present(self) -> None:
        """Write the page."""
        view = self._view
        shown = [
            Corrector(matrix_for_white(white, self._space), self._space).apply(view)
            for white in self._whites
        ]
        pictures = [_uri(each, self._space.profile) for each in (view, *shown)]
        look = style({}, _RULES)
        # compiled where a page is made: it costs as much as loading ten modules
        page = load_template("hotfolder_stages.reference", "neutral.html").render(
            name=self._job.original.name,
            neutral=self._job.command("neutral", "IMAGE", "--at", "40%,30%"),
            release=self._job.command("release", "JOB", "--white-at", "PLACE"),
            came=pictures[0],
            width=view.shape[1],
            height=view.shape[0],
            choices=list(zip(self._choices, pictures[1:], strict=True)),
            warnings=[each.message for each in self._job.warnings],
            style=Markup(look),  # noqa: S704 - ours
            style_hash=source_hash(look),
        )
        self._job.attach(PAGE_FILE, "What could be white").write_text(page, "utf-8")

    def _add(
        self, what: str, at: list[tuple[float, float]], seen: Floats, share: float | None
    ) -> None:
        white = seen / seen[1]
        said = describe_white(white, self._space.to_xyz)
        places: list[Json] = [[round(x, 4), round(y, 4)] for x, y in at]
        self._choices.append(
            {
                "number": len(self._choices) + 1,
                "what": what,
                "share": None if share is None else round(share, 4),
                "places": places,
                "white_at": str(WhiteWish(at[0])),
                **said,
            }
        )
        self._whites.append(seen)


def _name(group: Group) -> str:
    number = len(group.places)
    return "a surface" if number == 1 else f"{number} surfaces of one colour of light"


def _uri(pixels: Codes, profile: Profile) -> str:
    from PIL import Image  # loaded where a picture is made, not where settings are read

    look = look_of(srgb(), "adapted")
    screen = np.ascontiguousarray(pixels)
    shown = convert_to_8_bits(screen, profile, srgb(), look.intent, look.flags)
    out = io.BytesIO()
    Image.fromarray(shown).save(out, "JPEG", quality=85, subsampling=0)
    return "data:image/jpeg;base64," + b64encode(out.getvalue()).decode("ascii")
