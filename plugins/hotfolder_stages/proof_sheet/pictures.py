"""Pictures for the page: rendered for a display, encoded as JPEG with its profile, and as text.

The page is for Display P3, which holds the colours that media keep and common screens do not; a
browser on a smaller display brings them to what that can show. The file says which it is: its
profile is in every picture.
"""

from __future__ import annotations

import io
from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from hotfolder import Cropped, Intent, source_profile
from hotfolder.colour import (
    NO_GRID,
    SRGB_CURVE,
    SRGB_PRIMARIES,
    ChangeTable,
    Codes,
    Primaries,
    Profile,
    Show,
    Transform,
    convert_to_8_bits,
    in_threads,
    lab_profile,
    look_of,
    over_slabs,
    rgb_profile,
    soft_proof,
    to_lab,
    white,
)

Shown = NDArray[np.uint8]
"""Pixels for a display, shape (rows, width, 3), or (rows, width) for grey."""

_Number = TypeVar("_Number", np.uint8, np.uint16)

P3_PRIMARIES = Primaries((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))
"""SMPTE RP 431-2 with the white of D65, from memory; curve of IEC 61966-2-1."""

QUALITIES = (92, 85, 75, 60, 40, 20)
"""Tried in this order until the page is small enough."""

THUMBNAIL_PX = 320

_WASH = 0.7
"""How far what is cut off goes towards a middle grey."""
_WASHED = _WASH * 128

_NUMBERS_PX = (240, 120)
"""Along the longer side, of the colours that are written as numbers: in a usual page, in a small
one."""
_USUAL_PAGE_BYTES = 1_000_000

_SHOWS: tuple[Show, Show] = ("medium", "adapted")


@dataclass(frozen=True, eq=False)
class Views:
    """One piece of picture in its three views, for a display."""

    finished: Shown
    """Before the conversion."""
    medium: Shown
    """As it will print, with the medium's own white and black."""
    adapted: Shown
    """The same to an eye adapted to that white."""
    measured: Shown | None = None
    """As it will print by what was measured of the medium; None when nothing was."""

    def named(self) -> dict[str, Shown]:
        """Return those that there are, by their names."""
        return {name: view for name, view in vars(self).items() if view is not None}


@cache
def display_p3() -> Profile:
    """Return the profile that pictures of the page are for."""
    return Profile.parse(rgb_profile("Display P3", P3_PRIMARIES, SRGB_CURVE))


@cache
def srgb() -> Profile:
    """Return the profile of what a style sheet means by a colour, and of thumbnails."""
    return Profile.parse(rgb_profile("sRGB", SRGB_PRIMARIES, SRGB_CURVE))


def views(
    pieces: Sequence[tuple[Codes, Codes]],
    source: Profile,
    delivered: Profile,
    as_measured: ChangeTable | None = None,
) -> list[Views]:
    """Render pieces of a picture before and after their conversion.

    All at once, since LittleCMS samples its grid anew at each call. With that grid, colours of
    RGB results are within one code of 8 bits of `soft_proof`, which takes four times as long; of
    CMYK results, in the demo's pictures, 99 in 100 are within two codes, and all within four.

    Parameters
    ----------
    pieces
        Pixels before and after: shapes (rows, width, channels), uint16, in `source` and in
        `delivered`.
    as_measured
        What a control strip says of the medium; None when none was measured.
    """
    before, after = ([pair[side] for pair in pieces] for side in (0, 1))
    sides: list[tuple[Sequence[Codes], Profile, Show]] = [(before, source, "adapted")]
    sides += [(after, delivered, show) for show in _SHOWS]
    finished, medium, adapted = in_threads(lambda side: _shown(*side), sides)
    made = [Views(*each) for each in zip(finished, medium, adapted, strict=True)]
    if as_measured is None:
        return made
    measured = _shown_as_measured(after, delivered, as_measured)
    return [replace(each, measured=view) for each, view in zip(made, measured, strict=True)]


def apply_at_once(transform: Transform, pieces: Sequence[Codes]) -> list[Codes]:
    """Convert pieces of a picture together: a conversion is set up anew at each call.

    Shapes (rows, width, channels), uint16; each pixel as `Transform.apply` makes it alone.
    """
    return _parted(transform.apply(_joined(pieces)), pieces)


