"""The daemon's loop: scan, claim, hand out, and say what is going on.

One thread owns everything here: it scans hot folders (events only wake it), claims what has
settled, hands claimed jobs to as many threads as there are workers, and writes the snapshot
that ``status`` reads. A job's thread starts the worker process, checks what it made and delivers.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

from hotfolder.batch.desk import Desk
from hotfolder.batch.folder import BatchFolders
from hotfolder.daemon.claiming import Intake
from hotfolder.daemon.destinations import Destinations
from hotfolder.daemon.handing_out import HandingOut, Observer
from hotfolder.daemon.hot_folder import HotFolder
from hotfolder.daemon.jobs import Runner, Work
from hotfolder.daemon.putting_away import PuttingAway
from hotfolder.daemon.rebuild import open_ledger
from hotfolder.daemon.rest import Rest
from hotfolder.daemon.snapshot import IndexPages, Snapshots
from hotfolder.daemon.take_up import close, has_original
from hotfolder.daemon.trouble import About, Kind, Troubles
from hotfolder.disk import durable, names, platforms
from hotfolder.ending.deliver import Deliverer
from hotfolder.ending.discard import Discards
from hotfolder.ending.kept import KeptOriginals
from hotfolder.errors import Problem, StorageError
from hotfolder.ledger.jobs import JobRow, Ledger, State
from hotfolder.ledger.lock import served_alone
from hotfolder.ledger.pause import Pause
from hotfolder.logs import get_log
from hotfolder.settings.files import Settings
from hotfolder.settings.root import Root
from hotfolder.stages.registry import Registry
from hotfolder.work.worker import get_ready, run_attempt

_LEDGER = About(Kind.LEDGER)
_OVER = object()
_LOOK_AT_WORK_EVERY_S = 1.0
_LOOK_WHILE_PAUSED_S = 0.1


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
            with served_alone(self.root):
                self._serve(until_idle=until_idle)
        except OSError as error:
            raise _in_the_way(error) from error

    def progress(self) -> list[tuple[JobRow, str, float]]:
        """Jobs being worked on, with what is being done and the share done."""
        return self._handing_out.progress() if self._handing_out else []

    def refused(self) -> list[Problem]:
        """What is wrong with destinations that are not served, since their settings are wrong."""
        found = self._destinations.refused if self._destinations else self._settings.refused
        return [each for problems in found.values() for each in problems]

    def troubles(self) -> list[str]:
        """What keeps work waiting that only a person can mend, as sentences."""
        hot_folders = self._destinations.hot_folders() if self._destinations else []
        unreachable = [hot.problem for hot in hot_folders if hot.problem]
        said = [*unreachable, *(each.message for each in self._troubles.all())]
        return list(dict.fromkeys(map(names.display_name, said)))

    def _serve(self, *, until_idle: bool) -> None:
        root, settings = self.root, self._settings
        if self._run is run_attempt and not until_idle:
            get_ready()
        folders = {
            name: root.folders(name, each.file.folders)
            for name, each in settings.destinations.items()
        }
        with_tickets = [name for name, each in settings.destinations.items() if each.file.ticket]
        ledger = open_ledger(root, folders, settings.refused, with_tickets)
        workers = settings.root.workers or platforms.cpu_count()
        destinations = Destinations(
            root, settings, self._registry, ledger, self._troubles, self._wake.set
        )
        keep_s = settings.root.keep_discarded
        kept = KeptOriginals(root.kept)
        desk = Desk(
            ledger, root.spool, destinations.folders_of, self._registry, destinations.file_of
        )
        deliverer = Deliverer(
            ledger,
            destinations.folders_of,
            kept if keep_s else None,
            desk.shelf.find_other_ticket,
            root.path,
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
        putting_away = PuttingAway(
            desk, destinations, self._troubles, batches.planned, deliverer.set_aside
        )
        discards = Discards(ledger, deliverer.record_log, kept, keep_s)

        def open_intake(hot: HotFolder) -> Intake:
            return Intake(
                hot,
                ledger,
                root.spool,
                settings.root.free_space,
                discards,
                self._troubles,
                self._stop,
                batches.changed,
                putting_away.claimed,
                desk.ask_to_discard,
            )

        self._destinations, self._handing_out = destinations, handing_out
        pages = IndexPages(destinations)
        snapshots = Snapshots(root, destinations, handing_out, self._troubles, pages)
        loop = Loop(
            ledger,
            destinations,
            open_intake,
            putting_away,
            handing_out,
            discards,
            desk,
            batches,
            self._rest,
            self._troubles,
            pages,
            snapshots,
            self._stop,
            self._wake,
            Pause(root),
        )
        try:
            try:
                _recover(root, ledger, destinations, self._troubles)
                get_log().info("daemon.started", root=str(root.path), pid=os.getpid())
                loop.run(until_idle=until_idle)
            finally:
                handing_out.finish()
        finally:
            destinations.stop()
            batches.refresh(ended=True)
            pages.refresh(ended=True)
            snapshots.write(ended=True)
            with contextlib.suppress(OSError, StorageError):
                close(ledger, root)
            ledger.close()
            get_log().info("daemon.stopped", root=str(root.path))


@dataclass
class Loop:
    """What is done over and over, in one thread: look, claim, hand out, say, wait."""

    ledger: Ledger
    destinations: Destinations
    open_intake: Callable[[HotFolder], Intake]
    putting_away: PuttingAway
    handing_out: HandingOut
    discards: Discards
    desk: Desk
    batches: BatchFolders
    rest: Rest
    troubles: Troubles
    pages: IndexPages
    snapshots: Snapshots
    stop: threading.Event
    wake: threading.Event
    pause: Pause
    intakes: dict[str, Intake] = field(default_factory=dict)
    """By destination; one comes when a destination is served whose settings were wrong."""

    def run(self, *, until_idle: bool) -> None:
        """Go on until told to stop; with `until_idle`, until nothing waits that we can do."""
        while not self.stop.is_set():
            self.wake.clear()
            if self.pause.is_wanted():
                if not self.handing_out.is_at_work():
                    self.pause.grant()
                self.snapshots.write()
                self.wake.wait(_LOOK_WHILE_PAUSED_S)
                continue
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
        try:
            self.destinations.reload()
            for name in self.destinations:
                hot = self.destinations[name]
                if name not in self.intakes:
                    self.intakes[name] = self.open_intake(hot)
                self.intakes[name].hot = hot
            self._take_in()
            self.discards.expire()
            self.putting_away.turn(self.handing_out.running)
            for destination in self.destinations.all().values():
                self.rest.say(destination, self.ledger, self.handing_out.workers)
            self.handing_out.hand_out()
            self.troubles.clear(_LEDGER)
        except StorageError as error:
            self.troubles.note(_LEDGER, error)
            return False
        except OSError as error:
            self.troubles.note(_LEDGER, _in_the_way(error))
            return False
        return any(intake.has_more() for intake in self.intakes.values())

    def _take_in(self) -> None:
        """Give each destination a turn, file by file.

        Whenever a worker is idle it gets what has been claimed by then: thousands of files on a
        slow disk must not keep the work waiting.
        """
        turns = [intake.turn() for intake in self.intakes.values()]
        while turns:
            turns = [each for each in turns if next(each, _OVER) is not _OVER]
            self.handing_out.hand_out()

    def _is_idle(self) -> bool:
        """Nothing runs, nothing settles, and what is open is not waited for."""
        intakes = self.intakes.values()
        if self.troubles.has(Kind.LEDGER):  # nothing at all can be done
            return not any(each.about == _LEDGER for each in self.troubles.hold_a_sweep())
        if self.handing_out.running or not all(intake.is_idle() for intake in intakes):
            return False
        rows = self.ledger.open_jobs()
        resting = {_about(row) for row in rows if self._rests(row)}
        unreachable = {intake.name for intake in intakes if intake.hot.problem}
        if self.troubles.hold_a_sweep(unreachable=unreachable, resting=resting):
            return False
        return all(
            row.destination not in self.destinations
            or _about(row) in resting
            or self._is_in_trouble(row)
            for row in rows
        )

    def _rests(self, row: JobRow) -> bool:
        """Whether a job waits for its destination's hours."""
        destination = self.destinations.get(row.destination)
        return (
            destination is not None
            and self.rest.waits(row, destination)
            and not self.desk.is_for_a_batch(row, destination)
        )

    def _is_in_trouble(self, row: JobRow) -> bool:
        if row.state is State.CLAIMING and self.troubles.has(Kind.CLAIMS, row.destination):
            return True
        kinds = (Kind.CLAIM, Kind.JOB, Kind.BATCH_FILE)
        return any(self.troubles.has(kind, row.destination, row.id) for kind in kinds)

    def _until_next(self, *, until_idle: bool) -> float:
        now = time.monotonic()
        due = [intake.next_look_s() for intake in self.intakes.values()]
        due += [self.handing_out.next_try_s(), self.putting_away.next_try_s()]
        due.append(self.troubles.next_try_s(Kind.LEDGER))
        for destination in self.destinations.all().values():
            opens_in = self.rest.opens_in(destination)
            due += [] if opens_in is None else [now + opens_in]
        if self.handing_out.running:
            due.append(now + _LOOK_AT_WORK_EVERY_S)
        elif until_idle:
            due.append(now + 0.2)
        return max(0.02, min((each for each in due if each is not None), default=now + 1.0) - now)


def _recover(root: Root, ledger: Ledger, destinations: Destinations, troubles: Troubles) -> None:
    """Take up what an earlier daemon left; jobs past their claim are simply handed out."""
    rows = ledger.open_jobs()
    stray = Counter(row.destination for row in rows if row.destination not in destinations)
    for name, number in stray.items():
        jobs = "1 job waits" if number == 1 else f"{number} jobs wait"
        why = (
            f"until its settings are corrected ({destinations.file_of(name)})"
            if name in destinations.refused
            else "for a destination whose settings are gone: put "
            f"{destinations.file_of(name)} back, then they continue"
        )
        troubles.note(About(Kind.STRAY, name), StorageError(f"{name}: {jobs} {why}"))
    known = {row.id for row in rows}
    for folder in root.spool.iterdir():
        # an original there is one that `take_up` could not place: its destination is out of reach
        if folder.name not in known and ledger.has_ended(folder.name) and not has_original(folder):
            durable.remove_tree(folder, below=root.spool)


def _about(row: JobRow) -> About:
    return About(Kind.JOB, row.destination, row.id)


def _in_the_way(error: OSError) -> StorageError:
    place = f"{error.filename}: " if error.filename else ""
    return StorageError(f"{place}{error.strerror or error}")
