"""Claiming: a settled file moves from its hot folder into the spool, and is ours from then on."""

from __future__ import annotations

import os
import secrets
import stat
from datetime import UTC, datetime
from pathlib import Path

from hotfolder import durable
from hotfolder.errors import StorageError
from hotfolder.intake import Candidate
from hotfolder.ledger import JobRow, Ledger, State

ORIGINAL = "original"
_LINKED = "linked"


def new_job_id() -> str:
    """A name for a job: sorts by time, unique for ever, safe in any file system."""
    return f"{datetime.now(UTC):%Y%m%d-%H%M%S}-{secrets.token_hex(4)}"


def claim(ledger: Ledger, spool: Path, destination: str, candidate: Candidate) -> JobRow | None:
    """Take `candidate` out of its hot folder.

    Returns
    -------
    JobRow or None
        The job, in state ``claimed``; None when the file had gone, or had been replaced by
        another one since it was looked at (that one is left for the next scan).

    Raises
    ------
    StorageError
        When the spool or the hot folder cannot be written; the file is where it was, or in the
        spool, where `recover` finds it.
    """
    source = os.fsencode(candidate.relative)
    identity = candidate.identity
    row = ledger.add(
        new_job_id(),
        destination,
        source,
        candidate.kind,
        identity.size,
        {
            "dev": identity.dev,
            "ino": identity.ino,
            "size": identity.size,
            "mtime_ns": identity.mtime_ns,
        },
    )
    place = candidate.path
    try:
        durable.make_folders(spool / row.id)
        taken = spool / row.id / ORIGINAL
        if candidate.kind != "file":
            place.rename(taken)
            durable.fsync_folder(taken.parent)
        elif candidate.nlink > 1:
            # somebody holds another name of these bytes and could change them under us
            durable.move_new(place, spool / row.id / _LINKED)
            _unlinked(spool / row.id)
        else:
            durable.move_new(place, taken)
        if candidate.kind == "file" and _was_replaced(taken, candidate):
            durable.move_new(taken, place)
            _drop(ledger, spool, row)
            return None
    except FileNotFoundError:
        _drop(ledger, spool, row)
        return None
    except OSError as error:
        if not (spool / row.id / ORIGINAL).exists() and not (spool / row.id / _LINKED).exists():
            _drop(ledger, spool, row)
        raise StorageError(
            f"{place} cannot be taken into the spool: {error.strerror or error}; "
            "it stays where it is and is tried again"
        ) from error
    return ledger.advance(row.id, State.CLAIMED, detail={})


def recover_claim(ledger: Ledger, spool: Path, folder: Path, row: JobRow) -> JobRow | None:
    """Settle a claim that a kill interrupted: it is ours if its bytes are whole in the spool."""
    own = spool / row.id
    if (own / _LINKED).exists():
        (own / ORIGINAL).unlink(missing_ok=True)
        _unlinked(own)
    if not os.path.lexists(own / ORIGINAL):
        _drop(ledger, spool, row)
        return None
    place = folder / os.fsdecode(row.source)
    if _is_source(place, row):
        # a copy across file systems that was whole, but whose source was not yet removed
        place.unlink()
        durable.fsync_folder(place.parent)
    return ledger.advance(row.id, State.CLAIMED, detail={})


def _is_source(place: Path, row: JobRow) -> bool:
    try:
        found = place.lstat()
    except OSError:
        return False
    mine = row.detail
    return stat.S_ISREG(found.st_mode) and (
        (found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns)
        == (mine.get("dev"), mine.get("ino"), mine.get("size"), mine.get("mtime_ns"))
    )


def _was_replaced(taken: Path, candidate: Candidate) -> bool:
    found = taken.lstat()
    moved_within = found.st_dev == candidate.identity.dev and candidate.nlink == 1
    return (found.st_size, found.st_mtime_ns) != (
        candidate.identity.size,
        candidate.identity.mtime_ns,
    ) or (moved_within and found.st_ino != candidate.identity.ino)


def _unlinked(own: Path) -> None:
    durable.copy_new(own / _LINKED, own / ORIGINAL)
    (own / _LINKED).unlink()
    durable.fsync_folder(own)


def _drop(ledger: Ledger, spool: Path, row: JobRow) -> None:
    durable.remove_tree(spool / row.id, below=spool)
    ledger.forget(row.id)
