"""What is put around the resampled picture while its rows go by: border, and wrap.

A wrap is the part of a canvas that is folded around the bars. Its edges are

``mirrored``   the picture's outer rows and columns, mirrored at the fold: the row beside the
               fold is there twice
``stretched``  the picture's outermost row or column, drawn out over the wrap
``plain``      one colour

In each, the corners are what folding one side and then the other gives.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from hotfolder import Band, rows_per_band
from hotfolder.colour import Codes

WrapEdges = Literal["mirrored", "stretched", "plain"]

_OPAQUE = 65535
_MODES: dict[str, Literal["symmetric", "edge"]] = {"mirrored": "symmetric", "stretched": "edge"}


@dataclass(frozen=True)
class Margins:
    """Pixels added on each side."""

    left: int = 0
    top: int = 0
    right: int = 0
    bottom: int = 0

    def __bool__(self) -> bool:
        return any((self.left, self.top, self.right, self.bottom))


def bordered(
    bands: Iterable[Band], width_px: int, height_px: int, margins: Margins, colour: Codes
) -> Iterator[Band]:
    """Put a colour around a picture of `width_px` × `height_px`; it is opaque.

    colour: shape (channels,), uint16.
    """
    has_alpha = False
    above = margins.top
    for band in bands:
        has_alpha = band.alpha is not None
        if above:
            yield from _blank(0, above, width_px, margins, colour, has_alpha=has_alpha)
            above = 0
        yield _sides(band, margins, colour)
    below = margins.top + height_px
    yield from _blank(below, margins.bottom, width_px, margins, colour, has_alpha=has_alpha)


def wrapped(
    bands: Iterable[Band], height_px: int, margins: Margins, edges: WrapEdges
) -> Iterator[Band]:
    """Put mirrored or stretched edges around a picture; keeps the rows of one wrap, no more.

    Mirrored margins are at most as wide and as high as the picture.
    """
    rows_needed = margins.top if edges == "mirrored" else 1
    first: list[Band] = []
    last: deque[Band] = deque()
    seen = 0
    for each in bands:
        band = _folded(each, margins, _MODES[edges])
        if seen < rows_needed:
            first.append(band)
        if seen < rows_needed <= seen + band.rows:
            yield from _above(first, margins.top, edges)
            for held in first:
                yield Band(margins.top + held.top, held.pixels, held.alpha)
            first = []
        elif not first:
            yield Band(margins.top + band.top, band.pixels, band.alpha)
        seen += band.rows
        last.append(band)
        while sum(held.rows for held in last) - last[0].rows >= max(margins.bottom, 1):
            last.popleft()
    yield from _below(list(last), margins.top + height_px, margins.bottom, edges)


def _folded(band: Band, margins: Margins, mode: Literal["symmetric", "edge"]) -> Band:
    columns = (margins.left, margins.right)
    pixels = np.pad(band.pixels, ((0, 0), columns, (0, 0)), mode=mode)
    alpha = None if band.alpha is None else np.pad(band.alpha, ((0, 0), columns), mode=mode)
    return Band(band.top, pixels, alpha)


def _above(first: list[Band], rows: int, edges: WrapEdges) -> Iterator[Band]:
    if edges == "stretched":
        yield from _repeated(first[0], slice(0, 1), 0, rows)
        return
    top = 0
    for band in reversed(first):
        part = slice(0, min(band.rows, rows - band.top))
        flipped = _flipped(band, part, top)
        top += flipped.rows
        yield flipped


def _below(last: list[Band], top: int, rows: int, edges: WrapEdges) -> Iterator[Band]:
    if edges == "stretched":
        yield from _repeated(last[-1], slice(-1, None), top, rows)
        return
    for band in reversed(last):
        if rows <= 0:
            return
        flipped = _flipped(band, slice(max(0, band.rows - rows), band.rows), top)
        top += flipped.rows
        rows -= flipped.rows
        yield flipped


def _flipped(band: Band, part: slice, top: int) -> Band:
    alpha = None if band.alpha is None else np.ascontiguousarray(band.alpha[part][::-1])
    return Band(top, np.ascontiguousarray(band.pixels[part][::-1]), alpha)


def _repeated(band: Band, row: slice, top: int, rows: int) -> Iterator[Band]:
    at_once = rows_per_band(band.pixels.shape[1])
    for start in range(0, rows, at_once):
        count = min(at_once, rows - start)
        pixels = np.repeat(band.pixels[row], count, axis=0)
        alpha = None if band.alpha is None else np.repeat(band.alpha[row], count, axis=0)
        yield Band(top + start, pixels, alpha)


def _sides(band: Band, margins: Margins, colour: Codes) -> Band:
    width = margins.left + band.pixels.shape[1] + margins.right
    columns = slice(margins.left, width - margins.right)
    pixels = np.empty((band.rows, width, len(colour)), np.uint16)
    pixels[:, : margins.left] = pixels[:, columns.stop :] = colour
    pixels[:, columns] = band.pixels
    alpha = None
    if band.alpha is not None:
        alpha = np.full((band.rows, width), _OPAQUE, np.uint16)
        alpha[:, columns] = band.alpha
    return Band(margins.top + band.top, pixels, alpha)


def _blank(
    top: int, rows: int, width_px: int, margins: Margins, colour: Codes, *, has_alpha: bool
) -> Iterator[Band]:
    width = margins.left + width_px + margins.right
    at_once = rows_per_band(width)
    for start in range(0, rows, at_once):
        count = min(at_once, rows - start)
        pixels = np.broadcast_to(colour, (count, width, len(colour))).copy()
        alpha = np.full((count, width), _OPAQUE, np.uint16) if has_alpha else None
        yield Band(top + start, pixels, alpha)
