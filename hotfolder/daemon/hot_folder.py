"""A hot folder at work: watched, scanned when due, and what has settled in it."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Collection

from hotfolder.daemon.trouble import Kind, Troubles
from hotfolder.disk.marker import Unreachable, away
from hotfolder.disk.names import display_name
from hotfolder.ending.kept import KeptOriginals
from hotfolder.ending.lists import Pages
from hotfolder.ending.release import ReleaseFolder
from hotfolder.intake.scan import Candidate, scan
from hotfolder.intake.settle import Settler
from hotfolder.intake.sidecars import Paired, Sidecar, is_sidecar, pair, say_orphan
from hotfolder.intake.watch import Watch
from hotfolder.logs import get_log, utc_now
from hotfolder.model.snapshot import ArrivingFile, FolderStatus
from hotfolder.settings.files import Destination
from hotfolder.settings.known_folders import KINDS, KnownFolders
from hotfolder.settings.root import DestinationFolders

_SHOWN = 50
_REST_FACTOR = 4
"""A hot folder is not looked at for so many times as long as the last look took."""


class HotFolder:
    """What the daemon knows of one destination's hot folder.

    destination: its settings, as taken up last; ready: settled files, the oldest first;
    due: when it is looked at next, on the clock of `time.monotonic`; problem: why it cannot be
    reached, or ""; settings_stamp: of the settings file when it was last read; released: the
    folder in which a person puts held jobs to let them go; is_ours: of a file by its path, whether
    it is no input (`overlaps.Upstream`); put_off: relative paths of what could not be taken, of
    which `Troubles` says when it is tried again; set_aside: what the last scan found under names
    of ours.
    """

    def __init__(
        self,
        destination: Destination,
        folders: DestinationFolders,
        pages: Pages,
        wake: Callable[[], None],
        settings_stamp: tuple[int, int],
        troubles: Troubles,
        known: KnownFolders,
        kept: KeptOriginals,
    ) -> None:
        self.destination = destination
        self.folders = folders
        self.pages = pages
        self.settings_stamp = settings_stamp
        self.is_ours: Callable[[str], bool] = lambda _: False
        self._known = known
        self.ready: deque[Candidate] = deque()
        self.put_off: set[str] = set()
        self.set_aside: tuple[str, ...] = ()
        self._troubles = troubles
        self.due = 0.0
        self._rests_until = 0.0
        self.problem = ""
        self._problem_since = ""
        self._away: dict[str, tuple[str, str]] = {}
        self._last_scan = ""
        self._junk = 0
        self.released = ReleaseFolder(destination.name, folders.release, kept)
        self._remarks: tuple[str, ...] = ()
        self._paired = Paired({}, ())
        self._woken = threading.Event()

        def wake_both() -> None:
            self._woken.set()
            wake()

        settings = destination.intake
        self._settler = Settler(settings.quiet, settings.patience)
        # a watch looks at its folder, which may hang: nothing is watched before the first look
        self._watch: Watch | None = None
        self._release_watch: Watch | None = None
        self._wake_both = wake_both

    def look(self) -> None:
        """Scan if an event or the clock says so, and see what has settled."""
        now = time.monotonic()
        if self.ready or (not self._woken.is_set() and now < self.due):
            return  # what has settled is taken first; the scan after that finds the rest
        if now < self._rests_until:
            self.due = min(self.due, self._rests_until)
            return
        self._woken.clear()
        self._look_at_the_others()
        try:
            self.check_folders()
            found = scan(self.folders.hot_folder, is_ours=self.is_ours)
        except Unreachable as error:
            self._note_unreachable(self._known.root.fill_in(str(error)))
            self.due = now + self.destination.intake.poll
            return
        # a folder with thousands of sub-folders would be read again for each file that comes
        self._rests_until = time.monotonic() + _REST_FACTOR * found.elapsed_s
        watched_all_along = not self.problem and self._watch is not None and self._watch.healthy()
        if self.problem:
            get_log().info("folder.reachable_again", folder=str(self.folders.hot_folder))
            self.problem = ""
        if self._watch is None:
            how, folders = self.destination.intake.watch, self.folders
            self._watch = Watch(folders.hot_folder, how, self._wake_both)
            self._release_watch = Watch(folders.release, how, self._wake_both)
        elif not watched_all_along:
            self._watch.restart()
        self._last_scan = utc_now()
        self._junk = found.junk
        self.set_aside = found.set_aside
        self._remarks = found.problems
        self._pair(found.candidates)
        settled = self._with_sidecars(self._settler.update(found.candidates))
        # also while it settles anew: a claim that failed half-way has changed the file's ctime
        self.put_off &= {each.relative for each in found.candidates}
        self.ready = deque(self._to_be_tried(settled))
        next_check = self._settler.next_check_s()
        self.due = now + min(
            self._interval(), self._interval() if next_check is None else next_check
        )
        if self._away:  # no event tells when another folder is back
            self.due = min(self.due, now + self.destination.intake.poll)
        if not self.ready:
            self._mind_put_off()
        if not watched_all_along:
            self.due = now  # what came between this scan and the new watch has woken nobody

    def check_folders(self, kinds: Collection[str] = KINDS) -> DestinationFolders:
        """Return the destination's folders, to look into or write to: they are the ones they were.

        kinds: of those that are looked at.

        Raises
        ------
        Unreachable
            When one of them is another one.
        """
        self._known.check(self.destination.name, self.folders, kinds=kinds)
        return self.folders

    def sidecar_of(self, candidate: Candidate) -> Sidecar | None:
        """The XMP sidecar that belongs to a picture of the last scan."""
        return self._paired.of.get(candidate.relative)

    def taken(self, candidate: Candidate) -> None:
        """The first of `ready` has been claimed, or is not there any more."""
        self.ready.popleft()
        self.put_off.discard(candidate.relative)
        self._settler.forget(candidate)
        self._mind_put_off()  # those that waited for the same may go as well

    def later(self, candidate: Candidate) -> None:
        """The first of `ready` could not be claimed: others go first, it is tried again later."""
        self.ready.popleft()
        self.put_off.add(candidate.relative)
        self._mind_put_off()

    def is_idle(self) -> bool:
        """Whether nothing arrives and nothing waits, as far as the last scan could see."""
        if self.ready or (self._woken.is_set() and not self.problem):
            return False
        # what was arriving in a folder that has gone will not come any further
        return bool(self.problem) or (not self._settler.waiting() and self.due > time.monotonic())

    def is_woken(self) -> bool:
        """Whether an event asks for a look, and it is time for one."""
        return self._woken.is_set() and time.monotonic() >= self._rests_until

    def next_look_s(self) -> float:
        """When to look again, on the clock of `time.monotonic`."""
        return min(self.due, self._rests_until) if self._woken.is_set() else self.due

    def stop(self) -> None:
        """Stop watching."""
        for watch in filter(None, (self._watch, self._release_watch)):
            watch.stop()

    def status(self) -> FolderStatus:
        """What ``status`` says of it; from any thread."""
        waiting, watch = self._settler.waiting(), self._watch
        return FolderStatus(
            hot_folder=display_name(str(self.folders.hot_folder)),
            watch=watch.mode if watch else "",
            watch_reason=watch.reason if watch else "",
            last_scan=self._last_scan,
            left_alone=self._junk,
            remarks=tuple(map(display_name, [*self._remarks, *self.released.remarks()][:_SHOWN])),
            unreachable=display_name(self.problem),
            unreachable_since=self._problem_since if self.problem else "",
            away={display_name(folder): since for folder, (_, since) in list(self._away.items())},
            arriving=len(waiting),
            arriving_files=tuple(
                ArrivingFile(file=each.name, reason=each.reason, since_s=round(each.since_s, 1))
                for each in waiting[:_SHOWN]
            ),
        )

    def _pair(self, candidates: Collection[Candidate]) -> None:
        """Find which sidecars belong to which pictures; a ticket's pictures have captions instead.

        One that waits for its picture, or whose picture has gone without it, is said.
        """
        is_for_tickets = self.destination.file.ticket is not None
        self._paired = pair(candidates)
        if is_for_tickets:
            self._paired = Paired({}, tuple(filter(is_sidecar, candidates)))
        said = (say_orphan(each, is_for_tickets=is_for_tickets) for each in self._paired.orphans)
        self._remarks = (*self._remarks, *said)

    def _with_sidecars(self, settled: list[Candidate]) -> list[Candidate]:
        """Those pictures of which the sidecar has settled, too; a sidecar alone is no job."""
        there = {each.relative for each in settled}
        return [
            each
            for each in settled
            if not is_sidecar(each)
            and ((own := self.sidecar_of(each)) is None or own.candidate.relative in there)
        ]

    def _to_be_tried(self, settled: list[Candidate]) -> list[Candidate]:
        if not self.put_off:
            return settled
        by_name = {each.relative: each for each in settled}
        chosen = self._troubles.choose(Kind.FILE, self.destination.name, list(by_name))
        return [by_name[name] for name in chosen]

    def _mind_put_off(self) -> None:
        """Look again when one that was put off is to be tried."""
        due = self._troubles.next_try_s(Kind.FILE, self.destination.name) if self.put_off else None
        self.due = self.due if due is None else min(self.due, due)

    def _look_at_the_others(self) -> None:
        """Note which of the destination's other folders are away, before a job needs them."""
        others = set(vars(self.folders).values()) - {self.folders.hot_folder}
        fill_in = self._known.root.fill_in
        now = {folder: fill_in(reason) for folder, reason in away(sorted(others)).items()}
        for folder in set(self._away) - set(now):
            get_log().info("folder.reachable_again", folder=folder)
            del self._away[folder]
            for kind in (Kind.JOB, Kind.HELD):
                self._troubles.hurry(kind, self.destination.name)
        for folder, reason in now.items():
            if folder not in self._away:
                self._away[folder] = reason, utc_now()
                get_log().error("folder.unreachable", folder=folder, reason=reason)

    def _interval(self) -> float:
        settings = self.destination.intake
        is_watched = self._watch is not None and self._watch.mode == "events"
        return settings.rescan if is_watched else settings.poll

    def _note_unreachable(self, reason: str) -> None:
        if not self.problem:
            self._problem_since = utc_now()
            folder = str(self.folders.hot_folder)
            get_log().error("folder.unreachable", folder=folder, reason=reason)
        self.problem = reason
