"""The daemon: scan, claim, hand out, and say what is going on.

One thread owns everything here: it scans hot folders (events only wake it), claims what has
settled, hands claimed jobs to as many threads as there are workers, and writes the snapshot
that ``status`` reads. A job's thread starts the worker process, checks what it made and delivers.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from hotfolder.batch.desk import Desk
from hotfolder.batch.folder import BatchFolders
from hotfolder.daemon.hot_folder import HotFolder
from hotfolder.daemon.jobs import Runner, Work, attempt_folder
from hotfolder.daemon.rebuild import open_ledger
from hotfolder.daemon.rest import Rest
from hotfolder.disk import durable, names, platforms
from hotfolder.ending.deliver import Deliverer
from hotfolder.ending.discard import Discards
from hotfolder.ending.kept import KeptOriginals
from hotfolder.ending.lists import Pages
from hotfolder.ending.release import begin_release
from hotfolder.errors import Problem, SettingsError, StorageError
from hotfolder.intake.claim import claim, folder_of, give_back, recover_claim
from hotfolder.ledger.jobs import JobRow, State
from hotfolder.ledger.lock import served_alone
from hotfolder.logs import get_log, utc_now
from hotfolder.overview.overlaps import collisions, is_of_any, upstream
from hotfolder.settings.files import SETTINGS_FILE, Destination, Settings, load_destination
from hotfolder.settings.known_folders import KnownFolders
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.stages.registry import Registry
from hotfolder.work.worker import get_ready, read_progress, run_attempt

_CLAIMS_A_TURN = 32
_FAILURES_A_TURN = 3
_RETRY_S = (1.0, 2.0, 5.0, 10.0, 30.0, 60.0)
_SNAPSHOT_EVERY_S = 1.0
_PAGES_EVERY_S = 2.0
_SWEEP_TRIES = 3
_LEDGER = "the ledger"

Observer = Callable[[JobRow], None]
"""Called in a job's thread when the job has ended."""


@dataclass
class _Trouble:
    """A job that our own storage keeps waiting."""

    message: str
    since: str
    tries: int = 0
    not_before: float = 0.0