def coarsened(pixels: Codes, page_bytes: int) -> Codes:
    """Reduce a picture to what is written as numbers: means of blocks of pixels.

    Parameters
    ----------
    pixels
        Shape (rows, width, channels), uint16.
    page_bytes
        The most that the page may take.
    """
    most = _NUMBERS_PX[page_bytes < _USUAL_PAGE_BYTES]
    rows, width, _ = pixels.shape
    step = -(-max(rows, width) // most)
    if step == 1:
        return pixels
    down, across = np.arange(0, rows, step), np.arange(0, width, step)
    sums = np.add.reduceat(pixels.astype(np.uint32), down, axis=0)
    sums = np.add.reduceat(sums, across, axis=1)
    high, wide = np.diff(down, append=rows), np.diff(across, append=width)
    means = sums / (high[:, None] * wide)[..., None]
    coarse: Codes = np.rint(means).astype(np.uint16)
    return coarse


def _shown(pieces: Sequence[Codes], profile: Profile, show: Show) -> list[Shown]:
    look = look_of(display_p3(), show)
    flags = look.flags & ~NO_GRID
    column = convert_to_8_bits(_joined(pieces), profile, display_p3(), look.intent, flags)
    return _parted(column, pieces)


def _shown_as_measured(
    pieces: Sequence[Codes], delivered: Profile, table: ChangeTable
) -> list[Shown]:
    """Render as `_shown` does for "medium", by way of L*a*b* as it was measured."""
    column = _joined(pieces)
    lab = np.empty((*column.shape[:2], 3), np.uint16)

    def work(start: int, stop: int) -> None:
        part = column[start:stop]
        by_profile = to_lab(delivered, part, Intent.ABSOLUTE_COLORIMETRIC).reshape(-1, 3)
        L, a, b = table.change(by_profile).T
        codes = np.stack([L / 100, (a + 128) / 255, (b + 128) / 255], axis=-1) * 65535
        lab[start:stop] = np.rint(codes.clip(0, 65535)).reshape(-1, 1, 3)

    over_slabs(work, *column.shape[:2])
    intent = Intent.ABSOLUTE_COLORIMETRIC
    return _parted(convert_to_8_bits(lab, lab_profile(), display_p3(), intent, 0), pieces)


def _joined(pieces: Sequence[Codes]) -> Codes:
    """All pixels as one column, which threads can share."""
    return np.concatenate([piece.reshape(-1, 1, piece.shape[-1]) for piece in pieces])


def _parted(column: NDArray[_Number], pieces: Sequence[Codes]) -> list[NDArray[_Number]]:
    ends = np.cumsum([piece.shape[0] * piece.shape[1] for piece in pieces])[:-1]
    parts = np.split(column, ends)
    return [part.reshape(*piece.shape[:2], -1) for part, piece in zip(parts, pieces, strict=True)]


@cache
def paper_white(delivered: Profile) -> tuple[int, int, int]:
    """Return the medium's own white in sRGB, 0 … 255, as an instrument sees it."""
    paper = white(delivered.encoding).reshape(1, 1, -1)
    red, green, blue = soft_proof(paper, delivered, srgb(), "medium").to_8_bits()[0, 0].tolist()
    return red, green, blue


def thumbnail(shown: Shown) -> bytes:
    """Make a small JPEG in sRGB of pixels for Display P3."""
    from PIL import Image  # loaded where a picture is made, not where settings are read

    image = Image.fromarray(shown)
    image.thumbnail((THUMBNAIL_PX, THUMBNAIL_PX), Image.Resampling.LANCZOS)
    small = np.asarray(image).astype(np.uint16) * 257
    look = look_of(srgb(), "adapted")
    flags = look.flags & ~NO_GRID
    return jpeg(convert_to_8_bits(small, display_p3(), srgb(), look.intent, flags), 85, srgb())


def whole_with_crop(cropped: Cropped, kept: Shown) -> Shown:
    """The whole picture with what is cut off washed out, and what is kept as it will be seen.

    Parameters
    ----------
    kept
        What is kept, for a display.
    """
    from PIL import Image, ImageDraw

    (whole,) = _shown([cropped.whole], source_profile(cropped.raster), "adapted")
    if whole.shape[-1] != kept.shape[-1]:
        return whole
    height, width = whole.shape[:2]
    at = cropped.kept
    left, top = round(at.left_px * width), round(at.top_px * height)
    right = max(left + 1, round((at.left_px + at.width_px) * width))
    bottom = max(top + 1, round((at.top_px + at.height_px) * height))
    image = Image.fromarray(np.rint(_WASHED + (1 - _WASH) * whole).astype(np.uint8))
    inside = Image.fromarray(kept).resize((right - left, bottom - top), Image.Resampling.LANCZOS)
    image.paste(inside, (left, top))
    frame = ImageDraw.Draw(image)
    frame.rectangle((left - 1, top - 1, right, bottom), outline=(255, 255, 255))
    frame.rectangle((left - 2, top - 2, right + 1, bottom + 1), outline=(0, 0, 0))
    return np.asarray(image)


def as_they_came(pieces: Sequence[Codes], profile: Profile) -> list[Shown]:
    """Render small pictures for a display; shapes (rows, width, channels), uint16."""
    return _shown(pieces, profile, "adapted")


def jpeg(shown: Shown, quality: int, profile: Profile | None) -> bytes:
    """Encode, without reducing the resolution of colour."""
    from PIL import Image

    out = io.BytesIO()
    icc = profile.data if profile else None
    Image.fromarray(shown).save(out, "JPEG", quality=quality, subsampling=0, icc_profile=icc)
    return out.getvalue()


def as_uris(pictures: dict[str, Shown], most_bytes: int) -> dict[str, str]:
    """Encode pictures as ``data:`` URIs that together have at most `most_bytes`.

    Colour pictures are in Display P3, grey ones in no profile. The quality is lowered for all of
    them until they fit, or until there is none left to give up.
    """
    uris: dict[str, str] = {}
    for quality in QUALITIES:

        def encoded(shown: Shown, quality: int = quality) -> str:
            return _uri(jpeg(shown, quality, display_p3() if shown.ndim == 3 else None))

        uris = dict(zip(pictures, in_threads(encoded, pictures.values()), strict=True))
        if sum(map(len, uris.values())) <= most_bytes:
            break
    return uris


def _uri(data: bytes) -> str:
    return "data:image/jpeg;base64," + b64encode(data).decode("ascii")
