"""What persons have answered about their displays: ``.hotfolder/display.jsonl``, a line each.

All is by eye. Nothing of it says how bright a display is, which white it has, or whether it is
calibrated.
"""

from __future__ import annotations

import os
from datetime import UTC, datetime
from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from hotfolder.disk import durable, line_log
from hotfolder.pages.words import local_time
from hotfolder.settings.root import Root

LONGEST_NAME: Final = 60
_LAST_LINES: Final = 2**14
"""Bytes; an answer has some 200."""

Gamut = Literal["", "none", "srgb", "p3", "rec2020"]
"""What a browser says of ``color-gamut``; "" when it did not say."""
Steps = Annotated[int, Field(ge=0, le=4)]
"""How many of four fields a person can tell from their ground."""


class DisplayAnswer(BaseModel):
    """What one person has seen on one display."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    version: int = 1
    display: Annotated[str, Field(min_length=1, max_length=LONGEST_NAME)]
    """What they call it."""
    answered: Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$")]
    """UTC."""
    gamut: Gamut
    profiles: bool
    """Whether the three pictures looked alike."""
    dark: Steps
    middle: Steps
    light: Steps


def make_answer(values: dict[str, str]) -> DisplayAnswer:
    """Check what a form says.

    Raises
    ------
    ValidationError
        When something is missing or none of what can be answered.
    """
    now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return DisplayAnswer.model_validate({**values, "answered": now})


def write_answer(root: Root, answer: DisplayAnswer) -> None:
    """Add an answer, durably.

    Raises
    ------
    OSError
        When it cannot be written.
    """
    line_log.append_line(root.displays, answer.model_dump_json().encode())


def read_answers(root: Root) -> list[DisplayAnswer]:
    """Return the latest answer about each display, the newest first.

    Raises
    ------
    OSError
        When answers are there and cannot be read.
    """
    try:
        with durable.open_to_read(root.displays) as file:
            size = file.seek(0, os.SEEK_END)
            file.seek(max(0, size - _LAST_LINES))
            lines = file.read(_LAST_LINES).split(b"\n")
    except FileNotFoundError:
        return []
    found: dict[str, DisplayAnswer] = {}
    for line in reversed(lines):
        try:
            answer = DisplayAnswer.model_validate_json(line)
        except ValidationError:
            continue  # torn, cut off, or of a later version
        found.setdefault(answer.display, answer)
    return list(found.values())


_GAMUTS: Final = {
    "none": "less than sRGB",
    "srgb": "about sRGB",
    "p3": "about Display P3",
    "rec2020": "about Rec. 2020",
}


def describe_answer(answer: DisplayAnswer) -> str:
    """Say in one line what was answered.

    Examples
    --------
    >>> describe_answer(DisplayAnswer(display="left", answered="2026-11-28T10:00:00Z", gamut="p3",
    ...     profiles=True, dark=3, middle=4, light=4)).partition("2026-11-28")[0]
    'Display "left", by eye, on '
    """
    gamut = f"its browser says {_GAMUTS[answer.gamut]}; " if answer.gamut else ""
    return (
        f'Display "{answer.display}", by eye, on {local_time(answer.answered)[:10]}: {gamut}'
        f"embedded profiles {'honoured' if answer.profiles else 'NOT honoured'}; fields told from "
        f"their ground: {answer.dark} of 4 in the dark, {answer.middle} of 4 in the middle, "
        f"{answer.light} of 4 in the light."
    )