class Daemon:
    """Serves one root until it is stopped, or until nothing waits any more."""

    def __init__(
        self,
        root: Root,
        settings: Settings,
        registry: Registry,
        observer: Observer | None = None,
        run: Runner = run_attempt,
        clock: Callable[[], float] = time.time,
        *,
        keep_hours: bool = True,
    ) -> None:
        """Prepare to serve `root`.

        run: makes one attempt at a job, by default in a process; clock: seconds since 1970 in
        UTC, for the hours of destinations; keep_hours: or begin jobs at any time.
        """
        self.root = root
        self._rest = Rest(clock, keep_hours=keep_hours)
        self._run = run
        self._settings = settings
        self._registry = registry
        self._observer = observer
        self._wake = threading.Event()
        self._stop = threading.Event()
        self._running: dict[str, tuple[JobRow, Future[None]]] = {}
        self._trouble: dict[str, _Trouble] = {}
        self._trouble_of_claims: dict[str, _Trouble] = {}
        self._unserved: dict[str, _Trouble] = {}
        self._last_served: dict[str, int] = {}
        self._hand_outs = 0
        self._started = utc_now()
        self._snapshot_due = 0.0
        self._pages_due = 0.0
        self._unwritten_pages: dict[str, str] = {}
        self._refused = dict(settings.refused)
        self._refused_stamps = {name: _stamp(self._file_of(name)) for name in self._refused}
        self._log = get_log()

    def stop(self) -> None:
        """Stop claiming, end the workers without a strike, finish what is being delivered.

        Safe to call from a signal handler and from any thread.
        """
        self._stop.set()
        self._wake.set()

    def was_stopped(self) -> bool:
        """Whether `stop` was called."""
        return self._stop.is_set()

    def run(self, *, until_idle: bool = False) -> None:
        """Serve the root; with `until_idle`, return when nothing waits that we can do.

        Raises
        ------
        RootInUse
            When another process serves this root.
        StorageError
            When the ledger, or a folder of ours, cannot be used.
        """
        try:
            self._serve(until_idle=until_idle)
        except OSError as error:
            raise _in_the_way(error) from error

    def _serve(self, *, until_idle: bool) -> None:
        folders = {
            name: self.root.folders(name, each.file.folders)
            for name, each in self._settings.destinations.items()
        }
        with served_alone(self.root):
            if self._run is run_attempt and not until_idle:
                get_ready()
            self._ledger = open_ledger(self.root, folders, self._settings.refused)
            self._known = KnownFolders(self.root)
            keep_s = self._settings.root.keep_discarded
            kept = KeptOriginals(self.root.kept)
            deliverer = Deliverer(self._ledger, self._folders_of, kept if keep_s else None)
            self._discards = Discards(self._ledger, deliverer.record_log, kept, keep_s)
            self._work = Work(self.root, self._ledger, deliverer, self._stop, self._run)
            self._desk = Desk(
                self._ledger, self.root.spool, self._folders_of, self._registry, self._file_of
            )
            workers = self._settings.root.workers or platforms.cpu_count()
            self._hot = {
                name: self._hot_folder(each) for name, each in self._settings.destinations.items()
            }
            self._chain()
            for name, problems in self._refused.items():
                reason = "\n".join(map(str, problems))
                self._log.error("settings.refused", destination=name, reason=reason)
            self._batches = BatchFolders(
                self._ledger, self._desk.shelf, self._destination_of, self._folders_of, workers
            )
            try:
                with ThreadPoolExecutor(workers, thread_name_prefix="job") as self._pool:
                    self._workers = workers
                    self._recover()
                    self._log.info("daemon.started", root=str(self.root.path), pid=os.getpid())
                    self._loop(until_idle=until_idle)
            finally:
                for hot in self._hot.values():
                    hot.stop()
                self._refresh_pages(ended=True)
                self._write_snapshot(ended=True)
                self._ledger.close()
                self._log.info("daemon.stopped", root=str(self.root.path))

    def progress(self) -> list[tuple[JobRow, str, float]]:
        """Jobs being worked on, with what is being done and the share done."""
        found = []
        for row, _ in list(self._running.values()):
            now = self._ledger.job(row.id)
            doing, share = read_progress(attempt_folder(self.root, now)) or ("starting", 0.0)
            found.append((now, doing, share))
        return found

    def refused(self) -> list[Problem]:
        """What is wrong with destinations that are not served, since their settings are wrong."""
        return [each for found in self._refused.values() for each in found]

    def troubles(self) -> list[str]:
        """What keeps work waiting that only a person can mend, as sentences."""
        unreachable = [hot.problem for hot in self._hot.values() if hot.problem]
        troubles = [*list(self._trouble.values()), *self._trouble_of_claims.values()]
        said = [*unreachable, *(each.message for each in troubles)]
        said += [each.message for each in self._unserved.values()]
        return list(dict.fromkeys(map(names.display_name, said)))

    # the loop

    def _loop(self, *, until_idle: bool) -> None:
        while not self._stop.is_set():
            self._wake.clear()
            more = False
            try:
                self._reload()
                for hot in self._hot.values():
                    hot.look()
                    self._take_releases(hot)
                self._look_for_discards()
                more = self._claim()
                self._serve_batches()
                for hot in self._hot.values():
                    self._rest.say(hot.destination, self._ledger, self._workers)
                self._hand_out()
                self._trouble_of_claims.pop(_LEDGER, None)
            except StorageError as error:
                self._note_trouble(self._trouble_of_claims, _LEDGER, error)
            except OSError as error:
                self._note_trouble(self._trouble_of_claims, _LEDGER, _in_the_way(error))
            self._write_snapshot()
            self._refresh_pages()
            if until_idle and not more and self._is_idle():
                return
            if not more:
                self._wake.wait(self._until_next(until_idle=until_idle))

    def _is_idle(self) -> bool:
        """Nothing runs, nothing settles, and what is open is in trouble that lasts."""
        if self._running or not all(
            hot.is_idle() or self._cannot_be_taken(hot) for hot in self._hot.values()
        ):
            return False
        # a sweep does not wait for a disk to be mended: it tries a few times and says so
        gone = tuple(
            f"{name}: "
            for name, hot in self._hot.items()
            if hot.problem or name in self._trouble_of_claims
        )
        for about, trouble in list(self._trouble_of_claims.items()):
            # files of a folder that has gone, or of which a claim is half-way, are not tried at all
            if trouble.tries < _SWEEP_TRIES and not about.startswith(gone):
                return False
        lasting = {
            job for job, trouble in list(self._trouble.items()) if trouble.tries >= _SWEEP_TRIES
        }
        resting = {
            row.id
            for row in self._ledger.open_jobs()
            if row.destination in self._hot
            and self._rest.waits(row, self._hot[row.destination].destination)
            and not self._desk.is_for_a_batch(row, self._hot[row.destination].destination)
        }
        return all(
            row.destination not in self._hot
            or row.id in lasting
            or row.id in resting
            or (
                row.state is State.CLAIMING
                and {row.destination, f"claim {row.id}"} & self._trouble_of_claims.keys()
            )
            for row in self._ledger.open_jobs()
        )

    def _cannot_be_taken(self, hot: HotFolder) -> bool:
        """Files are ready, and a full or absent disk keeps all of them from being taken in."""
        return bool(hot.ready) and hot.destination.name in self._trouble_of_claims

    def _until_next(self, *, until_idle: bool) -> float:
        now = time.monotonic()
        # where files wait for trouble to end, the next look waits for it too
        due = [hot.due for hot in self._hot.values() if not self._cannot_be_taken(hot)]
        due += [trouble.not_before for trouble in list(self._trouble.values())]
        due += [trouble.not_before for trouble in list(self._trouble_of_claims.values())]
        for hot in self._hot.values():
            opens_in = self._rest.opens_in(hot.destination)
            due += [] if opens_in is None else [now + opens_in]
        if self._running:
            due.append(now + _SNAPSHOT_EVERY_S)
        elif until_idle:
            due.append(now + 0.2)
        return max(0.02, min(due, default=now + 1.0) - now)

    # intake

    def _hot_folder(self, destination: Destination) -> HotFolder:
        folders = self.root.folders(destination.name, destination.file.folders)
        stamp = _stamp(self._file_of(destination.name))
        pages = Pages(destination.name, folders, self._ledger)
        return HotFolder(destination, folders, pages, self._wake.set, stamp, self._known)

    def _chain(self) -> None:
        """Tell each hot folder what in it is no input, since others' results lie there."""
        places = {name: hot.folders for name, hot in self._hot.items()}
        with_batches = frozenset(
            name for name, hot in self._hot.items() if hot.destination.file.ticket is not None
        )
        for name, hot in self._hot.items():
            above = upstream(name, places, with_batches)
            hot.is_ours = partial(is_of_any, above)

    def _claim(self) -> bool:
        """Claim some of what has settled, in turns; return whether more could be claimed now.

        Whenever a worker is idle it gets what has been claimed by then: thousands of files on a
        slow disk must not keep the work waiting.
        """
        able: dict[str, HotFolder] = {}
        for name, hot in self._hot.items():
            trouble = self._trouble_of_claims.get(name)
            if trouble and time.monotonic() < trouble.not_before:
                continue
            try:
                self._settle_claims(name, hot)
                if hot.ready:
                    self._check_room(hot)
                able[name] = hot
            except StorageError as error:
                self._note_trouble(self._trouble_of_claims, name, error)
        failures: Counter[str] = Counter()
        for _ in range(_CLAIMS_A_TURN):
            for name, hot in list(able.items()):
                if self._stop.is_set() or not hot.ready:
                    continue
                try:
                    self._claim_first(name, hot)
                except StorageError as error:
                    failures[name] += 1
                    if failures[name] == _FAILURES_A_TURN:
                        self._note_trouble(self._trouble_of_claims, name, error)
                        del able[name]
            self._hand_out()
            if not any(hot.ready for hot in able.values()):
                break
        for name in able:
            self._trouble_of_claims.pop(name, None)
        return any(
            hot.ready for name, hot in self._hot.items() if name not in self._trouble_of_claims
        )

    def _claim_first(self, name: str, hot: HotFolder) -> None:
        """Claim the first file that is ready; one that cannot be taken lets the others pass."""
        candidate = hot.ready[0]
        about = f"{name}: {names.display_name(candidate.relative)}"
        try:
            row = claim(self._ledger, self.root.spool, name, candidate)
        except StorageError as error:
            self._note_trouble(self._trouble_of_claims, about, error)
            hot.later(candidate, self._trouble_of_claims[about].not_before)
            raise
        self._trouble_of_claims.pop(about, None)
        hot.taken(candidate)
        if row:
            file = names.display_name(row.source)
            self._log.info("job.claimed", job=row.id, destination=name, file=file)

    def _settle_claims(self, name: str, hot: HotFolder) -> None:
        """Forget the trouble with files that have gone, and settle claims that failed half-way."""
        known = {f"{name}: {names.display_name(relative)}" for relative in hot.put_off}
        for about in list(self._trouble_of_claims):
            if about.startswith(f"{name}: ") and about not in known:
                del self._trouble_of_claims[about]
        for row in self._ledger.claims_of(name):
            self._settle_claim(hot, row)
        try:
            for relative in hot.set_aside:
                if give_back(self._ledger, self.root.spool, hot.folders.hot_folder, relative):
                    hot.due = 0.0  # it is a file as any other now
        except OSError as error:
            raise _not_reached(hot.folders.hot_folder, error) from error
        hot.set_aside = ()

    def _settle_claim(self, hot: HotFolder, row: JobRow) -> None:
        """Go on with a claim; one of an earlier hot folder keeps no file of the present waiting."""
        now, begun = hot.folders.hot_folder, folder_of(row) or hot.folders.hot_folder
        about = f"claim {row.id}"
        trouble = self._trouble_of_claims.get(about)
        if trouble and time.monotonic() < trouble.not_before:
            return
        try:
            recover_claim(self._ledger, self.root.spool, now, row)
            self._trouble_of_claims.pop(about, None)
        except (OSError, StorageError) as error:
            if begun == now.absolute():
                raise _not_reached(now, error) from error
            file = names.display_name(row.source)
            reason = StorageError(
                f"{file} was being taken in from {begun}, before the hot folder was another one, "
                f"and is still there: {error}"
            )
            self._note_trouble(self._trouble_of_claims, about, reason)

    def _serve_batches(self) -> None:
        """Put away what has come for batches, and plan the jobs of their tickets."""
        now = time.monotonic()
        destinations = {name: hot.destination for name, hot in self._hot.items()}
        for row in self._desk.list_arrived(destinations):
            trouble = self._trouble.get(row.id)
            if trouble and trouble.not_before > now:
                continue
            try:
                self._desk.take_in(row)
                self._trouble.pop(row.id, None)
            except StorageError as error:
                self._note_trouble(self._trouble, row.id, error)
        for name, batch in self._desk.plan(destinations, self._running):
            self._batches.changed(name, batch)

    def _take_releases(self, hot: HotFolder) -> None:
        """Take up held jobs that a person has put into ``release/``; jobs' threads do the rest."""
        if hot.problem:
            return
        for found in hot.released.look(self._ledger):
            begin_release(self._ledger, found)

    def _look_for_discards(self) -> None:
        """Note held jobs whose folders a person has deleted."""
        for name in self._hot:
            about = f"held jobs of {name}"
            trouble = self._trouble_of_claims.get(about)
            if trouble and time.monotonic() < trouble.not_before:
                continue
            try:
                for row in self._discards.look(name, self._folders_of(name)):
                    if row.record and row.record.batch:
                        self._batches.changed(name, row.record.batch)
                self._trouble_of_claims.pop(about, None)
            except StorageError as error:
                self._note_trouble(self._trouble_of_claims, about, error)
        self._discards.expire()

    def _check_room(self, hot: HotFolder) -> None:
        """Take nothing in while a disk that its work needs is nearly full."""
        floor = self._settings.root.free_space
        for place in (self.root.spool, hot.folders.results):
            try:
                free = platforms.free_bytes(place)
            except OSError as error:
                raise StorageError(f"{place} cannot be reached: {error.strerror}") from error
            if free < floor:
                raise StorageError(
                    f"the disk of {place} has {free / 2**20:.0f} MiB left, less than "
                    f"{floor / 2**20:.0f} MiB (free_space in {SETTINGS_FILE}); make room, "
                    "then the work goes on by itself"
                )

    # work

    def _hand_out(self) -> None:
        """Give open jobs to idle workers: oldest first, destinations in turn."""
        self._running = {job: entry for job, entry in self._running.items() if not entry[1].done()}
        idle = self._workers - len(self._running)
        if idle <= 0 or self._stop.is_set():
            return
        queues = {name: self._can_be_tried(name) for name in self._hot}
        while idle:
            for name in sorted(queues, key=self._turn_of):
                row = next(queues[name], None)
                if row is not None:
                    break
            else:
                return
            self._hand_outs += 1
            self._last_served[name] = self._hand_outs
            future = self._pool.submit(self._do, row, self._hot[name].destination)
            self._running[row.id] = (row, future)
            idle -= 1

    def _turn_of(self, name: str) -> tuple[int, int]:
        """Sorts destinations: the higher priority first, then who has waited longest."""
        return -self._hot[name].destination.file.priority, self._last_served.get(name, 0)

    def _can_be_tried(self, name: str) -> Iterator[JobRow]:
        now = time.monotonic()
        destination = self._hot[name].destination
        enough = 2 * self._workers + len(self._trouble)
        resting = self._rest.rests(destination)
        for row in self._ledger.open_jobs_of(name, enough, resting=resting):
            trouble = self._trouble.get(row.id)
            if self._desk.is_for_a_batch(row, destination):
                continue  # in trouble, or about to be put away
            if row.id not in self._running and (trouble is None or trouble.not_before <= now):
                yield row

    def _do(self, row: JobRow, destination: Destination) -> None:
        """In a job's thread: bring it as far as it goes."""
        try:
            ended = self._work.step(row, destination)
            self._trouble.pop(row.id, None)
            if ended.state.is_end:
                self._say_ended(ended)
        except StorageError as error:
            self._note_trouble(self._trouble, row.id, error)
        except Exception:  # noqa: BLE001 - logged whole, and the job is kept
            # our own mistake must not take the daemon along; the job stays and is tried later
            self._log.exception("job.internal_error", job=row.id)
            self._note_trouble(
                self._trouble, row.id, StorageError("an internal error, see the log")
            )
        finally:
            self._wake.set()

    def _say_ended(self, row: JobRow) -> None:
        record = row.record
        self._log.info(
            f"job.{row.state.value}",
            job=row.id,
            destination=row.destination,
            file=record.source if record else None,
            reasons=[reason.message for reason in record.reasons] if record else [],
            same_original=list(record.same_original) if record else [],
        )
        if record and record.batch:
            self._batches.changed(row.destination, record.batch)
        if self._observer:
            self._observer(row)

    def _note_trouble(self, where: dict[str, _Trouble], key: str, error: StorageError) -> None:
        trouble = where.setdefault(key, _Trouble(str(error), utc_now()))
        if trouble.tries == 0 or trouble.message != str(error):
            self._log.error("storage.trouble", about=key, reason=str(error))
        trouble.message = str(error)
        trouble.not_before = time.monotonic() + _RETRY_S[min(trouble.tries, len(_RETRY_S) - 1)]
        trouble.tries += 1

    # start and settings

    def _recover(self) -> None:
        """Take up what an earlier daemon left; jobs past their claim are simply handed out."""
        waiting = Counter(
            row.destination for row in self._ledger.open_jobs() if row.destination not in self._hot
        )
        for name, number in waiting.items():
            jobs = f"{number} job" if number == 1 else f"{number} jobs"
            why = (
                f"until its settings are right ({self._file_of(name)})"
                if name in self._refused
                else f"for a destination that has no settings any more: put {self._file_of(name)} "
                "back, then they go on"
            )
            self._unserved[name] = _Trouble(f"{name}: {jobs} wait {why}", utc_now())
            self._log.error("job.without_destination", jobs=number, destination=name)
        known = {row.id for row in self._ledger.open_jobs()}
        for folder in self.root.spool.iterdir():
            if folder.name not in known and self._ledger.has_ended(folder.name):
                durable.remove_tree(folder, below=self.root.spool)

    def _reload(self) -> None:
        """Take up a changed destination's file between jobs, or refuse it and keep the old one."""
        for name, hot in self._hot.items():
            stamp = _stamp(self._file_of(name))
            if stamp == hot.settings_stamp:
                continue
            hot.settings_stamp = stamp
            changed = self._read_again(name)
            if changed is None:
                continue
            moved = changed.file.folders != hot.destination.file.folders
            if moved or changed.intake != hot.destination.intake:
                hot.stop()
                self._hot[name] = self._hot_folder(changed)
            else:
                hot.destination = changed
            self._chain()
        for name, stamp in list(self._refused_stamps.items()):
            if _stamp(self._file_of(name)) == stamp:
                continue
            self._refused_stamps[name] = _stamp(self._file_of(name))
            mended = self._read_again(name)
            if mended is not None:
                del self._refused[name], self._refused_stamps[name]
                self._unserved.pop(name, None)
                self._hot[name] = self._hot_folder(mended)
                self._chain()

    def _read_again(self, name: str) -> Destination | None:
        """Read a destination's file that has changed; None when it is wrong, which is logged."""
        try:
            changed = load_destination(
                self._file_of(name), self._registry, self._settings.root.intake
            )
            self._check_apart(changed)
        except SettingsError as error:
            self._log.error("settings.refused", destination=name, reason=str(error))
            if name in self._refused:
                self._refused[name] = error.problems
            return None
        self._log.info("settings.taken_up", destination=name)
        return changed

    def _check_apart(self, changed: Destination) -> None:
        places = {name: hot.folders for name, hot in self._hot.items()}
        places[changed.name] = self.root.folders(changed.name, changed.file.folders)
        if found := collisions(self.root, places).get(changed.name):
            raise SettingsError(found)

    def _destination_of(self, name: str) -> Destination | None:
        hot = self._hot.get(name)
        return hot.destination if hot else None

    def _folders_of(self, name: str) -> DestinationFolders:
        """A destination's folders, to look into or write to: they are the ones they were.

        Raises
        ------
        Unreachable
            When one of them is another one.
        """
        folders = self._hot[name].folders
        self._known.check(name, folders)
        return folders

    def _file_of(self, name: str) -> Path:
        return self.root.destinations / f"{name}.toml"

    # what status reads

    def _refresh_pages(self, *, ended: bool = False) -> None:
        """Write index pages that are out of date, now and then and at the end."""
        self._batches.refresh(ended=ended)
        now = time.monotonic()
        if now < self._pages_due and not ended:
            return
        self._pages_due = now + _PAGES_EVERY_S
        for name, hot in self._hot.items():
            try:
                self._folders_of(name)
                hot.pages.refresh()
                self._unwritten_pages.pop(name, None)
            except Exception as error:  # noqa: BLE001 - a convenience; the next turn tries again
                if self._unwritten_pages.get(name) != str(error):
                    expected = isinstance(error, OSError | StorageError)
                    self._log.warning(
                        "pages.not_written",
                        destination=name,
                        reason=str(error),
                        exc_info=not expected,
                    )
                self._unwritten_pages[name] = str(error)

    def _remarks_on_pages(self, name: str) -> list[str]:
        """Why pages of a destination show an earlier state, as sentences."""
        reason = self._unwritten_pages.get(name)
        return [f"its pages cannot be written and are out of date: {reason}"] if reason else []

    def _write_snapshot(self, *, ended: bool = False) -> None:
        now = time.monotonic()
        if now < self._snapshot_due and not ended:
            return
        self._snapshot_due = now + _SNAPSHOT_EVERY_S
        temporary = self.root.snapshot.with_suffix(".new")
        # a full disk, or a ledger that cannot be read, must not stop the daemon for this
        with contextlib.suppress(OSError, StorageError):
            data = json.dumps(self._snapshot(ended=ended)).encode("ascii")
            temporary.write_bytes(data)
            temporary.replace(self.root.snapshot)

    def _snapshot(self, *, ended: bool) -> dict[str, Any]:
        return {
            "pid": None if ended else os.getpid(),
            "started": self._started,
            "written": utc_now(),
            "workers": self._workers,
            "folders": {
                name: {**said, "remarks": [*said["remarks"], *self._remarks_on_pages(name)]}
                for name, hot in self._hot.items()
                for said in [hot.status()]
            },
            "work": [
                {
                    "job": row.id,
                    "destination": row.destination,
                    "doing": doing,
                    "share": share,
                    "attempt": row.attempts,
                }
                for row, doing, share in ([] if ended else self.progress())
            ],
            "trouble": [
                {"about": key, "message": trouble.message, "since": trouble.since}
                for key, trouble in [
                    *list(self._trouble.items()),
                    *self._trouble_of_claims.items(),
                    *self._unserved.items(),
                ]
            ],
        }


def _not_reached(folder: Path, error: Exception) -> StorageError:
    if isinstance(error, StorageError):
        return error
    said = error.strerror or error if isinstance(error, OSError) else error
    return StorageError(f"{folder}: a file that was being taken in cannot be reached: {said}")


def _in_the_way(error: OSError) -> StorageError:
    place = f"{error.filename}: " if error.filename else ""
    return StorageError(f"{place}{error.strerror or error}")


def _stamp(path: Path) -> tuple[int, int]:
    try:
        found = path.stat()
    except OSError:
        return (-1, -1)
    return (found.st_mtime_ns, found.st_size)
