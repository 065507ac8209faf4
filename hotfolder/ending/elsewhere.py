"""Having a held picture made for another destination: its original is dropped there, once.

It is dropped as a person would drop it, and becomes a job of its own there. The held job stays as
it is, or is given up after the drop: a kill in between leaves both, and asking again drops nothing
a second time.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from filelock import FileLock, Timeout

from hotfolder.disk import durable, names, platforms
from hotfolder.disk.free_names import free_name
from hotfolder.disk.marker import check_marker
from hotfolder.ending.decision import discard_job
from hotfolder.ending.dropping import drop
from hotfolder.ending.held_folder import find_held, place_before
from hotfolder.ending.kept import KeptOriginals
from hotfolder.errors import Problem, SettingsError, StorageError
from hotfolder.ledger.reading import JobRow, open_reader, read_job
from hotfolder.model.ends import End
from hotfolder.model.records import SIDECAR
from hotfolder.settings.files import SETTINGS_FILE, load_destination, read_root_file
from hotfolder.settings.files import read_folders as read_folders_of
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry

_WAIT_S: Final = 10.0


@dataclass(frozen=True)
class Sent:
    """What was done."""

    dropped: Path | None
    """Where it was dropped; None when it is there already."""
    was_given_up: bool


def send_elsewhere(
    root: Root, job: str, destination: str, *, give_up: bool, who: str | None, why: str
) -> Sent:
    """Drop the original of a held job into another destination, unless it is there already.

    Parameters
    ----------
    root
        The root that holds it.
    job
        Its name.
    destination
        The other one's name.
    give_up
        Whether the held job is given up then.
    who, why
        As for `discard_job`.

    Raises
    ------
    SettingsError
        When there is no such held job, or that destination takes no picture by itself.
    StorageError
        When it cannot be dropped, or is being decided already.
    """
    row = read_job(root.ledger, job)
    if row is None or row.end is not End.HELD:
        state = f"is {row.end or row.state}" if row else "is not a job of this root"
        raise SettingsError([Problem(str(root.path), job, state, "a held job, as status shows")])
    path = root.destinations / f"{destination}.toml"
    if destination == row.destination or not path.is_file():
        raise SettingsError([Problem("", "", destination, "another destination of this root")])
    other = load_destination(path, load_registry(root.plugins), Intake())
    title = other.file.title or other.name
    if other.file.ticket is not None:
        got = f"{title} works on tickets, which say where each picture goes"
        raise SettingsError([Problem("", "", got, "a destination without them")])
    folders = root.folders(destination, other.file.folders)
    with _alone(root):
        # somebody else may have decided while this waited
        now = read_job(root.ledger, job)
        if now is None or now.changed != row.changed:
            raise StorageError(f"Something has become of {job} meanwhile; nothing was done.")
        dropped = None if _is_there(root, row, destination) else _drop(root, row, folders)
        if give_up:
            said = f"made for {title} instead"
            discard_job(root, job, who=who, why=f"{said}: {why}" if why else said)
    return Sent(dropped, give_up)


def find_original(root: Root, row: JobRow) -> Path:
    """Find a held job's original with the bytes that it had.

    Raises
    ------
    StorageError
        When it is nowhere any more.
    """
    places = [KeptOriginals(root.kept).find(row.id)]
    if row.placement:
        places.append(Path(row.placement.kept))
    found = _find_folder(root, row)
    if found and row.record:
        places.append(found / Path(row.record.original_kept).name)
    for path in places:
        if path and row.sha256 and durable.has_bytes(path, row.sha256):
            return path
    raise StorageError(f"The original of {row.id} is not there any more as it was held.")


def _find_sidecar(root: Root, row: JobRow) -> Path | None:
    """Find the sidecar that came with it, with the bytes that it had; None when there is none."""
    found = _find_folder(root, row)
    for each in row.record.attachments if row.record else ():
        if each.kind == SIDECAR:
            in_folder = found / Path(each.path).name if found else None
            for path in (KeptOriginals(root.kept).find_sidecar(row.id), in_folder):
                if path and durable.has_bytes(path, each.sha256):
                    return path
    return None


def _find_folder(root: Root, row: JobRow) -> Path | None:
    """Where a held job's folder is now."""
    folders = root.folders(
        row.destination, read_folders_of(root.destinations / f"{row.destination}.toml")
    )
    before = place_before(row)
    return find_held(row, folders.held, *([before] if before else []))


@contextmanager
def _alone(root: Root) -> Iterator[None]:
    """Nobody else drops one meanwhile: what is there already is told from what was done."""
    try:
        with FileLock(root.private / "elsewhere.lock", timeout=_WAIT_S):
            yield
    except Timeout as error:
        raise StorageError("Another picture is just being dropped; ask again.") from error


def _is_there(root: Root, row: JobRow, destination: str) -> bool:
    """Whether it has been taken in there since it was held here."""
    held_since = row.changed.astimezone(UTC)
    with open_reader(root.ledger) as ledger:
        rows = ledger.read(
            "SELECT arrived FROM jobs WHERE destination = ?"
            " AND (sha256 = ? OR (sha256 IS NULL AND source = ?))",
            (destination, row.sha256, os.fsencode(_name_of(row))),
        )
    return any(datetime.fromisoformat(arrived) >= held_since for (arrived,) in rows)


def _name_of(row: JobRow) -> str:
    return str(names.safe_relative(os.fsdecode(row.source)))


def _drop(root: Root, row: JobRow, folders: DestinationFolders) -> Path | None:
    """Put it into the hot folder under a free name; None when it lies there already."""
    original, sidecar = find_original(root, row), _find_sidecar(root, row)
    target = folders.hot_folder / _name_of(row)
    try:
        check_marker(folders.hot_folder)
        free, floor = platforms.free_bytes(folders.hot_folder), read_root_file(root.path).free_space
        if free - row.bytes < floor:
            raise StorageError(
                f"The disk of {folders.hot_folder} would have less than {floor / 2**20:.0f} MiB "
                f"left (free_space in {SETTINGS_FILE}). Make room, and ask again."
            )
        taken: set[str] = set()
        while True:
            if row.sha256 and durable.has_bytes(target, row.sha256):
                return None
            at = free_name(target.parent, target.name, taken)
            try:
                drop(original, sidecar, at, folders.hot_folder)
            except FileExistsError:  # somebody has just taken the name, or has it for a sidecar
                taken.add(names.collision_key(at.name))
                continue
            return at
    except OSError as error:
        raise StorageError(f"{target} cannot be written: {error.strerror or error}") from error
