"""Times and lengths of time as people say them."""

from __future__ import annotations

from datetime import datetime


def local_time(text: str) -> str:
    """A record's time as people here would say it."""
    return f"{datetime.fromisoformat(text).astimezone():%Y-%m-%d %H:%M}"


def clock_time(moment_s: float) -> str:
    """Say a moment by the clocks on the wall: "22:00"."""
    there = datetime.fromtimestamp(moment_s)  # noqa: DTZ006 - local time is meant
    return f"{there:%H:%M}"


def duration(seconds: float | None) -> str:
    """Say a length of time as a person would; "" for None.

    Examples
    --------
    >>> [duration(each) for each in (None, 20, 400, 9000)]
    ['', 'less than a minute', 'about 7 min', 'about 2 h 30 min']
    """
    if seconds is None:
        return ""
    minutes = round(seconds / 60)
    if minutes < 1:
        return "less than a minute"
    return f"about {minutes} min" if minutes < 60 else f"about {minutes // 60} h {minutes % 60} min"
