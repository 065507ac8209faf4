"""What a person may say about the paper around a picture."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Self

from pydantic import AfterValidator, Field, model_validator

from hotfolder import LengthMm, Medium, StageSettings, Surface

FIELDS = ("file", "size", "medium", "destination", "date", "edition", "ppi", "profile")
"""What a line of words may name."""

LINE_HEIGHT = 1.4
"""Of the letters' size; our own judgement: descenders and accents fit."""

_FIELD = re.compile(r"\{([^{}]*)\}")


def _check_line(text: str) -> str:
    wrong = any(each not in FIELDS for each in _FIELD.findall(text))
    if wrong or re.search(r"[{}]", _FIELD.sub("", text)):
        raise ValueError(f"these fields only: {', '.join(f'{{{each}}}' for each in FIELDS)}")
    if any(ord(each) < 32 for each in text):
        raise ValueError("one line of text")
    return text


Line = Annotated[str, AfterValidator(_check_line)]
"""Words with fields in braces."""

Width = Annotated[LengthMm, Field(le=1000)]
"""At most a metre."""


def fill_line(line: str, values: Mapping[str, str]) -> str:
    """Put values in place of the fields; what is empty leaves no gap.

    Examples
    --------
    >>> fill_line("{file}  {edition} {date}", {"file": "reeds", "edition": "", "date": "May"})
    'reeds May'
    """
    return " ".join(_FIELD.sub(lambda field: values[field[1]], line).split())


class MarginsSettings(StageSettings):
    """The table ``[stage.margins]``.

    From the picture outwards: ``border``, ``deckle``, the trim line, ``trim``. Where the picture
    has a bleed, the trim line lies inside it, and ``trim`` is measured from there.
    """

    border: Width = 0.0
    """Unprinted paper on each side of the picture that stays with it."""
    border_below: Width | None = None
    """The same below the picture, where it is to be wider or narrower; by default as `border`."""
    deckle: Width = 0.0
    """Paper beyond the border for an edge that is torn, not cut. Nothing is printed there."""
    trim: Width = 0.0
    """Paper outside the trim line, to be cut away; marks and the label stand there."""
    crop_marks: bool = False
    """Two short lines at each corner of the trim line, outside it; the cut is along their inner
    edges. They are black ink alone in CMYK, and the darkest device value elsewhere. They are no
    registration marks: those are in every ink, and belong to whoever makes the plates."""
    fold_marks: bool = False
    """Short dashed lines in the trim margin, where a wrap is folded; the fold is along their inner
    edges."""
    mark_length: Annotated[LengthMm, Field(gt=0, le=50)] = 5.0
    """How long the marks are."""
    mark_gap: Annotated[LengthMm, Field(le=50)] = 2.0
    """How far from the trim line they begin; at least as far as a bleed reaches."""
    mark_width: Annotated[LengthMm, Field(gt=0, le=2)] = 0.1
    """How wide they are; at least one pixel."""
    caption: Line = ""
    """A line in the border below the picture, from its left edge, that stays with the print, in
    plain Latin letters. Fields:
    ``{file}``, ``{size}``, ``{medium}``, ``{destination}``, ``{date}``, ``{edition}``, ``{ppi}``
    and ``{profile}``."""
    label: Line = ""
    """A line in the trim margin below, which is cut away; the same fields."""
    text_height: Annotated[LengthMm, Field(gt=0, le=50)] = 3.0
    """The size of the letters of both."""
    edition: str = ""
    """What ``{edition}`` stands for, as in "3/25"; a release can say it for one picture, with
    ``--set margins.edition=3/25``. When it is empty, the number that a stage has told."""

    @property
    def border_below_mm(self) -> float:
        """The border below the picture."""
        return self.border if self.border_below is None else self.border_below

    @model_validator(mode="after")
    def _have_room(self) -> Self:
        """See that marks and words fit into the paper that is there for them."""
        if self.crop_marks or self.fold_marks:
            needs = self.mark_gap + self.mark_length
            if self.trim < needs:
                raise ValueError(f'trim at least "{needs:g} mm", mark_gap and mark_length together')
        line = LINE_HEIGHT * self.text_height
        if self.caption and self.border_below_mm < line:
            raise ValueError(f'border_below at least "{line:g} mm" for a caption of this size')
        if self.label and self.trim < self.mark_gap + line:
            raise ValueError(
                f'trim at least "{self.mark_gap + line:g} mm" for a label of this size'
            )
        return self

    def doubts(self, medium: Medium) -> Mapping[str, str]:
        """Doubt margins on a screen, margins of nothing, and an edition that is never said."""
        if medium.surface is Surface.SCREEN:
            return {"border": "and the other margins are paper, and the surface is screen"}
        if not (self.border or self.border_below or self.deckle or self.trim):
            return {"border": 'is "0 mm", and so are the other margins: this stage does nothing'}
        if self.edition and "{edition}" not in self.caption + self.label:
            return {"edition": "is set, and neither caption nor label has {edition} in it"}
        return {}
