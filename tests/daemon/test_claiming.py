"""One destination's way in: what is ready is claimed, what cannot be taken waits."""

from __future__ import annotations

import os
import threading
from collections import deque
from types import SimpleNamespace

import pytest

from daemon.conftest import away
from hotfolder.daemon import claiming
from hotfolder.daemon.claiming import Intake
from hotfolder.daemon.trouble import About, Kind
from hotfolder.disk import platforms
from hotfolder.errors import StorageError
from hotfolder.ledger.details import Claiming

CANVAS = "canvas"


class Ready:
    """Stands for a `HotFolder`: files lie in it, those that were put off come back in time."""

    def __init__(self, troubles, folder):
        self.troubles = troubles
        self.destination = SimpleNamespace(name=CANVAS)
        self.folders = SimpleNamespace(hot_folder=folder, results=folder)
        self.released = SimpleNamespace(look=lambda _: [], discarded=(), given_up=[])
        self.ready = deque()
        self.files = []
        self.put_off = set()
        self.set_aside = ()
        self.due = 0.0
        self.problem = ""

    def look(self):
        if not self.ready:
            names = self.troubles.choose(Kind.FILE, CANVAS, self.files)
            self.ready = deque(SimpleNamespace(relative=name, path=f"in/{name}") for name in names)

    def next_look_s(self):
        return self.due

    def check_folders(self):
        return self.folders

    def is_idle(self):
        return not self.ready

    def taken(self, candidate):
        self.files.remove(candidate.relative)
        self.put_off.discard(candidate.relative)
        self.ready.popleft()

    def sidecar_of(self, _candidate):
        return None

    def later(self, candidate):
        self.put_off.add(candidate.relative)
        self.ready.popleft()


@pytest.fixture
def place(tmp_path, troubles, ledger, monkeypatch):
    """An intake, and what it does."""
    place = SimpleNamespace(
        hot=Ready(troubles, tmp_path), tries=[], broken=set(), held=list, claimed=[],
        batches=[], stop=threading.Event(),
    )  # fmt: skip

    def claim(_ledger, _spool, _name, candidate, _sidecar):
        place.tries.append(candidate.relative)
        if candidate.relative in place.broken:
            away()
        return SimpleNamespace(id="j", source=candidate.relative)

    monkeypatch.setattr(claiming, "claim", claim)
    place.intake = Intake(
        place.hot,
        ledger,
        tmp_path,
        0,
        SimpleNamespace(look=lambda *_: place.held()),
        troubles,
        place.stop,
        lambda *batch: place.batches.append(batch),
        place.claimed.append,
    )
    return place


def turn(place):
    return len(list(place.intake.turn()))


def test_what_is_ready_is_claimed_in_its_order_with_a_pause_after_each(place):
    place.hot.files = ["b", "a"]
    assert 2 == turn(place)
    assert ["b", "a"] == place.tries
    assert [CANVAS, CANVAS] == place.claimed
    assert not place.intake.has_more()
    assert place.intake.is_idle()


def test_a_turn_takes_some_and_says_that_there_is_more(place):
    place.hot.files = [str(number) for number in range(50)]
    assert 32 == turn(place)
    assert place.intake.has_more()
    assert not place.intake.is_idle()


def test_nothing_more_is_claimed_once_it_is_told_to_stop(place):
    place.hot.files = ["a", "b"]
    turn = place.intake.turn()
    next(turn)
    place.stop.set()
    assert [] == list(turn)
    assert ["a"] == place.tries


def test_one_file_that_cannot_be_taken_lets_the_others_pass(place, troubles):
    place.hot.files, place.broken = ["a", "b", "c"], {"a"}
    turn(place)
    assert ["a", "b", "c"] == place.tries
    assert {"a"} == troubles.names(Kind.FILE, CANVAS) == place.hot.put_off
    assert not troubles.has(Kind.CLAIMS, CANVAS)


def test_an_error_of_the_system_is_the_trouble_of_its_file(place, troubles, monkeypatch):
    place.hot.files = ["a", "b"]
    monkeypatch.setattr(claiming, "claim", lambda *_: (_ for _ in ()).throw(OSError(5, "broken")))
    turn(place)
    assert {"a", "b"} == troubles.names(Kind.FILE, CANVAS)


def test_many_that_cannot_be_taken_shut_the_destination_for_a_while(place, troubles, clock):
    place.hot.files = [str(number) for number in range(50)]
    place.broken = set(place.hot.files)
    turn(place)
    assert 3 == len(place.tries)
    assert troubles.has(Kind.CLAIMS, CANVAS)
    assert not place.intake.has_more()
    assert place.intake.is_idle(), "nothing is ready that could be taken in"
    turn(place)
    assert 3 == len(place.tries)
    assert clock.now + 1 == place.intake.next_look_s()


