"""Dates and periods as people say them: "2026-11", "last month", "7 d". Local time."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import NamedTuple

from hotfolder.errors import Problem, SettingsError

ALLOWED = (
    'a date ("2026-11-25", "2026-11", "2026"), a time ("2026-11-25 18:30"), "today", "yesterday", '
    'a day of the week ("Tuesday": the latest; "last Tuesday": the latest before today), '
    '"this" or "last" with "week", "month" or "year", or how long ago ("90 min", "12 h", "7 d")'
)

_AGO = re.compile(r"(\d+(?:[.,]\d+)?)\s*(min|h|d)")
_DATE = re.compile(r"(\d{4})(?:-(\d{2})(?:-(\d{2}))?)?")
_DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_UNITS_S = {"min": 60.0, "h": 3600.0, "d": 86400.0}


class Span(NamedTuple):
    """From a moment up to, and without, another; both with the local offset from UTC."""

    start: datetime
    end: datetime

    def steps(self, unit: str) -> Iterator[Span]:
        """Yield the whole hours, days, weeks (from Monday) or months of local time that it meets.

        Its end is met too.
        """
        start = _round_down(self.start, unit)
        while start.astimezone() <= self.end:
            after = _step_on(start, unit)
            step = Span(start.astimezone(), after.astimezone())
            if step.start < step.end:  # else an hour that a change of the clock leaves out
                yield step
            start = after


def parse_period(text: str, now: datetime, option: str) -> Span:
    """Read a date or a period.

    Parameters
    ----------
    text
        As `ALLOWED` has it; capitals do not matter. A moment is a span without length.
    now
        The present; without an offset it is taken as local time.
    option
        What was asked with, for the message.

    Raises
    ------
    SettingsError
        When it is none of these.
    """
    words = " ".join(text.lower().split())
    now = now.astimezone().replace(tzinfo=None)
    try:
        start, end = _read(words, now)
        return Span(start.astimezone(), end.astimezone())
    except (ValueError, OverflowError, OSError):
        raise SettingsError([Problem(option, "", text, ALLOWED)]) from None


def _read(words: str, now: datetime) -> tuple[datetime, datetime]:
    day = now.replace(hour=0, minute=0, second=0, microsecond=0)
    if words in {"today", "yesterday"}:
        start = day if words == "today" else day - timedelta(days=1)
        return start, start + timedelta(days=1)
    if (name := words.removeprefix("last ")) in _DAYS:
        least = 1 if name != words else 0
        start = day - timedelta(days=least + (day.weekday() - _DAYS.index(name) - least) % 7)
        return start, start + timedelta(days=1)
    which, _, unit = words.partition(" ")
    if which in {"this", "last"} and unit in {"week", "month", "year"}:
        return _find_calendar_period(day, unit, back=which == "last")
    if ago := _AGO.fullmatch(words):
        moment = now - timedelta(seconds=float(ago[1].replace(",", ".")) * _UNITS_S[ago[2]])
        return moment, moment
    if date := _DATE.fullmatch(words):
        year, month, day_of_month = (int(part) if part else None for part in date.groups())
        start = datetime(year or 1, month or 1, day_of_month or 1)  # noqa: DTZ001 - local time
        if day_of_month:
            return start, start + timedelta(days=1)
        return _find_calendar_period(start, "month" if month else "year", back=False)
    moment = datetime.fromisoformat(words)
    return moment, moment


def _round_down(at: datetime, unit: str) -> datetime:
    """The beginning of the hour, day, week or month, in local time without its offset."""
    hour = at.astimezone().replace(tzinfo=None, minute=0, second=0, microsecond=0)
    if unit == "hour":
        return hour
    day = hour.replace(hour=0)
    if unit == "day":
        return day
    return day - timedelta(days=day.weekday()) if unit == "week" else day.replace(day=1)


def _step_on(start: datetime, unit: str) -> datetime:
    if unit == "month":
        return (start + timedelta(days=31)).replace(day=1)
    days = {"hour": 1 / 24, "day": 1, "week": 7}[unit]
    return start + timedelta(days=days)


def _find_calendar_period(day: datetime, unit: str, *, back: bool) -> tuple[datetime, datetime]:
    """The week (from Monday, ISO 8601), month or year of a day, or the one before it."""
    if unit == "week":
        start = day - timedelta(days=day.weekday() + (7 if back else 0))
        return start, start + timedelta(days=7)
    if unit == "month":
        start = day.replace(day=1)
        if back:
            start = (start - timedelta(days=1)).replace(day=1)
        return start, (start + timedelta(days=31)).replace(day=1)
    start = day.replace(month=1, day=1)
    if back:
        start = start.replace(year=start.year - 1)
    return start, start.replace(year=start.year + 1)
