"""Where the marks of a small plot stand: share lost above, share held below, over time."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from hotfolder.audit.trends import Bucket, Trend, to_utc
from hotfolder.model.units import say_share
from hotfolder.pages.words import local_time

WIDTH: Final = 720
LEFT: Final = 52
RIGHT: Final = 12
LOST_TOP, LOST_BOTTOM = 22, 132
HELD_TOP, HELD_BOTTOM = 150, 190
HEIGHT: Final = 212
_LEAST_BAR = 2.0


@dataclass(frozen=True)
class Dot:
    """A mean."""

    x: float
    y: float
    title: str
    """What a pointer over it is told."""
    since: datetime
    """Where its pictures begin in time."""
    until: datetime
    """Where they end."""


@dataclass(frozen=True)
class Bar:
    """A share held."""

    x: float
    y: float
    width: float
    height: float
    title: str
    since: datetime
    """Where its pictures begin in time."""
    until: datetime
    """Where they end."""


@dataclass(frozen=True)
class Mark:
    """A vertical line where the profile changed, with its letter."""

    x: float
    letter: str


@dataclass(frozen=True)
class Plot:
    """Everything in the units of the drawing, y downwards."""

    dots: tuple[Dot, ...]
    line: str
    bars: tuple[Bar, ...]
    marks: tuple[Mark, ...]
    top: float
    """Share at the upper edge."""
    first: str
    last: str


def place_trend(trend: Trend) -> Plot:
    """Place a trend on a drawing of `WIDTH` by `HEIGHT`."""
    start, end = to_utc(trend.buckets[0].start), to_utc(trend.buckets[-1].end)
    length = (end - start).total_seconds()

    def across(at: datetime) -> float:
        share = (to_utc(at) - start).total_seconds() / length
        return round(LEFT + share * (WIDTH - LEFT - RIGHT), 1)

    top = round_up(max((each.lost or 0.0 for each in trend.buckets), default=0.0))
    dots = tuple(
        Dot(
            across(each.start + (each.end - each.start) / 2),
            round(LOST_BOTTOM - each.lost / top * (LOST_BOTTOM - LOST_TOP), 1),
            _describe(each, trend.unit),
            each.start,
            each.end,
        )
        for each in trend.buckets
        if each.lost is not None
    )
    bars = tuple(
        Bar(
            across(each.start) + 0.5,
            round(HELD_BOTTOM - each.held * (HELD_BOTTOM - HELD_TOP), 1),
            max(_LEAST_BAR, round(across(each.end) - across(each.start) - 1, 1)),
            round(each.held * (HELD_BOTTOM - HELD_TOP), 1),
            _describe(each, trend.unit),
            each.start,
            each.end,
        )
        for each in trend.buckets
        if each.held > 0
    )
    return Plot(
        dots=dots,
        line=" ".join(f"{dot.x},{dot.y}" for dot in dots),
        bars=bars,
        marks=tuple(
            Mark(across(change.at), name_mark(number))
            for number, change in enumerate(trend.changes)
        ),
        top=top,
        first=_say_time(trend.buckets[0].start, trend.unit),
        last=_say_time(trend.buckets[-1].end, trend.unit),
    )


def round_up(most: float) -> float:
    """Return the least of 1, 2, 5 times a power of ten that is not below `most`; 1 % at least."""
    if most <= 0.01:
        return 0.01
    power = 10.0 ** math.floor(math.log10(most))
    return next(step * power for step in (1, 2, 5, 10) if step * power >= most - 1e-12)


def name_mark(number: int) -> str:
    """Return the letter of a mark: A to Z, then A2 to Z2, and so on."""
    return chr(ord("A") + number % 26) + (str(number // 26 + 1) if number >= 26 else "")


def _describe(bucket: Bucket, unit: str) -> str:
    when = _say_time(bucket.start, unit)
    lost = "" if bucket.lost is None else f", {say_share(bucket.lost)} lost on average"
    pictures = "1 picture" if bucket.pictures == 1 else f"{bucket.pictures} pictures"
    return f"{unit} of {when}: {pictures}{lost}, {say_share(bucket.held, 2)} held"


def _say_time(at: datetime, unit: str) -> str:
    return local_time(at) if unit == "hour" else f"{at:%Y-%m-%d}"
