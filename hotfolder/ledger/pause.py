"""Asking the daemon to hold still for a moment: a file that says so, and one that says it does.

`hotfolder backup` copies what does not change while the daemon works, then asks for a pause, and
copies what has changed since. Whoever asks says so again and again: an asker that was killed leaves
a file that grows old, and the daemon goes on.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from hotfolder.errors import RootInUse, StorageError
from hotfolder.ledger.lock import served_alone
from hotfolder.settings.root import Root

_FRESH_S = 15.0
_SAY_EVERY_S = 2.0
_LOOK_EVERY_S = 0.1
_WAIT_S = 600.0
"""As long as most jobs take."""


class Pause:
    """The daemon's side."""

    def __init__(self, root: Root) -> None:
        self._wanted = root.private / "pause"
        self._granted = root.private / "pause.granted"

    def is_wanted(self) -> bool:
        """Whether somebody asks the daemon to hold still, and is still there to ask."""
        try:
            age = time.time() - self._wanted.stat().st_mtime
        except OSError:
            self._granted.unlink(missing_ok=True)
            return False
        if abs(age) < _FRESH_S:
            return True
        self._granted.unlink(missing_ok=True)
        return False

    def grant(self) -> None:
        """Say that nothing is being done, and nothing will be as long as it is asked for."""
        with contextlib.suppress(OSError):
            if not self._granted.exists():
                self._granted.write_text(self._wanted.read_text())


@contextlib.contextmanager
def hold_still(root: Root) -> Iterator[None]:
    """Keep everybody else from changing a root: no daemon serves it, or the one that does pauses.

    Raises
    ------
    StorageError
        As for `paused`.
    """
    with contextlib.ExitStack() as stack:
        try:
            stack.enter_context(served_alone(root))
        except RootInUse:
            stack.enter_context(paused(root, within_s=_WAIT_S))
        yield


@contextlib.contextmanager
def paused(root: Root, *, within_s: float) -> Iterator[None]:
    """Make the daemon that serves a root hold still.

    Raises
    ------
    StorageError
        When it does not within some time: a job that takes long is being worked on.
    """
    wanted, granted = root.private / "pause", root.private / "pause.granted"
    token = f"{time.time_ns()}"
    over = threading.Event()

    def go_on_saying() -> None:
        while not over.wait(_SAY_EVERY_S):
            with contextlib.suppress(OSError):
                wanted.touch()

    wanted.write_text(token)
    thread = threading.Thread(target=go_on_saying, name="pause", daemon=True)
    thread.start()
    try:
        deadline = time.monotonic() + within_s
        while not _says(granted, token):
            if time.monotonic() > deadline:
                raise StorageError(
                    f"{root.path}: a job has been worked on for {within_s:.0f} s, and no copy can "
                    "be made meanwhile; ask again later, or stop the daemon first"
                )
            time.sleep(_LOOK_EVERY_S)
        yield
    finally:
        over.set()
        thread.join()
        wanted.unlink(missing_ok=True)


def _says(file: Path, token: str) -> bool:
    try:
        return file.read_text() == token
    except OSError:
        return False