@pytest.mark.slow
def test_eight_hundred_files_that_cannot_be_taken_cost_few_tries(place, clock):
    place.hot.files = [str(number) for number in range(800)]
    place.broken = set(place.hot.files)
    end = clock.now + 6 * 3600
    while clock.now < end:
        turn(place)
        due = place.intake.next_look_s()
        clock.now = max(clock.now + 0.02, due if due > 0 else clock.now + 5)
    assert 800 == len(set(place.tries))
    assert len(place.tries) <= 800 + 6 * 60 + 20
    place.broken.clear()
    for _ in range(60):
        turn(place)
        clock.now += 60
    assert [] == place.hot.files


def test_no_room_takes_nothing_in_and_says_where(place, troubles, monkeypatch):
    monkeypatch.setattr(platforms, "free_bytes", lambda _: -1)
    place.hot.files = ["a"]
    assert 0 == turn(place)
    assert [] == place.tries
    (trouble,) = troubles.all()
    assert About(Kind.CLAIMS, CANVAS) == trouble.about
    assert "make room" in trouble.message


def test_a_held_folder_that_is_away_keeps_no_file_waiting(place, troubles, clock):
    place.held = away
    place.hot.files = ["a"]
    assert 1 == turn(place)
    assert ["a"] == place.tries
    assert troubles.has(Kind.HELD, CANVAS)
    place.held = lambda: [SimpleNamespace(record=SimpleNamespace(batch="spring tide"))]
    clock.now += 1
    turn(place)
    assert not troubles.has(Kind.HELD, CANVAS)
    assert [(CANVAS, "spring tide")] == place.batches


def test_a_file_that_has_gone_is_forgotten(place, troubles):
    place.hot.files, place.broken = ["a"], {"a"}
    turn(place)
    place.hot.files.clear()
    place.hot.put_off.clear()
    turn(place)
    assert [] == troubles.all()


def test_a_ledger_that_cannot_be_read_ends_the_turn_and_not_only_this_destination(place):
    place.hot.files = ["a"]
    place.hot.released.look = away
    with pytest.raises(StorageError):
        turn(place)
    assert [] == place.tries


def test_a_claim_of_an_earlier_hot_folder_waits_and_keeps_no_file_waiting(
    place, ledger, troubles, clock, monkeypatch, tmp_path
):
    earlier = tmp_path / "earlier"
    begun = Claiming(dev=0, ino=0, size=1, mtime_ns=0, nlink=1, folder=os.fsencode(earlier).hex())
    for job in ("j1", "j2"):
        ledger.add(job, CANVAS, b"mud.tif", "file", 1, begun)
    tries = []

    def recover(_ledger, _spool, _folder, row):
        tries.append(row.id)
        away()

    monkeypatch.setattr(claiming, "recover_claim", recover)
    place.hot.files = ["a"]
    turn(place)
    assert ["a"] == place.tries
    assert {"j1", "j2"} == troubles.names(Kind.CLAIM, CANVAS)
    assert f"mud.tif was being taken in from {earlier}" in troubles.all()[0].message
    place.hot.due = clock.now + 50
    assert clock.now + 1 == place.intake.next_look_s()
    assert 2 == len(tries)
    turn(place)
    assert 2 == len(tries)
    for _ in range(2):
        assert [] != troubles.hold_a_sweep()
        clock.now += 60
        turn(place)
    assert 4 == len(tries), "those that wait for the same are tried one at a time"
    assert [] == troubles.hold_a_sweep()
    for row in ledger.claims_of(CANVAS):
        ledger.forget(row.id)
    turn(place)
    assert [] == troubles.all()


def test_what_stands_under_a_name_of_ours_is_given_back_and_seen_again(place, monkeypatch):
    given = []
    monkeypatch.setattr(claiming, "give_back", lambda *args: given.append(args[-1]) or True)
    place.hot.set_aside, place.hot.due = ("a", "b"), 50.0
    turn(place)
    assert ["a", "b"] == given
    assert ((), 0.0) == (place.hot.set_aside, place.hot.due)


def test_nothing_is_released_or_given_up_in_folders_that_are_not_the_ones_they_were(
    place, troubles
):
    looks = []
    place.hot.problem = "canvas and prints were swapped"
    place.hot.released.look = lambda _: looks.append("released") or []
    place.held = lambda: looks.append("held") or []
    place.hot.check_folders = away
    turn(place)
    assert [] == looks
    assert troubles.has(Kind.HELD, CANVAS)
