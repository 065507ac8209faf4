"""A small book about the estuary: pictures for its pages, and the ticket that places them.

Every picture is another part of one of the demo's scenes, lighter or darker, and some mirrored.
The ticket is written as some spreadsheets save one: semicolons, Windows-1252, decimal commas,
CRLF.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np

from hotfolder_demo.scenes import PAINTERS, picture_bytes
from hotfolder_demo.texture import Picture

HEADER = ("File", "Page", "Placement", "Width", "Height", "Copies", "Caption", "Anchor")
_SEED = 31
_ASPECT = 1.5
_PART = 0.8
_CAPTIONS = {
    "dawn": "Dawn over the flats",
    "rigging": "Rigging, high water",
    "reeds": "Reeds and buoys",
    "vessels": "Vessels of fired clay – found at ebb",
    "ripples": "Ripples after the tide",
}


@dataclass(frozen=True)
class Row:
    """A row of the ticket, as text."""

    file: str
    page: int
    placement: str
    width: str
    height: str
    copies: str = "1"
    caption: str = ""
    anchor: str = ""


def names(number: int) -> list[str]:
    """File names of the book's pictures, in the order of its pages."""
    scenes = [name for name, _, _ in PAINTERS]
    return [f"{scenes[index % len(scenes)]} {index + 1:02d}.tif" for index in range(number)]


def paint(name: str, long_edge_px: int) -> bytes:
    """One of the pictures as a TIFF; the same bytes for the same name in every run."""
    return picture_bytes(picture(name, long_edge_px))


def picture(name: str, long_edge_px: int) -> Picture:
    """One of the pictures, in linear light."""
    scene, _, rest = name.partition(" ")
    number = int(rest.partition(".")[0])
    whole = _scene(scene, round(long_edge_px / _PART))
    height, width = round(long_edge_px / _ASPECT), long_edge_px
    top = number * 7 % (whole.shape[0] - height + 1)
    left = number * 11 % (whole.shape[1] - width + 1)
    part = whole[top : top + height, left : left + width]
    light = 0.75 + 0.5 * (number * 5 % 12) / 11
    return (part[:, ::-1] if number % 2 else part) * np.float32(light)


@cache
def _scene(name: str, long_edge_px: int) -> Picture:
    painter = next(each for label, each, _ in PAINTERS if label == name)
    rng = np.random.default_rng([_SEED, len(name)])
    return painter(long_edge_px, round(long_edge_px / _ASPECT), rng)


def rows(number: int) -> Iterator[Row]:
    """Two places for every picture: across a page, and small on the page after the next."""
    for index, name in enumerate(names(number)):
        caption = _CAPTIONS[name.partition(" ")[0]]
        page = index + 2
        yield Row(name, page, "top", "60 mm", "4,5 cm", caption=caption, anchor="Top")
        yield Row(name, page + 2, "foot", "30 mm", "", copies="2")


def ticket_bytes(book: list[Row]) -> bytes:
    """The ticket as a file."""
    text = io.StringIO(newline="")
    text.write(";".join(HEADER) + "\r\n")
    for row in book:
        text.write(";".join(str(value) for value in vars(row).values()) + "\r\n")
    return text.getvalue().encode("cp1252")
