"""Where attempts are made: the one interface between the daemon and the machines that work."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Protocol

from hotfolder.model.answer import Answer
from hotfolder.model.machines import MachineStatus
from hotfolder.work.worker import Attempt, Stopped

Runner = Callable[[Attempt, threading.Event], Answer | Stopped]
"""Makes one attempt on this machine."""


class Places(Protocol):
    """Makes attempts, here or elsewhere.

    Whatever the machines do, an attempt comes to one answer, and what it made is then in the
    attempt's folder on the daemon's machine, where `daemon.answers` believes none of it before it
    has looked.
    """

    def run(self, attempt: Attempt, stop: threading.Event) -> Answer | Stopped:
        """Make an attempt when there is room for it; returns when it has ended.

        While it goes on, `hotfolder.work.worker.read_progress` says how far it is.

        Raises
        ------
        OSError
            When no process can be started.
        """

    def count_slots(self) -> int:
        """How many attempts can be made at once, now."""

    def machines(self) -> tuple[MachineStatus, ...]:
        """What there is to say of other machines and, beside them, of this one."""

    def close(self) -> None:
        """Ask no machine any more."""
