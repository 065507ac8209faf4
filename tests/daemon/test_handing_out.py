"""Open jobs go to idle workers, oldest first, destinations in turn; what failed waits."""

from __future__ import annotations

import threading
from concurrent.futures import Executor, Future
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest

from daemon.conftest import Named, away, destination, is_for_a_batch
from hotfolder.daemon.handing_out import HandingOut
from hotfolder.daemon.slots import Slots
from hotfolder.daemon.trouble import About, Kind
from hotfolder.disk import pulse
from hotfolder.ledger.details import Claimed, Delivered, State, Waits


class Held(Executor):
    """Takes work, and does it when it is told to."""

    def __init__(self):
        self.taken = []

    def submit(self, call, row, where):
        future = Future()
        self.taken.append((row.id, lambda: future.set_result(call(row, where))))
        return future

    def names(self):
        return [name for name, _ in self.taken]

    def finish(self):
        while self.taken:
            self.taken.pop(0)[1]()

    def shutdown(self, wait=True, *, cancel_futures=False):
        pass


class Resting:
    def __init__(self):
        self.names = set()

    def rests(self, where):
        return where.name in self.names

    def waits(self, _row, where):
        return self.rests(where)


@pytest.fixture
def desk():
    """What makes a `HandingOut`, and what it is seen by."""
    return SimpleNamespace(
        pool=Held(), rest=Resting(), steps=[], ends=[], woken=[], stop=threading.Event()
    )


@pytest.fixture
def make(desk, ledger, troubles, clock):
    def make(step, workers=1, **destinations):
        def counted(row, where):
            desk.steps.append(row.id)
            return step(row, where)

        return HandingOut(
            SimpleNamespace(stop=desk.stop, step=counted, slots=Slots(lambda: workers)),
            ledger,
            Named(**(destinations or {"canvas": destination("canvas")})),
            SimpleNamespace(is_for_a_batch=is_for_a_batch),
            desk.rest,
            troubles,
            lambda: workers,
            lambda: desk.woken.append(1),
            lambda *batch: None,
            desk.ends.append,
            clock,
            desk.pool,
        )

    return make


@pytest.fixture
def end(ledger):
    def end(row, _where):
        return ledger.advance(row.id, State.DELIVERED, Delivered())

    return end


def test_the_oldest_go_first_and_one_more_than_there_are_workers(make, desk, add, end):
    add("c", "b", "a")
    handing_out = make(end)
    handing_out.hand_out()
    handing_out.hand_out()
    assert ["c", "b"] == desk.pool.names()
    assert {"c", "b"} == handing_out.running.keys()
    desk.pool.finish()
    assert desk.woken
    handing_out.hand_out()
    assert ["a"] == desk.pool.names()
    desk.pool.finish()
    assert ["c", "b", "a"] == [row.id for row in desk.ends]


def test_destinations_take_turns_and_the_more_urgent_goes_first(make, desk, add, end):
    add("a1", "a2", destination="a")
    add("b1", "b2", destination="b")
    add("u1", destination="urgent")
    handing_out = make(
        end,
        workers=3,
        a=destination("a"),
        b=destination("b"),
        urgent=destination("urgent", priority=1),
    )
    handing_out.hand_out()
    assert ["u1", "a1", "b1", "a2"] == desk.pool.names()


def test_nothing_begins_once_it_is_told_to_stop(make, desk, add, end):
    add("a")
    desk.stop.set()
    make(end).hand_out()
    assert [] == desk.pool.names()


def test_what_is_about_to_be_put_away_for_a_batch_is_no_job(make, desk, add, end):
    add("a")
    make(end, canvas=destination("canvas", ticket={})).hand_out()
    assert [] == desk.pool.names()


def test_an_internal_error_keeps_the_job_and_is_said(make, desk, add, troubles):
    add("a")
    make(lambda *_: 1 / 0).hand_out()
    desk.pool.finish()
    (trouble,) = troubles.all()
    assert About(Kind.JOB, "canvas", "a") == trouble.about
    assert "see the log" in trouble.message


def test_jobs_in_trouble_keep_no_other_waiting(make, desk, add, end, troubles, clock):
    broken = {f"j{number}" for number in range(50)}
    add(*sorted(broken))
    handing_out = make(lambda row, where: away() if row.id in broken else end(row, where))
    while handing_out.hand_out() or desk.pool.taken:
        desk.pool.finish()
    add("good")
    handing_out.hand_out()
    assert ["good"] == desk.pool.names()


