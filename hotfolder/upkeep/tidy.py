"""What may go after a while, as ``[keep]`` in ``hotfolder.toml`` says: `hotfolder tidy`.

Nothing is removed that is not proven: the record says that the job was delivered, long enough ago,
with an original of this hash, the file has these bytes now, and the results have been collected. An
original that a younger job, an open one or one that is held has as well stays. The ledger says
first what is going to be removed, so that the audit does not miss it. What is held is never
removed: it is listed, with the command by which a person gives it up.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, TypedDict

from hotfolder.disk import durable, platforms
from hotfolder.disk.marker import Unreachable, check_marker
from hotfolder.errors import StorageError
from hotfolder.ledger.jobs import Ledger
from hotfolder.ledger.log_years import LOG_FILE
from hotfolder.ledger.packing import PAGE_BYTES, pack
from hotfolder.ledger.reading import OPEN, LedgerReader, read_stored
from hotfolder.model.records import SIDECAR, Record, format_time
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.settings.tables import Keep
from hotfolder.upkeep.cutting import cut, find_cut

_AT_ONCE: Final = 500
_WORTH_COMPACTING: Final = 0.1
"""Share of the ledger that is empty from which it is written anew."""


class Thing(TypedDict):
    """Something that may go, or was kept."""

    what: str
    """``original``, ``sheet``, ``folder``, ``log`` or ``held``."""
    path: str
    bytes: int
    why: str
    """Which job it is of and when that ended; or why it stays."""


class Tidied(TypedDict):
    """What may go, or has gone, and what stays although its time is over."""

    dry: bool
    removed: list[Thing]
    stays: list[Thing]
    ledger_bytes_freed: int


@dataclass
class _Tidying:
    root: Root
    folders: Mapping[str, DestinationFolders]
    keep: Keep
    ledger: Ledger
    dry: bool
    removed: list[Thing] = field(default_factory=list)
    stays: list[Thing] = field(default_factory=list)


def tidy(
    root: Root,
    folders: Mapping[str, DestinationFolders],
    keep: Keep,
    *,
    dry: bool,
    now: datetime | None = None,
) -> Tidied:
    """Remove what may go; nobody else changes the root meanwhile.

    dry: only say what would go.

    Raises
    ------
    StorageError
        When the ledger or a folder cannot be read or written; can be called again.
    """
    now = now or datetime.now(UTC)
    ledger = Ledger(root.ledger)
    work = _Tidying(root, folders, keep, ledger, dry)
    try:
        if keep.originals is not None:
            _remove_originals(work, now - timedelta(seconds=keep.originals))
        if keep.sheets is not None:
            _remove_sheets(work, now - timedelta(seconds=keep.sheets))
        if keep.held is not None:
            _list_held(work, now - timedelta(seconds=keep.held))
        _remove_empty_folders(work, now.timestamp() - keep.empty_folders)
        if keep.cut_log:
            _cut_logs(work, now.year)
        saved = 0 if dry else _pack_records(ledger)
    except OSError as error:
        raise StorageError(
            f"{error.filename or root.path}: {error.strerror or error}; what was removed until "
            "then is noted, and the same command goes on"
        ) from error
    finally:
        ledger.close()
    freed = 0 if dry else _compact(root.ledger, saved)
    return {"dry": dry, "removed": work.removed, "stays": work.stays, "ledger_bytes_freed": freed}


def _read_old(ledger: LedgerReader, until: datetime) -> Iterator[Record]:
    """Records of jobs that were delivered before a moment, some at a time."""
    last = 0
    while True:
        rows = ledger.read(
            "SELECT number, jobs.id, jobs.record FROM records JOIN jobs ON jobs.id = records.job"
            " WHERE latest = 1 AND records.state = 'delivered' AND finished < ? AND number > ?"
            " AND NOT EXISTS (SELECT 1 FROM removed WHERE removed.job = records.job AND done = 1)"
            " ORDER BY number LIMIT ?",
            (format_time(until), last, _AT_ONCE),
        )
        if not rows:
            return
        for number, job, stored in rows:
            last = number
            yield ledger.places.find_record(read_stored(job, stored))


def _remove_originals(work: _Tidying, until: datetime) -> None:
    for record in _read_old(work.ledger, until):
        path, sha256 = Path(record.original_kept), record.original.sha256
        if sha256 is None or not durable.is_there(path):
            continue
        why = _find_reason_to_stay(work, record, until)
        thing = _describe("original", path, record)
        if why:
            work.stays.append({**thing, "why": why})
            continue
        work.removed.append(thing)
        if not work.dry:
            _note(work.ledger, record.job, done=False)
            path.unlink()
            for each in record.attachments:
                if each.kind == SIDECAR and durable.has_bytes(each.path, each.sha256):
                    Path(each.path).unlink()
            durable.fsync_folder(path.parent)
            _note(work.ledger, record.job, done=True)


def _find_reason_to_stay(work: _Tidying, record: Record, until: datetime) -> str:
    """Why an original whose time is over is not removed; "" when nothing speaks against it."""
    sha256 = record.original.sha256 or ""
    own = work.folders.get(record.destination)
    if own is None or not Path(record.original_kept).is_relative_to(own.originals):
        return "it does not lie in the destination's folder of originals"
    try:
        check_marker(own.originals)
    except Unreachable as error:
        return str(error)
    if not_collected := _find_not_collected(work, record, own):
        return not_collected
    others = work.ledger.read(
        "SELECT job, finished, state FROM records WHERE original_sha256 = ? AND destination = ?"
        " AND latest = 1 AND (state NOT IN ('delivered', 'refused', 'discarded') OR finished >= ?)"
        " LIMIT 1",
        (sha256, record.destination, format_time(until)),
    )
    if others:
        return f"job {others[0][0]} has the same one, and is younger or held"
    is_open = f"SELECT 1 FROM jobs WHERE {OPEN} AND sha256 = ?"  # noqa: S608 - ours
    if work.ledger.read(is_open, (sha256,)):
        return "a job that is under way has the same one"
    if not durable.has_bytes(record.original_kept, sha256):
        return "it has changed since, or cannot be read"
    return ""


def _find_not_collected(work: _Tidying, record: Record, folders: DestinationFolders) -> str:
    """Say which result nobody has taken yet; "" when none is left, or it does not matter."""
    if not work.keep.only_collected:
        return ""
    try:
        check_marker(folders.results)
    except Unreachable as error:
        return str(error)
    left = [each.path for each in record.results if durable.is_there(each.path)]
    return f"its result {left[0]} has not been collected" if left else ""


def _list_held(work: _Tidying, until: datetime) -> None:
    """List what has been held for long; only a person gives it up."""
    rows = work.ledger.read(
        "SELECT records.job, records.destination, finished FROM records"
        " WHERE latest = 1 AND state = 'held' AND finished < ? ORDER BY finished",
        (format_time(until),),
    )
    for job, destination, finished in rows:
        folders = work.folders.get(destination)
        if folders is None:
            continue
        place = folders.held / job
        why = (
            f"held since {finished}, for longer than [keep] held; decide, or discard it: "
            f"`hotfolder discard {job} {work.root.path}`"
        )
        size = sum(each.lstat().st_size for each in place.rglob("*")) if place.is_dir() else 0
        work.stays.append({"what": "held", "path": str(place), "bytes": size, "why": why})


def _remove_sheets(work: _Tidying, until: datetime) -> None:
    rows = work.ledger.read("SELECT 1 FROM records WHERE finished < ?", (format_time(until),))
    if not rows:
        return
    for destination, folders in work.folders.items():
        sheets = folders.results / "sheets"
        if not sheets.is_dir():
            continue
        check_marker(folders.results)
        for path in sorted(sheets.iterdir()):
            record = _find_record_of(work.ledger, destination, path.name)
            if record is None or record.finished >= until:
                continue
            for each in record.attachments:
                if Path(each.path) != path:
                    continue
                thing = _describe("sheet", path, record)
                if not_collected := _find_not_collected(work, record, folders):
                    work.stays.append({**thing, "why": not_collected})
                    continue
                if not durable.has_bytes(path, each.sha256):
                    work.stays.append({**thing, "why": "it has changed since"})
                    continue
                work.removed.append(thing)
                if not work.dry:
                    path.unlink()


def _find_record_of(ledger: LedgerReader, destination: str, name: str) -> Record | None:
    """The record of the delivered job that a sheet's name begins with."""
    row = ledger.find_job(name[: len("20260131-235959-0123abcd")])
    record = row.record if row and row.destination == destination else None
    return record if record and record.state == "delivered" else None


