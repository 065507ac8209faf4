"""Opening a root's ledger: one that is lost or damaged is set aside and made anew from the folders.

How the folders tell it, and what becomes of an older ledger that was put back, says `take_up`.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Collection, Mapping
from datetime import UTC, datetime
from pathlib import Path

from hotfolder.daemon.take_up import catch_up, close, fill
from hotfolder.daemon.under_way import Known
from hotfolder.disk import durable
from hotfolder.disk.marker import check_marker
from hotfolder.errors import StorageError
from hotfolder.ledger.jobs import Ledger
from hotfolder.ledger.log_places import LogPlaces
from hotfolder.ledger.log_years import LOG_FILE, list_parts
from hotfolder.logs import get_log
from hotfolder.settings.root import DestinationFolders, Root


def open_ledger(
    root: Root,
    folders: Mapping[str, DestinationFolders],
    refused: Collection[str] = (),
    with_tickets: Collection[str] = (),
) -> Ledger:
    """Open a root's ledger; make a new one from the folders when it is lost or damaged.

    An older one that was put back is brought up to date.

    Parameters
    ----------
    root
        The root.
    folders
        Of each destination that is served.
    refused
        Destinations whose settings are wrong, so that nobody knows where their folders are.
    with_tickets
        Destinations that work on tickets.

    Raises
    ------
    StorageError
        When a newer version of this program wrote it, or a folder that the new one needs cannot
        be read: nothing is changed then.
    """
    damage = _find_damage(root.ledger)
    if damage is None and root.ledger.exists():
        return _open_and_compare(root, folders, with_tickets)
    trouble = f"the ledger {root.ledger} {damage or 'is not there'}, and cannot be rebuilt"
    try:
        for each in folders.values():  # what is away may know of jobs that nothing else knows of
            for folder in vars(each).values():
                check_marker(folder)
    except StorageError as error:
        raise StorageError(f"{trouble}: {root.fill_in(str(error))}") from error
    was_served = _has_worked(root, folders) or (refused and root.snapshot.exists())
    if damage is None and not was_served and not _list_files_of(root.ledger):
        return _open_and_compare(root, folders, with_tickets)
    if refused:
        raise StorageError(
            f"{trouble} while the settings of {', '.join(sorted(refused))} are wrong: its "
            f"folders may hold jobs that are recorded nowhere else. `{root.command('check')}` says "
            f"what is wrong"
        )
    new = root.ledger.with_name("ledger.new.sqlite")
    for leftover in root.private.glob(f"{new.name}*"):
        leftover.unlink()
    try:
        counts = _rebuild(new, root, folders, with_tickets)
    except OSError as error:
        raise StorageError(f"{trouble}: {error}") from error
    # beside a lost file its -wal may have stayed, which would be taken for the new one's
    aside = _set_aside(root.ledger) if _list_files_of(root.ledger) else None
    new.rename(root.ledger)
    durable.fsync_folder(root.private)
    get_log().error(
        "ledger.rebuilt",
        reason=damage or "it was not there",
        set_aside=str(aside) if aside else "",
        **counts,
    )
    ledger = Ledger(root.ledger)
    close(ledger, root)
    return ledger


def _open_and_compare(
    root: Root, folders: Mapping[str, DestinationFolders], with_tickets: Collection[str]
) -> Ledger:
    ledger = Ledger(root.ledger)
    try:
        catch_up(Known(ledger, root, folders, with_tickets, was_lost=False))
    except OSError as error:
        ledger.close()
        raise StorageError(
            f"the folders of {root.path} cannot be compared with the ledger: "
            f"{error.filename or ''} {error.strerror or error}"
        ) from error
    except BaseException:
        ledger.close()
        raise
    return ledger


def _find_damage(path: Path) -> str | None:
    """What is wrong with the file; None when it is fine or not there."""
    if not path.exists():
        return None
    try:
        with contextlib.closing(sqlite3.connect(path)) as db:
            (said,) = db.execute("PRAGMA quick_check(1)").fetchone()
            version = db.execute("PRAGMA user_version").fetchone()[0]
            if said == "ok" and version == 0:
                return "is empty"
    except sqlite3.OperationalError as error:
        raise StorageError(f"the ledger {path} cannot be used: {error}") from error
    except sqlite3.DatabaseError as error:
        return f"is damaged: {error}"
    return None if said == "ok" else f"is damaged: {said}"


def _has_worked(root: Root, folders: Mapping[str, DestinationFolders]) -> bool:
    """Whether this root has had a ledger: a new one has neither logs nor jobs."""
    if LogPlaces(root.private).file.exists():
        return True  # the logs may be where settings have left them
    logs = [each.results / LOG_FILE for each in folders.values()]
    return any(root.spool.iterdir()) or any(log.exists() or list_parts(log) for log in logs)


def _list_files_of(ledger: Path) -> list[Path]:
    """The ledger's files that are there: a ``-wal`` may be there alone."""
    found = (ledger.with_name(ledger.name + suffix) for suffix in ("", "-wal", "-shm"))
    return [each for each in found if each.exists()]


def _set_aside(ledger: Path) -> Path:
    now = f"{datetime.now(UTC):%Y%m%d-%H%M%S}"
    aside = ledger.with_name(f"ledger.damaged-{now}.sqlite")
    for old in _list_files_of(ledger):
        old.rename(aside.with_name(aside.name + old.name.removeprefix(ledger.name)))
    return aside


def _rebuild(
    new: Path,
    root: Root,
    folders: Mapping[str, DestinationFolders],
    with_tickets: Collection[str],
) -> dict[str, int]:
    ledger = Ledger(new)
    try:
        counts = fill(Known(ledger, root, folders, with_tickets, was_lost=True))
    finally:
        ledger.close()
    durable.fsync_file(new)
    return counts
