"""What people see of the daemon: the snapshot that ``status`` reads, and the index pages."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterable, Mapping

from hotfolder.daemon.destinations import Destinations
from hotfolder.daemon.handing_out import HandingOut
from hotfolder.daemon.hot_folder import HotFolder
from hotfolder.daemon.silence import Silence
from hotfolder.daemon.trouble import Trouble, Troubles
from hotfolder.disk import apart
from hotfolder.disk.names import display_name
from hotfolder.errors import StorageError
from hotfolder.logs import get_log, utc_now
from hotfolder.model.machines import MachineStatus
from hotfolder.model.snapshot import FolderStatus, Snapshot, TroubleStatus, WorkStatus
from hotfolder.settings.known_folders import WRITTEN
from hotfolder.settings.root import Root

_SNAPSHOT_EVERY_S = 1.0
_PAGES_EVERY_S = 2.0


class Snapshots:
    """Writes the snapshot, at most once a second."""

    def __init__(
        self,
        root: Root,
        destinations: Destinations,
        handing_out: HandingOut,
        troubles: Troubles,
        pages: IndexPages,
        silences: Callable[[], Mapping[str, Silence]],
        clock: Callable[[], float] = time.monotonic,
        machines: Callable[[], tuple[MachineStatus, ...]] = lambda: (),
    ) -> None:
        """Prepare.

        silences: what does not answer, by destination; machines: that work; clock: the one of
        `troubles`.
        """
        self._machines = machines
        self._silences = silences
        self._root = root
        self._destinations = destinations
        self._handing_out = handing_out
        self._troubles = troubles
        self._pages = pages
        self._clock = clock
        self._started = utc_now()
        self._due = 0.0

    def write(self, *, ended: bool = False) -> None:
        """Write it if it is time; `ended`: in any case, and for the last time."""
        now = self._clock()
        if now < self._due and not ended:
            return
        self._due = now + _SNAPSHOT_EVERY_S
        temporary = self._root.snapshot.with_suffix(".new")
        # a full disk, or a ledger that cannot be read, must not stop the daemon for this
        with contextlib.suppress(OSError, StorageError):
            temporary.write_text(self.take(ended=ended).model_dump_json(), "utf-8")
            temporary.replace(self._root.snapshot)

    def take(self, *, ended: bool = False) -> Snapshot:
        """Say what is going on now."""
        hot_folders = self._destinations.hot_folders()
        silences = self._silences()
        at_work = () if ended else self._handing_out.progress()
        return Snapshot(
            pid=apart.known_as(),
            started=self._started,
            written=utc_now(),
            workers=self._handing_out.workers,
            folders={
                hot.destination.name: self._status(hot, silences.get(hot.destination.name))
                for hot in hot_folders
            },
            work=tuple(
                WorkStatus(
                    job=row.id,
                    destination=row.destination,
                    doing=doing,
                    share=share,
                    attempt=row.attempts,
                )
                for row, doing, share in at_work
            ),
            troubles=tuple(in_words(self._troubles.all(), self._clock())),
            machines=() if ended else self._machines(),
        )

    def _status(self, hot: HotFolder, silence: Silence | None) -> FolderStatus:
        said, name = hot.status(), hot.destination.name
        remarks = (*said.remarks, *self._pages.remarks(name), *self._handing_out.remarks(name))
        changes: dict[str, object] = {"remarks": remarks}
        if silence:
            changes |= {"silent": display_name(silence.message), "silent_since": silence.since}
        return said.model_copy(update=changes)


def in_words(troubles: Iterable[Trouble], now_s: float) -> Iterable[TroubleStatus]:
    """Say what is in trouble as ``status`` reads it; names and messages are fit for showing."""
    for each in troubles:
        yield TroubleStatus(
            kind=each.about.kind.value,
            destination=each.about.destination,
            name=display_name(each.about.name),
            message=display_name(each.message),
            since=each.since,
            next_try_s=round(max(0.0, each.next_try_s - now_s), 1),
            tries=each.tries,
        )


class IndexPages:
    """Writes index pages that are out of date, of each destination in that one's own thread."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._due: dict[str, float] = {}
        self._changed: set[str] = set()
        self._unwritten: dict[str, str] = {}

    def remarks(self, name: str) -> list[str]:
        """Why pages of a destination show an earlier state, as sentences fit for showing."""
        reason = display_name(self._unwritten.get(name, ""))
        return [f"its pages cannot be written and are out of date: {reason}"] if reason else []

    def changed(self, name: str) -> None:
        """Remember that pages of a destination are out of date; from any thread."""
        self._changed.add(name)

    def next_s(self, name: str) -> float | None:
        """When pages of a destination are to be written; None when none are out of date."""
        return self._due.get(name, 0.0) if name in self._changed | self._unwritten.keys() else None

    def refresh(self, hot: HotFolder, *, ended: bool = False) -> None:
        """Write what is out of date of a destination, if it is time; `ended`: in any case."""
        now, name = self._clock(), hot.destination.name
        if now < self._due.get(name, 0.0) and not ended:
            return
        self._due[name] = now + _PAGES_EVERY_S
        self._changed.discard(name)
        try:
            hot.check_folders(WRITTEN)
            hot.pages.refresh()
            self._unwritten.pop(name, None)
        except Exception as error:  # noqa: BLE001 - a convenience; the next turn tries again
            if self._unwritten.get(name) != str(error):
                expected = isinstance(error, OSError | StorageError)
                get_log().warning(
                    "pages.not_written",
                    destination=name,
                    reason=str(error),
                    exc_info=not expected,
                )
            self._unwritten[name] = str(error)
