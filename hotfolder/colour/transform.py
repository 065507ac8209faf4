"""Conversion of pixels from one profile to another, made once and called band after band.

LittleCMS does the colour, or `Refined`, which begins where LittleCMS ends. How finely, a
`Precision` says: whether every pixel goes through the profiles themselves, or through a grid that
stands for them, and which. Where a source has one channel, all its 65536 values are converted once,
exactly, and looked up.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from enum import StrEnum
from functools import lru_cache
from typing import Literal

import numpy as np

from hotfolder.colour.arrays import Codes, Floats, Indices
from hotfolder.colour.axis import lightness_axis
from hotfolder.colour.blocks_of_detail import BlocksOfDetail
from hotfolder.colour.detail import Reach
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.engine import BLACK_POINT_COMPENSATION, NO_GRID, convert_pixels, to_lab
from hotfolder.colour.grid import Bound, Grid, UsedBlocks, convert_neutrals, known_rows
from hotfolder.colour.kept_points import KeptBlocks, arrays_for
from hotfolder.colour.measurement_model import TESTED_COLOURS, measurement_model
from hotfolder.colour.patchwork import POINTS, KnownBlocks
from hotfolder.colour.profile import Profile, ProfileError
from hotfolder.colour.rendering import (
    Deepened,
    Detail,
    Refined,
    can_be_deepened,
    can_be_refined,
    has_hues,
)
from hotfolder.colour.slabs import over_slabs
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent
from hotfolder.model.rendering import Rendering

_Way = Literal["from device", "to device"]
_MAKING_GRIDS = threading.Lock()


class Precision(StrEnum):
    """How closely a conversion keeps to the profiles. One channel is exact in any case."""

    EXACT = "exact"
    """LittleCMS's unoptimised result, or each colour refined by itself."""

    FINE = "fine"
    """ΔE00 to it 0.02 on average and 0.75 at worst, neutrals exact; see `grid`.

    Of 27 photographs with noise as of a camera, on three printers, 0.01 to 0.02 on average. Of one
    that is about grey throughout, up to 0.05: there tables bend most for what they hold. Of a
    destination whose tables have 8 bits, 0.1: they bend at each of their points. Detail was 0.94
    off at worst, at one pixel in 20,000 of a photograph on a usual CMYK.
    `Transform.errors` measures any pixels.
    """

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

    rendering
        Refined and detail go with relative colorimetric, and with a precision that is not fast.
        Where the destination has no table to refine but a matrix or a curve, refined changes
        nothing; where it has no hues, detail is the same as refined.

    depth
        Lay lightness onto the destination's range by the curve of `hotfolder.colour.depth`, in
        place of black point compensation. Goes with what refined goes with.

    reach
        How far the picture goes beyond the destination, for detail, as `find_reach` measures it;
        None while that is not known: then what does not fit comes to the boundary.

    Raises
    ------
    ValueError
        When `rendering` or `depth` does not go with `intent` or `precision`.
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
        rendering: Rendering = Rendering.INTENT,
        depth: bool = False,
        reach: Reach | None = None,
    ) -> None:
        if (rendering is not Rendering.INTENT or depth) and (
            intent is not Intent.RELATIVE_COLORIMETRIC or precision is Precision.FAST
        ):
            what = "depth" if rendering is Rendering.INTENT else rendering
            raise ValueError(f"{what} does not go with {intent}, {precision}")
        self.source = source
        self.destination = destination
        self.intent = intent
        self.precision = precision
        self._pixels = pixels
        asked = black_point_compensation and intent is not Intent.ABSOLUTE_COLORIMETRIC
        own_grid = precision is not Precision.FAST
        self.flags = (BLACK_POINT_COMPENSATION if asked else 0) | (NO_GRID if own_grid else 0)
        self.is_identity = source.sha256 == destination.sha256
        self.rendering = rendering
        self.depth = depth
        self._own = self._find_own(reach or Reach(), compensates=asked)
        self._bound = Bound(0.0, 0.0, exact_share=1.0)
        self._grid: Grid | None = None
        self._convert = self._kernel()

    @property
    def bound(self) -> Bound:
        """How far what was converted so far can be from the exact conversion."""
        return self._grid.bound if self._grid else self._bound

    @property
    def is_refined(self) -> bool:
        """Whether colours are refined: that was asked for, and there is a table to refine."""
        asked = self._own is not None and not isinstance(self._own, Deepened)
        return asked and can_be_refined(self.destination)

    @property
    def keeps_detail(self) -> bool:
        """Whether what does not fit is brought in along its hue: asked for, and there are hues."""
        return isinstance(self._own, Detail)

    @property
    def is_deepened(self) -> bool:
        """Whether depth takes place: asked for, and the destination's black is weaker."""
        return self._own is not None and self._own.depth

    @property
    def model_error(self) -> Bound | None:
        """How far what refined searches by is from LittleCMS's reading of the profile's A2B table.

        None where nothing is refined.
        """
        if not self.is_refined:
            return None
        model = measurement_model(self.destination)
        return Bound(model.error_mean, model.error_largest, TESTED_COLOURS)

    @property
    def compensates(self) -> bool:
        """Whether black point compensation takes place.

        LittleCMS always does it for the perceptual and saturation tables of a version 4
        destination, whose black is that of a reference medium.
        """
        if self.is_deepened:
            return False
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
        lacking = tuple(
            f"The profile {profile.description} has no table for {self.intent}; "
            f"its perceptual table was used."
            for profile, direction in ways
            if _falls_back(profile, self.intent, direction)
        )
        return lacking + self._changes_nothing()

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

    def new_use(self) -> UsedBlocks:
        """Return what notes which part of the source's space a picture uses.

        Returns
        -------
        To be given the picture, and then asked for what to `make_ready`.
        """
        return UsedBlocks(self.source.encoding, lightness_axis(self.source))

    def make_ready(self, blocks: Indices) -> None:
        """Compute all points that a picture needs, at once.

        Parameters
        ----------
        blocks
            Of the source's space, as `new_use` of a transform with the same source finds them.
        """
        if self._grid:
            self._grid.make_ready(blocks)

    def points(self, blocks: Indices, *, every: int = 1) -> Codes | None:
        """Return what colours at points of the source's space become, computed if need be.

        Parameters
        ----------
        blocks, every
            As `hotfolder.colour.patchwork.Patchwork.over_points` takes them.

        Returns
        -------
        Shape (blocks, points of a block, channels of the destination); None where this conversion
        has no points.
        """
        return self._grid.points(blocks, every=every) if self._grid else None

    def errors(self, pixels: Codes, made: Codes) -> Floats:
        """Say how far converted pixels are from the exact conversion.

        Parameters
        ----------
        pixels
            Shape (n, channels of the source), dtype uint16.
        made
            What `apply` made of them: shape (n, channels of the destination).

        Returns
        -------
        float64, shape (n,), ΔE00.
        """
        exact = self._engine(pixels[None], self.flags | NO_GRID)[0]
        lab = to_lab(self.destination, np.stack([exact, made]))
        return delta_e_00(lab[0], lab[1])

    def _changes_nothing(self) -> tuple[str, ...]:
        """Say what was asked for and makes no difference here."""
        description, said = self.destination.description, []
        if self.rendering is Rendering.REFINED and not self.is_refined:
            said.append(
                f"The profile {description} has no table; refined is the same as {self.intent}."
            )
        if self.rendering is Rendering.DETAIL and not self.keeps_detail:
            same_as = "refined" if self.is_refined else self.intent
            said.append(
                f"The profile {description} has no colours; detail is the same as {same_as}."
            )
        if self.depth and not self.is_deepened:
            said.append(
                f"The black of {description} is as dark as the picture's; depth changes nothing."
            )
        return tuple(said)

    def _find_own(self, reach: Reach, *, compensates: bool) -> Refined | None:
        """Make the rendering of our own that takes place; None: all is LittleCMS's."""
        source, destination = self.source, self.destination
        if self.is_identity or not destination.can_be_destination:
            return None
        depth = self.depth and can_be_deepened(source, destination)
        if self.rendering is Rendering.DETAIL and has_hues(destination):
            return Detail(source, destination, compensates, depth, reach)
        if self.rendering is not Rendering.INTENT and can_be_refined(destination):
            return Refined(source, destination, compensates, depth)
        return Deepened(source, destination) if depth else None

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
        few = self._pixels is not None and self._pixels < FEW_PIXELS
        if self.precision is Precision.FINE and not few:
            with _MAKING_GRIDS:  # two stages that ask at the same moment get one
                self._grid = _grid_of(
                    self.source, self.destination, self.intent, self.flags, self._own
                )
        if self._grid is None or self._grid.neutrals is None:  # can the two be joined?
            self._engine(np.zeros((1, 1, self.source.encoding.channels), np.uint16), NO_GRID)
        if self.precision is Precision.FAST and self.source.encoding is not Encoding.LAB:
            self._bound = _FAST[self.source.encoding]
        return lambda pixels: self._engine(pixels, self.flags)

    def _engine(self, pixels: Codes, flags: int) -> Codes:
        keep = self.flags & BLACK_POINT_COMPENSATION
        convert = _exact(self.source, self.destination, self.intent, flags | keep, self._own)
        return convert(pixels)


