"""Files of batches go where they stay; those that cannot wait together."""

from __future__ import annotations

import contextlib
from types import SimpleNamespace

import pytest

from daemon.conftest import Named, away, destination
from hotfolder.daemon.putting_away import PuttingAway
from hotfolder.daemon.trouble import Kind
from hotfolder.errors import StorageError


class Desk:
    def __init__(self):
        self.rows = {}
        self.tries, self.reads, self.planned = [], 0, []
        self.is_away = False

    def list_arrived(self, destinations):
        self.reads += 1
        (name,) = destinations
        return [SimpleNamespace(id=job) for job in self.rows.get(name, ())]

    def take_in(self, row):
        self.tries.append(row.id)
        if self.is_away:
            away()
        self.rows["book"].remove(row.id)

    def has_to_plan(self, name):
        return any(each == name for each, _ in self.planned)

    def plan(self, _destinations, busy):
        return self.planned

    def untidy(self, _name):
        return set()


@pytest.fixture
def desk():
    return Desk()


@pytest.fixture
def changed():
    return []


@pytest.fixture
def destinations():
    return Named(book=destination("book", ticket={}), canvas=destination("canvas"))


@pytest.fixture
def putting_away(desk, troubles, clock, changed):
    return PuttingAway(desk, troubles, lambda *batch: changed.append(batch), None, clock)


@pytest.fixture
def turn(putting_away, destinations):
    """One turn of each destination."""

    def turn():
        for each in destinations.all().values():
            putting_away.turn(each, contextlib.nullcontext(()))

    return turn


def test_what_has_come_is_put_away_and_its_batches_are_planned(turn, desk, changed):
    desk.rows["book"], desk.planned = ["a", "b"], [("book", "spring tide")]
    turn()
    assert ["a", "b"] == desk.tries
    assert [("book", "spring tide")] == changed


def test_what_waits_is_read_only_when_something_has_come(turn, putting_away, desk, destinations):
    for _ in range(5):
        turn()
    assert 1 == desk.reads
    putting_away.claimed("book")
    turn()
    assert 2 == desk.reads
    destinations.destinations["book"] = destination("book", ticket={"changed": 1})
    turn()
    assert 3 == desk.reads


def test_a_ledger_that_cannot_be_read_is_asked_again(turn, desk, monkeypatch):
    desk.rows["book"] = ["a"]
    with monkeypatch.context() as patch:
        patch.setattr(desk, "list_arrived", away)
        with pytest.raises(StorageError):
            turn()
    turn()
    assert ["a"] == desk.tries


def test_eight_hundred_that_wait_for_the_share_of_the_originals_cost_one_try_a_wait(
    turn, putting_away, desk, clock, troubles
):
    desk.rows["book"] = [f"j{number}" for number in range(800)]
    desk.is_away = True
    start, turns = clock.now, 0
    while clock.now < start + 3600:
        turn()
        clock.now = max(clock.now + 0.02, putting_away.next_try_s("book"))
        turns += 1
    assert 800 + 55 <= len(desk.tries) <= 800 + 70
    assert turns <= 70
    desk.is_away = False
    for _ in range(2):
        turn()
    assert [] == desk.rows["book"] == troubles.all()


def test_a_destination_without_a_ticket_any_more_has_nothing_to_put_away(
    turn, desk, destinations, troubles
):
    desk.rows["book"], desk.is_away = ["a"], True
    turn()
    assert {"a"} == troubles.names(Kind.BATCH_FILE, "book")
    destinations.destinations["book"] = destination("book")
    turn()
    assert [] == troubles.all()
