"""Serve a root in the test's own process, with a worker of the test's choice."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import contextmanager
from pathlib import Path

from faults.killing import run_here
from hotfolder.daemon.loop import Daemon
from hotfolder.intake.scan import Candidate, scan
from hotfolder.overview.check import check
from hotfolder.settings.root import Root
from hotfolder.work.worker import Answer, Attempt, Stopped, run_attempt

DEADLINE_S = 120.0
CANVAS = "fine-art-canvas"

Runner = Callable[[Attempt, threading.Event], Answer | Stopped]

__all__ = ["CANVAS", "DEADLINE_S", "candidate", "daemon_of", "run_attempt", "serving", "sweep"]


def daemon_of(root: Root, run: Runner = run_here) -> Daemon:
    found = check(root)
    assert found.settings is not None, found.problems
    assert found.registry is not None
    assert found.problems == ()
    return Daemon(root, found.settings, found.registry, run=run)


def sweep(root: Root, run: Runner = run_here) -> list[str]:
    """Serve until nothing waits; what is in the way of the rest, as sentences."""
    daemon = daemon_of(root, run)
    daemon.run(until_idle=True)
    return daemon.troubles()


@contextmanager
def serving(root: Root, run: Runner = run_here):
    """A daemon at work in a thread of its own."""
    daemon = daemon_of(root, run)
    thread = threading.Thread(target=daemon.run)
    thread.start()
    try:
        yield daemon
    finally:
        daemon.stop()
        thread.join(DEADLINE_S)
        assert not thread.is_alive()


def candidate(folder: Path, relative: str) -> Candidate:
    """What a scan says of one thing in a hot folder."""
    (found,) = (each for each in scan(folder).candidates if each.relative == relative)
    return found
