"""Handing out: open jobs go to idle workers, oldest first, destinations in turn."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor

from hotfolder.batch.desk import Desk
from hotfolder.daemon.destinations import Destinations
from hotfolder.daemon.jobs import Work, attempt_folder
from hotfolder.daemon.rest import Rest
from hotfolder.daemon.trouble import About, Kind, Troubles
from hotfolder.errors import StorageError
from hotfolder.ledger.jobs import JobRow, Ledger
from hotfolder.logs import get_log
from hotfolder.settings.files import Destination
from hotfolder.work.worker import read_progress

Observer = Callable[[JobRow], None]
"""Called in a job's thread when the job has ended."""


class HandingOut:
    """Gives jobs to a pool of threads, and notes what becomes of each."""

    def __init__(
        self,
        work: Work,
        ledger: Ledger,
        destinations: Destinations,
        desk: Desk,
        rest: Rest,
        troubles: Troubles,
        workers: int,
        wake: Callable[[], None],
        batch_changed: Callable[[str, str], None],
        observer: Observer | None = None,
        clock: Callable[[], float] = time.monotonic,
        pool: Executor | None = None,
    ) -> None:
        """Prepare; clock: the one of `troubles`; pool: by default, as many threads as workers."""
        self.workers = workers
        self.running: dict[str, tuple[JobRow, Future[None]]] = {}
        self._work = work
        self._ledger = ledger
        self._destinations = destinations
        self._desk = desk
        self._rest = rest
        self._troubles = troubles
        self._wake = wake
        self._batch_changed = batch_changed
        self._observer = observer
        self._clock = clock
        self._pool = pool or ThreadPoolExecutor(workers, thread_name_prefix="job")
        self._asking = threading.Lock()
        self._last_served: dict[str, int] = {}
        self._rested: set[str] = set()
        self._hand_outs = 0

    def finish(self) -> None:
        """Wait for what runs; from then on nothing does, and the ledger may be closed."""
        self._pool.shutdown()
        with self._asking:
            self.running = {}

    def is_at_work(self) -> bool:
        """Whether a job is being worked on."""
        self.running = {job: entry for job, entry in self.running.items() if not entry[1].done()}
        return bool(self.running)

    def hand_out(self) -> None:
        """Give open jobs to idle workers: oldest first, destinations in turn."""
        self.is_at_work()  # what has ended is not running
        idle = self.workers - len(self.running)
        if idle <= 0 or self._work.stop.is_set():
            return
        queues = {name: self._can_be_tried(name) for name in self._destinations}
        while idle:
            for name in sorted(queues, key=self._turn_of):
                row = next(queues[name], None)
                if row is not None:
                    break
            else:
                return
            self._hand_outs += 1
            self._last_served[name] = self._hand_outs
            self._troubles.begin(_about(row))
            future = self._pool.submit(self._do, row, self._destinations[name].destination)
            self.running[row.id] = (row, future)
            future.add_done_callback(lambda _: self._wake())
            idle -= 1

    def next_try_s(self) -> float | None:
        """When a job in trouble is tried next; None when none is, or when no worker is idle."""
        if len(self.running) >= self.workers:
            return None  # whatever ends wakes the loop
        due = [self._troubles.next_try_s(Kind.JOB, name) for name in self._destinations]
        return min((each for each in due if each is not None), default=None)

    def progress(self) -> list[tuple[JobRow, str, float]]:
        """Jobs being worked on, with what is being done and the share done; from any thread."""
        found = []
        with self._asking:  # whoever still asks while all ends must not meet a closed ledger
            for row, _ in list(self.running.values()):
                now = self._ledger.job(row.id)
                said = read_progress(attempt_folder(self._work.root, now))
                found.append((now, *(said or ("starting", 0.0))))
        return found

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
        enough = 2 * self.workers + len(self._troubles.names(Kind.JOB, name) - waiting)
        rows = {
            row.id: row
            for row in self._ledger.open_jobs_of(name, enough, resting=resting, without=waiting)
            if not self._desk.is_for_a_batch(row, destination)  # it is about to be put away
        }
        for job in self._troubles.choose(Kind.JOB, name, list(rows)):
            yield rows[job]

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
        try:
            ended = self._work.step(row, destination)
            self._troubles.clear(about)
            if ended.state.is_end:
                self._say_ended(ended)
        except StorageError as error:
            self._troubles.note(about, error)
        except Exception:  # noqa: BLE001 - logged whole, and the job is kept
            # our own mistake must not take the daemon along; the job stays and is tried later
            get_log().exception("job.internal_error", job=row.id)
            self._troubles.note(about, StorageError("an internal error, see the log"))

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