@pytest.mark.slow
def test_eight_hundred_jobs_that_wait_for_one_share_are_tried_one_a_wait(
    make, desk, add, ledger, end, troubles, clock
):
    jobs = [f"j{number:03}" for number in range(800)]
    add(*jobs)
    is_away = True
    reads, rows = [], ledger.read

    def counted(*args):
        found = rows(*args)
        reads.append(len(found))
        return found

    ledger.read = counted
    handing_out = make(lambda *job: away() if is_away else end(*job))

    def serve(until):
        turns = 0
        while clock.now < until:
            handing_out.hand_out()
            turns += 1
            if desk.pool.taken:
                desk.pool.finish()
            else:
                clock.now = handing_out.next_try_s() or until
        return turns

    serve(clock.now + 1)
    assert sorted(jobs) == sorted(set(desk.steps)), "each was tried once"
    desk.steps.clear()
    reads.clear()
    turns = serve(clock.now + 3600)
    assert 55 <= len(desk.steps) <= 70
    assert len(set(desk.steps)) == len(desk.steps), "a different one each time"
    assert turns <= 3 * 70
    assert sum(reads) <= 70 * (2 * 800 + 10)
    is_away = False
    serve(clock.now + 61)
    assert set(jobs) == {row.id for row in desk.ends}
    assert [] == troubles.all()


def test_a_job_in_trouble_whose_destination_rests_wakes_nobody_all_the_time(
    make, desk, add, troubles, clock
):
    add("a")
    handing_out = make(away)
    handing_out.hand_out()
    desk.pool.finish()
    desk.rest.names.add("canvas")
    start, turns = clock.now, 0
    while clock.now < start + 600:
        handing_out.hand_out()
        clock.now = max(clock.now + 0.02, handing_out.next_try_s())
        turns += 1
    assert ["a"] == desk.steps
    assert turns <= 12
    desk.rest.names.clear()
    handing_out.hand_out()
    assert ["a"] == desk.pool.names(), "it is tried as soon as its hours begin"


def test_a_job_in_trouble_wakes_nobody_while_all_workers_are_busy(make, desk, add, end, clock):
    add("a", "b")
    handing_out = make(lambda row, where: away() if row.id == "a" else end(row, where))
    handing_out.hand_out()
    desk.pool.taken.pop(0)[1]()
    add("c")
    handing_out.hand_out()
    clock.now += 600
    assert ["b", "c"] == desk.pool.names()
    assert handing_out.next_try_s() is None


def test_trouble_of_a_job_that_was_taken_back_is_forgotten(
    make, desk, add, ledger, troubles, clock
):
    add("a", "b")
    handing_out = make(away)
    handing_out.hand_out()
    desk.pool.finish()
    with ledger.transaction() as db:
        db.execute("DELETE FROM jobs WHERE id = 'a'")
    clock.now += 1
    handing_out.hand_out()
    assert ["b"] == desk.pool.names()
    assert {"b"} == troubles.names(Kind.JOB, "canvas")


def test_whoever_asks_for_progress_after_the_end_gets_none_and_not_the_closed_ledger(
    make, add, ledger, desk
):
    add("a")
    handing_out = make(lambda row, _: row)
    handing_out.hand_out()
    assert ["a"] == desk.pool.names()
    handing_out.finish(0.0)
    ledger.close()
    assert [] == handing_out.progress()


def test_what_is_read_before_it_waits_for_a_worker_is_said(make, desk, add):
    add("a")
    handing_out = make(lambda row, _: row)
    handing_out.hand_out()
    assert [("a", "reading its original")] == [
        (row.id, doing) for row, doing, _ in handing_out.progress()
    ]
    desk.pool.finish()


@pytest.fixture
def wait_for_chart(ledger):
    """Let a job wait for ten minutes, as its row says."""

    def wait(row):
        now = datetime.now(UTC)
        until = now + timedelta(minutes=10)
        waits = Waits(stage="s", since=now, until=until, what="a chart", settings_sha256="")
        return ledger.advance(row.id, State.CLAIMED, Claimed(waits=waits))

    return wait


def test_what_waits_for_another_picture_is_not_begun_and_keeps_nobody_waiting(
    make, desk, add, end, wait_for_chart, clock
):
    add("a", "b")
    handing_out = make(lambda row, where: wait_for_chart(row) if row.id == "a" else end(row, where))
    for _ in range(4):
        handing_out.hand_out()
        desk.pool.finish()
    assert ["a", "b"] == desk.steps
    assert handing_out.is_put_off(SimpleNamespace(id="a"))
    assert clock.now + 600 == pytest.approx(handing_out.next_try_s(), abs=2)
    clock.now += 601
    handing_out.hand_out()
    assert ["a"] == desk.pool.names()


