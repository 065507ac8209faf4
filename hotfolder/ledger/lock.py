"""One process serves a root: a lock of the operating system, and the name of who holds it."""

from __future__ import annotations

import contextlib
import json
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from hotfolder.disk import apart, platforms
from hotfolder.errors import RootInUse, StorageError
from hotfolder.logs import utc_now
from hotfolder.pages.words import local_time
from hotfolder.settings.root import Root

_GIVE_UP_AFTER_S = 1.0
_TRY_EVERY_S = 0.02


@dataclass(frozen=True)
class Holder:
    """The process that serves a root."""

    pid: int | None
    """Its number; None when it has not said it."""
    since: str
    """UTC; "" when it has not said it."""


@contextlib.contextmanager
def served_alone(
    root: Root, wait_for: Callable[[], Sequence[threading.Thread]] = tuple
) -> Iterator[None]:
    """Hold the root's lock; a killed process holds it no more.

    wait_for: threads that are left behind at the end, since a share does not answer. While one of
    them lives it may still do what it is at, so the lock goes when the last of them has ended, or
    with the process.

    What is locked is the private folder itself, which has the ledger in it: there is no file that
    somebody could delete to let a second process in.

    Raises
    ------
    RootInUse
        When another process has it; the message names that one.
    StorageError
        When the root's private folder cannot be written.
    """
    try:
        root.spool.mkdir(parents=True, exist_ok=True)
        release = _acquire(root)
    except OSError as error:
        raise StorageError(f"{root.private}: {error.strerror}; is {root.path} a root?") from error
    if release is None:
        found = _said(root)
        if found.pid is None:
            raise RootInUse(f"{root.path} is served by another process")
        raise RootInUse(
            f"{root.path} is served by process {found.pid} since {local_time(found.since)}; "
            "stop that one first"
        )
    try:
        with contextlib.suppress(OSError):  # only for a message; the lock itself is held
            root.holder.write_text(json.dumps({"pid": apart.known_as(), "since": utc_now()}))
        yield
    finally:
        left = [thread for thread in wait_for() if thread.is_alive()]

        def let_go() -> None:
            with contextlib.suppress(OSError):
                root.holder.unlink(missing_ok=True)
            release()

        def let_go_when_all_have_ended() -> None:
            for thread in left:
                thread.join()
            apart.before_leaving.remove(let_go)
            let_go()

        if left:
            # a process that is stuck in a call does not end, and would keep what it has locked
            apart.before_leaving.append(let_go)
            threading.Thread(target=let_go_when_all_have_ended, name="lock", daemon=True).start()
        else:
            let_go()


def find_holder(root: Root) -> Holder | None:
    """Tell which process serves a root now; None when nobody does.

    The lock is asked, not a number that was written down: the process of that number may have
    ended long ago, and another may have got it. A process that begins to serve the root at this
    moment is not kept from it.

    Raises
    ------
    StorageError
        When the private folder is there and cannot be read.
    """
    try:
        is_locked = platforms.is_folder_locked(root.private)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise StorageError(f"{root.private} cannot be read: {error.strerror}") from error
    return _said(root) if is_locked else None


def _acquire(root: Root) -> platforms.Release | None:
    """Take the lock; wait for a moment, since somebody who only asks may have it for as long."""
    deadline = time.monotonic() + _GIVE_UP_AFTER_S
    while True:
        release = platforms.lock_folder(root.private)
        if release is not None or time.monotonic() > deadline:
            return release
        time.sleep(_TRY_EVERY_S)


def _said(root: Root) -> Holder:
    try:
        said = json.loads(root.holder.read_text())
        return Holder(int(said["pid"]), str(said["since"]))
    except (OSError, ValueError, KeyError, TypeError):
        return Holder(None, "")
