"""Processes: their groups, their parents, what they may use.

Like `platforms`, what only one operating system can do, with a fallback and its weaker promise.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import sys
from pathlib import Path
from typing import NoReturn

_LINUX = sys.platform == "linux"
_PR_SET_PDEATHSIG = 1
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8
_KEPT_BYTES = 2**28
_FROM_SYSTEM_BYTES = 2**26
"""Only larger pieces come from the system and go back to it by themselves."""


def own_group() -> None:
    """Make this process the head of a session and process group of its own, where there are such.

    Without it (Windows), `kill_group` ends the process alone and not what it has started.
    """
    if hasattr(os, "setsid"):
        with contextlib.suppress(PermissionError):  # it is the head of one already
            os.setsid()


def kill_group(pid: int) -> None:
    """End the process group of `pid` at once; nothing happens when there is none.

    On Windows there are no groups, and nothing is done.

    Raises
    ------
    ValueError
        For a number that no child can have, or for our own group.
    """
    if not hasattr(os, "killpg"):
        return
    if pid <= 1 or pid == os.getpgrp():
        raise ValueError(f"{pid} is not the process group of a child")
    with contextlib.suppress(ProcessLookupError):
        os.killpg(pid, signal.SIGKILL)


def end_own_group() -> NoReturn:
    """End this process at once, and where there are groups all of its group (`own_group`)."""
    if hasattr(os, "killpg"):
        os.killpg(os.getpgrp(), signal.SIGKILL)
    os._exit(1)


def keep_freed_memory() -> None:
    """Have this process keep what it frees for what it allocates next.

    Bands of a picture have some megabytes, and the system clears what it gives out: that was a
    tenth of the processor time of a job. For glibc; with another C library nothing changes.
    """
    if not _LINUX:
        return
    with contextlib.suppress(AttributeError, OSError):
        mallopt = ctypes.CDLL(None).mallopt
        mallopt(_M_ARENA_MAX, 1)  # what a thread frees is there for all
        mallopt(_M_MMAP_THRESHOLD, _FROM_SYSTEM_BYTES)
        mallopt(_M_TRIM_THRESHOLD, _KEPT_BYTES)


def die_with_parent() -> None:
    """Have the kernel end this process when its parent ends, also by ``kill -9``.

    Linux only: elsewhere a worker outlives a killed parent until its work is done. Linux watches
    the parent's *thread* that started the process.
    """
    if not _LINUX:
        return
    parent = os.getppid()
    ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, int(signal.SIGKILL), 0, 0, 0)
    if os.getppid() != parent:
        # it ended before the kernel was asked
        os.kill(os.getpid(), signal.SIGKILL)


def kill_children() -> None:
    """Kill the processes that this one has started itself.

    Linux only: elsewhere they end by themselves, some time after this one has.
    """
    for thread in Path("/proc/self/task").glob("*/children") if _LINUX else ():
        with contextlib.suppress(OSError):
            for pid in thread.read_text().split():
                os.kill(int(pid), signal.SIGKILL)


def limit_process(*, memory_bytes: int, cpu_s: int, open_files: int) -> None:
    """Limit this process and what it starts: memory of its own, processor time, open files.

    Memory is what it allocates (RLIMIT_DATA): mapping a large file to read it costs nothing. No
    core dump is written. macOS counts memory loosely and Windows has none of these limits.
    """
    try:
        import resource
    except ImportError:
        return
    for which, amount in (
        (resource.RLIMIT_DATA, memory_bytes),
        (resource.RLIMIT_CPU, cpu_s),
        (resource.RLIMIT_NOFILE, open_files),
        (resource.RLIMIT_CORE, 0),
    ):
        hard = resource.getrlimit(which)[1]
        allowed = amount if hard == resource.RLIM_INFINITY else min(amount, hard)
        resource.setrlimit(which, (allowed, allowed))


def oom_prefer_me() -> None:
    """Have Linux end this process first when the machine runs out of memory; nothing elsewhere."""
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("1000")


def cpu_count() -> int:
    """Processors that this process may use; where the system does not say, all there are."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
