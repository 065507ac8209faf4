"""Which print of a day carries the control strip: what records say, and who asked first."""

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest

from hotfolder.daemon.strip_of_day import StripsOfDay
from hotfolder.stages.roles import Role

NOON = datetime(2026, 11, 28, 12, tzinfo=UTC)
LAYING = SimpleNamespace(name="wall", stages={"laid": SimpleNamespace(role=Role.BESIDE)})


class Books:
    """A ledger that knows who has ended, and who carries a day's strip."""

    def __init__(self):
        self.ended, self.carriers, self.asked, self.since = set(), {}, [], []

    def find_saying(self, destination, stage, key, value, since, but):
        self.asked.append((destination, stage, key, value))
        self.since.append(since)
        found = self.carriers.get(value)
        return None if found == but else found

    def find_job(self, job):
        return SimpleNamespace(state=SimpleNamespace(is_end=job in self.ended))


@pytest.fixture
def books():
    return Books()


def ask(strips, books, job, now=NOON):
    return strips.find_carrier(books, SimpleNamespace(id=job), LAYING, now)


def test_of_two_at_once_the_one_that_asks_first_carries_it(books):
    strips = StripsOfDay()
    assert ["", "a", "a"] == [ask(strips, books, job) for job in ("a", "b", "c")]
    assert "" == ask(strips, books, "a")  # once more, after a failure


def test_if_the_first_is_not_delivered_the_next_one_carries_it(books):
    strips = StripsOfDay()
    assert ["", "a"] == [ask(strips, books, job) for job in ("a", "b")]
    books.ended.add("a")
    assert ["", "c"] == [ask(strips, books, job) for job in ("c", "d")]


def test_records_decide_also_after_a_start(books):
    day = NOON.astimezone().date().isoformat()
    books.carriers[day] = "a"
    assert "a" == ask(StripsOfDay(), books, "b")
    assert "" == ask(StripsOfDay(), books, "a")
    assert ("wall", "laid", "laid_on", day) == books.asked[0]


def test_a_day_without_a_strip_is_not_looked_through_again_and_again(books):
    strips = StripsOfDay()
    for hours in (0, 3, 24):
        ask(strips, books, "a", NOON + timedelta(hours=hours))
    first, second, third = books.since
    assert NOON - first > timedelta(hours=1) or NOON.astimezone().hour == 0
    assert timedelta(0) <= second - (NOON - timedelta(hours=1)) <= timedelta(hours=1)
    assert third.astimezone().hour == 0  # of the next day


def test_the_next_day_has_a_first_of_its_own(books):
    strips = StripsOfDay()
    ask(strips, books, "a")
    assert "" == ask(strips, books, "b", NOON + timedelta(days=1))


def test_a_destination_without_such_a_stage_asks_nobody(books):
    plain = SimpleNamespace(name="web", stages={"plain": SimpleNamespace(role=None)})
    assert "" == StripsOfDay().find_carrier(books, SimpleNamespace(id="a"), plain, NOON)
    assert [] == books.asked
