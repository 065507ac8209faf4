"""Copying an original that is kept into a hot folder, with the sidecar that came with it."""

from __future__ import annotations

import contextlib
from pathlib import Path

from hotfolder.disk import durable, trees
from hotfolder.disk.marker import check_marker, make_marked_folders
from hotfolder.errors import StorageError
from hotfolder.intake.sidecars import name_sidecar


def drop(original: Path, sidecar: Path | None, target: Path, hot_folder: Path) -> None:
    """Copy an original into a hot folder, to a name that nothing has there.

    The sidecar comes before its picture, which is not taken up without it.

    Parameters
    ----------
    original, sidecar
        What is copied; None where no sidecar came with it.
    target
        The name in the hot folder, or below it.
    hot_folder
        The hot folder, which was marked.

    Raises
    ------
    FileExistsError
        When something has the name, or the sidecar's. Nothing was left there.
    OSError
        When it cannot be written. Nothing was left there.
    Unreachable
        When the folder's share is away, or went while this wrote. Nothing was left there.
    """
    check_marker(hot_folder)
    make_marked_folders(target.parent)
    files = [(sidecar, name_sidecar(target))] if sidecar else []
    if files and durable.is_there(target):
        raise FileExistsError(target)
    made: dict[Path, tuple[int, int] | None] = {}
    try:
        for source, to in [*files, (original, target)]:
            if to != target and trees.is_same(source, to):
                continue  # a kill came between it and its picture
            durable.copy_new(source, to)
            made[to] = _identify(to)
        check_marker(hot_folder)  # else it lies under the share, and not on it
    except (OSError, StorageError):
        for path, identity in made.items():
            with contextlib.suppress(OSError):  # it has been taken, or its share is away
                if identity and _identify(path) == identity:
                    path.unlink()
        raise


def _identify(path: Path) -> tuple[int, int] | None:
    """Tell a file from one that comes under its name later; None when it has been taken."""
    try:
        found = path.lstat()
    except FileNotFoundError:
        return None
    return found.st_dev, found.st_ino
