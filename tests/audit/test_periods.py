"""Dates as people say them, in local time, also over a change of the clock."""

import os
import time
from datetime import UTC, datetime, timedelta

import pytest

from hotfolder.audit.periods import parse_period
from hotfolder.errors import SettingsError

NOW = datetime(2026, 11, 25, 14, 30, tzinfo=UTC)  # a Wednesday


@pytest.fixture(autouse=True)
def london():
    """Local time of London, where clocks went forward on 29 March 2026."""
    before = os.environ.get("TZ")
    os.environ["TZ"] = "Europe/London"
    time.tzset()
    yield
    if before is None:
        del os.environ["TZ"]
    else:
        os.environ["TZ"] = before
    time.tzset()


@pytest.mark.parametrize(
    ("text", "start", "end"),
    [
        ("2026-11-03", "2026-11-03 00:00", "2026-11-04 00:00"),
        ("2026-11", "2026-11-01 00:00", "2026-12-01 00:00"),
        ("2024", "2024-01-01 00:00", "2025-01-01 00:00"),
        ("today", "2026-11-25 00:00", "2026-11-26 00:00"),
        ("Yesterday", "2026-11-24 00:00", "2026-11-25 00:00"),
        ("Tuesday", "2026-11-24 00:00", "2026-11-25 00:00"),
        ("wednesday", "2026-11-25 00:00", "2026-11-26 00:00"),
        ("last Wednesday", "2026-11-18 00:00", "2026-11-19 00:00"),
        ("last thursday", "2026-11-19 00:00", "2026-11-20 00:00"),
        ("this week", "2026-11-23 00:00", "2026-11-30 00:00"),
        ("last week", "2026-11-16 00:00", "2026-11-23 00:00"),
        ("last  month", "2026-10-01 00:00", "2026-11-01 00:00"),
        ("this year", "2026-01-01 00:00", "2027-01-01 00:00"),
        ("last year", "2025-01-01 00:00", "2026-01-01 00:00"),
        ("2026-11-25 09:15", "2026-11-25 09:15", "2026-11-25 09:15"),
        ("7 d", "2026-11-18 14:30", "2026-11-18 14:30"),
        ("1,5 h", "2026-11-25 13:00", "2026-11-25 13:00"),
    ],
)
def test_what_can_be_said(text, start, end):
    found = parse_period(text, NOW, "--since")
    assert (start, end) == tuple(f"{moment:%Y-%m-%d %H:%M}" for moment in found)


def test_a_day_in_which_the_clock_goes_forward_has_23_hours():
    start, end = parse_period("2026-03-29", NOW, "--since")
    assert end - start == timedelta(hours=23) or (
        end.astimezone(UTC) - start.astimezone(UTC) == timedelta(hours=23)
    )
    assert [0, 1] == [moment.utcoffset().total_seconds() / 3600 for moment in (start, end)]


@pytest.mark.parametrize(
    "text", ["last moth", "2026-13", "2026-02-30", "", "7", "-3 d", "next week"]
)
def test_what_cannot_be_understood_says_what_can(text):
    with pytest.raises(SettingsError, match='"last" with "week", "month" or "year"') as error:
        parse_period(text, NOW, "--until")
    assert str(error.value).startswith("--until")
