"""A process that can be left behind, with one in front of it that ends in its place.

A call on a share may not come back even when its process is killed (a file system in user space
that must be told that a file was closed), and that process ends only when it does. Whoever waits
for the end of the program, a terminal or a service manager, waits for the one in front: it passes
signals on, ends as soon as the one behind has said how it ends, and takes it along when it is
killed itself. Where there is no `os.fork`, there is one process.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable
from types import FrameType
from typing import Final, NoReturn

from hotfolder.disk import processes, pulse

_LINGER_S: Final = 0.5

before_leaving: list[Callable[[], None]] = []
"""Done when this process ends and a thread is left behind: from then on that one does nothing."""

_known_as: list[int] = []
_way_out: list[int] = []


def known_as() -> int:
    """Return the number of the process that people see, signal and wait for."""
    return _known_as[0] if _known_as else os.getpid()


def step_behind() -> None:
    """Go on in a process that can be left behind; only to be called before threads are started."""
    if not hasattr(os, "fork"):
        return
    read, write = os.pipe()
    sys.stdout.flush()
    sys.stderr.flush()
    in_front = os.getpid()
    behind = os.fork()
    if behind:
        os.close(write)
        _stand_in_front(behind, read)
    os.close(read)
    _known_as[:], _way_out[:] = [in_front], [write]
    processes.die_with_parent()


def end(code: int) -> NoReturn:
    """End this process, also when a thread or a worker of it waits for a share."""
    sys.stdout.flush()
    sys.stderr.flush()
    if not pulse.left_behind():
        sys.exit(code)
    for act in before_leaving:
        act()
    # whoever reads what was printed is told that nothing follows, also if this process gets stuck;
    # what workers are started from prints to the same places
    nowhere = os.open(os.devnull, os.O_RDWR)
    for standard in (1, 2):
        os.dup2(nowhere, standard)
    processes.kill_children()
    for write in _way_out:
        os.write(write, bytes([code]))
    os._exit(code)


def _stand_in_front(behind: int, read: int) -> NoReturn:
    def pass_on(number: int, _frame: FrameType | None) -> None:
        os.kill(behind, number)

    signal.signal(signal.SIGTERM, pass_on)
    # a terminal sends it to both; whoever sends it to this one alone means both
    signal.signal(signal.SIGINT, pass_on)
    said = os.read(read, 1)
    ends_at = time.monotonic() + _LINGER_S
    status = 0
    while True:
        ended, status = os.waitpid(behind, os.WNOHANG if said else 0)
        if ended:
            break
        if time.monotonic() >= ends_at:
            os._exit(said[0])
        time.sleep(0.02)
    if os.WIFSIGNALED(status):
        number = os.WTERMSIG(status)
        signal.signal(number, signal.SIG_DFL) if number != signal.SIGKILL else None
        os.kill(os.getpid(), number)
    os._exit(os.waitstatus_to_exitcode(status))
