"""Putting away: files that were claimed for batches go where they stay, and tickets are planned."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection
from contextlib import AbstractContextManager

from hotfolder.batch.desk import Desk
from hotfolder.daemon.trouble import About, Kind, Troubles
from hotfolder.errors import StorageError
from hotfolder.ledger.jobs import JobRow
from hotfolder.settings.files import Destination


class PuttingAway:
    """Keeps the files of batches, of each destination in that one's own thread."""

    def __init__(
        self,
        desk: Desk,
        troubles: Troubles,
        batch_changed: Callable[[str, str], None],
        set_aside: Callable[[JobRow], JobRow],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Prepare.

        set_aside: sets a job's result aside that its ticket no longer asks for; clock: the one of
        `troubles`.
        """
        self._desk = desk
        self._troubles = troubles
        self._batch_changed = batch_changed
        self._set_aside = set_aside
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
        if not self._desk.has_to_plan(name) and not self._desk.untidy(name):
            return
        with pausing as busy:  # also while what is not asked for goes, before its successors come
            for _, batch in self._desk.plan({name: destination}, busy):
                self._batch_changed(name, batch)
            self._tidy(name)

    def _tidy(self, name: str) -> None:
        """Set aside what tickets of a destination no longer ask for."""
        batches = sorted(self._desk.untidy(name))
        self._troubles.keep_only(Kind.BATCH, name, batches)
        for batch in self._troubles.choose(Kind.BATCH, name, batches):
            about = About(Kind.BATCH, name, batch)
            try:
                if self._desk.tidy(name, batch, self._set_aside):
                    self._batch_changed(name, batch)
            except StorageError as error:
                self._troubles.note(about, error)
            else:
                self._troubles.clear(about)

    def next_try_s(self, name: str) -> float | None:
        """When what could not be put away, or set aside, of a destination is tried next."""
        due = [self._troubles.next_try_s(kind, name) for kind in (Kind.BATCH_FILE, Kind.BATCH)]
        return min((each for each in due if each is not None), default=None)

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