def test_it_is_looked_at_again_when_a_picture_that_gives_ends(
    make, desk, add, end, wait_for_chart, monkeypatch
):
    monkeypatch.setattr("hotfolder.daemon.handing_out.gives_others", lambda *_: True)
    add("a", "chart")
    steps = {"a": lambda row, _: wait_for_chart(row), "chart": end}
    handing_out = make(lambda row, where: steps[row.id](row, where))
    handing_out.hand_out()
    desk.pool.finish()
    handing_out.hand_out()
    assert ["a"] == desk.pool.names()


def test_it_is_looked_at_again_when_the_other_ended_meanwhile(
    make, desk, add, end, wait_for_chart, monkeypatch
):
    monkeypatch.setattr("hotfolder.daemon.handing_out.gives_others", lambda *_: True)
    add("a", "chart")
    steps = {"a": lambda row, _: wait_for_chart(row), "chart": end}

    def step(row, where):
        if row.id == "a" and handing_out._given["canvas"] == 0:
            desk.pool.taken.pop(0)[1]()  # the chart ends while this one is being worked on
        return steps[row.id](row, where)

    handing_out = make(step)
    handing_out.hand_out()
    desk.pool.finish()
    handing_out.hand_out()
    assert ["a"] == desk.pool.names()


def test_with_other_settings_it_is_looked_at_again(make, desk, add, wait_for_chart):
    add("a")
    handing_out = make(lambda row, _: wait_for_chart(row))
    handing_out.hand_out()
    desk.pool.finish()
    handing_out.hand_out()
    assert [] == desk.pool.names()
    handing_out._destinations.destinations["canvas"] = destination("canvas")
    handing_out.hand_out()
    assert ["a"] == desk.pool.names()


class AtDisk(pulse.Pulse):
    """A thread that has been at a disk for so many seconds."""

    def __init__(self, seconds):
        super().__init__()
        self.seconds = seconds

    def at_disk_s(self):
        return self.seconds

    silent_s = at_disk_s


def test_a_job_whose_share_is_slow_holds_no_worker_of_others(make, desk, add, end):
    add("a1", "a2", "a3", destination="a")
    add("b1", destination="b")
    handing_out = make(end, a=destination("a"), b=destination("b", priority=-1))
    handing_out.hand_out()
    assert ["a1", "a2"] == desk.pool.names()
    handing_out._pulses["a1"] = AtDisk(1.0)
    handing_out.hand_out()
    assert ["a1", "a2"] == desk.pool.names()
    handing_out._pulses["a1"] = AtDisk(3.0)
    handing_out.hand_out()
    assert ["a1", "a2", "b1"] == desk.pool.names(), "a destination has twice its workers"
    assert {} == handing_out.silences()


def test_a_share_that_hangs_costs_twice_as_many_threads_as_there_are_workers(make, desk, add, end):
    add(*(f"a{number}" for number in range(9)), destination="a")
    handing_out = make(end, workers=2, a=destination("a"))
    for _ in range(5):
        handing_out.hand_out()
        for job in desk.pool.names():
            handing_out._pulses[job] = AtDisk(60.0)
    assert ["a0", "a1", "a2", "a3"] == desk.pool.names()
    assert ["a"] == list(handing_out.silences())


def test_the_next_job_begins_when_an_attempt_ends_and_not_when_it_is_delivered(make, desk, add):
    add("a", "b", "c", "d", "e")
    handing_out = make(lambda row, _: row, workers=2)
    handing_out.hand_out()
    assert ["a", "b", "c"] == desk.pool.names()
    slots = handing_out._work.slots
    where = handing_out._destinations["canvas"].destination
    assert slots.take(SimpleNamespace(id="a"), where, desk.stop)
    handing_out.hand_out()
    assert ["a", "b", "c"] == desk.pool.names()
    slots.give_back("a")
    assert desk.woken
    handing_out.hand_out()
    assert ["a", "b", "c", "d"] == desk.pool.names()


def test_a_more_urgent_job_overtakes_one_that_waits_for_a_worker(make, desk, add, end):
    add("a1", "a2")
    handing_out = make(end, canvas=destination("canvas"), rush=destination("rush", priority=1))
    handing_out.hand_out()
    slots = handing_out._work.slots
    slots._waiting["a2"] = 0
    add("u1", "u2", destination="rush")
    handing_out.hand_out()
    assert ["a1", "a2", "u1"] == desk.pool.names()


def test_no_job_of_a_destination_begins_while_its_batch_is_planned(make, desk, add, end):
    add("a1", destination="a")
    add("b1", destination="b")
    handing_out = make(end, workers=2, a=destination("a"), b=destination("b"))
    with handing_out.pausing("a") as busy:
        assert set() == busy
        handing_out.hand_out()
        assert ["b1"] == desk.pool.names()
    handing_out.hand_out()
    assert ["b1", "a1"] == desk.pool.names()
    with handing_out.pausing("a") as busy:
        assert {"a1", "b1"} == busy
