"""Laying rectangles onto a strip of one width, so that it becomes as short as can be.

The strip is filled from its start by a skyline: the place nearest to the start is given to the
first rectangle in a row that fits there, beside its higher neighbour (E. K. Burke, G. Kendall,
G. Whitwell, "A new placement heuristic for the orthogonal stock-cutting problem", Operations
Research 52 (2004) 655, DOI 10.1287/opre.1040.0109, which takes the widest that fits). The row is
then improved by simulated annealing: two change places, or one is turned, and what is longer is
kept ever less often. Sizes are whole numbers and the random numbers are always the same, so one set
has one layout.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

_STEPS: Final = 240_000
"""Of trying rectangles, over all layouts that are tried: about two seconds."""
_FEWEST: Final = 150
_PER_RECTANGLE: Final = 300
_WARM: Final = 0.02
"""By what share a layout may be longer and is still kept about one time in three, at first."""
_SEED: Final = 5


@dataclass(frozen=True)
class Placed:
    """Where a rectangle lies."""

    left: int
    top: int
    is_turned: bool
    """By a quarter: its width lies along the strip."""


@dataclass(frozen=True)
class Packed:
    """A layout."""

    length: int
    """Of the strip, up to the end of the last rectangle."""
    places: tuple[Placed, ...]
    """In the order of the rectangles."""


def pack_strip(sizes: Sequence[tuple[int, int]], width: int) -> Packed:
    """Lay rectangles onto a strip; each may be turned by a quarter.

    Parameters
    ----------
    sizes : sequence of (int, int)
        Widths and lengths, each above 0.
    width
        Of the strip.

    Returns
    -------
    Packed
        None of them overlap, and none reaches beyond the strip.

    Raises
    ------
    ValueError
        When one does not fit either way; its number in the sequence is the exception's argument.
    """
    for number, sides in enumerate(sizes):
        if min(sides) > width:
            raise ValueError(number)
    rows = [_sort(sizes, key, flat=flat) for key in _KEYS for flat in (False, True)]
    best, row = min(
        ((_place(sizes, row, width).length, row) for row in rows), key=lambda each: each[0]
    )
    if len(sizes) > 1 and best > _find_bound(sizes, width):
        best, row = _improve(sizes, row, best, width)
    return _place(sizes, row, width)


def _find_bound(sizes: Sequence[tuple[int, int]], width: int) -> int:
    """No strip is shorter: the area, or the shortest way to lay any one."""
    area = sum(across * along for across, along in sizes)
    longest = max(min(sides) if max(sides) <= width else max(sides) for sides in sizes)
    return max(-(-area // width), longest)


_Row = list[tuple[int, bool]]
"""Rectangles by number, the next to be laid first, and whether each is turned if it may be."""

_KEYS: tuple[Callable[[int, int], int], ...] = (
    lambda across, along: across * along,
    max,
    min,
    lambda across, along: across + along,
)


def _sort(sizes: Sequence[tuple[int, int]], key: Callable[[int, int], int], *, flat: bool) -> _Row:
    numbers = sorted(range(len(sizes)), key=lambda each: key(*sizes[each]), reverse=True)
    return [(each, (sizes[each][0] < sizes[each][1]) is flat) for each in numbers]


def _improve(
    sizes: Sequence[tuple[int, int]], row: _Row, length: int, width: int
) -> tuple[int, _Row]:
    """Anneal a row: the shortest length that was found, and its row."""
    chance = random.Random(_SEED)  # noqa: S311 - no secret, and always the same
    count = len(row)
    tries = max(_FEWEST, min(_PER_RECTANGLE * count, _STEPS // count))
    bound = _find_bound(sizes, width)
    best, best_row, now = length, row, length
    for number in range(tries):
        warm = _WARM * length * (1 - number / tries) ** 2 + 1e-9
        other = row.copy()
        one, two = chance.randrange(count), chance.randrange(count)
        if one == two:
            other[one] = (other[one][0], not other[one][1])
        elif chance.random() < 0.5:
            other[one], other[two] = other[two], other[one]
        else:
            other.insert(two, other.pop(one))
        most = now - warm * math.log(1 - chance.random())
        made = _lay(sizes, other, width, most)
        if made is None:
            continue
        row, now = other, made
        if made < best:
            best, best_row = made, other
            if best <= bound:
                break
    return best, best_row


def _lay(sizes: Sequence[tuple[int, int]], row: _Row, width: int, most: float) -> int | None:
    """Return the length of a row's layout; None as soon as it is longer than `most`."""
    length = 0
    for _number, _turned, _left, top, along in _lay_each(sizes, row, width):
        length = max(length, top + along)
        if length > most:
            return None
    return length


