"""Which jobs have a worker: no more at once than there are, the more urgent first.

A job takes a worker when all is done that can be done without one, and gives it back as soon as its
attempt has ended: what was made is looked at and delivered beside the next job's work.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Final

from hotfolder.disk import pulse
from hotfolder.ledger.jobs import JobRow
from hotfolder.settings.files import Destination

_LOOK_EVERY_S: Final = 0.1
"""How soon a stop is seen, and a machine that has joined meanwhile."""


class Slots:
    """Workers that jobs' threads take and give back."""

    def __init__(self, count: Callable[[], int]) -> None:
        """Prepare; count: how many attempts can be made at once, now."""
        self.on_return: Callable[[], None] = lambda: None
        """Called in a job's thread when it has given its worker back."""
        self.may_begin: Callable[[JobRow, Destination], bool] = lambda _row, _where: True
        """Asked when it is a job's turn: its destination may have changed, or rest, since."""
        self._count = count
        self._waiting: dict[str, int] = {}
        """Jobs and how urgent each is, by the time of their coming."""
        self._taken: set[str] = set()
        self._returned: set[str] = set()
        self._changed = threading.Condition()

    def take(self, row: JobRow, destination: Destination, stop: threading.Event) -> bool:
        """Wait for a worker; False when the job is not to begin now: then it has none."""
        own, job = pulse.current() or pulse.Pulse(), row.id
        with own.paused(), self._changed:
            self._waiting[job] = destination.file.priority
            try:
                while self._next() != job or len(self._taken) >= self._count():
                    if stop.is_set():
                        return False
                    self._changed.wait(_LOOK_EVERY_S)
                if stop.is_set() or not self.may_begin(row, destination):
                    return False
                self._taken.add(job)
            finally:
                del self._waiting[job]
                self._changed.notify_all()
        return True

    def give_back(self, job: str) -> None:
        """Let another job have this one's worker."""
        with self._changed:
            self._taken.discard(job)
            self._returned.add(job)
            self._changed.notify_all()
        self.on_return()

    def needs_worker(self, job: str, priority: int) -> bool:
        """Whether a job in hand has a worker, or will have one before others of a priority."""
        if job in self._returned:
            return False
        waits_with = self._waiting.get(job)
        return waits_with is None or waits_with >= priority

    def is_waiting(self, job: str) -> bool:
        """Whether a job is ready, and no worker is free."""
        return job in self._waiting

    def forget(self, job: str) -> None:
        """Forget a job whose thread has come to its end."""
        with self._changed:
            self._returned.discard(job)

    def _next(self) -> str:
        return max(self._waiting, key=self._waiting.__getitem__)
