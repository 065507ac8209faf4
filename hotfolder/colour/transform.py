"""Conversion of pixels from one profile to another, made once and called band after band.

LittleCMS does the colour. What is ours is how finely: a `Precision` says whether every pixel goes
through the profiles themselves, or through a grid that stands for them, and which. Where a source
has one channel, all its 65536 values are converted once, exactly, and looked up.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from functools import lru_cache
from typing import Literal, TypeVar

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Codes
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.grid import Bound, Grid
from hotfolder.colour.profile import LITTLECMS_NAMES, Profile, ProfileError, lab_profile
from hotfolder.colour.slabs import over_slabs
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent

_Way = Literal["from device", "to device"]
_Number = TypeVar("_Number", np.uint8, np.uint16)

BLACK_POINT_COMPENSATION = 0x2000
"""``cmsFLAGS_BLACKPOINTCOMPENSATION``: ISO 18619, in LittleCMS's own form."""

NO_GRID = 0x100
"""``cmsFLAGS_NOOPTIMIZE``: every pixel goes through the profiles themselves."""


class Precision(StrEnum):
    """How closely a conversion keeps to the profiles. One channel is exact in any case."""

    EXACT = "exact"
    """LittleCMS's unoptimised result."""

    FINE = "fine"
    """ΔE00 to it at most 0.02 on average and 0.75 at worst, neutrals exact; see `grid`."""

    FAST = "fast"
    """LittleCMS's usual grid, at most 0.1 and 2.5 from RGB, 0.3 and 5 from CMYK; Lab is exact."""


_FAST = {Encoding.RGB: Bound(0.1, 2.5), Encoding.CMYK: Bound(0.3, 5.0)}

FEW_PIXELS = 500_000
"""Making the points that a picture needs costs as much as converting about so many exactly."""


class Transform:
    """A conversion from one profile to another.

    Between equal profiles it leaves every pixel as it is, so that separations made by hand are
    never made again; absolute colorimetric between equal profiles is the same conversion.

    Parameters
    ----------
    black_point_compensation
        Scale the source's black to the destination's (ISO 18619). Absolute colorimetric never
        does, whatever is asked; see `compensates` for what happens.

    pixels
        About how many are to be converted, if that is known: below `FEW_PIXELS`, `fine` converts
        exactly, since a grid would cost more than it saves.

    Raises
    ------
    ProfileError
        When colours cannot be converted to `destination`, or LittleCMS cannot join the two.
    """

    def __init__(
        self,
        source: Profile,
        destination: Profile,
        intent: Intent = Intent.RELATIVE_COLORIMETRIC,
        *,
        black_point_compensation: bool = True,
        precision: Precision = Precision.FINE,
        pixels: int | None = None,
    ) -> None:
        self.source = source
        self.destination = destination
        self.intent = intent
        self.precision = precision
        self._pixels = pixels
        asked = black_point_compensation and intent is not Intent.ABSOLUTE_COLORIMETRIC
        own_grid = precision is not Precision.FAST
        self.flags = (BLACK_POINT_COMPENSATION if asked else 0) | (NO_GRID if own_grid else 0)
        self.is_identity = source.sha256 == destination.sha256
        self._bound = Bound(0.0, 0.0, exact_share=1.0)
        self._grid: Grid | None = None
        self._convert = self._kernel()

    @property
    def bound(self) -> Bound:
        """How far what was converted so far can be from the exact conversion."""
        return self._grid.bound if self._grid else self._bound

    @property
    def compensates(self) -> bool:
        """Whether black point compensation takes place.

        LittleCMS always does it for the perceptual and saturation tables of a version 4
        destination, whose black is that of a reference medium.
        """
        tables = self.intent in (Intent.PERCEPTUAL, Intent.SATURATION)
        return bool(self.flags & BLACK_POINT_COMPENSATION) or (
            tables and self.destination.is_version_4
        )

    @property
    def notes(self) -> tuple[str, ...]:
        """What a person should know: tables that a profile does not have, as plain sentences."""
        if self.is_identity:
            return ("The picture is in the destination's profile already; no pixel was changed.",)
        ways: tuple[tuple[Profile, _Way], ...] = (
            (self.source, "from device"),
            (self.destination, "to device"),
        )
        return tuple(
            f"The profile {profile.description} has no table for {self.intent}; "
            f"its perceptual table was used."
            for profile, direction in ways
            if _falls_back(profile, self.intent, direction)
        )

    def apply(self, pixels: Codes) -> Codes:
        """Convert pixels.

        Parameters
        ----------
        pixels
            Shape (rows, width, channels of the source), dtype uint16, encoded as `Encoding` says.
            Large arrays are shared out among the cores.

        Returns
        -------
        uint16, shape (rows, width, channels of the destination), C-contiguous.
        """
        if self.is_identity:
            return pixels
        if self._grid:
            return self._grid.apply(pixels)
        rows, width, _ = pixels.shape
        out = np.empty((rows, width, self.destination.encoding.channels), dtype=np.uint16)

        def work(start: int, stop: int) -> None:
            out[start:stop] = self._convert(pixels[start:stop])

        over_slabs(work, rows, width)
        return out

    def _kernel(self) -> Callable[[Codes], Codes]:
        if self.is_identity:
            return lambda pixels: pixels
        if not self.destination.can_be_destination:
            raise ProfileError(
                f"{self.destination.description} describes an input device only; "
                f"nothing can be converted to it"
            )
        if self.source.encoding is Encoding.GREY:
            every = np.arange(65536, dtype=np.uint16).reshape(256, 256, 1)
            table = self._engine(every, NO_GRID).reshape(65536, -1)
            return lambda pixels: table[pixels[..., 0]]
        self._engine(np.zeros((1, 1, self.source.encoding.channels), np.uint16), NO_GRID)
        few = self._pixels is not None and self._pixels < FEW_PIXELS
        if self.precision is Precision.FINE and not few:
            self._grid = _grid_of(self.source, self.destination, self.intent, self.flags)
        if self.precision is Precision.FAST and self.source.encoding is not Encoding.LAB:
            self._bound = _FAST[self.source.encoding]
        return lambda pixels: self._engine(pixels, self.flags)

    def _engine(self, pixels: Codes, flags: int) -> Codes:
        keep = self.flags & BLACK_POINT_COMPENSATION
        return convert_pixels(pixels, self.source, self.destination, self.intent, flags | keep)


