"""The daemon's loop: scan, claim, hand out, and say what is going on.

The loop's thread takes up settings, begins turns of destinations (`lanes`: events only wake them),
hands out jobs, and writes the snapshot that ``status`` reads. It asks nothing of a share. A job's
thread starts the worker process, checks what it made and delivers.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Final

from hotfolder.batch.desk import Desk
from hotfolder.batch.folder import BatchFolders
from hotfolder.daemon.claiming import Intake
from hotfolder.daemon.destinations import Destinations
from hotfolder.daemon.handing_out import HandingOut, Observer
from hotfolder.daemon.hot_folder import HotFolder
from hotfolder.daemon.jobs import Work
from hotfolder.daemon.lanes import NEVER_S, Lane, Turns, describe_in_the_way
from hotfolder.daemon.putting_away import PuttingAway
from hotfolder.daemon.rebuild import open_ledger
from hotfolder.daemon.rest import Rest
from hotfolder.daemon.service_manager import ServiceManager
from hotfolder.daemon.silence import Silence
from hotfolder.daemon.slots import Slots
from hotfolder.daemon.snapshot import IndexPages, Snapshots
from hotfolder.daemon.take_up import close
from hotfolder.daemon.trouble import About, Kind, Troubles
from hotfolder.daemon.under_way import has_original
from hotfolder.disk import apart, names, processes, pulse, trees
from hotfolder.disk.marker import away
from hotfolder.ending.deliver import Deliverer
from hotfolder.ending.discard import Discards
from hotfolder.ending.kept import KeptOriginals
from hotfolder.errors import Problem, StorageError
from hotfolder.ledger.jobs import JobRow, Ledger, State
from hotfolder.ledger.lock import served_alone
from hotfolder.ledger.pause import Pause
from hotfolder.logs import get_log
from hotfolder.measured.folder import MeasuredFolder
from hotfolder.overview.new_root import make_new_folders
from hotfolder.settings.files import Settings
from hotfolder.settings.known_folders import KnownFolders
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.stages.registry import Registry
from hotfolder.work.machines.opening import open_places
from hotfolder.work.machines.places import Places, Runner
from hotfolder.work.photograph import read_photograph
from hotfolder.work.worker import end_spare, keep_spare, run_attempt

_LEDGER = About(Kind.LEDGER)
_LOOK_AT_WORK_EVERY_S = 1.0
_LOOK_AT_SETTINGS_EVERY_S = 2.0
_LOOK_WHILE_PAUSED_S = 0.1
_STOP_S: Final = 2.5
"""At the end, how long jobs may still take, and half as long what is written last."""
_END_S: Final = 10.0
"""How long what is written last may take when nobody has asked for a stop."""


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
        self._troubles = Troubles(fill_in=root.fill_in)
        self._destinations: Destinations | None = None
        self._handing_out: HandingOut | None = None
        self._loop: Loop | None = None

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
            with served_alone(self.root, pulse.left_behind):
                self._serve(until_idle=until_idle)
        except OSError as error:
            raise describe_in_the_way(error) from error
        finally:
            end_spare()

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
        silences = self._loop.silent.values() if self._loop else ()
        silent = [each.message for each in silences]
        said = [*unreachable, *silent, *(each.message for each in self._troubles.all())]
        return list(dict.fromkeys(map(names.display_name, said)))

    def _open_ledger(
        self, folders: Mapping[str, DestinationFolders], with_tickets: Collection[str]
    ) -> Ledger | None:
        """Open the ledger; one that is made anew needs all folders. None when told to stop."""
        root, refused = self.root, self._settings.refused
        if not root.ledger.exists() and not root.snapshot.exists():  # never served
            known = KnownFolders(root)
            for name, each in folders.items():
                make_new_folders(root, name, each, known, lambda _: False)
        if not root.ledger.exists():
            looks = {name: partial(away, each.all()) for name, each in folders.items()}
            silent = sorted(looks.keys() - pulse.within(pulse.SILENT_S, looks).keys())
            if silent:
                raise StorageError(
                    f"the ledger {root.ledger} is not there and cannot be made while a folder of "
                    f"{', '.join(silent)} does not answer: it may know of jobs"
                )
        opening = partial(open_ledger, root, folders, refused, with_tickets)
        errand = pulse.Errand("serve the ledger", opening)
        while not errand.wait(_LOOK_AT_WORK_EVERY_S):
            if self._stop.is_set():
                return None
        return errand.answer()

    def _serve(self, *, until_idle: bool) -> None:
        root, settings = self.root, self._settings
        if self._run is run_attempt and not until_idle:
            keep_spare()
        folders = {
            name: root.folders(name, each.file.folders)
            for name, each in settings.destinations.items()
        }
        with_tickets = [name for name, each in settings.destinations.items() if each.file.ticket]
        ledger = self._open_ledger(folders, with_tickets)
        if ledger is None:
            return
        workers = settings.root.workers or processes.cpu_count()
        places = open_places(root, settings.root.engine, self._run, workers, self._wake.set)
        loop = self._loop = self._put_together(ledger, places, workers)
        self._destinations, self._handing_out = loop.destinations, loop.handing_out
        snapshots = Snapshots(
            root,
            loop.destinations,
            loop.handing_out,
            self._troubles,
            loop.pages,
            loop.silences,
            machines=places.machines,
        )
        manager = ServiceManager()

        def tell() -> None:
            snapshots.write()
            manager.say_alive()

        try:
            try:
                loop.destinations.begin()
                _recover(root, ledger, loop.destinations)
                get_log().info("daemon.started", root=str(root.path), pid=apart.known_as())
                manager.say_ready()
                loop.run(tell, until_idle=until_idle)
            finally:
                manager.say_stopping()
                loop.handing_out.finish(_STOP_S)
                places.close()
        finally:
            loop.end(_STOP_S / 2 if self._stop.is_set() else _END_S)
            snapshots.write(ended=True)
            with contextlib.suppress(OSError, StorageError):
                close(ledger, root)
            ledger.close()
            loop.destinations.let_go()
            get_log().info("daemon.stopped", root=str(root.path))

    def _put_together(self, ledger: Ledger, places: Places, workers: int) -> Loop:
        """Make every part of the daemon, each with those that it works with."""
        root, settings = self.root, self._settings
        destinations = Destinations(
            root, settings, self._registry, ledger, self._troubles, self._wake.set
        )
        kept = KeptOriginals(root.kept)
        desk = Desk(
            ledger, root.spool, destinations.folders_of, self._registry, destinations.file_of
        )
        deliverer = Deliverer(
            ledger,
            destinations.folders_of,
            kept if settings.root.keep_discarded else None,
            desk.shelf.find_other_ticket,
            root.path,
        )
        batches = BatchFolders(
            ledger, desk.shelf, destinations.get, destinations.folders_of, workers
        )
        handing_out = HandingOut(
            Work(
                root,
                ledger,
                deliverer,
                self._stop,
                Slots(places.count_slots),
                places.run,
                points=root.points_folder(settings.root.room_for_points),
            ),
            ledger,
            destinations,
            desk,
            self._rest,
            self._troubles,
            places.count_slots,
            self._wake.set,
            batches.changed,
            self._observer,
        )
        putting_away = PuttingAway(desk, self._troubles, batches.planned, deliverer.set_aside)
        discards = Discards(ledger, deliverer.record_log, kept, settings.root.keep_discarded)

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

        pages = IndexPages()
        turns = Turns(
            destinations,
            open_intake,
            putting_away,
            handing_out,
            batches,
            pages,
            self._troubles,
            self._wake.set,
            lambda destination: MeasuredFolder(root, destination, self._wake.set, read_photograph),
        )
        return Loop(
            ledger,
            destinations,
            turns,
            discards,
            handing_out,
            desk,
            self._rest,
            self._troubles,
            pages,
            self._stop,
            self._wake,
            Pause(root),
        )


@dataclass
class Loop:
    """What is done over and over, in a thread that asks nothing of a share: begin turns, hand out.

    What may hang is done in the threads of destinations (`lanes`) and of jobs.
    """

    ledger: Ledger
    destinations: Destinations
    turns: Turns
    discards: Discards
    handing_out: HandingOut
    desk: Desk
    rest: Rest
    troubles: Troubles
    pages: IndexPages
    stop: threading.Event
    wake: threading.Event
    pause: Pause
    lanes: dict[str, Lane] = field(default_factory=dict)
    """By destination."""
    silent: dict[str, Silence] = field(default_factory=dict)
    """By destination: what does not answer, as it was said last."""
    _expiring: pulse.Errand[None] | None = None

    def run(self, write_snapshot: Callable[[], None], *, until_idle: bool) -> None:
        """Go on until told to stop; with `until_idle`, until nothing waits that we can do."""
        while not self.stop.is_set():
            self.wake.clear()
            if self.pause.is_wanted():
                if not self._is_at_work():
                    self.pause.grant()
                write_snapshot()
                self.wake.wait(_LOOK_WHILE_PAUSED_S)
                continue
            self._turn()
            self._say_silent()
            write_snapshot()
            if until_idle and self._is_idle():
                return
            self.wake.wait(self._until_next(until_idle=until_idle))

    def end(self, seconds: float) -> None:
        """Let each destination write what is out of date; wait at most so many seconds."""
        ends_at = time.monotonic() + seconds
        lanes = [lane for lane in self.lanes.values() if lane.silence() is None]
        for lane in lanes:
            lane.wait(ends_at - time.monotonic())
        for lane in lanes:
            lane.begin(ended=True)
        for lane in lanes:
            lane.wait(ends_at - time.monotonic())

    def silences(self) -> dict[str, Silence]:
        """What does not answer now, by destination."""
        found = self.handing_out.silences()
        for name, lane in self.lanes.items():
            if name not in found and (silence := lane.silence()):
                found[name] = silence
        return found

    def _turn(self) -> None:
        """Do what can be done now."""
        try:
            for name in self.destinations.reload():
                self._lane(name).ask()
            for name in self.destinations:
                self._lane(name)
            self._forget_lanes()
            if self.handing_out.hand_out():
                for name, lane in self.lanes.items():
                    self.pages.changed(name)
                    lane.ask()
            for lane in self.lanes.values():
                lane.begin()
            self._expire()
            for destination in self.destinations.all().values():
                self.rest.say(destination, self.ledger, self.handing_out.workers)
            self.troubles.clear(_LEDGER)
        except StorageError as error:
            self.troubles.note(_LEDGER, error)
        except OSError as error:
            self.troubles.note(_LEDGER, describe_in_the_way(error))

    def _is_at_work(self) -> bool:
        """Whether anything is being done that changes a file or the ledger."""
        at_turns = any(lane.is_busy() for lane in self.lanes.values())
        return at_turns or self._expiring is not None or self.handing_out.is_at_work()

    def _expire(self) -> None:
        """Remove what was kept for long enough; the originals that it looks for are on shares."""
        done = self._expiring
        if done is not None and done.is_done():
            self._expiring = None
            done.answer()
        if self._expiring is None and self.discards.is_time_to_expire():
            self._expiring = pulse.Errand("serve what is kept", self.discards.expire)

    def _lane(self, name: str) -> Lane:
        return self.lanes.setdefault(name, Lane(name, self.turns))

    def _forget_lanes(self) -> None:
        for name, lane in list(self.lanes.items()):
            is_there = name in self.destinations or self.destinations.is_changing(name)
            if not is_there and not lane.is_busy():
                del self.lanes[name]
                self.turns.forget(name)

    def _say_silent(self) -> None:
        now = self.silences()
        for name in self.silent.keys() - now.keys():
            get_log().info("folder.answers_again", destination=name)
        for name in now.keys() - self.silent.keys():
            get_log().error("folder.silent", destination=name, reason=now[name].message)
        self.silent = now

    def _is_idle(self) -> bool:
        """Nothing runs, nothing settles, and what is open is not waited for."""
        broken = {each.about for each in self.troubles.all() if each.about.kind is Kind.LEDGER}
        if any(each.about.kind is Kind.LEDGER for each in self.troubles.hold_a_sweep()):
            return False
        if _LEDGER in broken:  # nothing at all can be done
            return True
        hopeless = {about.destination for about in broken}
        hopeless |= {
            name for name, silence in self.silences().items() if silence.seconds >= NEVER_S
        }
        lanes = [lane for name, lane in self.lanes.items() if name not in hopeless]
        at_work = [row for row, _ in self.handing_out.running.values()]
        if any(row.destination not in hopeless for row in at_work):
            return False
        if not all(lane.is_idle() for lane in lanes):
            return False
        if self._expiring is not None and self._expiring.pulse.silent_s() < NEVER_S:
            return False
        rows = self.ledger.open_jobs()
        resting = {
            _about(row) for row in rows if self._rests(row) or self.handing_out.is_put_off(row)
        }
        unreachable = {
            hot.destination.name for hot in self.destinations.hot_folders() if hot.problem
        }
        holding = self.troubles.hold_a_sweep(unreachable=unreachable, resting=resting)
        if any(each.about.destination not in hopeless for each in holding):
            return False
        return all(
            row.destination not in self.destinations
            or row.destination in hopeless
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
        free = [lane for lane in self.lanes.values() if not lane.is_busy()]
        due = [lane.next_s() for lane in free]
        due += [self.handing_out.next_try_s(), self.troubles.next_try_s(Kind.LEDGER)]
        for destination in self.destinations.all().values():
            opens_in = self.rest.opens_in(destination)
            due += [] if opens_in is None else [now + opens_in]
        if self.handing_out.running or len(free) < len(self.lanes):
            due.append(now + _LOOK_AT_WORK_EVERY_S)
        if until_idle:
            due.append(now + 0.2)
        # settings may have changed
        due.append(now + _LOOK_AT_SETTINGS_EVERY_S)
        return max(0.02, min(each for each in due if each is not None) - now)


def _recover(root: Root, ledger: Ledger, destinations: Destinations) -> None:
    """Take up what an earlier daemon left; jobs past their claim are simply handed out."""
    destinations.say_stray()
    known = {row.id for row in ledger.open_jobs()}
    for folder in root.spool.iterdir():
        # an original there is one that `take_up` could not place: its destination is out of reach
        if folder.name not in known and ledger.has_ended(folder.name) and not has_original(folder):
            trees.remove_tree(folder, below=root.spool)


def _about(row: JobRow) -> About:
    return About(Kind.JOB, row.destination, row.id)
