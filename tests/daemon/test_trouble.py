"""What is in trouble is tried again, not too often, and a sweep finds its end."""

from __future__ import annotations

import errno
import os

from hypothesis import given
from hypothesis import strategies as st

from daemon.conftest import Clock
from hotfolder.daemon.trouble import About, Kind, Troubles, cause_of
from hotfolder.errors import StorageError

CANVAS = "canvas"


def job(name, destination=CANVAS):
    return About(Kind.JOB, destination, name)


def failed(number=errno.EIO):
    below = OSError(number, os.strerror(number))
    error = StorageError(f"it failed: {below}")
    error.__cause__ = below
    return error


def chosen(troubles, names, destination=CANVAS):
    return troubles.choose(Kind.JOB, destination, names)


def test_what_is_not_in_trouble_is_tried_in_its_order(troubles):
    assert ["b", "a"] == chosen(troubles, ["b", "a"])
    assert troubles.next_try_s(Kind.JOB, CANVAS) is None


def test_what_failed_waits_longer_each_time(troubles, clock):
    waits = []
    for _ in range(8):
        troubles.note(job("a"), failed())
        assert [] == chosen(troubles, ["a"])
        due = troubles.next_try_s(Kind.JOB, CANVAS)
        waits.append(due - clock.now)
        clock.now = due
        assert ["a"] == chosen(troubles, ["a"])
    assert [1, 2, 5, 10, 30, 60, 60, 60] == waits


def test_what_costs_a_look_is_looked_at_soon_after_it_was_mended(troubles, clock):
    everything = About(Kind.CLAIMS, CANVAS)
    waits = []
    for _ in range(7):
        troubles.note(everything, failed(errno.ENOENT))
        due = troubles.next_try_s(Kind.CLAIMS, CANVAS)
        waits.append(due - clock.now)
        clock.now = due
        assert troubles.may_try(Kind.CLAIMS, CANVAS)
    assert [1, 2, 5, 10, 10, 10, 10] == waits


def test_of_those_that_wait_together_the_one_not_tried_for_longest_goes_alone(troubles, clock):
    for name in "abc":
        troubles.note(job(name), failed())
        clock.now += 0.1
    clock.now += 10
    tried = []
    for _ in range(4):
        (name,) = chosen(troubles, ["c", "b", "a"])
        tried.append(name)
        troubles.begin(job(name))
        assert [] == chosen(troubles, ["c", "b", "a"]), "while one is tried, the others wait"
        troubles.note(job(name), failed())
        assert [] == chosen(troubles, ["c", "b", "a"])
        clock.now += 100
    assert ["a", "b", "c", "a"] == tried


def test_one_that_succeeds_lets_the_others_go_at_once(troubles, clock):
    for name in "abc":
        troubles.note(job(name), failed())
    clock.now += 1
    troubles.begin(job("a"))
    troubles.clear(job("a"))
    assert ["b", "c"] == chosen(troubles, ["b", "c"])
    assert troubles.next_try_s(Kind.JOB, CANVAS) == clock.now
    troubles.note(job("b"), failed())
    assert [] == chosen(troubles, ["b", "c"])


def test_destinations_kinds_and_causes_wait_apart(troubles, clock):
    troubles.note(job("a"), failed(errno.EIO))
    assert ["a"] == chosen(troubles, ["a"], "book")
    assert ["a"] == troubles.choose(Kind.FILE, CANVAS, ["a"])
    troubles.note(job("b"), failed(errno.ENOSPC))
    clock.now += 1
    assert ["a", "b"] == chosen(troubles, ["a", "b"])


def test_where_none_that_waits_could_be_tried_they_wait_on_and_nobody_spins(troubles, clock):
    """Jobs that rest until their destination's hours, or have gone."""
    troubles.note(job("a"), failed())
    clock.now += 1
    assert [] == chosen(troubles, [])
    assert troubles.next_try_s(Kind.JOB, CANVAS) == clock.now + 60
    troubles.hurry(Kind.JOB, CANVAS)
    assert ["a"] == chosen(troubles, ["a"])
    troubles.note(job("b"), failed())
    troubles.clear(job("b"))
    assert [] == chosen(troubles, [])
    assert troubles.next_try_s(Kind.JOB, CANVAS) > clock.now


def test_trouble_is_logged_when_it_is_new_and_not_each_time(troubles, clock, capsys):
    for _ in range(3):
        troubles.note(job("a"), failed(errno.EIO))
    troubles.note(job("a"), failed(errno.ENOSPC))
    (trouble,) = troubles.all()
    assert ("it failed: [Errno 28] No space left on device", 4) == (trouble.message, trouble.tries)
    assert 2 == capsys.readouterr().out.count("storage.trouble")


def test_what_has_gone_is_forgotten_and_says_nothing_about_the_others(troubles, clock):
    troubles.note(job("a"), failed())
    troubles.note(job("b"), failed())
    troubles.keep_only(Kind.JOB, CANVAS, {"b"})
    assert {"b"} == troubles.names(Kind.JOB, CANVAS)
    assert [] == chosen(troubles, ["b"])


def test_the_one_being_tried_that_has_gone_leaves_no_door_shut(troubles, clock):
    troubles.note(job("a"), failed())
    troubles.note(job("b"), failed())
    clock.now += 1
    troubles.begin(job("a"))
    troubles.keep_only(Kind.JOB, CANVAS, {"b"})
    clock.now += 60
    assert ["b"] == chosen(troubles, ["b"])


def test_the_one_being_tried_that_fails_otherwise_leaves_no_door_shut(troubles, clock):
    troubles.note(job("a"), failed(errno.EIO))
    troubles.note(job("b"), failed(errno.EIO))
    clock.now += 1
    troubles.begin(job("a"))
    troubles.note(job("a"), failed(errno.ENOSPC))
    assert [] == chosen(troubles, ["a", "b"])
    clock.now += 60
    assert ["a", "b"] == chosen(troubles, ["a", "b"])


