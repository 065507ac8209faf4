"""The places of a picture in which most is lost, gathered strip by strip in bounded memory.

Two things are kept: the picture reduced to a screen's size, with the loss and shift of each of its
pixels; and the pieces in which most is lost, at full resolution. A reduced pixel is the mean of a
square of pixels, as light where the encoding has a curve from code to light, since means of
encoded values are too dark; inks and Lab are averaged as they are.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import count

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Codes, Floats
from hotfolder.colour.box import add_light
from hotfolder.colour.difference import DifferenceStatistics
from hotfolder.colour.profile import Profile
from hotfolder.colour.slabs import over_slabs
from hotfolder.colour.tone import ToneCurve, tone_of
from hotfolder.model.encoding import Encoding

Lookup = Callable[[Codes], Codes]
"""From pixels, shape (rows, width, channels), to codes of (loss, shift, …), same rows and width."""

LONG_EDGE_PX = 1024
"""Of the reduced picture, at most: it fills a screen, and the page stays small."""

PLACE_PX = 256
"""About the side of a piece at full resolution: two of them fit beside each other on a screen."""

_CANDIDATES = 16
_WORTH_A_THREAD = 500_000
_STRIP_PX = 2_000_000
"""Of a strip, about: its rows are held until there are all of them."""
_DELTA_E_PER_CODE = DifferenceStatistics.FULL_SCALE / 65535


@dataclass(frozen=True, eq=False)
class Reduced:
    """The picture at a screen's size."""

    pixels: Codes
    """Shape (rows, width, channels), uint16, encoded as the picture."""

    loss: Floats
    """Shape (rows, width), float32, ΔE00."""

    shift: Floats
    """Shape (rows, width), float32, ΔE00."""

    factor: int
    """Pixels of the picture per pixel of it, along one side."""


@dataclass(frozen=True, order=True)
class WorstPlace:
    """A piece of the picture at full resolution; greater when more is lost in it."""

    lost: float
    """Sum over the reduced pixels of ΔE00 beyond the tolerance."""

    moved: float
    """Mean shift, ΔE00."""

    order: int = field(repr=False)
    """Of its finding."""

    left_px: int = field(compare=False)
    """In the picture."""

    top_px: int = field(compare=False)
    """In the picture."""

    pixels: Codes = field(compare=False, repr=False)
    """Shape (rows, width, channels), uint16."""

    detail: float = field(default=0.0, compare=False)
    """Mean step from one reduced pixel to the next, in codes."""

    is_for_detail: bool = field(default=False, compare=False)
    """It is shown for its detail, not for what is lost in it."""

    @property
    def height_px(self) -> int:
        """Rows of the piece."""
        return int(self.pixels.shape[0])

    @property
    def width_px(self) -> int:
        """Pixels across the piece."""
        return int(self.pixels.shape[1])


