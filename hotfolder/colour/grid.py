"""A conversion replaced by points of its own choosing, and by exact values where those miss.

Exact conversion goes through every curve, matrix and table of two profiles: 3 million pixels a
second. Interpolation is more than ten times as fast, and misses where the profiles bend between
points. Three things make it miss little at little cost:

1. *Points where the picture is.* A `Patchwork` computes them for the blocks of colours that occur,
   as they occur. So they lie 512 codes apart, as in a grid of 129 points a side, of which a
   picture seldom needs a tenth. Of a source that is linear in light they lie evenly in lightness
   instead (`hotfolder.colour.axis`).
2. *Exact values for what it still misses.* When a block is made, its error is measured at two
   colours inside it. Pixels in blocks above a bound are converted exactly. Where that costs as much
   as a search, such blocks get points twice as close first: a photograph has few of them, with
   thousands of pixels in each.
3. *Exact neutrals.* Where three channels are equal, one of 65536 exact values is taken.

What a pixel becomes depends on the pixel and the two profiles alone: which colours are measured
in a block is fixed, and a block does not depend on those beside it.

Four channels need more points, as those of each black multiply those of three, but separations
fill little of their space. Lab is interpolated in the same way.

Measured and left out: points moved by the mean error of interpolation between them, which takes a
fifth off it, but needs the points of the blocks around; a grid over green and the differences of
red and blue to it (better near grey by a quarter, three times worse elsewhere).
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Array, Codes, Floats, Indices
from hotfolder.colour.axis import Axis
from hotfolder.colour.kept_points import Row
from hotfolder.colour.machine_code import compiled, made, seen
from hotfolder.colour.patchwork import (
    POINTS,
    Covered,
    KnownBlocks,
    Patchwork,
    compute_in_threads,
    mark_blocks,
)
from hotfolder.colour.slabs import over_slabs
from hotfolder.model.encoding import Encoding

Conversion = Callable[[Codes], Codes]
Distance = Callable[[Codes, Codes], Floats]

WANTED_MAX = {Encoding.RGB: 0.2, Encoding.CMYK: 0.12, Encoding.LAB: 0.12}
"""ΔE00 above which a measured block is converted exactly. Far below what is promised, because the
worst colour of a block is several times as far off as those that are looked at."""

BLOCKS = {Encoding.RGB: 32, Encoding.CMYK: 16, Encoding.LAB: 64}
"""Blocks of the space a side. Real colours fill a small part of Lab, so it is cut finer."""

CELLS = 4
"""Cells of a block a side."""

CLOSER_CELLS = 2 * CELLS
"""The same where points lie closer."""

_POINTS_AT_ONCE = 640_000
"""Of blocks that are made ready together: enough of them for all cores, and not too much memory."""

_COLOURS_PER_BLOCK = 2
ERRORS = "errors"
"""What the errors measured in a block, ΔE00, are called among what is known of it."""


@dataclass(frozen=True)
class Bound:
    """How far a conversion is from the exact one, ΔE00."""

    mean: float
    """On average, over `colours`."""

    largest: float
    """The largest of them."""

    colours: int = 0
    """Colours that took no part in making the points, from all parts of the space that the
    picture used; 0 when the two figures are known beforehand."""

    points: int = 0
    """A side, if they were everywhere; 0 where there are none."""

    exact_share: float = 0.0
    """Of the parts that the picture used, the share that is converted exactly, 0 … 1."""


class Grid:
    """A stand-in for an exact conversion from three or four channels.

    Parameters
    ----------
    exact
        The conversion: shape (rows, width, inputs) to (rows, width, outputs), dtype uint16.
    distance
        ΔE00 between two results of it; drops the last axis.
    source
        What the numbers of a pixel mean: RGB, CMYK or Lab. Equal channels of RGB are neutral.
    outputs
        Channels of a result, 1 … 4.
    axis
        Where the points lie, when not at equal distances of the device value.
    known
        What of blocks need not be computed, as `known_rows` says; nothing unless given.
    neutrals
        What the exact conversion makes of 65536 neutrals, for those who know it: shape
        (65536, outputs), uint16.
    is_costly
        Whether blocks that miss are tried with closer points before they are converted exactly.
    """

    def __init__(
        self,
        exact: Conversion,
        distance: Distance,
        source: Encoding,
        outputs: int,
        axis: Axis | None = None,
        known: KnownBlocks | None = None,
        neutrals: Codes | None = None,
        *,
        is_costly: bool = False,
    ) -> None:
        self._exact, self._distance, self._axis = exact, distance, axis
        self._known = known
        self._wanted_max = WANTED_MAX[source]
        inputs, blocks = source.channels, BLOCKS[source]
        self._patches = Patchwork(
            self._at_points_of, inputs, outputs, blocks=blocks, cells=CELLS, known=known
        )
        self._compared_with: tuple[Indices, Codes] | None = None
        self._is_exact = np.zeros(blocks**inputs, np.uint8)
        self._closer: Patchwork | None = None
        if is_costly:
            self._closer = Patchwork(
                self._at_closer_points_of, inputs, outputs, blocks=blocks, cells=CLOSER_CELLS
            )
        self._is_missed = np.zeros(blocks**inputs, np.uint8)
        self._measuring = threading.Lock()
        self.neutrals = neutrals
        if source is Encoding.RGB and neutrals is None:
            self.neutrals = convert_neutrals(exact)
        self._errors = [np.empty(0)]
        self._made_exact = self._made = 0

    @property
    def bound(self) -> Bound:
        """How far what was converted so far can be from the exact conversion."""
        patches, errors = self._patches, np.concatenate(self._errors)
        return Bound(
            # the same whichever stage has asked for a block first
            mean=math.fsum(errors) / max(1, len(errors)),
            largest=float(errors.max(initial=0.0)),
            colours=len(errors),
            points=patches.blocks * patches.cells + 1,
            exact_share=self._made_exact / max(1, self._made),
        )

    def apply(self, pixels: Codes) -> Codes:
        """Convert, on all cores.

        Shape (rows, width, inputs) to (rows, width, outputs), dtype uint16.
        """
        flat = np.ascontiguousarray(pixels).reshape(-1, pixels.shape[-1])
        places = self._axis.places(flat) if self._axis else flat
        out = self._patches.look_up(places, self._ask)

        def work(start: int, stop: int) -> Indices:
            if self.neutrals is not None:
                _set_neutrals(flat[start:stop], self.neutrals, out[start:stop])
            if not self._is_missed.any():
                return np.empty(0, np.int64)
            return self._patches.find_within(places[start:stop], self._is_missed) + start

        # all at once: one call for what each core has found
        where = np.concatenate(over_slabs(work, len(flat), 1))
        if where.size:
            out[where] = self._converted_again(flat[where], places[where])
        shaped: Codes = out.reshape(*pixels.shape[:2], -1)
        return shaped

    def make_ready(self, blocks: Indices) -> None:
        """Make blocks ready, as if pixels in them had come: many at once cost less than few."""
        at_once = _POINTS_AT_ONCE // (CELLS + 1) ** self._patches.inputs
        for start in range(0, len(blocks), at_once):
            self._cover(blocks[start : start + at_once])

    def points(self, blocks: Indices, *, every: int = 1) -> Codes:
        """Return the points of blocks, computed if need be: shape (n, points, outputs).

        Parameters
        ----------
        every
            As `Patchwork.over_points` takes it.
        """
        self._cover(blocks)
        points = self._patches.points(blocks)
        if every == 1:
            return points
        axes = (CELLS + 1,) * self._patches.inputs
        taken = (slice(None), *[slice(None, None, every)] * self._patches.inputs)
        some: Codes = points.reshape(len(blocks), *axes, -1)[taken]
        return some.reshape(len(blocks), -1, self._patches.outputs)

    def errors(self, blocks: Indices) -> Floats:
        """Return the errors measured in blocks, ΔE00: shape (n, colours)."""
        self._cover(blocks)
        return self._errors_of(blocks)

    def _ask(self, missing: Indices) -> Covered:
        with self._measuring:  # no stage may use a block before it is known to be good enough
            self._measure(self._patches.cover(missing))
            return self._patches.covered()

    def _cover(self, blocks: Indices) -> None:
        self._ask(blocks)

    def over_points(
        self, blocks: Indices, function: Callable[[Codes], Array], *, every: int = 1
    ) -> Array:
        """Compute a function of colours at the points of blocks, as `Patchwork.over_points`."""

        def at_places(places: Codes) -> Array:
            return function(self._axis.codes(places) if self._axis else places)

        return self._patches.over_points(blocks, at_places, every=every)

    def _converted_again(self, colours: Codes, places: Codes) -> Codes:
        """Convert colours of blocks that miss, by closer points or exactly; neutrals as everywhere.

        Shape (n, inputs), and the same as places of the space.
        """
        if self._closer is None:
            made = compute_in_threads(self._converted, colours)
        else:
            made = self._closer.look_up(places)  # covers those that are exact, too
            exact = self._patches.find_within(places, self._is_exact)
            if exact.size:
                made[exact] = compute_in_threads(self._converted, colours[exact])
        if self.neutrals is not None:
            _set_neutrals(colours, self.neutrals, made)
        return made

    def _converted(self, colours: Codes) -> Codes:
        return np.asarray(self._exact(colours[None])[0])

    def _at_places(self, places: Codes) -> Codes:
        return self._converted(self._axis.codes(places) if self._axis else places)

    def _at_points_of(self, blocks: Indices) -> Codes:
        """Convert the points of blocks, and with them what they will be compared with."""
        codes, at = self._patches.list_points(blocks)
        looked_at = self._measured_in(blocks)
        made = compute_in_threads(self._at_places, np.concatenate([codes, looked_at]))
        self._compared_with = blocks, made[len(codes) :]
        points: Codes = made[: len(codes)][at]
        return points

    def _at_closer_points_of(self, blocks: Indices) -> Codes:
        assert self._closer is not None
        codes, at = self._closer.list_points(blocks)
        points: Codes = compute_in_threads(self._at_places, codes)[at]
        return points

    def _measure(self, fresh: Indices) -> None:
        """Compare new blocks with the exact conversion; say which are to be converted exactly."""
        if not fresh.size:
            return
        per_block = self._errors_of(fresh)
        too_far = per_block.max(axis=1) > self._wanted_max
        if too_far.any():
            missed = fresh[too_far]
            self._is_missed[missed] = 1
            if self._closer:
                self._closer.cover(missed)
                per_block[too_far] = self._compare(self._closer, missed)
                too_far = per_block.max(axis=1) > self._wanted_max
        self._is_exact[fresh[too_far]] = 1
        self._errors.append(np.where(too_far[:, None], 0.0, per_block).ravel())
        self._made += len(fresh)
        self._made_exact += int(np.count_nonzero(too_far))

    def _errors_of(self, blocks: Indices) -> Floats:
        """Return the errors measured in covered blocks: shape (n, colours)."""
        if self._known is None:
            return self._compute_errors(blocks)
        found = np.empty((len(blocks), _COLOURS_PER_BLOCK))
        is_known = self._known.knows(ERRORS, blocks)
        found[is_known] = self._known.take(ERRORS, blocks[is_known])
        left = blocks[~is_known]
        if left.size:
            computed = self._compute_errors(left)
            found[~is_known] = computed
            self._known.note(ERRORS, left, computed)
        return found

    def _measured_in(self, blocks: Indices) -> Codes:
        """Say at which places the error of blocks is measured: shape (n colours, inputs)."""
        side = 65536 // self._patches.blocks
        inside = _places(len(self._is_exact), self._patches.inputs)[blocks] * side
        places = self._patches.corners(blocks)[:, None] * side + inside.astype(np.int64)
        return np.ascontiguousarray(places.reshape(-1, self._patches.inputs).astype(np.uint16))

    def _compute_errors(self, blocks: Indices) -> Floats:
        """Compare some colours in each block with the exact conversion: shape (n, colours)."""
        return self._compare(self._patches, blocks)

    def _compare(self, patches: Patchwork, blocks: Indices) -> Floats:
        """Say how far a patchwork is from the exact conversion in covered blocks."""
        looked_at = self._measured_in(blocks)
        made_with = self._compared_with
        if made_with and np.array_equal(made_with[0], blocks):
            exact = made_with[1]
        else:
            exact = compute_in_threads(self._at_places, looked_at)
        measured = np.asarray(self._distance(exact[None], patches.look_up(looked_at)[None]))
        return measured.reshape(len(blocks), _COLOURS_PER_BLOCK)


class UsedBlocks:
    """Which blocks of a source's space the pixels of a picture lie in.

    Parameters
    ----------
    source
        What the numbers of a pixel mean.
    axis
        Where a grid's points lie, when not at equal distances of the device value.
    """

    def __init__(self, source: Encoding, axis: Axis | None) -> None:
        self._blocks = BLOCKS.get(source, 0)
        self._axis = axis
        self._used = np.zeros(self._blocks**source.channels, np.uint8)

    def add(self, pixels: Codes) -> None:
        """Note pixels; their last axis is the channels of the source."""
        if self._blocks:
            flat = pixels.reshape(-1, pixels.shape[-1])
            mark_blocks(self._axis.places(flat) if self._axis else flat, self._blocks, self._used)

    def find(self) -> Indices:
        """Return the indices of the blocks, rising."""
        return np.flatnonzero(self._used)


def known_rows(source: Encoding, outputs: int) -> tuple[int, dict[str, Row]]:
    """Say how many blocks there are, and what is known of one: its points and its errors."""
    points = (CELLS + 1) ** source.channels
    rows: dict[str, Row] = {
        POINTS: ("<u2", (points, outputs)),
        ERRORS: ("<f8", (_COLOURS_PER_BLOCK,)),
    }
    return BLOCKS[source] ** source.channels, rows


def list_neutrals() -> Codes:
    """List all neutrals of RGB: shape (65536, 3)."""
    return np.repeat(np.arange(65536, dtype=np.uint16)[:, None], 3, axis=1)


def convert_neutrals(exact: Conversion) -> Codes:
    """Convert all neutrals of RGB exactly: shape (65536, outputs)."""
    greys = list_neutrals()
    parts = over_slabs(
        lambda start, stop: np.asarray(exact(greys[None, start:stop])[0]),
        65536,
        1,
        worth_a_thread=1,
    )
    return np.ascontiguousarray(np.concatenate(parts))


@lru_cache(maxsize=3)
def _places(blocks: int, channels: int) -> NDArray[np.float64]:
    """Where in each block its error is measured: shape (blocks, colours, channels), 0 … 1."""
    return np.random.default_rng(1).random((blocks, _COLOURS_PER_BLOCK, channels))


@compiled(seen("u2", 2), seen("u2", 2), made("u2", 2))
def _set_neutrals(pixels: Array, neutrals: Array, out: Array) -> None:
    for pixel in range(len(pixels)):
        code = pixels[pixel, 0]
        if pixels[pixel, 1] == code and pixels[pixel, 2] == code:
            for lane in range(out.shape[1]):
                out[pixel, lane] = neutrals[code, lane]
