"""Handing out: open jobs go to idle workers, oldest first, destinations in turn.

A job has a thread of its own from its hash to its end, and a worker's process for a part of that
time (`slots`). Beside the jobs that have a worker one more is got ready, and those whose attempt
has ended are delivered. A thread that has been at a disk for a while, since a share is slow or
hangs, holds no worker: others' jobs go on. No destination has more jobs in hand than twice the
workers, so that a share that hangs costs a few threads and no more.
"""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Callable, Collection, Iterator
from concurrent.futures import Executor, Future, wait
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from hotfolder.batch.desk import Desk
from hotfolder.daemon.destinations import Destinations
from hotfolder.daemon.jobs import Work
from hotfolder.daemon.rest import Rest
from hotfolder.daemon.silence import Silence, find_silence
from hotfolder.daemon.spool import attempt_folder
from hotfolder.daemon.trouble import About, Kind, Troubles
from hotfolder.disk import pulse
from hotfolder.errors import StorageError
from hotfolder.ledger.details import Claimed, State
from hotfolder.ledger.jobs import JobRow, Ledger
from hotfolder.logs import get_log
from hotfolder.settings.files import Destination
from hotfolder.work.neighbours import gives_others
from hotfolder.work.worker import read_progress

Observer = Callable[[JobRow], None]
"""Called in a job's thread when the job has ended."""


_LONG_AT_DISK_S: Final = 2.0
_AHEAD: Final = 1
"""Jobs that are got ready while all workers are busy."""
_IN_HAND: Final = 2
"""Jobs of one destination in hand, for each worker."""


@dataclass(frozen=True)
class _PutOff:
    """A job that waits for another one of its folder or batch; its row says why."""

    destination: Destination
    """As it was when the job was looked at; with other settings it is looked at again."""
    until_s: float
    """When its time is over, by the clock of `HandingOut`."""


class Threads(Executor):
    """A thread for each call, which keeps no process from ending."""

    def submit(self, call: Callable[..., Any], /, *args: object, **kwargs: object) -> Future[Any]:
        """Begin a call."""
        future: Future[Any] = Future()

        def run() -> None:
            try:
                future.set_result(call(*args, **kwargs))
            except BaseException as error:  # noqa: BLE001 - whoever has the future is told
                future.set_exception(error)

        pulse.Errand("job", run)
        return future


