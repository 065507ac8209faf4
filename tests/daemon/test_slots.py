"""No more jobs have a worker than there are, the more urgent first, and a stop ends the waiting."""

from __future__ import annotations

import threading
from types import SimpleNamespace

import pytest

from daemon.conftest import destination
from hotfolder.daemon.slots import Slots
from hotfolder.disk import pulse

WAIT_S = 120


@pytest.fixture
def slots():
    return Slots(lambda: 1)


@pytest.fixture
def take(slots):
    """Begin to take a worker in a thread of its own; it waits in line when this returns."""

    def take(job, where, stop):
        row = SimpleNamespace(id=job)
        errand = pulse.Errand("job", lambda: slots.take(row, where, stop))
        deadline = threading.Event()
        while not (slots.is_waiting(job) or errand.is_done()):
            deadline.wait(0.001)
        return errand

    return take


def test_the_more_urgent_goes_first_and_then_who_came_first(slots, take):
    stop, canvas, rush = threading.Event(), destination("canvas"), destination("rush", priority=1)
    first = take("first", canvas, stop)
    assert first.wait(WAIT_S)
    assert first.answer()
    waiting = {job: take(job, canvas, stop) for job in ("second", "third")}
    waiting["urgent"] = take("urgent", rush, stop)
    order, last = [], "first"
    while waiting:
        assert not any(each.wait(0.0) for each in waiting.values()), "there is one worker"
        assert all(0.0 == each.pulse.silent_s() for each in waiting.values())
        slots.give_back(last)
        while not any(each.wait(0.01) for each in waiting.values()):
            pass
        (last,) = (job for job, each in waiting.items() if each.is_done())
        order.append(last)
        assert waiting.pop(last).answer()
    assert ["urgent", "second", "third"] == order


def test_a_stop_ends_the_waiting(slots, take):
    stop, canvas = threading.Event(), destination("canvas")
    assert take("first", canvas, stop).wait(WAIT_S)
    second = take("second", canvas, stop)
    stop.set()
    assert second.wait(WAIT_S)
    assert not second.answer()
    assert not slots.is_waiting("second")


def test_what_is_not_to_begin_any_more_takes_no_worker_from_others(slots, take):
    """Its settings changed while it waited, or its hours ended."""
    stop, before, now = threading.Event(), destination("canvas"), destination("canvas")
    slots.may_begin = lambda _row, where: where is now
    stale = take("stale", before, stop)
    assert stale.wait(WAIT_S)
    assert not stale.answer()
    fresh = take("fresh", now, stop)
    assert fresh.wait(WAIT_S)
    assert fresh.answer()


def test_a_job_that_has_given_its_worker_back_needs_none_until_its_thread_ends(slots, take):
    stop, canvas = threading.Event(), destination("canvas")
    assert take("a", canvas, stop).wait(WAIT_S)
    assert slots.needs_worker("a", 5)
    slots.give_back("a")
    assert not slots.needs_worker("a", 0)
    slots.forget("a")
    assert slots.needs_worker("a", 0)
