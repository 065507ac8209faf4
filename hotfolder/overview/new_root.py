"""Making a new root: folders, the settings it starts with, and profiles to try it with."""

from __future__ import annotations

import importlib.resources
from pathlib import Path

from hotfolder.disk.marker import write_marker
from hotfolder.errors import SettingsError, StorageError
from hotfolder.overview.overlaps import collisions
from hotfolder.settings.files import SETTINGS_FILE, Folders, load_what_is_right
from hotfolder.settings.known_folders import KnownFolders
from hotfolder.settings.root import Root
from hotfolder.stages.registry import load_registry


def make_root(path: Path) -> list[Path]:
    """Make a root that works, or add to one what it lacks; nothing that exists is changed.

    Returns
    -------
    list of Path
        Files and folders that were made.

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
    """Make the folders of every destination that has a settings file, and mark them as ours."""
    moved = {path.stem: Folders() for path in root.destinations.glob("*.toml")}
    try:
        settings = load_what_is_right(root.path, load_registry(root.plugins))
        moved |= {name: each.file.folders for name, each in settings.destinations.items()}
    except SettingsError:
        pass  # `check` says what is wrong; the usual folders are made all the same
    places = {name: root.folders(name, elsewhere) for name, elsewhere in moved.items()}
    # a marker in a folder that is also something else would vouch for what it does not know
    colliding = collisions(root, places)
    known = KnownFolders(root)
    for name, folders in places.items():
        if name in colliding:
            continue
        for folder in folders.all():
            _make(folder, made)
            write_marker(folder)
        known.take(name, folders)


def _make(folder: Path, made: list[Path]) -> None:
    if not folder.is_dir():
        folder.mkdir(parents=True)
        made.append(folder)


def _write(path: Path, data: bytes, made: list[Path]) -> None:
    if not path.exists():
        path.write_bytes(data)
        made.append(path)
