"""A conversion replaced by a grid of its own making, and by exact values where the grid misses.

Exact conversion goes through every curve, matrix and table of two profiles: 4 million pixels a
second. Interpolation in a grid of the source's three channels gives ten times that, and misses
where the profiles bend between grid points. Four things make it miss less than a plain grid with
as many points does:

1. *As many points as this conversion needs.* A grid of 33 points a side is measured, over random
   colours and over colours as near grey as those of pictures, for which ΔE00 is twice as strict.
   Its mean error falls with the 1.8th power of the points (measured over the pairs of
   tests/colour), which says how many reach the mean that is wanted.
2. *Points moved off the function.* Linear interpolation between points of a convex function lies
   above it everywhere. Moving each point by the mean of that error takes a fifth off the mean and
   a fourth off the 99th percentile, at no cost; see `_moved`.
3. *Exact values for what it still misses.* Space is cut into 32 blocks a side, the error is
   measured at colours of every block, and pixels in the few blocks above a bound are converted
   exactly. One table look-up per pixel finds them.
4. *Exact neutrals.* Where the three channels are equal, one of 65536 exact values is taken.

LittleCMS interpolates, in a device-link profile that holds nothing but the grid. It samples such
a profile again at each call, at the very same points: 10 ms for 33 points a side, 35 for 65, 60
for 73, a quarter of what sampling the two profiles costs it. No interface of imagecodecs keeps
that between calls, and Pillow's, which does, has 8 bits. So calls should be large.

Measured and left out: a grid over green and the differences of red and blue to it, with curves
that crowd its points around grey (better there by a quarter, three times worse elsewhere);
factoring the conversion at Lab and interpolating in the destination's own table (LittleCMS
interpolates tables that start at Lab trilinearly, its grids tetrahedrally, and the difference,
0.1 ΔE00 on average in a coarse table, is larger than what is to be beaten).
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from itertools import product
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from hotfolder.colour import icc_encode as icc
from hotfolder.colour.slabs import over_slabs

Codes = NDArray[np.uint16]
Floats = NDArray[np.float64]
Conversion = Callable[[Codes], Codes]
Distance = Callable[[Codes, Codes], NDArray[Any]]

WANTED_MEAN = 0.014
"""ΔE00 to the exact conversion, on average over any colours and over those of pictures. Below what
is promised, 0.02, because no picture has just the colours that are drawn here."""

WANTED_MAX = 0.15
"""ΔE00 above which a sampled block is converted exactly. Far below what is promised, because the
worst colour of a block is several times as far off as the few that are looked at."""

FEWEST_POINTS = 33
MOST_POINTS = 97
"""More cost more than the exact values that they save."""

_ORDER = 1.8
_BLOCKS = 32
_COLOURS_PER_BLOCK = 2
_CHECKED = 10_000
_NO_WHITE_FIX = 0x4
"""``cmsFLAGS_NOWHITEONWHITEFIXUP``: white is what the exact conversion makes of it."""

_SPACES = {1: ("GRAY", "gray"), 3: ("RGB ", "rgb"), 4: ("CMYK", "cmyk")}
"""How a link calls its numbers, by their count. It does not matter what they mean."""

_CREATED = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Bound:
    """How far a conversion is from the exact one, ΔE00 over random colours.

    mean, largest: over `colours` random colours that took no part in making the grid, half of them
    near grey, the greater of the two halves; or, when `colours` is 0, as known beforehand;
    points: of the grid, a side, 0 where it has none of ours; exact_share: of all colours, those
    that are converted exactly, 0 … 1.
    """

    mean: float
    largest: float
    colours: int = 0
    points: int = 0
    exact_share: float = 0.0


class Grid:
    """A stand-in for an exact conversion from three channels.

    Parameters
    ----------
    exact
        The conversion: shape (rows, width, 3) to (rows, width, 1, 3 or 4), dtype uint16.
    distance
        ΔE00 between two results of it; drops the last axis.
    """

    def __init__(self, exact: Conversion, distance: Distance) -> None:
        self._exact = exact
        self._neutrals = _shared_out(exact, _equal_channels())[0]
        self.points = FEWEST_POINTS
        self._link = _make_link(exact, self.points)
        random = np.random.default_rng(1)
        mean = max(
            float(self._errors(distance, colours(random, _CHECKED)).mean())
            for colours in (_any_colours, _colours_of_pictures)
        )
        needed = 1 + (FEWEST_POINTS - 1) * (mean / WANTED_MEAN) ** (1 / _ORDER)
        if needed > FEWEST_POINTS:
            self.points = min(MOST_POINTS, int(np.ceil(needed)))
            self._link = _make_link(exact, self.points)
        self._missed = self._find_missed(distance, random)
        self.bound = self._measure(distance, random)

    def apply(self, pixels: Codes) -> Codes:
        """Convert. Shape (rows, width, 3) to (rows, width, channels), dtype uint16."""
        flat = np.ascontiguousarray(pixels).reshape(-1, 3)
        out = self._interpolated(flat[None])[0]
        red, green, blue = flat[:, 0], flat[:, 1], flat[:, 2]
        neutral = red == green
        neutral &= green == blue
        missed = self._missed[_block_of(red, green, blue)]
        missed &= ~neutral
        where = np.flatnonzero(missed)
        if where.size:
            out[where] = self._exact(flat[where][None])[0]
        where = np.flatnonzero(neutral)
        if where.size:
            out[where] = self._neutrals[red[where]]
        shaped: Codes = out.reshape(*pixels.shape[:2], out.shape[-1])
        return shaped

    def _interpolated(self, pixels: Codes) -> Codes:
        channels = self._neutrals.shape[-1]
        out: Codes = imagecodecs.cms_transform(
            pixels,
            self._link,
            _nothing_more(channels),
            colorspace="rgb",
            outcolorspace=_SPACES[channels][1],
            outdtype="uint16",
            intent=0,
            flags=self.points << 16 | _NO_WHITE_FIX,
        )
        return out.reshape(*pixels.shape[:2], channels)

    def _find_missed(self, distance: Distance, random: np.random.Generator) -> NDArray[np.bool_]:
        """Say which blocks are converted exactly: shape (blocks,), see `_block_of`."""
        side = 65536 // _BLOCKS
        corners = np.array(list(product(range(0, 65536, side), repeat=3)), dtype=np.uint16)
        shape = (len(corners), _COLOURS_PER_BLOCK, 3)
        inside = corners[:, None] + random.integers(0, side, shape, dtype=np.uint16)
        inside = inside.reshape(-1, 3)
        errors = self._errors(distance, inside)
        missed = _or_near(errors.reshape(shape[:2]).max(axis=1)) > WANTED_MAX
        missed = _with_worst(missed, _block_of(*inside.T), errors)
        pictures = _colours_of_pictures(random, 2 * _CHECKED)
        return _with_worst(missed, _block_of(*pictures.T), self._errors(distance, pictures))

    def _errors(self, distance: Distance, colours: Codes) -> NDArray[Any]:
        """Measure the grid alone: shape (n, 3) to (n,)."""

        def measure(start: int, stop: int) -> NDArray[Any]:
            part = colours[None, start:stop]
            return distance(self._exact(part), self._interpolated(part)).ravel()

        parts = over_slabs(measure, len(colours), 1, worth_a_thread=10_000)
        return np.asarray(np.concatenate(parts))

    def _measure(self, distance: Distance, random: np.random.Generator) -> Bound:
        errors = [
            distance(_shared_out(self._exact, colours[None]), self.apply(colours[None]))
            for colours in (_any_colours(random, _CHECKED), _colours_of_pictures(random, _CHECKED))
        ]
        return Bound(
            mean=max(float(each.mean()) for each in errors),
            largest=max(float(each.max()) for each in errors),
            colours=2 * _CHECKED,
            points=self.points,
            exact_share=float(self._missed.mean()),
        )


def _any_colours(random: np.random.Generator, count: int) -> Codes:
    """Draw colours of which each is equally likely. Shape (count, 3)."""
    colours: Codes = random.integers(0, 65536, (count, 3), dtype=np.uint16)
    return colours


def _colours_of_pictures(random: np.random.Generator, count: int) -> Codes:
    """Draw colours as near grey as pictures are. Shape (count, 3).

    Any grey is equally likely, and red and blue are off it by a Laplace distribution, half of them
    by less than 5 %. Chosen after the demo's pictures; no source.
    """
    grey = random.integers(0, 65536, (count, 1))
    off = np.concatenate([np.zeros((count, 1)), random.laplace(0, 5000, (count, 2))], axis=1)
    colours: Codes = np.rint(np.clip(grey + off[:, [1, 0, 2]], 0, 65535)).astype(np.uint16)
    return colours


def _with_worst(
    missed: NDArray[np.bool_], blocks: Codes, errors: NDArray[Any]
) -> NDArray[np.bool_]:
    """Add the blocks with the greatest mean error, until the rest has the mean that is wanted.

    Parameters
    ----------
    missed
        Shape (blocks,): already to be converted exactly.
    blocks, errors
        Shape (n,): in which block a sampled colour is, and its ΔE00.
    """
    sums = np.bincount(blocks, np.where(missed[blocks], 0, errors), missed.size) / errors.size
    counts = np.bincount(blocks, minlength=missed.size)
    order = np.argsort(-sums / np.maximum(counts, 1))
    left = sums.sum() - np.cumsum(sums[order])
    too_much = np.r_[sums.sum(), left[:-1]] > WANTED_MEAN
    result = missed.copy()
    result[order[too_much]] = True
    return result


def _or_near(worst: NDArray[Any]) -> NDArray[Any]:
    """Let blocks beside bad ones count as bad too: a bend seldom ends where a block does."""
    blocks = worst.reshape(_BLOCKS, _BLOCKS, _BLOCKS)
    near = maximum_filter(blocks, 3, mode="nearest") / 2
    return np.asarray(np.maximum(blocks, near)).ravel()


def _make_link(exact: Conversion, points: int) -> bytes:
    steps = np.rint(np.linspace(0, 65535, points)).astype(np.uint16)
    axes = np.meshgrid(steps, steps, steps, indexing="ij")
    nodes = np.stack(axes, axis=-1).reshape(points**2, points, 3)
    values = _shared_out(exact, nodes).reshape(points, points, points, -1) / 65535
    channels = values.shape[-1]
    codes = np.rint(_moved(values) * 65535).astype(">u2")
    head = bytes([points] * 3) + bytes(13) + bytes([2, 0, 0, 0])
    return _link("RGB ", _SPACES[channels][0], channels, head + codes.tobytes())


def _moved(values: Floats) -> Floats:
    r"""Move grid points by the mean error of interpolation between them.

    Over the tetrahedra that share the cell's diagonal from black to white, linear interpolation of
    f misses, on average and to second order in the step h, by

    .. math:: h^2/12 (f_{xx} + f_{yy} + f_{zz} + f_{xy} + f_{xz} + f_{yz})

    which in second differences D along the axes and the diagonal is
    :math:`(D_x + D_y + D_z + D_{xyz}) / 24`. Own derivation: the mean of t(1 - t) / 2 over an edge
    is 1/12, as is the mean of y(1 - x) over the triangle 0 ≤ y ≤ x ≤ 1.

    Neutral points stay: tables bend at a* = b* = 0, and the cells' common diagonal follows that
    bend by itself. A point at 0 or 1 stays too, so that no ink comes where there was none.

    Parameters
    ----------
    values
        Shape (n, n, n, channels), 0 … 1.
    """
    correction = np.zeros_like(values)
    inner, before, after = slice(1, -1), slice(None, -2), slice(2, None)
    for axes in ((0,), (1,), (2,), (0, 1, 2)):
        here, lower, upper = (
            tuple(part if axis in axes else slice(None) for axis in range(3))
            for part in (inner, before, after)
        )
        correction[here] += values[lower] - 2 * values[here] + values[upper]
    neutral = np.arange(len(values))
    correction[neutral, neutral, neutral] = 0
    moved = np.clip(values - correction / 24, 0, 1)
    return np.where((values <= 0) | (values >= 1), values, moved)


@cache
def _nothing_more(channels: int) -> bytes:
    """Make the link that LittleCMS wants behind the first one: it does nothing."""
    space = _SPACES[channels][0]
    return _link(space, space, channels, b"")


def _link(space: str, to: str, channels: int, clut: bytes) -> bytes:
    """Write a device link whose ``lutAToBType`` (ICC.1:2022, 10.12) is the grid and nothing else.

    The type wants curves around the grid. LittleCMS does without, and straight ones, which it does
    not recognise as such, would take three quarters of the time in which it samples the link.
    """
    inputs = 3 if clut else channels
    table = b"mAB " + bytes(4)
    table += struct.pack(">BBH5I", inputs, channels, 0, 0, 0, 0, 32 if clut else 0, 0) + clut
    header = icc.Header("4.4", "link", space, to, _CREATED)
    return icc.encode_profile(header, {"desc": icc.localized_text("grid"), "A2B0": table})


def _block_of(red: Codes, green: Codes, blue: Codes) -> Codes:
    """Return the index of the block that a colour is in: five bits of each channel, 0 … 32767."""
    upper = np.uint16(0xF800)
    index = np.asarray((red & upper) >> 1, dtype=np.uint16)
    index |= (green & upper) >> 6
    index |= blue >> 11
    return index


def _equal_channels() -> Codes:
    return np.repeat(np.arange(65536, dtype=np.uint16)[None, :, None], 3, axis=2)


def _shared_out(conversion: Conversion, pixels: Codes) -> Codes:
    """Convert on all cores. Shape (rows, width, 3)."""
    flat = pixels.reshape(-1, 1, 3)
    parts = over_slabs(
        lambda start, stop: conversion(flat[start:stop]), len(flat), 1, worth_a_thread=5_000
    )
    return np.concatenate(parts).reshape(*pixels.shape[:2], -1)
