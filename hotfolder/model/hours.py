"""When a destination works: from one time of the day to another, by the clocks on the wall.

A night is counted in moments, from the moment its first time is reached to the moment of its last:
so a night in which the clocks change is an hour longer or shorter, and never has a gap. A time
that the clocks show twice means the first of the two; one that they skip, as long after midnight
as if they had not yet been put forward.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from typing import Annotated

from pydantic import BeforeValidator, PlainSerializer

_FORM = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)\s*[-–]\s*([01]?\d|2[0-3]):([0-5]\d)")
_ALLOWED = 'two times of the day, as in "22:00-06:00"; the second may be on the next morning'


@dataclass(frozen=True)
class Hours:
    """From `start` to `end`, local times; over midnight when `end` is not later."""

    start: time
    end: time

    def __str__(self) -> str:
        return f"{self.start:%H:%M}-{self.end:%H:%M}"

    def is_open(self, now_s: float, zone: tzinfo | None = None) -> bool:
        """Tell whether a moment lies in the hours.

        Parameters
        ----------
        now_s
            Seconds since 1970-01-01 00:00 UTC.
        zone
            Where the clocks hang; by default what this machine is set to.
        """
        return any(opens <= now_s < closes for opens, closes in self._list_near(now_s, zone))

    def opens_at(self, now_s: float, zone: tzinfo | None = None) -> float:
        """The next moment at which the hours begin, after `now_s`; seconds since 1970 in UTC."""
        return min(opens for opens, _ in self._list_near(now_s, zone) if opens > now_s)

    def _list_near(self, now_s: float, zone: tzinfo | None) -> list[tuple[float, float]]:
        """Beginnings and ends around a moment, one for each day."""
        today = datetime.fromtimestamp(now_s, zone).date()
        later = timedelta(days=0 if self.end > self.start else 1)
        days = [today + timedelta(days=shift) for shift in (-2, -1, 0, 1, 2)]
        return [
            (_find_moment(day, self.start, zone), _find_moment(day + later, self.end, zone))
            for day in days
        ]


def _find_moment(day: date, at: time, zone: tzinfo | None) -> float:
    return datetime.combine(day, at, tzinfo=zone).timestamp()


def _read(value: object) -> Hours:
    if isinstance(value, Hours):
        return value
    match = _FORM.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        raise ValueError(_ALLOWED)
    start, end = time(int(match[1]), int(match[2])), time(int(match[3]), int(match[4]))
    if start == end:
        raise ValueError(f"{_ALLOWED}, and not the same twice; leave it out to work at any time")
    return Hours(start, end)


HoursText = Annotated[
    Hours,
    BeforeValidator(_read, json_schema_input_type=str),
    PlainSerializer(str, return_type=str),
]
"""Hours in settings: ``"22:00-06:00"``."""


_CLOCK_FORM = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")


def _read_clock(value: object) -> time:
    if isinstance(value, time):
        return value
    match = _CLOCK_FORM.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        raise ValueError('a time of the day, as in "07:30"')
    return time(int(match[1]), int(match[2]))


ClockText = Annotated[
    time,
    BeforeValidator(_read_clock, json_schema_input_type=str),
    PlainSerializer(lambda value: f"{value:%H:%M}", return_type=str),
]
"""A time of the day in settings: ``"07:30"``."""
