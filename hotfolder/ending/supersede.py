"""Setting aside what a corrected ticket no longer asks for: ``out/NAME/superseded/BATCH/``.

A layout links pictures by name, so a name that a ticket asks for must never hold anything else. A
delivered result that no row asks for any more leaves its name as soon as the ticket says so, not
when its successor is made: until then a missing link shows, where a wrong picture would not. It is
moved within its results folder, so that the move is one rename, and kept, also when a person has
edited it. What a consumer has collected is said to have been.

1. the ledger says which record will be written, and so where the file goes;
2. the file is renamed, to a name that nothing has;
3. the record is appended to the log, once, and the ledger says that it has been.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from hotfolder.disk import durable
from hotfolder.disk.free_names import SUPERSEDED, free_name
from hotfolder.disk.marker import check_marked_above, make_marked_folders
from hotfolder.errors import StorageError
from hotfolder.ledger.details import Delivered, State
from hotfolder.ledger.jobs import JobRow, Ledger
from hotfolder.ledger.record_log import LOG_FILE, RecordLog
from hotfolder.logs import get_log
from hotfolder.model.records import Record, SetAside, Superseded, read_record, to_json_line
from hotfolder.settings.root import DestinationFolders

NotAskedFor = Callable[[str, str, str], str | None]
"""Of a destination, a batch and a job: the ticket that does not ask for it; None when it is."""


class Supersedes:
    """Sets results aside. One per daemon; safe to use from several threads."""

    def __init__(
        self, ledger: Ledger, log: RecordLog, names: Callable[[str], threading.RLock]
    ) -> None:
        """Prepare.

        names: of a destination, held by whoever gives a name in its results, or takes it away.
        """
        self._ledger = ledger
        self._log = log
        self._names = names

    def set_aside(self, row: JobRow, folders: DestinationFolders, ticket: str) -> JobRow:
        """Set a delivered job's result aside, and record it; fine when it has been done.

        Raises
        ------
        StorageError
            When a folder cannot be reached; can be called again, also after a kill.
        """
        with self._names(row.destination):
            row = self._ledger.job(row.id)
            record = row.record
            if row.state is not State.DELIVERED or record is None or record.superseded:
                return row
            try:
                check_marked_above(folders.results)
                planned = row.expect(Delivered).superseding
                begun = planned is not None
                if planned is None:
                    planned = self._plan(row, record, folders, ticket)
                done = self._move(row, planned, folders, begun=begun)
                row = self._log.end(folders.results / LOG_FILE, done, again=begun)
            except OSError as error:
                place = error.filename or folders.results
                raise StorageError(
                    f"what the ticket {ticket} no longer asks for cannot be set aside at {place}: "
                    f"{error.strerror or error}; it is tried again"
                ) from error
            get_log().info(
                "job.superseded", job=row.id, destination=row.destination, ticket=ticket,
                files=[each.path or f"{each.was} (collected)" for each in _list_files(done)],
            )  # fmt: skip
            return row

    def _plan(
        self, row: JobRow, record: Record, folders: DestinationFolders, ticket: str
    ) -> Record:
        """Commit where the result goes; of what is not there any more, that it is not."""
        files = []
        for result in record.results:
            there = durable.is_there(result.path)
            target = free_name(find_folder(folders, record), Path(result.path).name)
            files.append(SetAside(was=result.path, path=str(target) if there else ""))
        return self._commit(row, _describe(record, files, ticket))

    def _commit(self, row: JobRow, record: Record) -> Record:
        # as it will be read again after a kill: a time of the record has milliseconds
        record = read_record(to_json_line(record))
        self._ledger.advance(row.id, State.DELIVERED, Delivered(superseding=record))
        return record

    def _move(
        self, row: JobRow, planned: Record, folders: DestinationFolders, *, begun: bool
    ) -> Record:
        """Move the files, to other names if those are taken; return the record as it is then."""
        files = list(_list_files(planned))
        for index, each in enumerate(files):
            if not each.path:
                continue
            was, now = Path(each.was), Path(each.path)
            make_marked_folders(now.parent)
            while not (begun and durable.is_there(now)):  # else a kill came after the rename
                try:
                    durable.move_new(was, now)
                except FileExistsError:
                    now = free_name(now.parent, was.name)
                    files[index] = SetAside(was=each.was, path=str(now))
                    planned = self._commit(row, _replace(planned, files))
                    continue
                except FileNotFoundError:
                    if durable.is_there(was):
                        make_marked_folders(now.parent)
                        continue
                    check_marked_above(folders.results)  # else the whole share may be away
                break
            if durable.is_there(now):
                sha256 = durable.sha256_of(now).sha256 if now.is_file() else None
                files[index] = SetAside(was=each.was, path=str(now), sha256=sha256)
            else:
                files[index] = SetAside(was=each.was, path="")
        return _replace(planned, files)


def find_folder(folders: DestinationFolders, record: Record) -> Path:
    """Where a batch's results are set aside."""
    return folders.results / SUPERSEDED / (record.batch or "")


def deliver_aside(record: Record, ticket: str) -> Record:
    """Return the record of a job that is delivered after its ticket has ceased to ask for it."""
    files = [SetAside(was=each.path, path=each.path, sha256=each.sha256) for each in record.results]
    return _describe(record, files, ticket)


def make_way(target: Path, folder: Path) -> SetAside | None:
    """Plan to set aside what somebody else has put under a name; None for what is no file."""
    with suppress(OSError):
        if target.is_file() and not target.is_symlink():
            sha256 = durable.sha256_of(target).sha256
            now = free_name(folder, target.name)
            return SetAside(was=str(target), path=str(now), sha256=sha256)
    return None


def _describe(record: Record, files: list[SetAside], ticket: str) -> Record:
    superseded = Superseded(at=datetime.now(UTC), ticket=ticket, files=tuple(files))
    return _replace(record.model_copy(update={"superseded": superseded}), files)


def _replace(record: Record, files: list[SetAside]) -> Record:
    """The record with other places of its files, in ``results`` too."""
    if record.superseded is None:
        return record
    results = tuple(
        result.model_copy(update={"path": each.path or each.was})
        for result, each in zip(record.results, files, strict=True)
    )
    superseded = record.superseded.model_copy(update={"files": tuple(files)})
    return record.model_copy(
        update={"results": results, "superseded": superseded, "previous_sha256": None}
    )


def _list_files(record: Record) -> tuple[SetAside, ...]:
    return record.superseded.files if record.superseded else ()
