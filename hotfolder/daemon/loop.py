"""The daemon's loop: scan, claim, hand out, and say what is going on.

One thread owns everything here: it scans hot folders (events only wake it), claims what has
settled, hands claimed jobs to as many threads as there are workers, and writes the snapshot
that ``status`` reads. A job's thread starts the worker process, checks what it made and delivers.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from hotfolder.batch.desk import Desk
from hotfolder.batch.folder import BatchFolders
from hotfolder.daemon.claiming import Claiming
from hotfolder.daemon.destinations import Destinations
from hotfolder.daemon.handing_out import HandingOut, Observer
from hotfolder.daemon.hot_folder import HotFolder
from hotfolder.daemon.jobs import Runner, Work
from hotfolder.daemon.rebuild import open_ledger
from hotfolder.daemon.rest import Rest
from hotfolder.daemon.snapshot import IndexPages, Snapshots
from hotfolder.daemon.trouble import Troubles
from hotfolder.disk import durable, names, platforms
from hotfolder.ending.deliver import Deliverer
from hotfolder.ending.given_up import Drops
from hotfolder.ending.kept import KeptOriginals
from hotfolder.errors import StorageError
from hotfolder.ledger.jobs import JobRow, Ledger, State
from hotfolder.ledger.lock import served_alone
from hotfolder.logs import get_log
from hotfolder.settings.files import Settings
from hotfolder.settings.root import Root
from hotfolder.stages.registry import Registry
from hotfolder.work.worker import get_ready, run_attempt

_LEDGER = "the ledger"
_LOOK_AT_WORK_EVERY_S = 1.0


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
        self._troubles = Troubles()
        self._destinations: Destinations | None = None
        self._handing_out: HandingOut | None = None

    def stop(self) -> None:
        """Stop claiming, end the workers without a strike, finish what is being delivered.

        Safe to call from a signal handler and from any thread.
        """
        self._stop.set()
        self._wake.set()

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
            with served_alone(self.root):
                self._serve(until_idle=until_idle)
        except OSError as error:
            raise _in_the_way(error) from error

    def progress(self) -> list[tuple[JobRow, str, float]]:
        """Jobs being worked on, with what is being done and the share done."""
        return self._handing_out.progress() if self._handing_out else []

    def troubles(self) -> list[str]:
        """What keeps work waiting that only a person can mend, as sentences."""
        hot_folders = self._destinations.hot_folders() if self._destinations else []
        unreachable = [hot.problem for hot in hot_folders if hot.problem]
        said = [*unreachable, *(trouble.message for _, trouble in self._troubles.all())]
        return list(dict.fromkeys(map(names.display_name, said)))

    def _serve(self, *, until_idle: bool) -> None:
        root, settings = self.root, self._settings
        if self._run is run_attempt and not until_idle:
            get_ready()
        folders = {
            name: root.folders(name, each.file.folders)
            for name, each in settings.destinations.items()
        }
        ledger = open_ledger(root, folders)
        workers = settings.root.workers or platforms.cpu_count()
        destinations = Destinations(root, settings, self._registry, ledger, self._wake.set)
        keep_s = settings.root.keep_dropped
        kept = KeptOriginals(root.kept)
        deliverer = Deliverer(ledger, destinations.folders_of, kept if keep_s else None)
        desk = Desk(
            ledger, root.spool, destinations.folders_of, self._registry, destinations.file_of
        )
        batches = BatchFolders(
            ledger, desk.shelf, destinations.get, destinations.folders_of, workers
        )
        handing_out = HandingOut(
            Work(root, ledger, deliverer, self._stop, self._run),
            ledger,
            destinations,
            desk,
            self._rest,
            self._troubles,
            workers,
            self._wake.set,
            batches.changed,
            self._observer,
        )
        claiming = Claiming(
            ledger,
            root.spool,
            settings.root.free_space,
            destinations,
            Drops(ledger, deliverer.record_log, kept, keep_s),
            self._troubles,
            self._stop,
            batches.changed,
            handing_out.hand_out,
        )
        self._destinations, self._handing_out = destinations, handing_out
        pages = IndexPages(destinations)
        snapshots = Snapshots(root, destinations, handing_out, self._troubles)
        loop = Loop(
            ledger,
            destinations,
            claiming,
            handing_out,
            desk,
            batches,
            self._rest,
            self._troubles,
            pages,
            snapshots,
            self._stop,
            self._wake,
        )
        try:
            try:
                _recover(root, ledger, destinations)
                get_log().info("daemon.started", root=str(root.path), pid=os.getpid())
                loop.run(until_idle=until_idle)
            finally:
                handing_out.finish()
        finally:
            destinations.stop()
            batches.refresh(ended=True)
            pages.refresh(ended=True)
            snapshots.write(ended=True)
            ledger.close()
            get_log().info("daemon.stopped", root=str(root.path))


@dataclass(frozen=True)
class Loop:
    """What is done over and over, in one thread: look, claim, hand out, say, wait."""

    ledger: Ledger
    destinations: Destinations
    claiming: Claiming
    handing_out: HandingOut
    desk: Desk
    batches: BatchFolders
    rest: Rest
    troubles: Troubles
    pages: IndexPages
    snapshots: Snapshots
    stop: threading.Event
    wake: threading.Event

    def run(self, *, until_idle: bool) -> None:
        """Go on until told to stop; with `until_idle`, until nothing waits that we can do."""
        while not self.stop.is_set():
            self.wake.clear()
            more = self._turn()
            self.snapshots.write()
            self.batches.refresh()
            self.pages.refresh()
            if until_idle and not more and self._is_idle():
                return
            if not more:
                self.wake.wait(self._until_next(until_idle=until_idle))

    def _turn(self) -> bool:
        """Do what can be done now; return whether more can be claimed at once."""
        more = False
        try:
            self.destinations.reload()
            for hot in self.destinations.hot_folders():
                hot.look()
                self.claiming.take_releases(hot)
            self.claiming.look_for_drops()
            more = self.claiming.claim()
            self._serve_batches()
            for hot in self.destinations.hot_folders():
                self.rest.say(hot.destination, self.ledger, self.handing_out.workers)
            self.handing_out.hand_out()
            self.troubles.claims.pop(_LEDGER, None)
        except StorageError as error:
            self.troubles.note(self.troubles.claims, _LEDGER, error)
        except OSError as error:
            self.troubles.note(self.troubles.claims, _LEDGER, _in_the_way(error))
        return more

    def _serve_batches(self) -> None:
        """Put away what has come for batches, and plan the jobs of their tickets."""
        now = time.monotonic()
        for row in self.desk.waiting(self.destinations.all()):
            trouble = self.troubles.jobs.get(row.id)
            if trouble and trouble.not_before > now:
                continue
            try:
                self.desk.take_in(row)
                self.troubles.jobs.pop(row.id, None)
            except StorageError as error:
                self.troubles.note(self.troubles.jobs, row.id, error)
        for name, batch in self.desk.plan(self.destinations.all(), self.handing_out.running):
            self.batches.changed(name, batch)

    def _is_idle(self) -> bool:
        """Nothing runs, nothing settles, and what is open is in trouble that lasts."""
        hot_folders = self.destinations.hot_folders()
        if self.handing_out.running or not all(
            hot.is_idle() or self._cannot_be_taken(hot) for hot in hot_folders
        ):
            return False
        # a sweep does not wait for a disk to be mended: it tries a few times and says so
        gone = tuple(
            f"{hot.destination.name}: "
            for hot in hot_folders
            if hot.problem or hot.destination.name in self.troubles.claims
        )
        for about, trouble in list(self.troubles.claims.items()):
            # files of a folder that has gone, or of which a claim is half-way, are not tried at all
            if not trouble.lasts and not about.startswith(gone):
                return False
        lasting = {job for job, trouble in list(self.troubles.jobs.items()) if trouble.lasts}
        return all(
            row.id in lasting
            or self._rests(row)
            or (row.state is State.CLAIMING and row.destination in self.troubles.claims)
            for row in self.ledger.open_jobs()
        )

    def _rests(self, row: JobRow) -> bool:
        """Whether a job waits for its destination's hours."""
        destination = self.destinations.get(row.destination)
        return (
            destination is not None
            and self.rest.waits(row, destination)
            and not self.desk.is_for_a_batch(row, destination)
        )

    def _cannot_be_taken(self, hot: HotFolder) -> bool:
        """Files are ready, and a full or absent disk keeps all of them from being taken in."""
        return bool(hot.ready) and hot.destination.name in self.troubles.claims

    def _until_next(self, *, until_idle: bool) -> float:
        now = time.monotonic()
        hot_folders = self.destinations.hot_folders()
        # where files wait for trouble to end, the next look waits for it too
        due = [hot.due for hot in hot_folders if not self._cannot_be_taken(hot)]
        due += [trouble.not_before for _, trouble in self.troubles.all()]
        for hot in hot_folders:
            opens_in = self.rest.opens_in(hot.destination)
            due += [] if opens_in is None else [now + opens_in]
        if self.handing_out.running:
            due.append(now + _LOOK_AT_WORK_EVERY_S)
        elif until_idle:
            due.append(now + 0.2)
        return max(0.02, min(due, default=now + 1.0) - now)


def _recover(root: Root, ledger: Ledger, destinations: Destinations) -> None:
    """Take up what an earlier daemon left; jobs past their claim are simply handed out."""
    for row in ledger.open_jobs():
        if row.destination not in destinations:
            get_log().error("job.without_destination", job=row.id, destination=row.destination)
    known = {row.id for row in ledger.open_jobs()}
    for folder in root.spool.iterdir():
        if folder.name not in known and ledger.has_ended(folder.name):
            durable.remove_tree(folder, below=root.spool)


def _in_the_way(error: OSError) -> StorageError:
    place = f"{error.filename}: " if error.filename else ""
    return StorageError(f"{place}{error.strerror or error}")
