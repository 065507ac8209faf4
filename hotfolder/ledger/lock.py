"""One process serves a root: a lock of the operating system, and the name of who holds it."""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterator

from filelock import FileLock, Timeout

from hotfolder.errors import RootInUse, StorageError
from hotfolder.logs import utc_now
from hotfolder.settings.root import Root


@contextlib.contextmanager
def served_alone(root: Root) -> Iterator[None]:
    """Hold the root's lock; a killed process holds it no more.

    Raises
    ------
    RootInUse
        When another process has it; the message names that one.
    StorageError
        When the root's private folder cannot be written.
    """
    lock = FileLock(root.lock, thread_local=False)
    holder = root.lock.with_suffix(".pid")
    try:
        root.spool.mkdir(parents=True, exist_ok=True)
        lock.acquire(timeout=0)
    except Timeout:
        with contextlib.suppress(OSError, ValueError, KeyError):
            said = json.loads(holder.read_text())
            raise RootInUse(
                f"{root.path} is served by process {said['pid']} since {said['since']}; "
                "stop that one first"
            ) from None
        raise RootInUse(f"{root.path} is served by another process") from None
    except OSError as error:
        raise StorageError(f"{root.lock}: {error.strerror}; is {root.path} a root?") from error
    try:
        with contextlib.suppress(OSError):  # only for a message; the lock itself is held
            holder.write_text(json.dumps({"pid": os.getpid(), "since": utc_now()}))
        yield
    finally:
        lock.release()
