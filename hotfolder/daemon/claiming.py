"""Claiming: what has settled in a hot folder becomes jobs, and what people did is noticed.

Each destination has an `Intake` of its own, which shares nothing with another one but the ledger,
what is in trouble, and the disk. It is driven in turns (`Intake.turn`) in its destination's own
thread (`lanes`); a turn pauses after every file, so that an idle worker gets it at once.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

from hotfolder.daemon.hot_folder import HotFolder
from hotfolder.daemon.trouble import About, Kind, Troubles
from hotfolder.disk import names, platforms
from hotfolder.ending.discard import Discards
from hotfolder.ending.release import BatchDiscard, begin_release
from hotfolder.errors import StorageError
from hotfolder.intake.claim import claim, folder_of, give_back, recover_claim
from hotfolder.ledger.jobs import JobRow, Ledger
from hotfolder.logs import get_log
from hotfolder.settings.files import SETTINGS_FILE

_CLAIMS_A_TURN = 32
_FAILURES_A_TURN = 3


class Intake:
    """The way into one destination: its hot folder, what is released, what is given up.

    Attributes
    ----------
    hot
        Where it looks; another one after the settings have changed.
    """

    def __init__(
        self,
        hot: HotFolder,
        ledger: Ledger,
        spool: Path,
        free_space: float,
        discards: Discards,
        troubles: Troubles,
        stop: threading.Event,
        batch_changed: Callable[[str, str], None],
        claimed: Callable[[str], None],
        discard_batch: Callable[[BatchDiscard], None] = lambda _asked: None,
    ) -> None:
        """Prepare.

        free_space: bytes that must be left on a disk for files to be taken in; batch_changed: told
        a destination and a batch of which a job was given up; claimed: told the destination when
        something was taken in; discard_batch: told of batches that a person gives up.
        """
        self.hot = hot
        self.name = hot.destination.name
        self._ledger = ledger
        self._spool = spool
        self._free_space = free_space
        self._discards = discards
        self._troubles = troubles
        self._stop = stop
        self._batch_changed = batch_changed
        self._claimed = claimed
        self._is_half_way = False
        self._discard_batch = discard_batch

    def turn(self) -> Iterator[None]:
        """Look at what is new and claim some of what has settled; pause after every file.

        Raises
        ------
        StorageError
            When the ledger cannot be used: the turn is over.
        """
        self.hot.look()
        if not self.hot.problem:
            for found in self.hot.released.look(self._ledger):
                self._discards.settle(found.row, self.hot.folders)
                begin_release(self._ledger, found)  # jobs' threads do the rest
            for discarded in self.hot.released.discarded:
                self._discard_batch(discarded)
        self._look_for_given_up()
        yield from self._claim()

    def has_more(self) -> bool:
        """Whether more could be claimed at once."""
        is_any = bool(self.hot.ready) or self._is_half_way
        return is_any and not self._troubles.has(Kind.CLAIMS, self.name)

    def is_idle(self) -> bool:
        """Whether nothing arrives, and nothing is ready that could be taken in."""
        return (self.hot.is_idle() and not self._is_half_way) or self._is_shut()

    def next_look_s(self) -> float | None:
        """When it should have a turn again, on the clock of `time.monotonic`; None: not by time."""
        # no claim is gone on with while nothing can be taken in
        claims = Kind.CLAIMS if self._troubles.has(Kind.CLAIMS, self.name) else Kind.CLAIM
        kinds = (claims, Kind.HELD)
        due = [self._troubles.next_try_s(kind, self.name) for kind in kinds]
        # where files wait for trouble to end, the next look waits for it too
        due += [] if self._is_shut() else [self.hot.next_look_s()]
        return min((each for each in due if each is not None), default=None)

    def _is_shut(self) -> bool:
        """Files are ready, and a full or absent disk keeps all of them from being taken in."""
        return bool(self.hot.ready) and self._troubles.has(Kind.CLAIMS, self.name)

    def _claim(self) -> Iterator[None]:
        all_claims = About(Kind.CLAIMS, self.name)
        if not self._troubles.may_try(Kind.CLAIMS, self.name):
            return
        try:
            self._settle_claims()
            if self.hot.ready:
                self._check_room()
        except StorageError as error:
            self._troubles.note(all_claims, error)
            return
        failures = 0
        for _ in range(_CLAIMS_A_TURN):
            if self._stop.is_set() or not self.hot.ready:
                break
            try:
                self._claim_first()
            except StorageError as error:
                failures += 1
                if failures == _FAILURES_A_TURN:
                    self._troubles.note(all_claims, error)
                    return
            yield
        self._troubles.clear(all_claims)

    def _claim_first(self) -> None:
        """Claim the first file that is ready; one that cannot be taken lets the others pass."""
        candidate = self.hot.ready[0]
        about = About(Kind.FILE, self.name, candidate.relative)
        try:
            row = claim(
                self._ledger,
                self._spool,
                self.name,
                candidate,
                self.hot.sidecar_of(candidate),
            )
        except (OSError, StorageError) as error:
            trouble = _not_reached(candidate.path, error) if isinstance(error, OSError) else error
            self._troubles.note(about, trouble)
            self._is_half_way = True  # its claim is settled by the next turn, at once
            self.hot.later(candidate)
            raise trouble from trouble.__cause__
        self._troubles.clear(about)
        self.hot.taken(candidate)
        if row:
            self._claimed(self.name)
            file = names.display_name(row.source)
            get_log().info("job.claimed", job=row.id, destination=self.name, file=file)

    def _settle_claims(self) -> None:
        """Forget the trouble with files that have gone, and settle claims that failed half-way."""
        self._is_half_way = False
        self._troubles.keep_only(Kind.FILE, self.name, self.hot.put_off)
        rows = {row.id: row for row in self._ledger.claims_of(self.name)}
        self._troubles.keep_only(Kind.CLAIM, self.name, rows)
        for job in self._troubles.choose(Kind.CLAIM, self.name, list(rows)):
            self._settle_claim(rows[job])
        hot_folder = self.hot.folders.hot_folder
        try:
            for relative in self.hot.set_aside:
                if give_back(self._ledger, self._spool, hot_folder, relative):
                    self.hot.due = 0.0  # it is a file as any other now
        except OSError as error:
            raise _not_reached(hot_folder, error) from error
        self.hot.set_aside = ()

    def _settle_claim(self, row: JobRow) -> None:
        """Go on with a claim; one of an earlier hot folder keeps no file of the present waiting."""
        now = self.hot.folders.hot_folder
        begun = folder_of(row) or now.absolute()
        about = About(Kind.CLAIM, self.name, row.id)
        try:
            recover_claim(self._ledger, self._spool, now, row)
        except (OSError, StorageError) as error:
            if begun == now.absolute():
                if isinstance(error, OSError):
                    raise _not_reached(now, error) from error
                raise
            reason = StorageError(
                f"{names.display_name(row.source)} was being taken in from {begun}, which was "
                f"the hot folder then, and is still there: {error}"
            )
            reason.__cause__ = error
            self._troubles.note(about, reason)
        else:
            self._troubles.clear(about)
            self._claimed(self.name)

    def _look_for_given_up(self) -> None:
        """Note held jobs that a person has given up, by a word or by deleting their folders."""
        about = About(Kind.HELD, self.name)
        if not self._troubles.may_try(Kind.HELD, self.name):
            return
        try:
            folders = self.hot.check_folders()
            given_up = [
                self._discards.give_up(asked, folders) for asked in self.hot.released.given_up
            ]
            self.hot.released.given_up = []
            for row in [*filter(None, given_up), *self._discards.look(self.name, folders)]:
                if row.record and (batch := row.record.batch):
                    self._batch_changed(self.name, batch)
        except StorageError as error:
            self._troubles.note(about, error)
        else:
            self._troubles.clear(about)

    def _check_room(self) -> None:
        """Take nothing in while a disk that its work needs is nearly full."""
        for place in (self._spool, self.hot.folders.results):
            try:
                free = platforms.free_bytes(place)
            except OSError as error:
                raise StorageError(f"{place} cannot be reached: {error.strerror}") from error
            if free < self._free_space:
                raise StorageError(
                    f"the disk of {place} has {free / 2**20:.0f} MiB left, less than "
                    f"{self._free_space / 2**20:.0f} MiB (free_space in {SETTINGS_FILE}); make "
                    f"room, and the work continues by itself"
                )


def _not_reached(place: str | Path, error: OSError) -> StorageError:
    where = os.fsdecode(error.filename) if isinstance(error.filename, str | bytes) else ""
    if Path(where).is_absolute():
        place = where  # a folder below may be closed, and not the hot folder
    trouble = StorageError(
        f"{place}: a file that was being taken in cannot be reached: {error.strerror or error}"
    )
    trouble.__cause__ = error
    return trouble