def _remove_empty_folders(work: _Tidying, until_s: float) -> None:
    """Remove sub-folders of hot folders in which nothing has been for long."""
    for folders in work.folders.values():
        hot = folders.hot_folder
        if not hot.is_dir():
            continue
        check_marker(hot)
        for top, inside, files in os.walk(hot, topdown=False):
            place = Path(top)
            if place == hot or files or place.is_symlink():
                continue
            if work.dry and inside:
                continue
            changed = place.lstat().st_mtime
            if changed >= until_s:
                continue
            if not work.dry:
                try:
                    with platforms.entry_beneath(place.parent, place.name) as (parent, name):
                        os.rmdir(name, dir_fd=parent)
                except OSError:
                    continue  # something is in it, or it has gone
                if place.parent != hot:
                    # it is changed by this; its own age is what counts
                    _keep_time(place.parent, changed)
            since = datetime.fromtimestamp(changed, UTC)
            why = f"empty since {format_time(since)}"
            work.removed.append({"what": "folder", "path": str(place), "bytes": 0, "why": why})


def _keep_time(folder: Path, changed_s: float) -> None:
    found = folder.lstat()
    if found.st_mtime > time.time() - 5:
        os.utime(folder, (found.st_atime, changed_s))


def _cut_logs(work: _Tidying, this_year: int) -> None:
    for folders in work.folders.values():
        log = folders.results / LOG_FILE
        skip = 0
        while True:
            try:
                found = find_cut(work.ledger, log, this_year, skip=skip)
            except StorageError as error:
                thing: Thing = {"what": "log", "path": str(log), "bytes": 0, "why": str(error)}
                work.stays.append(thing)
                break
            if found is None:
                break
            work.removed.append(
                {
                    "what": "log",
                    "path": str(log),
                    "bytes": found.bytes,
                    "why": f"{found.lines} records go to {found.part.name}",
                }
            )
            if work.dry:
                skip += found.lines
            else:
                cut(found)


