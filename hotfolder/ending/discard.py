"""Held jobs that a person gives up: by deleting their folders, or by a file that says so.

The job's end stays *held*: nothing more was done for it. What is new is said by a second record
with ``discarded``, in the log and in the ledger, and the original is kept for the time that
``hotfolder.toml`` says. A person who only moved the folder somewhere can still put it into
``release/`` later.

That a folder is gone counts only while the place it was in is there for certain: its marker is
looked for before and after, an error is never an absence, and what lies in ``release/`` is on its
way. A share that is not connected looks like nothing at all. A folder that a person has renamed,
or that settings have left behind in another place, is not gone.

1. the ledger says which record will be written;
2. the record is appended to the log, once;
3. the ledger says that it has been.

A file ``release/NAME/JOB.discard`` does the same by a word, with a name and a reason. The folder
goes after the third step, and the file last; what a person has put into the folder is kept. Before
the first, the folder gets a name of ours, by a rename: releasing it is a rename too, so of two who
decide in the same instant one finds it gone, whose decision does not count and who is told.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from hotfolder.disk import durable, trees
from hotfolder.disk.free_names import OF_JOBS
from hotfolder.disk.marker import away, check_marked_above, check_marker, unreachable
from hotfolder.ending.held_folder import TAKEN_PREFIX, find_held, place_before
from hotfolder.ending.kept import KeptOriginals
from hotfolder.ending.release import JobDiscard, keep_the_rest
from hotfolder.errors import StorageError
from hotfolder.ledger.details import Held, State
from hotfolder.ledger.jobs import JobRow, Ledger
from hotfolder.ledger.record_log import LOG_FILE, RecordLog
from hotfolder.logs import get_log
from hotfolder.model.records import (
    Discarded,
    Record,
    Release,
    format_time,
    read_record,
    to_json_line,
)
from hotfolder.settings.root import DestinationFolders

_AT_LEAST_EVERY_S = 60.0
_SHARE_OF_TIME = 20
"""A look costs more the more is held, and every job that is held asks for one."""
_EXPIRE_EVERY_S = 3600.0


class Discards:
    """Notices discarded jobs and removes what was kept for long enough. One per daemon."""

    def __init__(self, ledger: Ledger, log: RecordLog, kept: KeptOriginals, keep_s: float) -> None:
        """Prepare; keep_s: how long an original is kept after its job was discarded, seconds."""
        self._ledger = ledger
        self._log = log
        self._kept = kept
        self._keep_s = keep_s
        self._looked: dict[str, tuple[int, float]] = {}
        self._due: dict[str, float] = {}
        self._expire_due = 0.0

    def look(self, destination: str, folders: DestinationFolders) -> list[JobRow]:
        """Note jobs whose held folder has gone since the last look, and return them.

        Raises
        ------
        StorageError
            When the record cannot be written, or a folder is not there; can be called again.
        """
        try:
            stamp = folders.held.stat().st_mtime_ns
            now = time.monotonic()
            before = self._looked.get(destination)
            if before and before[0] == stamp and now < before[1] + _AT_LEAST_EVERY_S:
                return []
            if now < self._due.get(destination, 0.0):
                return []
            found = []
            for row in self._ledger.held_jobs_of(destination):
                detail = row.expect(Held)
                if detail.discarding:
                    self._record(row, folders, detail.discarding, again=True)
                elif row.record and row.record.discarded:
                    self._mark(row, row.record.discarded)
                elif self._is_gone(row, folders):
                    self._discard(row, folders)
                else:
                    continue
                found.append(row)
            self._looked[destination] = (stamp, now)
            took = time.monotonic() - now
            self._due[destination] = now + (1 + _SHARE_OF_TIME) * took
        except OSError as error:
            if isinstance(error, FileNotFoundError):
                raise unreachable(error.filename or folders.held, error) from error
            raise StorageError(
                f"{folders.held} cannot be read: {error.strerror or error}"
            ) from error
        return found

    def is_time_to_expire(self) -> bool:
        """Whether `expire` should be called."""
        return time.monotonic() >= self._expire_due

    def settle(self, row: JobRow, folders: DestinationFolders) -> None:
        """Finish saying that a job was discarded, before anything else is said of it.

        A kill may have come between the log and the ledger, and the job may have been released
        since: a line that the ledger does not know would look like a forged one for ever.

        Raises
        ------
        StorageError
            When the record cannot be written; can be called again.
        """
        discarding = row.expect(Held).discarding
        if discarding:
            try:
                self._record(row, folders, discarding, again=True)
            except OSError as error:
                raise StorageError(
                    f"{folders.results} cannot be written: {error.strerror or error}"
                ) from error

    def give_up(self, asked: JobDiscard, folders: DestinationFolders) -> JobRow | None:
        """Discard a held job by a word; returns it, or None when it is no longer held.

        The one who was first has decided: of a job that was released meanwhile nothing is done.

        Raises
        ------
        StorageError
            When the record or a folder cannot be written; can be called again.
        """
        try:
            row = self._ledger.job(asked.job)
            if row.state is not State.HELD or not self._take(row, folders):
                get_log().info("discard.too_late", job=row.id, state=row.state.value)
                asked.path.unlink(missing_ok=True)
                return None
            if row.expect(Held).discarding:
                self.settle(row, folders)
            elif not (row.record and row.record.discarded):
                self._discard(row, folders, asked.note)
            row = self._ledger.job(asked.job)
            self._remove_folder(row, folders)
            asked.path.unlink(missing_ok=True)
            durable.fsync_folder(asked.path.parent)
        except OSError as error:
            where = error.filename or folders.held
            raise StorageError(f"{where} cannot be written: {error.strerror or error}") from error
        return row

    def _take(self, row: JobRow, folders: DestinationFolders) -> bool:
        """Take the folder of a job away from all who could release it; False: it is released."""
        if row.expect(Held).discarding or (row.record and row.record.discarded):
            return True
        released = folders.release / row.id
        if durable.is_there(released):
            return False
        before = place_before(row)
        found = find_held(row, folders.held, *([before] if before else []))
        if found is None or not found.is_dir() or found.is_symlink():
            return not durable.is_there(released)
        taken = found.parent / f"{TAKEN_PREFIX}{row.id}"
        try:
            durable.move_new(found, taken)
        except FileNotFoundError:
            return not durable.is_there(released)
        if durable.is_there(released):  # its folder is being copied there
            durable.move_new(taken, found)
            return False
        return True

    def _remove_folder(self, row: JobRow, folders: DestinationFolders) -> None:
        """Remove the folder of a job that was given up; what a person has added to it is kept."""
        before = place_before(row)
        places = [folders.held, *([before] if before else [])]
        taken = [place / f"{TAKEN_PREFIX}{row.id}" for place in places]
        found = next(filter(durable.is_there, taken), None) or find_held(row, *places)
        if found is None or not found.is_dir() or found.is_symlink():
            return
        if row.sha256 is None:
            return  # no file was dropped but something else: a person takes that away
        kept = self._kept.find(row.id)
        if kept is None or durable.has_bytes(kept, row.sha256):
            for path in sorted(found.iterdir()):
                if path.name not in OF_JOBS and durable.has_bytes(path, row.sha256):
                    path.unlink()
        keep_the_rest(found, folders.release / row.id, row.record)
        trees.remove_tree(found, below=found.parent)

    def expire(self) -> None:
        """Remove originals that were kept for long enough, or whose job has been delivered."""
        self._expire_due = time.monotonic() + _EXPIRE_EVERY_S
        for job in self._kept.jobs():
            try:
                row = self._ledger.job(job)
            except KeyError:
                continue  # of a ledger that was lost: a person may still want it
            record = row.record
            discarded = record.discarded if record else None
            until = discarded.original_kept_until if discarded else None
            if row.state in {State.DELIVERED, State.REFUSED}:
                sha256 = record.original.sha256 or "" if record else ""
                where = Path(record.original_kept) if record else Path()
                self._kept.forget_if_kept_at(job, where, sha256)
            elif record and until and until <= datetime.now(UTC):
                self._kept.forget(job)
                get_log().info(
                    "original.removed",
                    job=job,
                    file=record.original.name,
                    kept_until=format_time(until),
                )

    def _is_gone(self, row: JobRow, folders: DestinationFolders) -> bool:
        building = folders.held / f"{durable.TEMPORARY_PREFIX}{row.id}"  # still being put there
        before = place_before(row)
        places = [folders.held, folders.release]
        if before and before not in places and away([before]):
            return False  # settings have left it, and nobody can look there
        if before and before not in places:
            places.append(before)
        if not _is_absent(building) or find_held(row, *places):
            return False
        for folder in (folders.held, folders.release):
            check_marker(folder)
        # a move from one to the other may have happened between the two looks
        return _is_absent(building) and find_held(row, *places) is None

    def _discard(
        self, row: JobRow, folders: DestinationFolders, note: Release | None = None
    ) -> None:
        record = row.record
        if record is None:
            raise StorageError(f"the ledger has no record of the held job {row.id}")
        now = datetime.now(UTC)
        kept = self._kept.find(row.id)
        until = now + timedelta(seconds=self._keep_s) if kept else None
        where = kept or (Path(record.placement.kept) if record.placement else None)
        changes = {
            "discarded": Discarded(
                noticed=now,
                original_kept_until=until,
                who=note.who if note else "",
                why=note.why if note else "",
            ),
            "original_kept": str(where) if where else record.original_kept,
            "previous_sha256": None,
        }
        # as it will be read again after a kill: a time of the record has milliseconds
        record = read_record(to_json_line(record.model_copy(update=changes)))
        row = self._ledger.advance(row.id, State.HELD, Held(discarding=record))
        self._record(row, folders, record, again=False)

    def _record(
        self, row: JobRow, folders: DestinationFolders, record: Record, *, again: bool
    ) -> None:
        check_marked_above(folders.results)
        row = self._log.end(folders.results / LOG_FILE, record, again=again)
        if record.discarded:
            self._mark(row, record.discarded)
        get_log().info(
            "job.discarded",
            job=row.id,
            destination=row.destination,
            file=record.source,
            original=record.original_kept,
        )

    def _mark(self, row: JobRow, discarded: Discarded) -> None:
        self._ledger.advance(row.id, State.HELD, Held(discarded=discarded.noticed))


def _is_absent(path: Path) -> bool:
    """Whether a name is not there; any other error is raised, since it says nothing."""
    try:
        path.lstat()
    except FileNotFoundError:
        return True
    return False
