"""Hours over midnight and over the days on which clocks change.

The moments of change are those of the IANA time zone database: Europe/London on 2026-03-29 and
2026-10-25 at 01:00 UTC; America/New_York on 2026-03-08 at 07:00 UTC; Australia/Lord_Howe, which
moves by half an hour, on 2026-04-04 at 15:00 UTC.
"""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from hotfolder.model.hours import Hours, HoursText

LONDON = ZoneInfo("Europe/London")
NEW_YORK = ZoneInfo("America/New_York")
LORD_HOWE = ZoneInfo("Australia/Lord_Howe")
READ = TypeAdapter(HoursText).validate_python


def at(text):
    """A moment from a UTC time."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("hours", "utc", "expected"),
    [
        ("22:00-06:00", "2026-01-10 21:59:59", False),
        ("22:00-06:00", "2026-01-10 22:00", True),
        ("22:00-06:00", "2026-01-11 05:59:59", True),
        ("22:00-06:00", "2026-01-11 06:00", False),
        ("22:00-06:00", "2026-01-11 12:00", False),
        ("09:00-17:00", "2026-01-11 12:00", True),
        ("09:00-17:00", "2026-01-11 18:00", False),
        # in summer the clocks of London show an hour more than UTC
        ("22:00-06:00", "2026-07-10 20:59:59", False),
        ("22:00-06:00", "2026-07-10 21:00", True),
        ("22:00-06:00", "2026-07-11 05:00", False),
        # the night in which they are put forward at 01:00 UTC
        ("22:00-06:00", "2026-03-28 22:00", True),
        ("22:00-06:00", "2026-03-29 04:59:59", True),
        ("22:00-06:00", "2026-03-29 05:00", False),
        # and the one in which they are put back
        ("22:00-06:00", "2026-10-24 21:00", True),
        ("22:00-06:00", "2026-10-25 05:59:59", True),
        ("22:00-06:00", "2026-10-25 06:00", False),
        # 01:30 comes twice, at 00:30 and 01:30 UTC: the first counts, without a gap after it
        ("01:30-05:00", "2026-10-25 00:29", False),
        ("01:30-05:00", "2026-10-25 00:30", True),
        ("01:30-05:00", "2026-10-25 01:10", True),
        ("22:00-01:30", "2026-10-25 00:30", False),
        ("22:00-01:30", "2026-10-25 01:10", False),
        # 01:30 does not come: an hour and a half after midnight is 02:30 on the clocks
        ("01:30-05:00", "2026-03-29 01:29", False),
        ("01:30-05:00", "2026-03-29 01:30", True),
    ],
)
def test_open_in_london(hours, utc, expected):
    assert expected == READ(hours).is_open(at(utc), LONDON)


@pytest.mark.parametrize(
    ("zone", "evening", "hours_long"),
    [
        (LONDON, "2026-01-10 12:00", 8),
        (LONDON, "2026-03-28 12:00", 7),
        (LONDON, "2026-10-24 12:00", 9),
        (NEW_YORK, "2026-03-07 17:00", 7),
        (LORD_HOWE, "2026-04-04 01:00", 8.5),
    ],
)
def test_a_night_in_which_clocks_change_is_longer_or_shorter(zone, evening, hours_long):
    hours, noon = READ("22:00-06:00"), at(evening)
    opens = hours.opens_at(noon, zone)
    assert "22:00" == f"{datetime.fromtimestamp(opens, zone):%H:%M}"
    closes = opens + hours_long * 3600
    assert hours.is_open(closes - 1, zone)
    assert not hours.is_open(closes, zone)


ZONES = st.sampled_from([LONDON, NEW_YORK, LORD_HOWE, ZoneInfo("Asia/Kathmandu"), UTC])
TIMES = st.times().map(lambda each: each.replace(second=0, microsecond=0))


@given(ZONES, TIMES, TIMES, st.floats(0, 2e9), st.floats(0, 1, exclude_max=True))
def test_closed_hours_stay_closed_until_the_moment_they_say(zone, start, end, now, share):
    if start == end:
        return
    hours = Hours(start, end)
    opens = hours.opens_at(now, zone)
    assert now < opens <= now + timedelta(hours=50).total_seconds()
    if not hours.is_open(now, zone):
        assert not hours.is_open(now + share * (opens - now - 1e-3), zone)


@pytest.mark.parametrize(
    "text", ["22-6", "22:00", "24:00-06:00", "22:00-06:60", "6:00-6:00", 22, ""]
)
def test_what_are_no_hours_is_said(text):
    with pytest.raises(ValidationError, match="22:00-06:00"):
        READ(text)


@pytest.mark.parametrize("text", ["22:00-06:00", " 22:00 - 6:00", "22:00–06:00"])
def test_hours_are_read_and_written_back(text):
    assert "22:00-06:00" == str(READ(text))