def _pack_records(ledger: Ledger) -> int:
    """Pack records that earlier versions kept as text; return how many bytes it saves."""
    last, saved = 0, 0
    while True:
        rows = ledger.read(
            "SELECT seq, record FROM jobs WHERE seq > ? AND typeof(record) = 'text'"
            " ORDER BY seq LIMIT ?",
            (last, _AT_ONCE),
        )
        if not rows:
            return saved
        packed = [(pack(text), seq) for seq, text in rows]
        with ledger.transaction() as db:
            db.executemany("UPDATE jobs SET record = ? WHERE seq = ?", packed)
        saved += sum(len(text) for _, text in rows) - sum(len(each) for each, _ in packed)
        last = rows[-1][0]


def _compact(path: Path, saved: int) -> int:
    """Write the ledger anew without what is empty in it; return by how many bytes it shrank.

    saved: bytes that were just given up within pages, which do not count as empty.
    """
    before = path.stat().st_size
    try:
        with closing(sqlite3.connect(path, isolation_level=None)) as db:
            free, pages, page_bytes = (
                db.execute(f"PRAGMA {name}").fetchone()[0]
                for name in ("freelist_count", "page_count", "page_size")
            )
            if free * page_bytes + saved < _WORTH_COMPACTING * pages * page_bytes:
                return 0
            if page_bytes != PAGE_BYTES:
                # pages change their size in no other mode; while somebody reads, they keep it
                with contextlib.suppress(sqlite3.OperationalError):
                    db.execute("PRAGMA journal_mode=DELETE")
                    db.execute(f"PRAGMA page_size={PAGE_BYTES}")
            db.execute("VACUUM")
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    except sqlite3.DatabaseError as error:
        raise StorageError(
            f"the ledger {path} cannot be written anew, and is as it was: {error}; all else is done"
        ) from error
    return before - path.stat().st_size


def _note(ledger: Ledger, job: str, *, done: bool) -> None:
    with ledger.transaction() as db:
        db.execute(
            "INSERT INTO removed (job, at, done) VALUES (?, ?, ?)"
            " ON CONFLICT (job) DO UPDATE SET done = excluded.done",
            (job, format_time(datetime.now(UTC)), int(done)),
        )


def _describe(what: str, path: Path, record: Record) -> Thing:
    why = f"of job {record.job}, delivered {format_time(record.finished)}"
    return {"what": what, "path": str(path), "bytes": path.lstat().st_size, "why": why}
