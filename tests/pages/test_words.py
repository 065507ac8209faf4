"""Times as people read them: by the clocks here, with their zone.

The moments of change are those of the IANA time zone database: in Berlin clocks were put back at
01:00 UTC on 2026-10-25, Kathmandu is 5 h 45 min ahead of UTC, and Adelaide 9 h 30 min or, from
2026-10-03 16:30 UTC, 10 h 30 min.
"""

import io
import re
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from hotfolder import logs
from hotfolder.pages.words import clock_time, local_time

Here = Callable[[str], None]


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> Iterator[Here]:
    """Set the clocks to a zone; back again at the end."""
    if not hasattr(time, "tzset"):
        pytest.skip("needs time.tzset to set the zone of a process, which Windows does not have")

    def put(zone: str) -> None:
        monkeypatch.setenv("TZ", zone)
        time.tzset()

    yield put
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize(
    ("zone", "moment", "said"),
    [
        ("Europe/Berlin", "2026-11-25T20:07:31.250Z", "2026-11-25 21:07 CET"),
        ("Europe/Berlin", "2026-07-25T23:07:00Z", "2026-07-26 01:07 CEST"),
        # half past two comes twice in this night
        ("Europe/Berlin", "2026-10-25T00:30:00Z", "2026-10-25 02:30 CEST"),
        ("Europe/Berlin", "2026-10-25T01:30:00Z", "2026-10-25 02:30 CET"),
        # a half hour, and half past two of this night does not come
        ("Australia/Adelaide", "2026-10-03T16:29:59Z", "2026-10-04 01:59 ACST"),
        ("Australia/Adelaide", "2026-10-03T16:30:00Z", "2026-10-04 03:00 ACDT"),
        # a zone without an abbreviation
        ("Asia/Kathmandu", "2026-12-31T18:15:00Z", "2027-01-01 00:00 UTC+05:45"),
        ("UTC", "2026-11-25T20:07:00+01:00", "2026-11-25 19:07 UTC"),
    ],
)
def test_a_moment_is_said_by_the_clocks_here(here: Here, zone: str, moment: str, said: str):
    here(zone)
    assert local_time(moment) == said
    assert local_time(datetime.fromisoformat(moment)) == said


def test_seconds_are_said_where_they_are_asked_for(here: Here):
    here("Asia/Kathmandu")
    assert local_time("2026-11-25T20:07:31Z", seconds=True) == "2026-11-26 01:52:31 UTC+05:45"


def test_no_moment_is_said_as_nothing():
    assert local_time("") == ""


def test_a_time_of_these_days_has_its_zone(here: Here):
    here("Australia/Adelaide")
    moment = datetime(2026, 10, 3, 16, 30, tzinfo=UTC).timestamp()
    assert (clock_time(moment - 1), clock_time(moment)) == ("01:59 ACST", "03:00 ACDT")


def test_the_log_is_local_on_a_terminal_and_utc_in_its_file(
    here: Here, monkeypatch: pytest.MonkeyPatch, tmp_path
):
    here("Australia/Adelaide")
    zone = ZoneInfo("Australia/Adelaide")
    terminal = io.StringIO()
    monkeypatch.setattr(sys, "stderr", terminal)
    logs.set_up_logs(tmp_path / "log", terminal=logs.Terminal.WORDS)
    before = datetime.now(zone)
    try:
        logs.get_log().info("job.released", job="J0001")
    finally:
        logs.set_up_logs(None)
    said = terminal.getvalue().split()[0]
    assert said in {f"{before:%H:%M}", f"{datetime.now(zone):%H:%M}"}
    assert re.search(r'"timestamp": "[^"]+Z"', (tmp_path / "log").read_text())
