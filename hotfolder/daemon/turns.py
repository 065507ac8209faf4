"""The order in which pictures of one folder come to their ends."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from hotfolder.disk import pulse
from hotfolder.ledger.reading import JobRow, folder_of

_LONGEST_S: Final = 60.0
"""An earlier one that is at work on a machine that is silent keeps nobody for ever."""
_LOOK_EVERY_S: Final = 0.2
"""How soon a stop is seen."""


class Turns:
    """Jobs under way, so that one which looks for what others bring does not overtake them.

    Of pictures that are dropped together, the one that is done first would else go without what a
    slower one before it brings, and what becomes of a picture would depend on which was faster.
    """

    def __init__(self, longest_s: float = _LONGEST_S) -> None:
        self._longest_s = longest_s
        self._under_way: dict[str, JobRow] = {}
        self._changed = threading.Condition()

    @contextmanager
    def under_way(self, row: JobRow) -> Iterator[None]:
        """Say that a job is under way, until it has been committed or goes no further now."""
        with self._changed:
            self._under_way[row.id] = row
        try:
            yield
        finally:
            self._forget(row)

    def wait_for_earlier(self, row: JobRow, stop: threading.Event) -> None:
        """Wait until the earlier ones of its folder that are under way have been committed.

        Not for longer than a minute: one that comes after it then names it (`name_passed_by`).
        """
        own = pulse.current() or pulse.Pulse()
        until_s = time.monotonic() + self._longest_s
        with own.paused(), self._changed:
            while self._has_earlier(row) and time.monotonic() < until_s and not stop.is_set():
                self._changed.wait(_LOOK_EVERY_S)

    @contextmanager
    def committing(self, row: JobRow) -> Iterator[None]:
        """One job at a time: of two, the second finds in the ledger what the first one brings."""
        with self._changed:
            yield
            self._forget(row)

    def _has_earlier(self, row: JobRow) -> bool:
        place = _place_of(row)
        return any(
            each.seq < row.seq and _place_of(each) == place for each in self._under_way.values()
        )

    def _forget(self, row: JobRow) -> None:
        with self._changed:
            self._under_way.pop(row.id, None)
            self._changed.notify_all()


def _place_of(row: JobRow) -> tuple[str, bytes]:
    return row.destination, folder_of(row.source)
