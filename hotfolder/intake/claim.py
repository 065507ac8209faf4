"""Claiming: a settled file moves from its hot folder into the spool, and is ours from then on.

Whoever may write to a hot folder may swap what is in it at any moment. So a file is named by its
open folder, reached without following a link, and looked at again once it is ours: what is not
the file that had settled goes back, and the next scan finds it.

Within one file system the claim is one rename. Across file systems the file first takes a name
of ours in its own folder, so that nothing dropped meanwhile can be mistaken for it; it goes when
its copy is whole and durable. A claim that was broken off is looked for where it was begun, and in
all sub-folders there, since their owners may rename them; what nobody knows of gets a name back.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import secrets
import stat
from datetime import UTC, datetime
from pathlib import Path

from hotfolder.disk import durable, platforms, trees
from hotfolder.disk.marker import check_marker
from hotfolder.errors import StorageError
from hotfolder.intake.junk import job_of
from hotfolder.intake.scan import Candidate
from hotfolder.intake.sidecars import Sidecar
from hotfolder.ledger.details import Claimed, Claiming, State, map_hexadecimal
from hotfolder.ledger.jobs import JobRow, Ledger
from hotfolder.logs import get_log
from hotfolder.model.places import Places

ORIGINAL = "original"
SIDECAR = "sidecar.xmp"
"""Beside it, where one came along."""
JOB_FILE = "job.json"
LINKED = "linked"
_SWAPPED = {errno.ENOENT, errno.ENOTDIR, errno.ELOOP, errno.EXDEV}


def new_job_id() -> str:
    """A name for a job: sorts by time, unique for ever, safe in any file system."""
    return f"{datetime.now(UTC):%Y%m%d-%H%M%S}-{secrets.token_hex(4)}"


def claim(
    ledger: Ledger,
    spool: Path,
    destination: str,
    candidate: Candidate,
    sidecar: Sidecar | None = None,
) -> JobRow | None:
    """Take `candidate` out of its hot folder, and its sidecar with it.

    The sidecar is copied first and removed last, so that a kill between leaves it where it was, or
    in both places, of which `recover_claim` makes one.

    Returns
    -------
    JobRow or None
        The job, in state ``claimed``; None when the file had gone, or had been replaced by
        another one since it was looked at (that one is left for the next scan).

    Raises
    ------
    StorageError
        When the spool or the hot folder cannot be written; the file is where it was, or in the
        spool, where `recover_claim` finds it.
    """
    identity = candidate.identity
    row = ledger.add(
        new_job_id(),
        destination,
        os.fsencode(candidate.relative),
        candidate.kind,
        identity.size,
        Claiming(
            dev=identity.dev,
            ino=identity.ino,
            size=identity.size,
            mtime_ns=identity.mtime_ns,
            nlink=candidate.nlink,
            folder=os.fsencode(candidate.folder.absolute()).hex(),
            sidecar=(
                os.fsencode(sidecar.candidate.relative).hex()
                if sidecar is not None and not sidecar.stays
                else ""
            ),
        ),
    )
    broken_off = False
    try:
        durable.make_folders(spool / row.id)
        _leave_note(spool / row.id, row, ledger.places)
        if sidecar is not None:
            _copy_sidecar(sidecar.candidate, spool / row.id)
        with platforms.entry_beneath(candidate.folder, candidate.relative) as entry:
            broken_off = True
            taken = _take(entry, spool / row.id, row)
            broken_off = False
        if taken:
            _remove_sidecar(candidate.folder, spool / row.id, row)
    except OSError as error:
        if error.errno in _SWAPPED and os.path.lexists(spool / row.id):
            taken = False
        else:
            raise StorageError(
                f"{candidate.path} cannot be taken into the spool: {error.strerror or error}; "
                "it stays where it is and is tried again"
            ) from error
    if not taken:
        return recover_claim(ledger, spool, candidate.folder, row, search=broken_off)
    return ledger.advance(row.id, State.CLAIMED, Claimed())


def _leave_note(own: Path, row: JobRow, places: Places) -> None:
    """Say beside the original whose job it is: only read when the ledger is lost (`rebuild`)."""
    said = {
        "source": row.source.hex(),
        "arrived": row.arrived.isoformat(),
        "folder": map_hexadecimal(row.expect(Claiming).folder, places.shorten),
    }
    (own / JOB_FILE).write_text(json.dumps({"destination": row.destination, **said}))


def recover_claim(
    ledger: Ledger, spool: Path, folder: Path, row: JobRow, *, search: bool = True
) -> JobRow | None:
    """Settle a claim that was interrupted: the file is ours if its bytes are whole in the spool.

    folder: the hot folder as it is now, for claims that do not say in which they were begun;
    search: look for the file in other sub-folders too.

    Raises
    ------
    OSError
        When the hot folder or the spool cannot be reached; can be called again.
    Unreachable
        When the hot folder in which it was begun is not there; the same.
    """
    own = spool / row.id
    folder = folder_of(row) or folder
    separate(own)
    is_found = False
    try:
        with platforms.entry_beneath(folder, os.fsdecode(row.source)) as entry:
            # where it is still under its own name, it is nowhere else: a sub-folder that is closed
            # to us keeps no claim open that took nothing
            is_found = _finish_copy(entry, own, row) or _is_untouched(entry, row)
    except OSError as error:
        if error.errno not in _SWAPPED:
            raise
        # a folder that has gone took its files along, unless the whole share is away
        check_marker(folder)
    if search and not is_found:
        check_marker(folder)
        for relative in _set_aside_below(folder, row.id):
            with platforms.entry_beneath(folder, relative) as entry:
                _finish_copy(entry, own, row)
    if durable.is_there(own / ORIGINAL):
        _remove_sidecar(folder, own, row)
        return ledger.advance(row.id, State.CLAIMED, Claimed())
    trees.remove_tree(own, below=spool)
    ledger.forget(row.id)
    return None


def folder_of(row: JobRow) -> Path | None:
    """In which hot folder a claim was begun; the destination may have another one since."""
    said = row.expect(Claiming).folder
    return Path(os.fsdecode(bytes.fromhex(said))) if said else None


def give_back(ledger: Ledger, spool: Path, folder: Path, relative: str) -> bool:
    """Let a file be seen again that stands under a name of ours and belongs to no open claim.

    It gets its name back, or another one, and True is returned; it is removed when its job has the
    very same bytes.

    Raises
    ------
    OSError
        When the hot folder cannot be reached; can be called again.
    """
    job = job_of(relative.rpartition("/")[2]) or ""
    copies, name = [spool / job / ORIGINAL], f"found-{job}"
    with contextlib.suppress(KeyError):
        row = ledger.job(job)
        if row.state is State.CLAIMING:
            return False  # `recover_claim` goes on with it
        name = os.fsdecode(row.source).rpartition("/")[2]
        if row.record:
            copies.append(Path(row.record.original_kept))
    with platforms.entry_beneath(folder, relative) as entry:
        if not _is_in(entry):
            return False
        if any(trees.is_same(entry[1], copy, folder=entry[0]) for copy in copies):
            trees.remove_any(entry[1], folder=entry[0])
            return False
        _name_again(entry, name, job)
        return True


_Entry = tuple[int | None, str]
"""An open folder and a name in it."""


def _take(entry: _Entry, own: Path, row: JobRow) -> bool:
    """Bring the file into `own`; False when it is not there any more, or another one is."""
    folder, name = entry
    if not _is_in(entry) or not _is_same(os.stat(name, dir_fd=folder, follow_symlinks=False), row):
        return False
    is_linked = row.kind == "file" and row.expect(Claiming).nlink > 1
    taken = own / (LINKED if is_linked else ORIGINAL)
    try:
        platforms.rename_noreplace(name, taken, source_folder=folder)
    except OSError as error:
        if error.errno != errno.EXDEV:
            raise
        return _take_by_copy(entry, own / ORIGINAL, row)
    durable.fsync_folder(own)
    if not _is_same(taken.lstat(), row):
        platforms.rename_noreplace(taken, name, target_folder=folder)
        return False
    if folder is not None:
        durable.fsync_folder(folder)
    separate(own)
    return True


def _copy_sidecar(sidecar: Candidate, own: Path) -> None:
    """Copy a sidecar into a job's folder; one that has gone since the scan is none."""
    with (
        contextlib.suppress(FileNotFoundError, NotADirectoryError),
        platforms.entry_beneath(sidecar.folder, sidecar.relative) as (folder, name),
    ):
        found = os.stat(name, dir_fd=folder, follow_symlinks=False)
        if stat.S_ISREG(found.st_mode) and found.st_size <= sidecar.identity.size:
            trees.copy_any_new(name, own / SIDECAR, folder=folder)


