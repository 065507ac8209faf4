"""One fault at one act of a sweep, then a sweep that is left alone, then the books are checked.

A case is a scenario, an act in it, and what happens there: the process is killed before or after
the act, the act fails for want of room or by an error of the disk, it fails though it was done, or
the power goes. Power loss is real: the root is on a file system of its own in a file, which is
told to stop as if the power had gone (EXT4_IOC_SHUTDOWN with NOLOGFLUSH, fs/ext4/ext4.h of the
Linux kernel): what had not been flushed is gone when it is mounted again.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import shutil
import signal
import struct
import subprocess
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from faults.killing import ACTS, in_a_child, run_here
from hotfolder.daemon import trouble
from hotfolder.daemon.loop import Daemon
from hotfolder.errors import StorageError
from hotfolder.ledger.jobs import Ledger, State
from hotfolder.logs import set_up_logs
from hotfolder.overview.check import check
from hotfolder.settings.root import Root

KILLS = ("kill before", "kill after")
ERRORS = ("no room", "disk error", "disk error after")
POWER = "power loss"

_EXT4_IOC_SHUTDOWN = 0x8004587D
_NOLOGFLUSH = 2

DEADLINE_S = 120

Plant = Callable[[], None]
"""Breaks the program on purpose, in the child."""


@dataclass(frozen=True)
class Fault:
    """What happens, and at which act."""

    kind: str
    number: int
    """Of the act, from 1."""
    mount: Path | None = None
    """Of the file system that loses power."""

    def strike(self) -> None:
        """The process ends, or its file system does."""
        if self.mount is not None:
            folder = os.open(self.mount, os.O_RDONLY)
            fcntl.ioctl(folder, _EXT4_IOC_SHUTDOWN, struct.pack("I", _NOLOGFLUSH))
        os.kill(os.getpid(), signal.SIGKILL)

    def error(self, owner: object) -> Exception:
        """The error that the act ends with."""
        number = errno.ENOSPC if self.kind == "no room" else errno.EIO
        if owner is Ledger:
            return StorageError(f"the ledger cannot be written: {os.strerror(number)}")
        return OSError(number, os.strerror(number))


@dataclass(frozen=True)
class KilledIn:
    """The process is killed when the first job has come to a state, and all files are claimed.

    Jobs run beside claims: the job waits in that state until the claims are done.
    """

    state: State
    files: int
    """How many there are to claim."""

    def strike(self) -> None:
        """The process ends."""
        os.kill(os.getpid(), signal.SIGKILL)


class StateWatch:
    """Wraps the changes of state, and kills when there is no doubt in which the jobs are."""

    def __init__(self, fault: KilledIn) -> None:
        self.fault = fault
        self.acts: list[str] = []
        self._claimed: set[str] = set()
        self._changed = threading.Condition()

    def install(self) -> None:
        advance = Ledger.advance

        def watched(ledger: Ledger, job: str, state: State, *rest: Any, **named: Any) -> Any:
            row = advance(ledger, job, state, *rest, **named)
            with self._changed:
                if state is State.CLAIMED:
                    self._claimed.add(job)
                    self._changed.notify_all()
                if state is not self.fault.state:
                    return row
                # a claim cannot wait for those after it: the last of them is the one that is meant
                wait_s = 0 if state is State.CLAIMED else DEADLINE_S / 2
                if self._changed.wait_for(self._all_are_claimed, wait_s):
                    self.fault.strike()
            return row

        Ledger.advance = watched  # type: ignore[method-assign]

    def _all_are_claimed(self) -> bool:
        return len(self._claimed) == self.fault.files


class Injector:
    """Wraps the acts, counts them, and lets one fault happen."""

    def __init__(self, fault: Fault | None) -> None:
        self.fault = fault
        self.acts: list[str] = []
        self._lock = threading.Lock()

    def install(self) -> None:
        for owner, name in ACTS:
            setattr(owner, name, self._wrapped(owner, getattr(owner, name), name))

    def _wrapped(self, owner: object, act: Callable[..., Any], name: str) -> Callable[..., Any]:
        def counted(*args: Any, **kwargs: Any) -> Any:
            with self._lock:
                self.acts.append(name)
                mine = len(self.acts)
            fault = self.fault
            if fault is None or mine != fault.number:
                return act(*args, **kwargs)
            if fault.kind == "kill before":
                fault.strike()
            if fault.kind in {"no room", "disk error"}:
                raise fault.error(owner)
            try:
                done = act(*args, **kwargs)
            finally:
                if fault.kind in {"kill after", POWER}:
                    fault.strike()
            if fault.kind == "disk error after":
                raise fault.error(owner)
            return done

        return counted


def sweep_with(
    root: Root, fault: Fault | KilledIn | None = None, plant: Plant | None = None
) -> list[str] | None:
    """Sweep in a child process that meets a fault.

    Returns
    -------
    list of str or None
        Its acts; None when the child was killed.

    Raises
    ------
    AssertionError
        When it ended otherwise than killed or with an answer.
    """

    def work() -> list[str]:
        set_up_logs(None, terminal=False)
        trouble._RETRY_S = (0.05,)
        trouble._SWEEP_TRIES = 8
        found = check(root)
        assert found.settings is not None
        assert found.registry is not None
        assert not found.problems, found.problems
        daemon = Daemon(root, found.settings, found.registry, run=run_here)
        if plant is not None:
            plant()
        injector = StateWatch(fault) if isinstance(fault, KilledIn) else Injector(fault)
        injector.install()
        with contextlib.suppress(StorageError):
            daemon.run(until_idle=True)
        return injector.acts

    said, status = in_a_child(work, DEADLINE_S)
    if os.WIFSIGNALED(status):
        assert os.WTERMSIG(status) == signal.SIGKILL, f"no end of the sweep after {fault}"
        return None
    assert os.WEXITSTATUS(status) == 0, f"the daemon died of {fault}"
    acts: list[str] = said
    return acts


# power


def why_no_power_loss() -> str:
    """Why this machine cannot have a file system of its own lose power; "" when it can."""
    why_not = why_no_loop_devices()
    if not why_not and shutil.which("mkfs.ext4") is None:
        return "there is no mkfs.ext4"
    return why_not


def why_no_loop_devices() -> str:
    """Why this machine cannot mount a file; "" when it can."""
    if os.geteuid() != 0:
        return "mounting needs root"
    if not Path("/dev/loop-control").exists():
        return "there are no loop devices"
    return ""


class Disk:
    """A small ext4 in a file, mounted at a folder."""

    def __init__(self, folder: Path) -> None:
        self.image, self.mount = folder / "disk.img", folder / "disk"
        self.mount.mkdir()

    def make(self) -> None:
        with self.image.open("wb") as file:
            file.truncate(64 * 2**20)
        run("mkfs.ext4", "-q", "-F", "-E", "lazy_itable_init=1,nodiscard", self.image)
        self.attach()

    def attach(self) -> None:
        run("mount", "-o", "loop", self.image, self.mount)

    def detach(self) -> None:
        run("umount", self.mount)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if os.path.ismount(self.mount):
            run("umount", "-l", self.mount)


def run(*command: object) -> None:
    subprocess.run([str(each) for each in command], check=True, capture_output=True)


def check_met(acts: list[str] | None, number: int) -> bool:
    """Whether a sweep that was to be killed was; one with fewer acts than were counted was not.

    Jobs run in threads, so what a kill leaves to do differs a little from one time to another.
    """
    assert acts is None or len(acts) < number, f"act {number} of {len(acts)} killed nothing"
    return acts is None


def lose_power(
    disk: Disk,
    root: Root,
    number: int,
    *,
    prepare: Callable[[Root], None] | None = None,
    plant: Plant | None = None,
) -> tuple[Root, bool]:
    """Copy a root onto a new disk, sweep it until the power goes, and mount what is left.

    Also returned: whether the sweep came to that act.
    """
    disk.make()
    there = Root(disk.mount / "root")
    shutil.copytree(root.path, there.path)
    if prepare is not None:
        prepare(there)
    run("sync", "-f", disk.mount)
    met = check_met(sweep_with(there, Fault(POWER, number, disk.mount), plant), number)
    disk.detach()
    disk.attach()
    return there, met


def lose_power_of_originals(disk: Disk, root: Root, number: int, plant: Plant | None) -> None:
    """Sweep a root whose originals are on a disk of their own, until that one loses its power.

    What is flushed on one ext4 takes along every rename before it, so where all of a root is on
    one disk, the ledger's own flushes hide that a folder was not flushed.
    """
    folder = root.path / "originals"
    aside = folder.rename(folder.with_name("aside"))
    folder.mkdir()
    disk.mount = folder
    disk.make()
    shutil.rmtree(folder / "lost+found")
    shutil.copytree(aside, folder, dirs_exist_ok=True)
    shutil.rmtree(aside)
    run("sync", "-f", folder)
    check_met(sweep_with(root, Fault(POWER, number, folder), plant), number)
    disk.detach()
    disk.attach()
