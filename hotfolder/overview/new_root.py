"""Making a new root: folders, the settings it starts with, and profiles to try it with."""

from __future__ import annotations

import importlib.resources
import os
from collections.abc import Callable, Iterable
from pathlib import Path

from hotfolder.disk.marker import MARKER, marker_id, write_marker
from hotfolder.errors import StorageError
from hotfolder.logs import get_log
from hotfolder.measured.folder import make_measured_folder
from hotfolder.overview.overlaps import collisions, locate
from hotfolder.settings.files import SETTINGS_FILE, find_folders_in
from hotfolder.settings.known_folders import KnownFolders
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.settings.tables import Folders


def make_root(path: Path) -> list[Path]:
    """Make a root that works, or add to one what it lacks; nothing that exists is changed.

    Returns
    -------
    list of Path
        Files and folders that were made, and the markers of folders that stood there without one.

    Raises
    ------
    StorageError
        When something cannot be made there.
    """
    from hotfolder_demo import write_profiles

    root = Root(path)
    made: list[Path] = []
    try:
        for folder in (root.path, root.destinations, root.profiles, root.plugins, root.spool):
            _make(folder, made)
        defaults = importlib.resources.files("hotfolder_defaults")
        _write(root.path / SETTINGS_FILE, defaults.joinpath(SETTINGS_FILE).read_bytes(), made)
        if not any(root.destinations.glob("*.toml")):
            for source in sorted(
                defaults.joinpath("destinations").iterdir(), key=lambda each: each.name
            ):
                if source.name.endswith(".toml"):
                    _write(root.destinations / source.name, source.read_bytes(), made)
        if not any(root.profiles.iterdir()):
            made += write_profiles(root.profiles)
        make_folders(root, made)
    except OSError as error:
        raise StorageError(
            f"a root cannot be made at {root.path}: {error.filename}: {error.strerror}"
        ) from error
    return made


def make_folders(root: Root, made: list[Path]) -> None:
    """Make the folders of every destination that has a settings file, and mark them as ours.

    Whatever else is wrong in the file, which `check` says; but none while nobody can read where.
    """
    places = {
        path.stem: root.folders(path.stem, elsewhere)
        for path in root.destinations.glob("*.toml")
        if (elsewhere := find_folders_in(path)) is not None
    }
    # a marker in a folder that is also something else would vouch for what it does not know
    colliding = collisions(root, {name: locate(name, each) for name, each in places.items()})
    known = KnownFolders(root)
    for name, folders in places.items():
        if name in colliding:
            continue
        for folder in folders.all():
            _make(folder, made)
            if folder not in made and not marker_id(folder):
                made.append(folder / MARKER)
            write_marker(folder)
        known.take(name, folders)
        made += make_measured_folder(root, name)
        write_marker(root.measured / name)


def make_new_folders(
    root: Root,
    name: str,
    folders: DestinationFolders,
    known: KnownFolders,
    has_worked: Callable[[str], bool],
) -> None:
    """Make the folders of a destination that is new, where they stand at their usual places.

    Only what nobody has seen yet is made: a folder that was there before is on a share that is
    away. Elsewhere than in the root only a person knows whether a share should be there.

    Raises
    ------
    OSError
        When one cannot be made.
    """
    missing = find_new_folders(root, name, folders, known)
    if not missing or has_worked(name):
        return
    for folder in missing:
        folder.mkdir(parents=True, exist_ok=True)
        write_marker(folder)
        get_log().info("folder.made", destination=name, folder=str(folder))


def find_new_folders(
    root: Root, name: str, folders: DestinationFolders, known: KnownFolders
) -> list[Path]:
    """Folders of a destination that are not there, and may be made: nobody has seen them yet."""
    usual = root.folders(name, Folders())
    # the cheapest first: only what is nobody's yet is looked at
    return [
        folder
        for kind, folder in vars(folders).items()
        if folder == getattr(usual, kind)
        and known.is_new(name, kind)
        and not os.path.lexists(folder)
        and not _may_be_away(folder.parent, known.places(kind))
    ]


def _may_be_away(parent: Path, others: Iterable[Path]) -> bool:
    """Whether folders of others should be in a folder, and none of them is."""
    siblings = {each.name for each in others if each.parent == parent}
    # by the names in it alone: one of the others may be a share that hangs
    there = {each.name for each in parent.iterdir()} if parent.is_dir() else set()
    return bool(siblings) and not siblings & there


def _make(folder: Path, made: list[Path]) -> None:
    if not folder.is_dir():
        folder.mkdir(parents=True)
        made.append(folder)


def _write(path: Path, data: bytes, made: list[Path]) -> None:
    if not path.exists():
        path.write_bytes(data)
        made.append(path)
