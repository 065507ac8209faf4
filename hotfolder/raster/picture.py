"""The shape and the pixels of a picture on its way through the stages.

One representation between stages, whatever the file was: 16-bit unsigned integers.

========  ========  ==================================================================
encoding  channels  meaning of 0 … 65535
========  ========  ==================================================================
rgb       3         device value 0 … 1 of the profile
grey      1         device value 0 … 1 (0 is black)
cmyk      4         0 … 100 % ink (0 is no ink)
lab       3         ICC.1:2022 16-bit PCSLAB: L* 0 … 100; a*, b* -128 … 127, 0 at 32896
========  ========  ==================================================================
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.profile import Profile
from hotfolder.model.encoding import Encoding

Stored = NDArray[Any]
"""Numbers of any type, as files hold them."""


@dataclass(frozen=True)
class Metadata:
    r"""What a file says about its picture, as bytes in the form of the metadata's own standard."""

    exif: bytes | None = None
    """A TIFF-structured Exif block (CIPA DC-008) without the ``Exif`` prefix."""

    xmp: bytes | None = None
    """An XMP packet, UTF-8 (ISO 16684-1)."""

    iptc: bytes | None = None
    """IPTC-IIM records (IIM 4.2)."""

    orientation: int = 1
    """What was applied to the pixels (Exif 2.32, 4.6.4 A: 1 … 8); places that the packet names are
    places in the pixels before that."""

    left_out: tuple[str, ...] = ()
    """Names of what the file had and these lack."""

    sidecar: bytes | None = None
    """An XMP packet from a sidecar that came with the file; what it says goes first."""


@dataclass(frozen=True)
class Area:
    """A rectangle in pixels of a raster, from its upper left corner; it may reach beyond it."""

    left_px: float
    """From the raster's left edge to its own."""

    top_px: float
    """From the raster's upper edge to its own."""

    width_px: float
    """Its width."""

    height_px: float
    """Its height."""

    def point(self, across: float, down: float) -> tuple[float, float]:
        """Return the point of the raster at these shares of the rectangle's width and height.

        Parameters
        ----------
        across, down
            0 … 1, from its left and upper edge.

        Returns
        -------
        Pixels from the raster's left and upper edge.
        """
        return self.left_px + across * self.width_px, self.top_px + down * self.height_px

    def shares_of(self, left_px: float, top_px: float) -> tuple[float, float]:
        """Return a point of the raster as shares of the rectangle's width and height.

        Parameters
        ----------
        left_px, top_px
            From the raster's left and upper edge.

        Returns
        -------
        What `point` makes the point of; (0.5, 0.5) of a rectangle without an area.
        """
        if not (self.width_px and self.height_px):
            return 0.5, 0.5
        return (left_px - self.left_px) / self.width_px, (top_px - self.top_px) / self.height_px

    def placed(self, left_px: float, top_px: float, scale: tuple[float, float]) -> Area:
        """Scale the raster across and down, then move its corner to (`left_px`, `top_px`).

        Parameters
        ----------
        left_px, top_px
            Where the scaled raster's upper left corner comes to lie.
        scale
            Pixels then per pixel now, across and down.

        Returns
        -------
        Where this rectangle comes to lie.
        """
        across, down = scale
        return Area(
            self.left_px * across + left_px,
            self.top_px * down + top_px,
            self.width_px * across,
            self.height_px * down,
        )


NOWHERE = Area(0, 0, 0, 0)
"""As ``RasterSpec.original_at``: the raster shows pieces of the original, or other things."""