def test_a_cause_is_the_same_whichever_file_it_was_about():
    assert "ENOSPC" == cause_of(failed(errno.ENOSPC))
    assert "StorageError" == cause_of(StorageError("a.tif is not there"))


# sweeps


def tried_in_vain(troubles, clock, about, times=3):
    for _ in range(times):
        troubles.note(about, failed())
        clock.now += 100


def test_a_sweep_waits_until_it_was_tried_a_few_times(troubles, clock):
    for times in (True, True, False):
        tried_in_vain(troubles, clock, job("a"), 1)
        assert times == bool(troubles.hold_a_sweep())


def test_a_sweep_waits_while_one_that_succeeded_lets_others_go(troubles, clock):
    for name in "ab":
        tried_in_vain(troubles, clock, job(name))
    assert [] == troubles.hold_a_sweep()
    troubles.clear(job("a"))
    assert [job("b")] == [each.about for each in troubles.hold_a_sweep()]


def test_a_sweep_does_not_wait_for_what_is_not_tried_at_all(troubles):
    file = About(Kind.FILE, CANVAS, "a.tif")
    troubles.note(file, failed())
    troubles.note(About(Kind.STRAY, "gone"), failed())
    troubles.note(job("a"), failed())
    assert [file] == [each.about for each in troubles.hold_a_sweep(resting=[job("a")])]
    assert [] == troubles.hold_a_sweep(unreachable=[CANVAS], resting=[job("a")])
    troubles.note(About(Kind.CLAIMS, CANVAS), failed())
    held = [each.about for each in troubles.hold_a_sweep(resting=[job("a")])]
    assert [About(Kind.CLAIMS, CANVAS)] == held


def test_one_that_fails_each_time_for_another_cause_keeps_no_sweep_waiting(troubles, clock):
    for number in (errno.EIO, errno.ENOSPC, errno.EIO):
        troubles.note(job("a"), failed(number))
        clock.now += 100
        assert ["a"] == chosen(troubles, ["a"])
    assert [] == troubles.hold_a_sweep()


CAUSES = (errno.EIO, errno.ENOSPC, errno.EACCES)


class World:
    """Jobs, and what is in the way of each; done in steps as the daemon does it."""

    def __init__(self, broken: list[int], workers: int) -> None:
        self.clock = Clock()
        self.troubles = Troubles(self.clock)
        self.left = {f"j{number}": cause for number, cause in enumerate(broken)}
        self.workers = workers
        self.running: list[str] = []
        self.tries = 0

    def hand_out(self) -> None:
        idle = [name for name in self.left if name not in self.running]
        for name in chosen(self.troubles, idle)[: self.workers - len(self.running)]:
            self.troubles.begin(job(name))
            self.running.append(name)

    def end(self, which: int) -> None:
        name = self.running.pop(which % len(self.running))
        self.tries += 1
        if self.left[name]:
            self.troubles.note(job(name), failed(self.left[name]))
        else:
            del self.left[name]
            self.troubles.clear(job(name))

    def happen(self, name: str, cause: int) -> None:
        """The disk of one job breaks or is mended, or its job is taken back."""
        if name in self.left and cause >= 0:
            self.left[name] = cause
        elif name in self.left and name not in self.running:
            del self.left[name]
            self.troubles.keep_only(Kind.JOB, CANVAS, self.left.keys())

    def is_over(self) -> bool:
        in_trouble = self.troubles.names(Kind.JOB, CANVAS)
        if self.running or not self.left.keys() <= in_trouble:
            return False
        return not self.troubles.hold_a_sweep()

    def wait(self) -> None:
        due = self.troubles.next_try_s(Kind.JOB, CANVAS)
        assert due is not None, f"nothing is ever tried again: {self.left}"
        self.clock.now = max(due, self.clock.now + 0.02)

    def sweep(self, happenings: list[tuple[int, int, int]]) -> None:
        happenings = list(happenings)
        for _ in range(400):
            self.hand_out()
            if self.is_over():
                return
            if happenings:
                number, cause, which = happenings.pop()
                self.happen(f"j{number}", cause)
            else:
                which = 0
            if self.running:
                self.end(which)
            elif self.left:  # else the last one was taken back just now
                self.wait()
        raise AssertionError(f"no end: {self.left}, {self.troubles.all()}")


@given(
    broken=st.lists(st.sampled_from((0, *CAUSES)), min_size=1, max_size=12),
    workers=st.integers(1, 4),
    happenings=st.lists(
        st.tuples(st.integers(0, 11), st.sampled_from((-1, 0, *CAUSES)), st.integers(0, 3)),
        max_size=40,
    ),
)
def test_whatever_breaks_and_is_mended_a_sweep_ends_and_nothing_is_forgotten(
    broken, workers, happenings
):
    world = World(broken, workers)
    world.sweep(happenings)
    # what was not done is in trouble, and said
    assert world.left.keys() == world.troubles.names(Kind.JOB, CANVAS)
    # and a daemon that goes on does it as soon as all is mended
    for name in world.left:
        world.left[name] = 0
    for _ in range(200):
        world.hand_out()
        while world.running:
            world.end(0)
        if not world.left:
            break
        world.wait()
    assert {} == world.left
    assert [] == world.troubles.all()


def test_eight_hundred_that_wait_for_one_share_cost_one_try_per_wait():
    world = World([errno.EIO] * 800, workers=2)
    start = world.clock.now
    while world.clock.now < start + 3600:
        world.hand_out()
        if world.running:
            world.end(0)
        else:
            world.wait()
    assert world.tries <= 800 + 2 + 6 + 3600 / 60
