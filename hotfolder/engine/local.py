"""Attempts on this machine alone, a few at once."""

from __future__ import annotations

import threading
from typing import Final

from hotfolder.disk import pulse
from hotfolder.engine.places import Runner
from hotfolder.model.answer import Answer
from hotfolder.model.machines import MachineStatus
from hotfolder.work.worker import Attempt, Stopped

_TRY_EVERY_S: Final = 0.1


class LocalPlaces:
    """Lets only so many attempts run at once, however many threads have a job in hand."""

    def __init__(self, run: Runner, number: int) -> None:
        self._run = run
        self._number = number
        self._free = threading.Semaphore(number)

    def run(self, attempt: Attempt, stop: threading.Event) -> Answer | Stopped:
        """Make an attempt when a worker is free."""
        own = pulse.current() or pulse.Pulse()
        with own.paused():
            while not self._free.acquire(timeout=_TRY_EVERY_S):
                if stop.is_set():
                    return Stopped()
            try:
                return self._run(attempt, stop)
            finally:
                self._free.release()

    def count_slots(self) -> int:
        """How many attempts run at once."""
        return self._number

    def machines(self) -> tuple[MachineStatus, ...]:
        """Nothing: there is one machine."""
        return ()

    def close(self) -> None:
        """Nothing is held."""