@dataclass(frozen=True)
class RasterSpec:
    """What a picture is at one point of the chain; stages turn one into the next."""

    width_px: int
    """Upright, after any orientation tag is applied."""

    height_px: int
    """Upright."""

    encoding: Encoding
    """The kind of colour that its numbers are."""

    profile: Profile | None = None
    """None when the file has none that can be used, and nothing was assumed."""

    profile_problem: str = ""
    """Why the profile that the file carries cannot be used; ``""`` when there is none."""

    profile_assumed: bool = False
    """The profile comes from settings or convention, not from the file."""

    profile_chosen: bool = False
    """A person has said that it is to be used in place of the file's own."""

    ppi: float = 0.0
    """Pixels per inch at the size the picture will have; 0.0 when the file does not say."""

    enlargement: float = 1.0
    """Pixels now per pixel of the original, along one side; 1.0 before sizing."""

    front_px: tuple[int, int] | None = None
    """Width and height of what will be looked at, without bleed and wrap; None: all of it."""

    bleed_px: int = 0
    """Of the picture around that, on each side, what will be cut off."""

    original_at: Area | None = None
    """Where the whole of the original lies, also what was cropped of it; None: it fills this."""

    trim_at_px: tuple[int, int, int, int] | None = None
    """Left, top, width and height of what is left when the result is cut; None: all but the bleed.
    """

    dither_from_px: tuple[int, int] = (0, 0)
    """Column and row with which the dither to 8 bits begins: the picture's, on a larger sheet."""

    has_alpha: bool = False
    """Bands carry an alpha plane, *unassociated* (colour not multiplied by it)."""

    metadata: Metadata = field(default_factory=Metadata)
    """What the file says about its picture."""

    @property
    def channels(self) -> int:
        """Number of colour channels, alpha not counted."""
        return self.encoding.channels

    @property
    def looked_at_px(self) -> tuple[int, int]:
        """Width and height of what will be looked at, without bleed and wrap."""
        return self.front_px or (self.width_px, self.height_px)

    @property
    def face_px(self) -> tuple[int, int, int, int]:
        """Left, top, width and height of what will be looked at, in the middle of the picture."""
        width, height = self.looked_at_px
        return (self.width_px - width) // 2, (self.height_px - height) // 2, width, height

    @property
    def trim_px(self) -> tuple[int, int, int, int]:
        """Left, top, width and height of what is left when it is cut."""
        bleed = self.bleed_px
        inside = (bleed, bleed, self.width_px - 2 * bleed, self.height_px - 2 * bleed)
        return self.trim_at_px or inside

    @property
    def original_area(self) -> Area:
        """Where the whole of the original lies."""
        return self.original_at or Area(0, 0, self.width_px, self.height_px)

    @property
    def effective_ppi(self) -> float:
        """Pixels of the original per printed inch; 0.0 when ppi is unknown."""
        return self.ppi / self.enlargement


@dataclass(frozen=True)
class Band:
    """A few hundred full-width rows of a picture."""

    top: int
    """Index of the first row in the picture."""

    pixels: NDArray[np.uint16]
    """Shape (rows, width, channels), dtype uint16, C-contiguous; never changed in place."""

    alpha: NDArray[np.uint16] | None = None
    """Shape (rows, width), dtype uint16, 65535 is opaque; None when the spec has no alpha."""

    @property
    def rows(self) -> int:
        """Number of rows in the band."""
        return int(self.pixels.shape[0])


_FEWEST_BANDS = 14
_LEAST_PIXELS = 300_000
"""Of a band of a small picture: fewer cost more to hand on than they save."""


def rows_per_band(width_px: int, pixels: int = 1_500_000, *, height_px: int = 0) -> int:
    """Say how many rows make a band.

    Parameters
    ----------
    width_px
        Of the picture.
    pixels
        About how many pixels a band has.
    height_px
        Of the picture; of a small one, bands have fewer rows then, so that the last stage is not
        left with much to do when the first has ended.

    Returns
    -------
    At least 1.
    """
    width_px = max(1, width_px)
    rows = pixels // width_px
    if height_px:
        rows = min(rows, max(-(-height_px // _FEWEST_BANDS), _LEAST_PIXELS // width_px))
    return max(1, rows)


def rebanded(bands: Iterable[Band], rows: int) -> Iterable[Band]:
    """Cut the same rows into bands of another height.

    Parameters
    ----------
    bands
        The picture, top to bottom.
    rows
        Of each band; the last may have fewer.

    Yields
    ------
    Band
        The same rows.
    """
    waiting: list[Band] = []
    held = 0
    for band in bands:
        start = 0
        while held + band.rows - start >= rows:
            stop = start + rows - held
            # rows are copied where two bands meet, and nowhere else
            yield _joined([*waiting, _slice(band, start, stop)])
            waiting, held, start = [], 0, stop
        if start < band.rows:
            waiting.append(_slice(band, start, band.rows))
            held += band.rows - start
    if held:
        yield _joined(waiting)


def _joined(bands: list[Band]) -> Band:
    if len(bands) == 1:
        return bands[0]
    alpha = None
    if bands[0].alpha is not None:
        alpha = np.concatenate([band.alpha for band in bands if band.alpha is not None])
    return Band(bands[0].top, np.concatenate([band.pixels for band in bands]), alpha)


def _slice(band: Band, start: int, stop: int) -> Band:
    alpha = None if band.alpha is None else band.alpha[start:stop]
    return Band(band.top + start, band.pixels[start:stop], alpha)