@lru_cache(maxsize=4)
def _grid_of(source: Profile, destination: Profile, intent: Intent, flags: int) -> Grid:
    """Return the grid that all equal conversions of a process share: its points are made once.

    A proof sheet converts with the points that the delivery has made already.
    """
    return Grid(
        lambda pixels: convert_pixels(pixels, source, destination, intent, flags),
        lambda one, other: delta_e_00(to_lab(destination, one), to_lab(destination, other)),
        source.encoding,
        destination.encoding.channels,
    )


def convert_pixels(
    pixels: Codes,
    source: Profile,
    destination: Profile,
    intent: Intent,
    flags: int,
) -> Codes:
    """Call LittleCMS once.

    Parameters
    ----------
    pixels
        Shape (rows, width, channels of the source), dtype uint16.
    source, destination
        Profiles.
    intent
        Rendering intent.
    flags
        LittleCMS's own; `NO_GRID` for every pixel through the profiles.

    Returns
    -------
    uint16, shape (rows, width, channels of the destination).
    """
    return _call(pixels, source, destination, intent, flags, np.uint16)


def convert_to_8_bits(
    pixels: Codes, source: Profile, destination: Profile, intent: Intent, flags: int
) -> NDArray[np.uint8]:
    """Call LittleCMS once, for a result of 8 bits.

    Parameters
    ----------
    pixels
        Shape (rows, width, channels of the source), dtype uint16.
    source, destination
        Profiles.
    intent
        Rendering intent.
    flags
        LittleCMS's own.

    Returns
    -------
    uint8, shape (rows, width, channels of the destination): n * 255 / 65535, rounded.
    """
    return _call(pixels, source, destination, intent, flags, np.uint8)


def _call(
    pixels: Codes,
    source: Profile,
    destination: Profile,
    intent: Intent,
    flags: int,
    made: type[_Number],
) -> NDArray[_Number]:
    one_channel_in = source.encoding is Encoding.GREY
    try:
        out: NDArray[_Number] = imagecodecs.cms_transform(
            np.ascontiguousarray(pixels[..., 0] if one_channel_in else pixels),
            source.data,
            destination.data,
            colorspace=LITTLECMS_NAMES[source.encoding],
            outcolorspace=LITTLECMS_NAMES[destination.encoding],
            outdtype=np.dtype(made).name,
            intent=intent.code,
            flags=flags,
        )
    except imagecodecs.CmsError as error:
        raise ProfileError(
            f"{source.description} and {destination.description} cannot be joined: {error}"
        ) from error
    return out.reshape(*pixels.shape[:2], destination.encoding.channels)


def to_lab(
    profile: Profile, pixels: Codes, intent: Intent = Intent.RELATIVE_COLORIMETRIC
) -> NDArray[np.float64]:
    """Say what colours pixels are, without grid and without black point compensation.

    Parameters
    ----------
    profile
        What gives the pixels their meaning.
    pixels
        Shape (..., channels), dtype uint16.
    intent
        Relative to the medium's white, or absolute.

    Returns
    -------
    float64, shape (..., 3): L*, a*, b* at D50.
    """
    flat = np.ascontiguousarray(pixels).reshape(1, -1, pixels.shape[-1])
    out: NDArray[np.float64] = imagecodecs.cms_transform(
        flat[..., 0] if profile.encoding is Encoding.GREY else flat,
        profile.data,
        lab_profile().data,
        colorspace=LITTLECMS_NAMES[profile.encoding],
        outcolorspace="lab",
        outdtype="float64",
        intent=intent.code,
        flags=NO_GRID,
    )
    return out.reshape(*pixels.shape[:-1], 3)


def _falls_back(profile: Profile, intent: Intent, direction: _Way) -> bool:
    kind = "A2B0" if direction == "from device" else "B2A0"
    return kind in profile.tags and not profile.has_intent(intent, direction)
