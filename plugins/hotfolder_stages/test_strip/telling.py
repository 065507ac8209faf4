"""Which pieces of a picture tell most about its print, found in the picture reduced to a screen.

The pieces in which most is lost come first. Then those in which an eye is strictest: skin-like
tones, neutrals, and the darkest shadow that still has detail. What counts as each is common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour import Floats
from hotfolder_stages.test_strip.layout import STEP_PX, Cell

Flags = NDArray[np.bool_]

Spot = tuple[float, float]
"""A place in a picture: shares of its width and height, 0 … 1."""

LOST, MOVED = "colours lost", "colours moved most"
SKIN, NEUTRAL, SHADOW = "skin-like tones", "neutrals", "darkest detail"

_SKIN_LIGHTNESS, _SKIN_CHROMA, _SKIN_HUE = (30.0, 88.0), (10.0, 45.0), (25.0, 75.0)
_NEUTRAL_LIGHTNESS, _NEUTRAL_CHROMA = (12.0, 92.0), 4.0
_DARK_LIGHTNESS, _DETAIL = 35.0, 1.2
_ENOUGH = 0.1
"""Share of a piece that must be of a kind for the piece to tell about it."""

_ALIKE = 15.0
"""ΔE*ab between mean colours below which two pieces would tell the same. Our own choice."""
_MOVED_PLACES = 2
_SAME = 0.5


@dataclass(frozen=True)
class Piece:
    """A piece of the picture, in its pixels."""

    left_px: int
    top_px: int
    width_px: int
    height_px: int
    why: tuple[str, ...]
    """What it tells about, the reason it is there."""


def telling(
    lab: Floats, loss: Floats, shift: Floats, tolerance: float, size_px: tuple[int, int],
    each: Cell, face_px: tuple[int, int, int, int], most_lost: int,
    at: Sequence[tuple[Spot, str]] = (),
) -> list[Piece]:  # fmt: skip
    """Choose pieces.

    Parameters
    ----------
    lab
        Shape (rows, width, 3): the reduced picture's colours.
    loss, shift
        Shape (rows, width): ΔE00.
    size_px
        Width and height of the picture itself.
    each
        How large pieces are.
    face_px
        Left, top, width and height of what is looked at: no piece shows the wrap of a canvas.
    most_lost
        How many pieces may be there for what is lost.
    at
        Places that a person has named, and how; they come first.
    """
    windows = _Windows(lab.shape[:2], size_px, each, face_px)
    chosen = [windows.piece_at(*each) for each in at]
    beyond = windows.mean(np.maximum(loss - tolerance, 0))
    if beyond.max(initial=0) > 0:
        # of the colours that are lost, not of all: two blues differ little beside any ground
        windows.take(chosen, beyond, LOST, most_lost, windows.weighted(lab, loss > tolerance))
    else:
        windows.take(chosen, windows.mean(shift), MOVED, min(_MOVED_PLACES, most_lost))
    lightness, chroma = lab[..., 0], np.hypot(lab[..., 1], lab[..., 2])
    hue = np.degrees(np.arctan2(lab[..., 2], lab[..., 1]))
    skin = _within(lightness, _SKIN_LIGHTNESS) & _within(chroma, _SKIN_CHROMA)
    share = windows.mean(skin & _within(hue, _SKIN_HUE))
    windows.take(chosen, np.where(share >= _ENOUGH, share, 0), SKIN, 1)
    share = windows.mean(_within(lightness, _NEUTRAL_LIGHTNESS) & (chroma < _NEUTRAL_CHROMA))
    spread = windows.spread(lightness)
    steps = np.where(share >= _ENOUGH, share * (5 + spread), 0)  # a scale of greys tells most
    windows.take(chosen, steps, NEUTRAL, 1)
    is_dark = (windows.mean(lightness < _DARK_LIGHTNESS) >= _SAME) & (spread >= _DETAIL)
    windows.take(chosen, np.where(is_dark, 101 - windows.mean(lightness), 0), SHADOW, 1)
    return chosen


def _within(values: Floats, bounds: tuple[float, float]) -> Flags:
    return np.asarray((values >= bounds[0]) & (values <= bounds[1]))


class _Windows:
    """Every place where a piece may begin, and averages over what it would show."""

    def __init__(
        self,
        reduced: tuple[int, ...],
        size_px: tuple[int, int],
        each: Cell,
        face_px: tuple[int, int, int, int],
    ) -> None:
        self._each = each
        self._size = size_px
        width, height = size_px
        left, top, across, down = face_px
        self._lefts = _starts(left, across, each.width_px, width)
        self._tops = _starts(top, down, each.height_px, height)
        self._columns = _edges(self._lefts, each.width_px, reduced[1] / width, reduced[1])
        self._rows = _edges(self._tops, each.height_px, reduced[0] / height, reduced[0])

    def mean(self, values: Floats | Flags) -> Floats:
        """Mean over each window: shape (tops, lefts)."""
        total = np.zeros((values.shape[0] + 1, values.shape[1] + 1))
        np.cumsum(np.cumsum(values, axis=0, dtype=np.float64), axis=1, out=total[1:, 1:])
        (top, bottom), (left, right) = self._rows, self._columns
        down = total[bottom] - total[top]
        area = (bottom - top)[:, None] * (right - left)[None, :]
        return np.asarray((down[:, right] - down[:, left]) / area)

    def spread(self, values: Floats) -> Floats:
        """Standard deviation in each window."""
        variance = self.mean(np.square(values, dtype=np.float64)) - self.mean(values) ** 2
        return np.sqrt(np.maximum(variance, 0))

    def weighted(self, lab: Floats, flags: Flags) -> Floats:
        """Mean colour of what is flagged in each window: shape (tops, lefts, 3)."""
        share = np.maximum(self.mean(flags), 1e-9)
        planes = [self.mean(lab[..., plane] * flags) / share for plane in range(3)]
        return np.stack(planes, axis=-1)

    def piece_at(self, spot: Spot, why: str) -> Piece:
        """The piece whose middle is nearest to a place."""
        width, height = self._size
        left = _nearest(self._lefts, spot[0] * width - self._each.width_px / 2)
        top = _nearest(self._tops, spot[1] * height - self._each.height_px / 2)
        return Piece(left, top, self._each.width_px, self._each.height_px, (why,))

    def take(
        self, chosen: list[Piece], score: Floats, why: str, most: int, colour: Floats | None = None
    ) -> None:
        """Add the places with the greatest scores, apart from each other; 0 is not worth it.

        colour: what each window shows; one that shows nearly the same as one before is left out.

        Where a chosen piece shows half of the place or more, it gets the reason as well.
        """
        score = np.array(score, dtype=np.float64)
        each = self._each
        for _ in range(most):
            row, column = np.unravel_index(np.argmax(score), score.shape)
            if score[row, column] <= 0:
                return
            left, top = int(self._lefts[column]), int(self._tops[row])
            near = (np.abs(self._tops - top) < each.height_px)[:, None] & (
                np.abs(self._lefts - left) < each.width_px
            )[None, :]
            score[near] = 0
            if colour is not None:
                apart = np.linalg.norm(colour - colour[row, column], axis=-1)
                score[apart < _ALIKE] = 0
            place = Piece(left, top, each.width_px, each.height_px, (why,))
            for number, other in enumerate(chosen):
                if _shared(place, other) >= _SAME:
                    if why not in other.why:
                        chosen[number] = Piece(
                            other.left_px, other.top_px, other.width_px, other.height_px,
                            (*other.why, why),
                        )  # fmt: skip
                    break
            else:
                chosen.append(place)


def _starts(first: int, length: int, piece: int, whole: int) -> NDArray[np.intp]:
    """Where pieces may begin along a side: within the face, or in its middle where it is small."""
    if length < piece:
        middle = first + (length - piece) // 2
        return np.array([min(max(0, middle), max(0, whole - piece))], dtype=np.intp)
    return np.arange(first, first + length - piece + 1, STEP_PX)


def _nearest(starts: NDArray[np.intp], wanted: float) -> int:
    return int(starts[np.argmin(np.abs(starts - wanted))])


def _edges(
    starts: NDArray[np.intp], length_px: int, scale: float, most: int
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and last row (or column) of the reduced picture that windows cover, at least one."""
    first = np.minimum(np.rint(starts * scale).astype(np.intp), most - 1)
    last = np.clip(np.rint((starts + length_px) * scale).astype(np.intp), first + 1, most)
    return first, last


def _shared(one: Piece, other: Piece) -> float:
    """Share of a piece's area that another one shows."""
    across = one.width_px - abs(one.left_px - other.left_px)
    down = one.height_px - abs(one.top_px - other.top_px)
    return max(0, across) * max(0, down) / (one.width_px * one.height_px)
