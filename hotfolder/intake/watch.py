"""What wakes the scan of a hot folder: events of the file system, or nothing but the clock.

An event only wakes; what it says is not looked at. Where a file system sends no events, or not
all (a share), or where the system has run out of watches, the mode is ``poll``: there is
nothing to run then, and whoever scans does so at short intervals.
"""

from __future__ import annotations

import errno
import logging
import threading
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Literal

from watchdog.events import (
    DirCreatedEvent,
    DirDeletedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileModifiedEvent,
    FileMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver

from hotfolder.disk.mounts import delivers_events, filesystem_type

Mode = Literal["events", "poll"]

_EVENTS: list[type[FileSystemEvent]] = [
    # not opened and closed without writing: our own looks at a file would wake us for ever
    DirCreatedEvent, DirDeletedEvent, DirMovedEvent, FileClosedEvent, FileCreatedEvent,
    FileDeletedEvent, FileModifiedEvent, FileMovedEvent,
]  # fmt: skip
# A new sub-folder may be seen twice, by its event and by the walk that follows; watchdog keeps one
# watch, as is right, and warns, which is nothing for a print room's terminal.
warnings.filterwarnings("ignore", "Callback with id", RuntimeWarning, "watchdog")

# watchdog logs an error whenever it is stopped; without a handler that would go to the terminal
logging.getLogger("watchdog").addHandler(logging.NullHandler())

_LIMITS = {errno.ENOSPC, errno.EMFILE, errno.ENOMEM, errno.ENFILE}
_JOIN_S = 5.0


class Watch:
    """Wakes a scan when something happens in a folder or below it; runs from the start.

    Parameters
    ----------
    folder
        The hot folder; when it is not there, the mode is ``poll`` until `restart`.
    mode
        ``"auto"``: events where the kind of file system delivers them all, else poll.
    wake
        Called from a thread of its own for every event; should return at once.

    Attributes
    ----------
    mode : {"events", "poll"}
        How the folder is watched now.
    reason
        Why so, for people: ``"ext4"``, ``"nfs4"``, ``"the system has run out of watches"``.
    """

    mode: Mode
    reason: str

    def __init__(
        self, folder: str | Path, mode: Literal["auto", "events", "poll"], wake: Callable[[], None]
    ) -> None:
        self._folder = Path(folder)
        self._wanted = mode
        self._handler = _Handler(wake)
        self._observer: BaseObserver | None = None
        self._place: tuple[int, int] | None = None
        self._start()

    def healthy(self) -> bool:
        """Tell whether events would still arrive: threads alive, the folder still the same one.

        Where nothing runs, nothing can fail: in mode ``poll`` this is always True. What it cannot
        see is a single sub-folder that could not be watched; the scan on a timer finds its files.
        """
        if self._observer is None:
            return True
        if self._handler.failure is not None or not self._observer.emitters:
            return False
        threads: list[threading.Thread] = [self._observer, *self._observer.emitters]
        # on Linux one more thread reads for the emitters, and they do not notice when it dies
        reader = getattr(self._observer, "_inotify_fd", None)
        if isinstance(reader, threading.Thread):
            threads.append(reader)
        alive = all(thread.is_alive() for thread in threads)
        return alive and _place(self._folder) == self._place

    def restart(self) -> None:
        """Stop and begin again; how to watch is decided anew."""
        self.stop()
        self._start()

    def stop(self) -> None:
        """End the watching; may be called twice."""
        observer, self._observer = self._observer, None
        if observer is not None:
            observer.stop()
            if observer.ident is not None:
                observer.join(_JOIN_S)

    def _start(self) -> None:
        self._handler.failure = None
        kind = filesystem_type(self._folder)
        if self._wanted == "poll":
            self._poll("as set in intake.watch")
        elif self._wanted == "auto" and not delivers_events(kind):
            self._poll(kind)
        else:
            self._watch_events(kind)

    def _watch_events(self, kind: str) -> None:
        self._place = _place(self._folder)
        if self._place is None:
            self._poll("the folder cannot be reached")
            return
        try:
            self._observer = Observer()
            self._observer.schedule(
                self._handler, str(self._folder), recursive=True, event_filter=_EVENTS
            )
            self._observer.start()
        except OSError as error:
            self.stop()
            self._poll(
                "the system has run out of watches"
                if error.errno in _LIMITS
                else f"{kind}: {error.strerror or error}"
            )
        except RecursionError:
            self.stop()
            self._poll("its sub-folders go too deep to be watched")
        else:
            self.mode, self.reason = "events", kind

    def _poll(self, reason: str) -> None:
        self.mode, self.reason = "poll", reason


class _Handler(FileSystemEventHandler):
    """Wakes. An exception here would end the watching thread silently, so it is kept instead."""

    def __init__(self, wake: Callable[[], None]) -> None:
        self._wake = wake
        self.failure: Exception | None = None

    def on_any_event(self, event: FileSystemEvent) -> None:
        try:
            self._wake()
        except Exception as error:  # noqa: BLE001 - `healthy` reports it, the watch is restarted
            self.failure = error


def _place(folder: Path) -> tuple[int, int] | None:
    try:
        found = folder.stat()
    except OSError:
        return None
    return (found.st_dev, found.st_ino)
