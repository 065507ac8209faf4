"""Attempts on this machine alone; `daemon.slots` lets only so many be made at once."""

from __future__ import annotations

import threading

from hotfolder.disk import pulse
from hotfolder.model.answer import Answer
from hotfolder.model.machines import MachineStatus
from hotfolder.work.machines.places import Runner
from hotfolder.work.worker import Attempt, Stopped


class LocalPlaces:
    """Makes attempts here."""

    def __init__(self, run: Runner, number: int) -> None:
        self._run = run
        self._number = number

    def run(self, attempt: Attempt, stop: threading.Event) -> Answer | Stopped:
        """Make an attempt."""
        own = pulse.current() or pulse.Pulse()
        with own.paused():
            return self._run(attempt, stop)

    def count_slots(self) -> int:
        """How many attempts may be made at once."""
        return self._number

    def machines(self) -> tuple[MachineStatus, ...]:
        """Nothing: there is one machine."""
        return ()

    def close(self) -> None:
        """Nothing is held."""