def _remove_sidecar(folder: Path, own: Path, row: JobRow) -> None:
    """Remove a sidecar that is in the spool; what has other bytes by now is not ours."""
    said = row.expect(Claiming).sidecar
    if not said or not durable.is_there(own / SIDECAR):
        return
    with contextlib.suppress(FileNotFoundError, NotADirectoryError):
        relative = os.fsdecode(bytes.fromhex(said))
        with platforms.entry_beneath(folder, relative) as (opened, name):
            if trees.is_same(name, own / SIDECAR, folder=opened):
                trees.remove_any(name, folder=opened)


def _take_by_copy(entry: _Entry, taken: Path, row: JobRow) -> bool:
    folder, name = entry
    aside = _aside(entry, row)
    platforms.rename_noreplace(name, aside, source_folder=folder, target_folder=folder)
    if folder is not None:
        durable.fsync_folder(folder)
    if not _is_same(os.stat(aside, dir_fd=folder, follow_symlinks=False), row):
        platforms.rename_noreplace(aside, name, source_folder=folder, target_folder=folder)
        return False
    try:
        _finish_copy(entry, taken.parent, row)
    except OSError:
        # give it its name back, so that its sender sees it; else `recover_claim` finds it
        with contextlib.suppress(OSError):
            if not durable.is_there(taken):
                platforms.rename_noreplace(aside, name, source_folder=folder, target_folder=folder)
        raise
    return True