class WorstPlaces:
    """Gathers from bands of any height, top to bottom.

    Parameters
    ----------
    source
        What gives the picture's numbers their meaning.
    size_px
        Width and height of the picture.
    look_up
        Loss and shift of pixels, as codes of `DifferenceStatistics`.
    tolerance
        ΔE00 above which a colour counts as lost.
    at
        Middles of places to show instead of the worst, as shares of width and height, 0 … 1.
    face_px
        Left, top, width and height of what is looked at; what lies outside it, as the wrap of a
        canvas, is no place to show. None: all of the picture.
    """

    def __init__(
        self,
        source: Profile,
        size_px: tuple[int, int],
        look_up: Lookup,
        tolerance: float,
        at: Sequence[tuple[float, float]] = (),
        face_px: tuple[int, int, int, int] | None = None,
    ) -> None:
        self._look_up, self._tolerance = look_up, tolerance
        width_px, height_px = size_px
        channels = source.encoding.channels
        self._factor = -(-max(width_px, height_px) // LONG_EDGE_PX)
        self._curves = _curves(source)
        self._lights = _lights(self._curves, channels)
        self._side = self._factor * max(1, round(PLACE_PX / self._factor))
        self.rows = self._side * max(1, _STRIP_PX // (self._side * width_px))
        """Height of the strips in which it looks; the last one may be shorter."""
        self._height, self._strip, self._held = height_px, np.empty((0, 0, 0), np.uint16), 0
        down, across = min(self._factor, height_px), min(self._factor, width_px)
        self._down, self._across = down, across
        height, width = height_px // down, width_px // across
        self._pixels = np.empty((height, width, channels), dtype=np.uint16)
        self._codes = np.empty((height, width, 2), dtype=np.uint16)
        self._filled = 0
        self._best: list[WorstPlace] = []
        self._order = count()
        self._most_detail: WorstPlace | None = None
        self._face = face_px or (0, 0, width_px, height_px)
        left, top, across_px, down_px = self._face
        self._asked = [
            _Asked(
                _begin_at(x * width_px, self._side, left, across_px),
                _begin_at(y * height_px, self._side, top, down_px),
            )
            for x, y in at
        ]

    def add(self, top: int, pixels: Codes) -> None:
        """Take the next rows.

        Parameters
        ----------
        top
            The first of them, from 0.
        pixels
            Shape (rows, width, channels), dtype uint16, alpha laid onto white; copied where it is
            needed later.
        """
        start = 0
        while start < len(pixels):
            at = top + start
            strip = min(self.rows, self._height - (at - self._held))
            stop = min(len(pixels), start + strip - self._held)
            part = pixels[start:stop]
            if self._held or len(part) < strip:
                part = self._gather(part, strip)
            if len(part) == strip:
                self._add_strip(at + (stop - start) - strip, part)
                self._held = 0
            start = stop

    def _gather(self, part: Codes, strip: int) -> Codes:
        """Put rows below those that are held of a strip, and return all that are."""
        if not self._held and len(self._strip) != strip:
            self._strip = np.empty((strip, *part.shape[1:]), np.uint16)
        self._strip[self._held : self._held + len(part)] = part
        self._held += len(part)
        return self._strip[: self._held]

    def _add_strip(self, top: int, pixels: Codes) -> None:
        for each in self._asked:
            each.take(top, pixels, self._side, self._face)
        start = self._filled
        rows = min(len(pixels) // self._down, len(self._pixels) - start)
        if not rows:  # fewer rows at the bottom than make one
            return
        self._filled = start + rows
        small = self._pixels[start : self._filled]
        small[:] = self._reduced(pixels[: rows * self._down])
        codes = self._look_up(small)[..., :2]
        self._codes[start : self._filled] = codes
        step = self._side // self._factor
        for first in range(0, rows, step):
            upper = first * self._down
            piece = pixels[upper : upper + self._side]
            # A few rows at the bottom are no piece to look at, unless they are the picture.
            if top + upper == 0 or 2 * len(piece) >= self._side:
                seen = slice(first, first + step)
                steps = np.abs(np.diff(small[seen].mean(axis=-1, dtype=np.float32), axis=1))
                self._consider(top + upper, piece, codes[seen], steps)

    def reduced(self) -> Reduced:
        """Return the picture at a screen's size, after the last strip.

        Returns
        -------
        Its pixels, and what is lost and moved at each.
        """
        loss, shift = np.moveaxis(self._codes * np.float32(_DELTA_E_PER_CODE), -1, 0)
        return Reduced(self._pixels, loss, shift, self._factor)

    def judge(self, loss: Floats) -> None:
        """Take what is lost as delivered, where that is known only after the last strip.

        Among the places found so far those are then the worst in which most of that is lost.

        Parameters
        ----------
        loss
            Of the reduced picture: shape (rows, width), ΔE00.
        """
        self._codes[..., 0] = DifferenceStatistics.encode(loss)
        self._best = [self._weighed(each) for each in self._best]
        if self._most_detail:
            self._most_detail = self._weighed(self._most_detail)

    def places(self, most: int) -> list[WorstPlace]:
        """Return the places where most is lost, the worst first, apart from each other if possible.

        Where nothing is lost, those that are moved most. The last of several is the one with most
        detail, unless one of the others has half as much: flat colours alone tell little of a
        print. Places that were asked for come instead, in their order.

        Parameters
        ----------
        most
            How many at most.

        Returns
        -------
        The places, with their pixels.
        """
        if self._asked:
            return [self._show(each) for each in self._asked[:most] if each.parts]
        ranked = sorted(self._best, reverse=True)
        apart: list[WorstPlace] = []
        for place in ranked:
            if all(self._are_apart(place, other) for other in apart):
                apart.append(place)
        rest = [place for place in ranked if not any(place is other for other in apart)]
        chosen = sorted((apart + rest)[:most], reverse=True)
        fine = self._most_detail
        if most < 2 or fine is None or any(2 * each.detail >= fine.detail for each in chosen):
            return chosen
        others = chosen[: most - 1]
        if not all(self._are_apart(fine, other) for other in others):
            return chosen
        return [*others, replace(fine, is_for_detail=True)]

    def _show(self, asked: _Asked) -> WorstPlace:
        """The piece at a place that was asked for, and what is lost in it."""
        pixels = np.concatenate(asked.parts)
        return self._weighed(
            WorstPlace(0.0, 0.0, next(self._order), asked.left_px, asked.top_px, pixels)
        )

    def _weighed(self, place: WorstPlace) -> WorstPlace:
        """The same place with what is lost in it now."""
        first, left = place.top_px // self._down, place.left_px // self._across
        codes = self._codes[
            first : first + max(1, place.height_px // self._down),
            left : left + max(1, place.width_px // self._across),
            0,
        ]
        lost = float(np.maximum(codes * _DELTA_E_PER_CODE - self._tolerance, 0).sum())
        return replace(place, lost=lost)

    def _are_apart(self, one: WorstPlace, other: WorstPlace) -> bool:
        distance = max(abs(one.left_px - other.left_px), abs(one.top_px - other.top_px))
        return distance > 1.5 * self._side

    def _reduced(self, pixels: Codes) -> Codes:
        if self._factor == 1:
            return pixels
        down, across = self._down, self._across
        width = pixels.shape[1] // across
        out = np.empty((len(pixels) // down, width, pixels.shape[2]), dtype=np.uint16)

        def work(start: int, stop: int) -> None:
            part = np.ascontiguousarray(pixels[start * down : stop * down])
            sums = np.empty((stop - start, width, pixels.shape[2]), dtype=np.float32)
            add_light(part, self._lights, down, across, sums)
            out[start:stop] = self._to_codes(sums * np.float32(1 / (down * across)))

        over_slabs(work, len(out), pixels.shape[1] * down, worth_a_thread=_WORTH_A_THREAD)
        return out

    def _to_codes(self, light: NDArray[np.float32]) -> Codes:
        if not self._curves:
            return np.asarray(np.rint(light), dtype=np.uint16)
        return np.stack([c.encode(light[..., k]) for k, c in enumerate(self._curves)], axis=-1)

    def _consider(self, top: int, pixels: Codes, codes: Codes, steps: Floats) -> None:
        above = max(0, -(-(self._face[1] - top) // self._down))
        below = max(0, (sum(self._face[1::2]) - top) // self._down)
        codes, steps = codes[above:below], steps[above:below]
        pixels = pixels[above * self._down : below * self._down]
        top += above * self._down
        if not codes.size or 2 * len(pixels) < min(self._side, self._face[3]):
            return
        beyond = np.maximum(codes[..., 0] * _DELTA_E_PER_CODE - self._tolerance, 0).sum(axis=0)
        moved = codes[..., 1].mean(axis=0) * _DELTA_E_PER_CODE
        side = self._side // self._factor
        begin, end = -(-self._face[0] // self._across), sum(self._face[::2]) // self._across
        end = min(max(end, begin + 1), len(beyond))
        last = max(begin, end - side)
        for left in sorted({min(left, last) for left in range(begin, end, side)}):
            across = slice(left, left + side)
            lost, shift = float(beyond[across].sum()), float(moved[across].mean())
            key = (lost, shift)
            detail = float(steps[:, across].mean()) if steps[:, across].size else 0.0
            finest = self._most_detail.detail if self._most_detail else 0.0
            if detail > finest:
                self._most_detail = self._cut(key, left * self._across, top, pixels, detail)
            if len(self._best) == _CANDIDATES and key <= (self._best[0].lost, self._best[0].moved):
                continue
            place = self._cut(key, left * self._across, top, pixels, detail)
            if len(self._best) < _CANDIDATES:
                heapq.heappush(self._best, place)
            else:
                heapq.heapreplace(self._best, place)

    def _cut(
        self, key: tuple[float, float], left_px: int, top: int, pixels: Codes, detail: float
    ) -> WorstPlace:
        right_px = min(left_px + self._side, max(self._face[0] + self._face[2], left_px + 1))
        piece = pixels[:, left_px:right_px].copy()
        return WorstPlace(*key, next(self._order), left_px, top, piece, detail)


@dataclass
class _Asked:
    """A place that was asked for, gathered from the strips that it lies in."""

    left_px: int
    top_px: int
    parts: list[Codes] = field(default_factory=list)

    def take(self, top: int, pixels: Codes, side: int, face_px: tuple[int, int, int, int]) -> None:
        """Take its rows out of a strip; side: of the piece; nothing outside the face."""
        last = min(self.top_px + side, face_px[1] + face_px[3])
        right = min(self.left_px + side, face_px[0] + face_px[2])
        rows = slice(max(self.top_px - top, 0), max(last - top, 0))
        part = pixels[rows, self.left_px : right]
        if part.size:
            self.parts.append(part.copy())


def _begin_at(middle: float, side: int, start: int, length: int) -> int:
    """Where a piece begins whose middle is given, within a stretch of the picture.

    Rounded: a middle that came of a piece is that piece again, not one a pixel beside it.
    """
    return round(min(max(start, middle - side / 2), max(start, start + length - side)))


def _lights(curves: tuple[ToneCurve, ...], channels: int) -> NDArray[np.float32]:
    """What is added up for every code: light, or the code itself. Shape (channels, 65536)."""
    if not curves:
        return np.broadcast_to(np.arange(65536, dtype=np.float32), (channels, 65536)).copy()
    return np.stack([curve.to_light for curve in curves])


def _curves(source: Profile) -> tuple[ToneCurve, ...]:
    if source.encoding not in (Encoding.RGB, Encoding.GREY):
        return ()
    return tone_of(source).curves
