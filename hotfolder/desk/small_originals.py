"""Small pictures of originals that were held before a picture of them was made.

They are made one after the other, in a worker, by whoever looks first, and kept in memory by the
bytes of the original; a page shows one as soon as it is there. Nothing is written for them.
"""

from __future__ import annotations

import os
import threading
from collections import OrderedDict
from pathlib import Path
from typing import Final

from hotfolder.disk import platforms
from hotfolder.disk.pulse import Errand
from hotfolder.ending.elsewhere import find_original
from hotfolder.errors import HotfolderError
from hotfolder.ledger.details import State
from hotfolder.ledger.reading import JobRow, read_job
from hotfolder.settings.root import Root
from hotfolder.work.order import SMALL_PICTURE
from hotfolder.work.trial import destinations, try_out, workplace

_MOST_KEPT: Final = 300
_MOST_WAITING: Final = 100
_MOST_BYTES: Final = 2**20


class SmallOriginals:
    """Makes small pictures of originals, in a thread of its own."""

    def __init__(self, root: Root) -> None:
        self._root = root
        self._known: OrderedDict[str, bytes] = OrderedDict()
        """By SHA-256 of the original; empty: it cannot be shown."""
        self._asked: OrderedDict[str, str] = OrderedDict()
        """Jobs that wait, by SHA-256 of their original."""
        self._lock = threading.Lock()
        self._is_running = False
        self._ending = threading.Event()

    @property
    def is_busy(self) -> bool:
        """Whether one is being made, or waits."""
        with self._lock:
            return self._is_running

    def end(self) -> None:
        """Make no more."""
        self._ending.set()

    def find_address(self, row: JobRow) -> str | None:
        """Return the address of a held job's small original; None while it is made, and begin it.

        "" when there is none to be made, or the original cannot be shown.

        row: held, without a small picture of its own.
        """
        if row.state is not State.HELD or not row.sha256:
            return ""
        with self._lock:
            known = self._known.get(row.sha256)
            if known is None and len(self._asked) < _MOST_WAITING:
                self._asked.setdefault(row.sha256, row.id)
            begins = bool(self._asked) and not self._is_running
            self._is_running = self._is_running or begins
        if begins:
            Errand("small originals", self._run)
        if known is None:
            return None
        return f"/job/{row.id}/original?of={row.sha256[:16]}" if known else ""

    def read(self, job: str) -> bytes | None:
        """Return a held job's small original, a JPEG; None when there is none.

        Raises
        ------
        StorageError
            When the ledger cannot be read.
        """
        row = read_job(self._root.ledger, job)
        return self._known.get(row.sha256 or "") or None if row else None

    def _run(self) -> None:
        try:
            while not self._ending.is_set() and (asked := self._look_at_next()):
                sha256, job = asked
                try:
                    made = self._make(job)
                except (HotfolderError, OSError):
                    made = b""  # the job's page says why it is held; this is only its picture
                with self._lock:
                    self._known[sha256] = made
                    self._asked.pop(sha256, None)
                    while len(self._known) > _MOST_KEPT:
                        self._known.popitem(last=False)
        finally:
            with self._lock:
                self._is_running = False  # whatever ended it: the next look begins anew

    def _look_at_next(self) -> tuple[str, str] | None:
        with self._lock:
            return next(iter(self._asked.items()), None)

    def _make(self, job: str) -> bytes:
        row = read_job(self._root.ledger, job)
        if row is None or row.state is not State.HELD:
            return b""
        (destination,) = destinations(self._root, [row.destination])

        def tell(_doing: str, _share: float) -> None:
            if self._ending.is_set():
                raise HotfolderError("the desk is ending")

        with workplace() as folder:
            image = find_original(self._root, row)
            trial = try_out(
                self._root, image, destination, destination.raw, folder, tell, only_shows=True
            )
            return _read(trial.folder / SMALL_PICTURE)


def _read(path: Path) -> bytes:
    """Read what a worker left: it may have been taken over, and have left a link or a pipe."""
    try:
        with os.fdopen(platforms.open_regular(path), "rb") as file:
            data = file.read(_MOST_BYTES + 1)
    except FileNotFoundError:
        return b""
    return data if len(data) <= _MOST_BYTES else b""
