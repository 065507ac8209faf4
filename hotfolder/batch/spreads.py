"""Pages that face each other, and what tells them apart.

An even page lies on the left and the next odd one on the right, as in books that are read from
left to right; common practice, no source. A page is the mean of what stands on it, by area.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class PageLook:
    """How light a result is, and how its greys lean."""

    page: str
    """As the ticket says."""
    area: float
    """Of the result, in any unit."""
    lightness: float
    """Mean L*."""
    grey_share: float
    """Of what is nearly grey, 0 … 1."""
    a: float | None
    """Mean a* of what is nearly grey; None where that is too little."""
    b: float | None
    """Mean b* of the same."""
    paper: str
    """SHA-256 of the profile."""


@dataclass(frozen=True)
class Spread:
    """Two facing pages that differ."""

    left: int
    right: int
    lightness: float
    """L* of right less left."""
    greys: float | None
    """Distance of their mean a*, b*; None where a page has no greys."""
    what: tuple[str, ...]
    """Of lightness, greys and paper, those that differ too much."""


@dataclass(frozen=True)
class _Page:
    lightness: float
    a: float | None
    b: float | None
    papers: frozenset[str]


def compare_spreads(
    looks: Iterable[PageLook], most_lightness: float, most_greys: float
) -> tuple[list[Spread], int]:
    """Return the spreads that differ by more than this, and how many spreads were compared."""
    by_page: dict[int, list[PageLook]] = {}
    for look in looks:
        if look.page.isascii() and look.page.isdigit():
            by_page.setdefault(int(look.page), []).append(look)
    pages = {number: _average_page(found) for number, found in by_page.items()}
    found, compared = [], 0
    for number in sorted(pages):
        if number % 2 == 1 or number + 1 not in pages:
            continue
        compared += 1
        left, right = pages[number], pages[number + 1]
        lightness, greys = right.lightness - left.lightness, _measure_greys_apart(left, right)
        what = [
            name
            for name, differs in (
                ("lightness", abs(lightness) > most_lightness),
                ("greys", greys is not None and greys > most_greys),
                ("paper", left.papers != right.papers),
            )
            if differs
        ]
        if what:
            found.append(Spread(number, number + 1, lightness, greys, tuple(what)))
    return found, compared


def _average_page(looks: Sequence[PageLook]) -> _Page:
    area = sum(look.area for look in looks)
    lightness = sum(look.lightness * look.area for look in looks) / area
    greys = [
        (look.grey_share * look.area, look.a, look.b)
        for look in looks
        if look.a is not None and look.b is not None
    ]
    weight = sum(each for each, _, _ in greys)
    a = sum(each * value for each, value, _ in greys) / weight if weight else None
    b = sum(each * value for each, _, value in greys) / weight if weight else None
    return _Page(lightness, a, b, frozenset(look.paper for look in looks))


def _measure_greys_apart(left: _Page, right: _Page) -> float | None:
    if left.a is None or left.b is None or right.a is None or right.b is None:
        return None
    return math.hypot(right.a - left.a, right.b - left.b)