def _place(sizes: Sequence[tuple[int, int]], row: _Row, width: int) -> Packed:
    places = [Placed(0, 0, is_turned=False)] * len(sizes)
    length = 0
    for number, is_turned, left, top, along in _lay_each(sizes, row, width):
        places[number] = Placed(left, top, is_turned)
        length = max(length, top + along)
    return Packed(length, tuple(places))


def _lay_each(
    sizes: Sequence[tuple[int, int]], row: _Row, width: int
) -> Iterator[tuple[int, bool, int, int, int]]:
    """Lay a row: number, whether turned, left, top and length along the strip of each."""
    waiting = [(number, is_turned, *sizes[number]) for number, is_turned in row]
    lefts, tops, ends = [0], [0], [width]
    while waiting:
        at = tops.index(min(tops))
        left, top, room = lefts[at], tops[at], ends[at] - lefts[at]
        fits = (index for index, each in enumerate(waiting) if each[2] <= room or each[3] <= room)
        index = next(fits, None)
        if index is None:
            _raise(lefts, tops, ends, at)
            continue
        number, wants_turn, one, two = waiting.pop(index)
        is_turned = wants_turn if (two if wants_turn else one) <= room else not wants_turn
        across, along = (two, one) if is_turned else (one, two)
        before = tops[at - 1] if at else math.inf
        after = tops[at + 1] if at + 1 < len(tops) else math.inf
        # beside the higher neighbour: what is left of the place stays in one piece
        if before >= after:
            yield number, is_turned, left, top, along
            _cover(lefts, tops, ends, at, across, along, from_left=True)
        else:
            yield number, is_turned, ends[at] - across, top, along
            _cover(lefts, tops, ends, at, across, along, from_left=False)


def _cover(
    lefts: list[int], tops: list[int], ends: list[int], at: int, across: int, along: int,
    *, from_left: bool,
) -> None:  # fmt: skip
    """Let a rectangle stand on the left or right of a place."""
    top, left, end = tops[at], lefts[at], ends[at]
    middle = left + across if from_left else end - across
    if middle in (left, end):
        tops[at] = top + along
    else:
        lefts[at : at + 1], ends[at : at + 1] = [left, middle], [middle, end]
        tops[at : at + 1] = [top + along, top] if from_left else [top, top + along]
    _join(lefts, tops, ends, at + 1)
    _join(lefts, tops, ends, at)


def _raise(lefts: list[int], tops: list[int], ends: list[int], at: int) -> None:
    """Give up a place into which nothing fits: as high as its lower neighbour."""
    beside = [tops[each] for each in (at - 1, at + 1) if 0 <= each < len(tops)]
    tops[at] = min(beside)
    _join(lefts, tops, ends, at)


def _join(lefts: list[int], tops: list[int], ends: list[int], at: int) -> None:
    """Join a place with neighbours of the same height."""
    for first in (at, at - 1):
        if 0 <= first < len(tops) - 1 and tops[first] == tops[first + 1]:
            ends[first] = ends[first + 1]
            del lefts[first + 1], tops[first + 1], ends[first + 1]
