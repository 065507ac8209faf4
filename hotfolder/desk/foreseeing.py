"""The evening check: what rows of a batch will be held for, known before the night.

Each picture is opened as it will be in the night, in a worker, with what its row asks for; stages
look at the result to come, and no pixel is made. What a picture's colours will be held for is not
known so. One row after the other, and each once while its settings stay what they are.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from hotfolder.disk.pulse import Errand
from hotfolder.errors import HotfolderError
from hotfolder.ledger.reading import JobRow, open_reader
from hotfolder.settings.changes import with_changes
from hotfolder.settings.files import check_destination, load_destination
from hotfolder.settings.root import Root
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry
from hotfolder.work.neighbours import find_neighbours
from hotfolder.work.trial import try_out, workplace

_MOST_KEPT: Final = 5000
_MOST_WAITING: Final = 2000


@dataclass(frozen=True)
class Foreseen:
    """What is known of a job that has not begun."""

    reasons: tuple[str, ...]
    """What it will be held or refused for, as sentences."""
    warnings: tuple[str, ...]


class Foreseeing:
    """Looks ahead at jobs of batches, in a thread of its own."""

    def __init__(self, root: Root) -> None:
        self._root = root
        self._known: OrderedDict[tuple[str, str, int], Foreseen] = OrderedDict()
        self._asked: OrderedDict[str, None] = OrderedDict()
        self._lock = threading.Lock()
        self._is_running = False
        self._ending = threading.Event()

    def end(self) -> None:
        """Look no further."""
        self._ending.set()

    def find(self, destination: str, jobs: Sequence[str]) -> tuple[Mapping[str, Foreseen], int]:
        """Return what is known of jobs that wait, and of how many it will be known later.

        Raises
        ------
        StorageError
            When the ledger cannot be read.
        """
        stamp = _stamp_of(self._root.destinations / f"{destination}.toml")
        found, left = {}, []
        with open_reader(self._root.ledger) as ledger:
            rows = [row for job in jobs if (row := ledger.find_job(job)) is not None]
        for row in rows:
            known = self._known.get((row.id, _print_of(row), stamp))
            if known is not None:
                found[row.id] = known
            elif row.placement is not None:
                left.append(row.id)
        with self._lock:
            for job in left[: max(0, _MOST_WAITING - len(self._asked))]:
                self._asked.setdefault(job)
            begins = bool(self._asked) and not self._is_running
            self._is_running = self._is_running or begins
        if begins:
            Errand("foresee", self._run)
        return found, len(left)

    def _run(self) -> None:
        try:
            while not self._ending.is_set() and (job := self._take_next()):
                try:
                    self._look(job)
                except (HotfolderError, OSError) as error:
                    self._note(job, Foreseen((f"It could not be looked at yet: {error}",), ()))
        finally:
            with self._lock:
                self._is_running = False  # whatever ended it: the next look begins anew

    def _take_next(self) -> str:
        with self._lock:
            return self._asked.popitem(last=False)[0] if self._asked else ""

    def _look(self, job: str) -> None:
        with open_reader(self._root.ledger) as ledger:
            row = ledger.find_job(job)
        if row is None or row.placement is None or row.state.is_end:
            return
        path = self._root.destinations / f"{row.destination}.toml"
        registry = load_registry(self._root.plugins)
        stamp = _stamp_of(path)
        before = load_destination(path, registry, Intake())
        raw = with_changes(before.raw, row.placement.changes)
        destination = check_destination(path, raw, registry, Intake())

        def tell(_doing: str, _share: float) -> None:
            if self._ending.is_set():
                raise HotfolderError("the desk is ending")

        with open_reader(self._root.ledger) as ledger:
            neighbours = find_neighbours(ledger, row, destination)
        with workplace() as folder:
            image = Path(row.placement.kept)
            trial = try_out(
                self._root,
                image,
                destination,
                raw,
                folder,
                tell,
                only_foresees=True,
                neighbours=neighbours,
            )
        warnings = [each.message for each in trial.work.warnings] if trial.work else []
        self._keep(row, stamp, Foreseen(tuple(trial.reasons), tuple(warnings)))

    def _note(self, job: str, foreseen: Foreseen) -> None:
        with open_reader(self._root.ledger) as ledger:
            row = ledger.find_job(job)
        if row is not None:
            stamp = _stamp_of(self._root.destinations / f"{row.destination}.toml")
            self._keep(row, stamp, foreseen)

    def _keep(self, row: JobRow, stamp: int, foreseen: Foreseen) -> None:
        self._known[row.id, _print_of(row), stamp] = foreseen
        while len(self._known) > _MOST_KEPT:
            self._known.popitem(last=False)


def _print_of(row: JobRow) -> str:
    return row.placement.fingerprint if row.placement else ""


def _stamp_of(path: Path) -> int:
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0
