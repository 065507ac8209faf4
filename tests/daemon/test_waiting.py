"""A job that asks for another picture of its folder waits for it, or until its time is over."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest

from hotfolder.daemon import waiting
from hotfolder.daemon.waiting import find_waits, waits_still
from hotfolder.ledger.details import Claimed, State, dump_detail, load_detail
from hotfolder.model.answer import Answer
from hotfolder.model.neighbour import Neighbour
from hotfolder.model.places import AS_WRITTEN
from hotfolder.model.records import OriginalRecord, Release, WorkRecord

NOW = datetime(2026, 11, 28, 18, 0, tzinfo=UTC)


class Knobs:
    def __init__(self, text):
        self.text = text

    def model_dump_json(self):
        return self.text


def where(knobs="{}"):
    return SimpleNamespace(
        name="canvas",
        stages={"reference": SimpleNamespace(shares="shoot")},
        stage_settings={"reference": Knobs(knobs)},
    )


def answer(verdict="deliver", **shared):
    work = WorkRecord(
        original=OriginalRecord(name="a.jpg", sha256=None, bytes=1),
        findings={"reference": {"shoot": {"gives": False, **shared}}},
    )
    return Answer(verdict=verdict, work=work)


class Row(SimpleNamespace):
    @property
    def release(self):
        return self.detail.release

    def expect(self, _model):
        return self.detail


def row(**detail):
    return Row(id="job-1", detail=Claimed(**detail))


def gives(job):
    return Neighbour(job, f"{job}.jpg", delivered=True, said={"gives": True})


@pytest.fixture
def there(monkeypatch):
    found = []
    monkeypatch.setattr(waiting, "find_neighbours", lambda *_: {"reference": found})
    return found


def waits_after(answered, given=(), at=NOW, before=None):
    known = {"reference": given}
    return find_waits(row(waits=before), where(), known, answered, at)


def test_it_waits_for_as_long_as_the_stage_asks():
    waits = waits_after(answer(waits_s=600.0, waits_for="a chart"))
    assert (NOW + timedelta(minutes=10), "a chart") == (waits.until, waits.what)


@pytest.mark.parametrize(
    "answered",
    [
        answer(),
        answer(waits_s=0),
        answer(waits_s="soon"),
        answer("refuse", waits_s=600),
        Answer(verdict="failed", message="x"),
    ],
)
def test_what_asks_for_nothing_ends(answered):
    assert waits_after(answered) is None


def test_its_time_is_counted_from_the_first_look():
    first = waits_after(answer(waits_s=600.0))
    later = waits_after(answer(waits_s=600.0), at=NOW + timedelta(minutes=4), before=first)
    assert first.until == later.until
    assert waits_after(answer(waits_s=600.0), at=first.until, before=first) is None


def test_what_a_person_has_released_waits_for_nothing(there):
    waits = waits_after(answer(waits_s=600.0))
    let_go = Release(who="", why="", at=NOW, changes={})
    assert not waits_still(None, row(waits=waits, release=let_go), where(), NOW)
    assert find_waits(row(release=let_go), where(), {}, answer(waits_s=600.0), NOW) is None


def test_a_new_picture_that_gives_ends_the_waiting_and_one_that_was_of_no_use_does_not(there):
    waits = waits_after(answer(waits_s=600.0), [gives("of-no-use")])
    there.append(gives("of-no-use"))
    assert waits_still(None, row(waits=waits), where(), NOW)
    there.append(gives("new"))
    assert not waits_still(None, row(waits=waits), where(), NOW)


def test_the_end_of_its_time_and_other_settings_end_the_waiting(there):
    waits = waits_after(answer(waits_s=600.0))
    assert waits_still(None, row(waits=waits), where(), NOW)
    assert not waits_still(None, row(waits=waits), where(), waits.until)
    assert not waits_still(None, row(waits=waits), where("other"), NOW)
    assert not waits_still(None, row(), where(), NOW)


def test_what_it_waits_for_survives_a_kill():
    detail = Claimed(waits=waits_after(answer(waits_s=600.0), [gives("x")]))
    text = dump_detail(State.CLAIMED, detail, AS_WRITTEN)
    assert detail == load_detail(State.CLAIMED, text, AS_WRITTEN)
