"""``python -m hotfolder.notify ROOT``: the process that tells people, begun by `watch`."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
import time
from pathlib import Path
from typing import Final

from filelock import FileLock, Timeout

from hotfolder.disk import processes
from hotfolder.disk.stopping import stop_on
from hotfolder.errors import StorageError
from hotfolder.logs import get_log, set_up_logs, utc_now
from hotfolder.notify.book import Book
from hotfolder.notify.standing import Standing, write_standing
from hotfolder.notify.teller import Teller
from hotfolder.settings.root import Root

EVERY_S: Final = 5.0
"""How often it looks, in seconds."""

_SHARE_OF_TIME: Final = 20
"""A look costs more the more there is: it takes at most a twentieth of one core."""

_AGAIN_S: Final = 10.0
_ENDS_S: Final = 2.0


def main() -> None:
    """Tell people until SIGTERM, or until the process that started it has ended."""
    root = Root(Path(sys.argv[1]))
    over, wake = threading.Event(), threading.Event()

    def stop() -> None:
        over.set()
        wake.set()

    stop_on((signal.SIGTERM,), stop)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a terminal sends it to all; the parent decides
    processes.die_with_parent()
    set_up_logs(root.private / "notify.log")
    lock = FileLock(root.private / "notify.lock")
    while not over.is_set():
        with contextlib.suppress(Timeout):
            with lock.acquire(timeout=0):
                _tell(root, over, wake)
            return
        over.wait(EVERY_S)  # an earlier one has not ended yet


def _tell(root: Root, over: threading.Event, wake: threading.Event) -> None:
    while not over.is_set():
        try:
            book = Book(root.private / "notify.sqlite")
        except StorageError as error:
            get_log().error("notify.no_book", reason=str(error))
            write_standing(root, Standing(written=utc_now(), problem=str(error)))
            over.wait(_AGAIN_S)
            continue
        with contextlib.closing(book):
            _go_on(Teller(root, book, wake=wake.set), over, wake)
        return


def _go_on(teller: Teller, over: threading.Event, wake: threading.Event) -> None:
    while not over.is_set():
        wake.clear()
        begun = time.monotonic()
        teller.turn()
        took_s = time.monotonic() - begun
        wake.wait(max(EVERY_S, _SHARE_OF_TIME * took_s))
    # what a server is taking now is noted, if it is quick
    ends_at = time.monotonic() + _ENDS_S
    while teller.is_sending() and time.monotonic() < ends_at:
        wake.clear()
        wake.wait(ends_at - time.monotonic())
        teller.note_ends()


if __name__ == "__main__":
    main()
