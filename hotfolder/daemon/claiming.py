"""Claiming: what has settled in the hot folders becomes jobs, and what people did is noticed."""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from hotfolder.daemon.destinations import Destinations
from hotfolder.daemon.hot_folder import HotFolder
from hotfolder.daemon.trouble import Troubles
from hotfolder.disk import names, platforms
from hotfolder.ending.given_up import Drops
from hotfolder.ending.release import begin
from hotfolder.errors import StorageError
from hotfolder.intake.claim import claim, recover_claim
from hotfolder.ledger.jobs import Ledger
from hotfolder.logs import get_log
from hotfolder.settings.files import SETTINGS_FILE

_CLAIMS_A_TURN = 32
_FAILURES_A_TURN = 3


class Claiming:
    """Takes in what has settled, in the loop's own thread."""

    def __init__(
        self,
        ledger: Ledger,
        spool: Path,
        free_space: float,
        destinations: Destinations,
        drops: Drops,
        troubles: Troubles,
        stop: threading.Event,
        batch_changed: Callable[[str, str], None],
        hand_out: Callable[[], None],
    ) -> None:
        """Prepare; free_space: bytes that must be left on a disk for files to be taken in."""
        self._ledger = ledger
        self._spool = spool
        self._free_space = free_space
        self._destinations = destinations
        self._drops = drops
        self._troubles = troubles
        self._stop = stop
        self._batch_changed = batch_changed
        self._hand_out = hand_out

    def claim(self) -> bool:
        """Claim some of what has settled, in turns; return whether more could be claimed now.

        Whenever a worker is idle it gets what has been claimed by then: thousands of files on a
        slow disk must not keep the work waiting.
        """
        able: dict[str, HotFolder] = {}
        for hot in self._destinations.hot_folders():
            name = hot.destination.name
            trouble = self._troubles.claims.get(name)
            if trouble and time.monotonic() < trouble.not_before:
                continue
            try:
                self._settle_claims(name, hot)
                if hot.ready:
                    self._check_room(hot)
                able[name] = hot
            except StorageError as error:
                self._troubles.note(self._troubles.claims, name, error)
        failures: Counter[str] = Counter()
        for _ in range(_CLAIMS_A_TURN):
            for name, hot in list(able.items()):
                if self._stop.is_set() or not hot.ready:
                    continue
                try:
                    self._claim_first(name, hot)
                except StorageError as error:
                    failures[name] += 1
                    if failures[name] == _FAILURES_A_TURN:
                        self._troubles.note(self._troubles.claims, name, error)
                        del able[name]
            self._hand_out()
            if not any(hot.ready for hot in able.values()):
                break
        for name in able:
            self._troubles.claims.pop(name, None)
        return any(
            hot.ready
            for hot in self._destinations.hot_folders()
            if hot.destination.name not in self._troubles.claims
        )

    def take_releases(self, hot: HotFolder) -> None:
        """Take up held jobs that a person has put into ``release/``; jobs' threads do the rest."""
        for found in hot.released.look(self._ledger):
            begin(self._ledger, found)

    def look_for_drops(self) -> None:
        """Note held jobs whose folders a person has deleted."""
        for hot in self._destinations.hot_folders():
            name = hot.destination.name
            about = f"held jobs of {name}"
            trouble = self._troubles.claims.get(about)
            if trouble and time.monotonic() < trouble.not_before:
                continue
            try:
                for row in self._drops.look(name, hot.folders):
                    if batch := (row.record or {}).get("batch"):
                        self._batch_changed(name, batch)
                self._troubles.claims.pop(about, None)
            except StorageError as error:
                self._troubles.note(self._troubles.claims, about, error)
        self._drops.expire()

    def _claim_first(self, name: str, hot: HotFolder) -> None:
        """Claim the first file that is ready; one that cannot be taken lets the others pass."""
        candidate = hot.ready[0]
        about = f"{name}: {names.display_name(candidate.relative)}"
        try:
            row = claim(self._ledger, self._spool, name, candidate)
        except StorageError as error:
            self._troubles.note(self._troubles.claims, about, error)
            hot.later(candidate, self._troubles.claims[about].not_before)
            raise
        self._troubles.claims.pop(about, None)
        hot.taken(candidate)
        if row:
            file = names.display_name(row.source)
            get_log().info("job.claimed", job=row.id, destination=name, file=file)

    def _settle_claims(self, name: str, hot: HotFolder) -> None:
        """Forget the trouble with files that have gone, and settle claims that failed half-way."""
        known = {f"{name}: {names.display_name(relative)}" for relative in hot.put_off}
        for about in list(self._troubles.claims):
            if about.startswith(f"{name}: ") and about not in known:
                del self._troubles.claims[about]
        for row in self._ledger.claims_of(name):
            try:
                recover_claim(self._ledger, self._spool, hot.folders.hot_folder, row)
            except OSError as error:
                raise StorageError(
                    f"{hot.folders.hot_folder}: a file that was being taken in cannot be reached: "
                    f"{error.strerror or error}"
                ) from error

    def _check_room(self, hot: HotFolder) -> None:
        """Take nothing in while a disk that its work needs is nearly full."""
        for place in (self._spool, hot.folders.results):
            try:
                free = platforms.free_bytes(place)
            except OSError as error:
                raise StorageError(f"{place} cannot be reached: {error.strerror}") from error
            if free < self._free_space:
                raise StorageError(
                    f"the disk of {place} has {free / 2**20:.0f} MiB left, less than "
                    f"{self._free_space / 2**20:.0f} MiB (free_space in {SETTINGS_FILE}); make "
                    "room, then the work goes on by itself"
                )