class HandingOut:
    """Gives each job a thread, and notes what becomes of it."""

    def __init__(
        self,
        work: Work,
        ledger: Ledger,
        destinations: Destinations,
        desk: Desk,
        rest: Rest,
        troubles: Troubles,
        workers: Callable[[], int],
        wake: Callable[[], None],
        batch_changed: Callable[[str, str], None],
        observer: Observer | None = None,
        clock: Callable[[], float] = time.monotonic,
        pool: Executor | None = None,
    ) -> None:
        """Prepare.

        workers: how many attempts can be made at once, now; clock: the one of `troubles`; pool: by
        default, a thread for each job.
        """
        self.running: dict[str, tuple[JobRow, Future[None]]] = {}
        self._work = work
        work.slots.on_return = wake
        work.slots.may_begin = self._may_begin
        self._workers = workers
        self._ledger = ledger
        self._destinations = destinations
        self._desk = desk
        self._rest = rest
        self._troubles = troubles
        self._wake = wake
        self._batch_changed = batch_changed
        self._observer = observer
        self._clock = clock
        self._pool = pool or Threads()
        self._pulses: dict[str, pulse.Pulse] = {}
        self._handing = threading.Lock()
        self._paused: set[str] = set()
        self._asking = threading.Lock()
        self._last_served: dict[str, int] = {}
        self._rested: set[str] = set()
        self._put_off: dict[str, _PutOff] = {}
        self._given: Counter[str] = Counter()
        self._hand_outs = 0

    @property
    def workers(self) -> int:
        """How many attempts can be made at once, now."""
        return self._workers()

    def remarks(self, name: str) -> list[str]:
        """Say what slows the jobs of a destination down."""
        return self._work.remarks(name)

    def finish(self, seconds: float | None = None) -> None:
        """Wait for what runs, at most so many seconds; what has not ended then is left behind."""
        wait([future for _, future in self.running.values()], seconds)
        with self._asking:
            self.running = {}

    def is_at_work(self) -> bool:
        """Whether a job is being worked on."""
        return any(not future.done() for _, future in self.running.values())

    def hand_out(self) -> bool:
        """Give open jobs to idle workers: oldest first, destinations in turn.

        Returns whether jobs have come to an end since the last time.
        """
        before = len(self.running)
        self.running = {job: entry for job, entry in self.running.items() if not entry[1].done()}
        with self._handing:
            self._hand_out()
        return len(self.running) < before

    @contextmanager
    def pausing(self, name: str) -> Iterator[Collection[str]]:
        """Begin no job of a destination meanwhile; gives those that have been begun."""
        with self._handing:
            self._paused.add(name)
            busy = set(self.running)
        try:
            yield busy
        finally:
            self._paused.discard(name)
            self._wake()

    def silences(self) -> dict[str, Silence]:
        """What does not answer, by destination, as its jobs' threads have met it."""
        found: dict[str, Silence] = {}
        for job, (row, _) in list(self.running.items()):
            own = self._pulses.get(job)
            silence = find_silence(row.destination, own) if own else None
            if silence and silence.seconds > found.get(row.destination, silence).seconds - 1e-9:
                found[row.destination] = silence
        return found

    def _hand_out(self) -> None:
        if self._work.stop.is_set() or not any(map(self._has_room, self._destinations)):
            return
        most = _IN_HAND * self.workers
        in_hand = Counter(row.destination for row, _ in self.running.values())
        queues = {
            name: self._can_be_tried(name)
            for name in self._destinations
            if name not in self._paused
        }
        while True:
            for name in sorted(queues, key=self._turn_of):
                if in_hand[name] >= most or not self._has_room(name):
                    continue
                row = next(queues[name], None)
                if row is not None:
                    break
            else:
                return
            in_hand[name] += 1
            self._hand_outs += 1
            self._last_served[name] = self._hand_outs
            self._troubles.begin(_about(row))
            future = self._pool.submit(self._do, row, self._destinations[name].destination)
            self.running[row.id] = (row, future)
            future.add_done_callback(lambda _: self._wake())

    def _may_begin(self, row: JobRow, destination: Destination) -> bool:
        """Whether a job that has waited for a worker is to be done as it was handed out."""
        as_set_now = self._destinations.get(destination.name)  # it may be gone
        return as_set_now is destination and not self._rest.waits(row, destination)

    def next_try_s(self) -> float | None:
        """When a job in trouble is tried next; None when none is, or when no worker is idle."""
        # where there is no room, whatever ends wakes the loop
        free = [name for name in self._destinations if self._has_room(name)]
        due = [self._troubles.next_try_s(Kind.JOB, name) for name in free]
        due += [
            each.until_s
            for each in list(self._put_off.values())
            if each.destination.name in free
            and not self._rest.rests(self._destinations[each.destination.name].destination)
        ]
        return min((each for each in due if each is not None), default=None)

    def is_put_off(self, row: JobRow) -> bool:
        """Whether a job waits for another one of its folder or batch."""
        return row.id in self._put_off

    def progress(self) -> list[tuple[JobRow, str, float]]:
        """Jobs being worked on, with what is being done and the share done; from any thread."""
        found = []
        with self._asking:  # whoever still asks while all ends must not meet a closed ledger
            for row, _ in list(self.running.values()):
                if self._work.slots.is_waiting(row.id):
                    continue
                now = self._ledger.job(row.id)
                if now.state is State.CLAIMED:  # what an earlier attempt said is over
                    found.append((now, "reading its original", 0.0))
                    continue
                said = read_progress(attempt_folder(self._work.root, now))
                found.append((now, *(said or ("starting", 0.0))))
        return found

    def _has_room(self, name: str) -> bool:
        """Whether a job of a destination can be begun.

        One that has long been at a disk keeps none waiting, nor does one that waits for a worker
        and is less urgent.
        """
        priority = self._destinations[name].destination.file.priority
        need = [job for job in self.running if self._work.slots.needs_worker(job, priority)]
        pulses = [self._pulses.get(job) for job in need]
        busy = sum(own is None or own.at_disk_s() < _LONG_AT_DISK_S for own in pulses)
        return busy < self.workers + _AHEAD

    def _turn_of(self, name: str) -> tuple[int, int]:
        """Sorts destinations: the higher priority first, then who has waited longest."""
        priority = self._destinations[name].destination.file.priority
        return -priority, self._last_served.get(name, 0)

    def _can_be_tried(self, name: str) -> Iterator[JobRow]:
        """Yield jobs of a destination, oldest first; of those that wait together, one."""
        destination = self._destinations[name].destination
        resting = self._rest.rests(destination)
        if not resting and name in self._rested:
            self._troubles.hurry(Kind.JOB, name)
        (self._rested.add if resting else self._rested.discard)(name)
        due = self._troubles.next_try_s(Kind.JOB, name)
        if due is not None and due <= self._clock():
            self._forget_what_is_no_job(destination)
        # what certainly waits is not even read: there may be thousands
        waiting = self._troubles.waiting(Kind.JOB, name)
        waiting |= self._troubles.names(Kind.BATCH_FILE, name) | self.running.keys()
        waiting |= self._list_put_off(destination)
        enough = 2 * self.workers + len(self._troubles.names(Kind.JOB, name) - waiting)
        rows = {
            row.id: row
            for row in self._ledger.open_jobs_of(name, enough, resting=resting, without=waiting)
            if not self._desk.is_for_a_batch(row, destination)  # it is about to be put away
        }
        for job in self._troubles.choose(Kind.JOB, name, list(rows)):
            yield rows[job]

    def _list_put_off(self, destination: Destination) -> set[str]:
        """Return the jobs that wait for others; forget those that wait no longer."""
        now, found = self._clock(), set()
        for job, each in list(self._put_off.items()):
            if each.destination.name != destination.name:
                continue
            if each.destination is destination and now < each.until_s:
                found.add(job)
            else:
                self._put_off.pop(job, None)
        return found

    def _forget_what_is_no_job(self, destination: Destination) -> None:
        """Forget the trouble with jobs that have ended, or were taken back, meanwhile."""
        name = destination.name
        there = {
            row.id
            for row in self._ledger.open_jobs()
            if row.destination == name and not self._desk.is_for_a_batch(row, destination)
        }
        self._troubles.keep_only(Kind.JOB, name, there)

    def _do(self, row: JobRow, destination: Destination) -> None:
        """In a job's thread: bring it as far as it goes."""
        about = _about(row)
        if own := pulse.current():
            self._pulses[row.id] = own
        given = self._given[destination.name]
        try:
            ended = self._work.step(row, destination)
            self._troubles.clear(about)
            if ended.state.is_end:
                self._look_again_at_those_that_wait(ended, destination)
                self._say_ended(ended)
            elif given == self._given[destination.name]:  # else it may have come meanwhile
                self._put_off_if_it_waits(ended, destination)
        except StorageError as error:
            self._troubles.note(about, error)
        except Exception:  # noqa: BLE001 - logged whole, and the job is kept
            # our own mistake must not take the daemon along; the job stays and is tried later
            get_log().exception("job.internal_error", job=row.id)
            self._troubles.note(about, StorageError("an internal error, see the log"))
        finally:
            self._pulses.pop(row.id, None)
            self._work.slots.forget(row.id)

    def _put_off_if_it_waits(self, row: JobRow, destination: Destination) -> None:
        waits = row.detail.waits if isinstance(row.detail, Claimed) else None
        left_s = (waits.until - datetime.now(UTC)).total_seconds() if waits else 0.0
        if left_s > 0 and row.release is None:
            self._put_off[row.id] = _PutOff(destination, self._clock() + left_s)

    def _look_again_at_those_that_wait(self, ended: JobRow, destination: Destination) -> None:
        """Let jobs be looked at that may have waited for one that has ended."""
        if not gives_others(ended.record.findings if ended.record else None, destination):
            return
        self._given[destination.name] += 1
        for job, each in list(self._put_off.items()):
            if each.destination.name == destination.name:
                self._put_off.pop(job, None)

    def _say_ended(self, row: JobRow) -> None:
        record = row.record
        get_log().info(
            f"job.{row.state.value}",
            job=row.id,
            destination=row.destination,
            file=record.source if record else None,
            reasons=[reason.message for reason in record.reasons] if record else [],
            same_original=list(record.same_original) if record else [],
        )
        if record and record.batch:
            self._batch_changed(row.destination, record.batch)
        if self._observer:
            self._observer(row)


def _about(row: JobRow) -> About:
    return About(Kind.JOB, row.destination, row.id)
