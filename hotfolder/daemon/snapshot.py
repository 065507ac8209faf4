"""What the daemon says of itself: the snapshot that ``status`` reads, and the index pages."""

from __future__ import annotations

import contextlib
import json
import os
import time
from typing import Any

from hotfolder.daemon.destinations import Destinations
from hotfolder.daemon.handing_out import HandingOut
from hotfolder.daemon.trouble import Troubles
from hotfolder.errors import StorageError
from hotfolder.logs import get_log, utc_now
from hotfolder.settings.root import Root

_SNAPSHOT_EVERY_S = 1.0
_PAGES_EVERY_S = 2.0


class Snapshots:
    """Writes the snapshot, at most once a second."""

    def __init__(
        self, root: Root, destinations: Destinations, handing_out: HandingOut, troubles: Troubles
    ) -> None:
        self._root = root
        self._destinations = destinations
        self._handing_out = handing_out
        self._troubles = troubles
        self._started = utc_now()
        self._due = 0.0

    def write(self, *, ended: bool = False) -> None:
        """Write it if it is time; `ended`: in any case, and for the last time."""
        now = time.monotonic()
        if now < self._due and not ended:
            return
        self._due = now + _SNAPSHOT_EVERY_S
        temporary = self._root.snapshot.with_suffix(".new")
        # a full disk, or a ledger that cannot be read, must not stop the daemon for this
        with contextlib.suppress(OSError, StorageError):
            data = json.dumps(self._made(ended=ended)).encode("ascii")
            temporary.write_bytes(data)
            temporary.replace(self._root.snapshot)

    def _made(self, *, ended: bool) -> dict[str, Any]:
        hot_folders = self._destinations.hot_folders()
        return {
            "pid": None if ended else os.getpid(),
            "started": self._started,
            "written": utc_now(),
            "workers": self._handing_out.workers,
            "folders": {hot.destination.name: hot.status() for hot in hot_folders},
            "work": [
                {
                    "job": row.id,
                    "destination": row.destination,
                    "doing": doing,
                    "share": share,
                    "attempt": row.attempts,
                }
                for row, doing, share in ([] if ended else self._handing_out.progress())
            ],
            "trouble": [
                {"about": key, "message": trouble.message, "since": trouble.since}
                for key, trouble in self._troubles.all()
            ],
        }


class IndexPages:
    """Writes index pages that are out of date, now and then and at the end."""

    def __init__(self, destinations: Destinations) -> None:
        self._destinations = destinations
        self._due = 0.0
        self._unwritten: dict[str, str] = {}

    def refresh(self, *, ended: bool = False) -> None:
        """Write what is out of date, if it is time; `ended`: in any case."""
        now = time.monotonic()
        if now < self._due and not ended:
            return
        self._due = now + _PAGES_EVERY_S
        for hot in self._destinations.hot_folders():
            name = hot.destination.name
            try:
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