def _finish_copy(entry: _Entry, own: Path, row: JobRow) -> bool:
    """Copy what stands under our name in the hot folder and remove it; False when nothing does."""
    folder, aside = entry[0], _aside(entry, row)
    if not _is_in((folder, aside)):
        return False
    if not durable.is_there(own / ORIGINAL):
        durable.make_folders(own)
        trees.copy_any_new(aside, own / ORIGINAL, folder=folder)
    elif not trees.is_same(aside, own / ORIGINAL, folder=folder):
        # one of the two is not what was dropped: both are kept, and this one is dropped anew
        name = os.fsdecode(row.source).rpartition("/")[2]
        _name_again((folder, aside), name, row.id)
        return True
    trees.remove_any(aside, folder=folder)
    if folder is not None:
        durable.fsync_folder(folder)
    return True


def _name_again(entry: _Entry, name: str, job: str) -> None:
    """Give what stands under a name of ours its own back, or one that is free."""
    folder, aside = entry
    wanted = [name, f"found-{job}"]
    if folder is None:
        wanted = [str(Path(aside).with_name(each)) for each in wanted]
    try:
        platforms.rename_noreplace(aside, wanted[0], source_folder=folder, target_folder=folder)
    except FileExistsError:
        platforms.rename_noreplace(aside, wanted[1], source_folder=folder, target_folder=folder)
    get_log().warning("claim.file_given_back", job=job)


def _set_aside_below(folder: Path, job: str) -> list[str]:
    """Where below a hot folder a job's file stands under a name of ours."""

    def pass_on(error: OSError) -> None:
        if error.errno not in {errno.ENOENT, errno.ENOTDIR}:
            raise error

    return [
        (Path(top) / name).relative_to(folder).as_posix()
        for top, folders, files in os.walk(folder, onerror=pass_on)
        for name in (*folders, *files)
        if job_of(name) == job
    ]


def _is_in(entry: _Entry) -> bool:
    try:
        os.stat(entry[1], dir_fd=entry[0], follow_symlinks=False)
    except FileNotFoundError:
        return False
    return True


def _is_untouched(entry: _Entry, row: JobRow) -> bool:
    """Whether what had settled is still there under its own name."""
    folder, name = entry
    return _is_in(entry) and _is_same(os.stat(name, dir_fd=folder, follow_symlinks=False), row)


def _aside(entry: _Entry, row: JobRow) -> str:
    name = f"{durable.TEMPORARY_PREFIX}{row.id}"
    return name if entry[0] is not None else str(Path(entry[1]).with_name(name))


def _is_same(found: os.stat_result, row: JobRow) -> bool:
    """Whether this is what had settled; a folder's time and size are those of all that is in it."""
    known = row.expect(Claiming)
    if (found.st_dev, found.st_ino) != (known.dev, known.ino):
        # a rename within one file system keeps the number; across them the name is still there
        return False
    return not stat.S_ISREG(found.st_mode) or (found.st_size, found.st_mtime_ns) == (
        known.size,
        known.mtime_ns,
    )


def separate(own: Path) -> None:
    """Copy a file that somebody holds another name of, so that nobody can change it under us."""
    if not durable.is_there(own / LINKED):
        return
    (own / ORIGINAL).unlink(missing_ok=True)
    durable.copy_new(own / LINKED, own / ORIGINAL)
    (own / LINKED).unlink()
    durable.fsync_folder(own)