def _exact(
    source: Profile, destination: Profile, intent: Intent, flags: int, own: Refined | None
) -> Callable[[Codes], Codes]:
    if own is not None:
        return own.convert
    return lambda pixels: convert_pixels(pixels, source, destination, intent, flags)


@lru_cache(maxsize=4)
def _grid_of(
    source: Profile, destination: Profile, intent: Intent, flags: int, own: Refined | None
) -> Grid:
    """Return the grid that all equal conversions of a process share: its points are made once.

    A proof sheet converts with the points that the delivery has made already.
    """
    exact = _exact(source, destination, intent, flags, own)
    depends = {
        "source": source,
        "destination": destination,
        "intent": intent,
        "flags": flags,
        "own": type(own).__name__,
        "depth": bool(own and own.depth),
        "black point compensation": bool(own and own.black_point_compensation),
    }
    outputs = destination.encoding.channels
    count, rows = known_rows(source.encoding, outputs)
    known: KnownBlocks
    neutrals = None
    if isinstance(own, Detail):  # which is of one picture
        base = Refined(source, destination, own.black_point_compensation, own.depth)
        grid = _grid_of(source, destination, intent, flags, base)
        of_detail = BlocksOfDetail(base, grid, own.reach, rows[POINTS], count)
        known = of_detail
        if grid.neutrals is not None:
            neutrals = of_detail.convert_neutrals(own, grid.neutrals)
    else:
        known = KeptBlocks("conversion", depends, count, rows)
        if source.encoding is Encoding.RGB:
            made = arrays_for("neutrals", depends, lambda: {"codes": convert_neutrals(exact)})
            neutrals = made["codes"]
    return Grid(
        exact,
        lambda one, other: delta_e_00(*to_lab(destination, np.stack([one, other]))),
        source.encoding,
        outputs,
        lightness_axis(source),
        known,
        neutrals,
        # of four channels closer points are as many as the pixels of a picture
        is_costly=isinstance(own, Detail) and source.encoding.channels == 3,
    )


def _falls_back(profile: Profile, intent: Intent, direction: _Way) -> bool:
    kind = "A2B0" if direction == "from device" else "B2A0"
    return kind in profile.tags and not profile.has_intent(intent, direction)
