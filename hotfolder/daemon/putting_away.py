"""Putting away: files that were claimed for batches go where they stay, and tickets are planned."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection
from contextlib import AbstractContextManager

from hotfolder.batch.desk import Desk
from hotfolder.daemon.trouble import About, Kind, Troubles
from hotfolder.errors import StorageError
from hotfolder.settings.files import Destination


class PuttingAway:
    """Keeps the files of batches, of each destination in that one's own thread."""

    def __init__(
        self,
        desk: Desk,
        troubles: Troubles,
        batch_changed: Callable[[str, str], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Prepare; clock: the one of `troubles`."""
        self._desk = desk
        self._troubles = troubles
        self._batch_changed = batch_changed
        self._clock = clock
        self._settings: dict[str, Destination] = {}
        self._unseen: set[str] = set()

    def claimed(self, destination: str) -> None:
        """Remember that something was claimed for a destination; safe from any thread."""
        self._unseen.add(destination)

    def turn(
        self, destination: Destination, pausing: AbstractContextManager[Collection[str]]
    ) -> None:
        """Put away what has come for a destination, and plan the batches that it has come for.

        pausing: keeps its jobs from being begun, and gives those that have been, which planning
        must not take back.
        """
        name = destination.name
        if destination.file.ticket is None:
            self._troubles.keep_only(Kind.BATCH_FILE, name, ())
        elif self._is_due(name, destination):
            self._put_away(name, destination)
        self._settings[name] = destination
        if not self._desk.has_to_plan(name):
            return
        with pausing as busy:
            planned = self._desk.plan({name: destination}, busy)
        for _, batch in planned:
            self._batch_changed(name, batch)

    def next_try_s(self, name: str) -> float | None:
        """When a file of a destination that could not be put away is tried next."""
        return self._troubles.next_try_s(Kind.BATCH_FILE, name)

    def _is_due(self, name: str, destination: Destination) -> bool:
        """Whether to read what waits, which may be thousands of rows."""
        due = self._troubles.next_try_s(Kind.BATCH_FILE, name)
        return (
            name in self._unseen
            or destination is not self._settings.get(name)
            or (due is not None and due <= self._clock())
        )

    def _put_away(self, name: str, destination: Destination) -> None:
        self._unseen.discard(name)
        try:
            rows = {row.id: row for row in self._desk.list_arrived({name: destination})}
        except StorageError:
            self._unseen.add(name)
            raise
        self._troubles.keep_only(Kind.BATCH_FILE, name, rows)
        for job in self._troubles.choose(Kind.BATCH_FILE, name, list(rows)):
            about = About(Kind.BATCH_FILE, name, job)
            try:
                self._desk.take_in(rows[job])
            except StorageError as error:
                self._troubles.note(about, error)
            else:
                self._troubles.clear(about)
