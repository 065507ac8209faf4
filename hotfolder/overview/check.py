"""Whether a root's settings, profiles and folders are right: everything that is not, at once."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace

from hotfolder.disk import platforms
from hotfolder.disk.marker import Unreachable, check_marker
from hotfolder.errors import PluginError, Problem, SettingsError
from hotfolder.intake.scan import scan
from hotfolder.overview.overlaps import collisions
from hotfolder.overview.unmentioned import find_unmentioned
from hotfolder.settings.files import Destination, Settings, load_what_is_right
from hotfolder.settings.known_folders import KnownFolders
from hotfolder.settings.root import Root
from hotfolder.stages.registry import Registry, load_registry


@dataclass(frozen=True)
class Checked:
    """What `check` found."""

    settings: Settings | None
    """None when they cannot be used."""
    registry: Registry | None
    """None when the stages cannot be loaded."""
    problems: tuple[Problem, ...]
    """What stops the daemon."""
    unreachable: tuple[Problem, ...]
    """Folders that are away or cannot be used; the daemon serves the other destinations."""
    remarks: tuple[str, ...]
    """What is worth a person's look."""


def check(root: Root) -> Checked:
    """Check everything about a root that can be checked without a picture."""
    try:
        registry = load_registry(root.plugins)
    except PluginError as error:
        return Checked(None, None, (Problem(str(root.plugins), "", str(error), ""),), (), ())
    try:
        settings = _without_collisions(root, load_what_is_right(root.path, registry))
    except SettingsError as error:
        return Checked(None, registry, error.problems, (), ())
    problems: list[Problem] = []
    unreachable: list[Problem] = []
    remarks: list[str] = []
    if not settings.destinations:
        problems += [each for found in settings.refused.values() for each in found]
    known = KnownFolders(root)
    for destination in settings.destinations.values():
        _check_folders(root, destination, known, unreachable)
        remarks += _collect_remarks(destination)
    _check_ledger_disk(root, problems)
    remarks += [
        f"in/{folder.name} belongs to no destination: what is dropped there stays there"
        for folder in sorted((root.path / "in").glob("*"))
        if folder.is_dir() and folder.name not in {**settings.destinations, **settings.refused}
    ]
    remarks += find_unmentioned(
        root,
        {
            name: root.folders(name, each.file.folders)
            for name, each in settings.destinations.items()
        },
    )
    return Checked(settings, registry, tuple(problems), tuple(unreachable), tuple(remarks))


def _without_collisions(root: Root, settings: Settings) -> Settings:
    """The settings with destinations whose folders collide among those that are refused."""
    colliding = collisions(
        root,
        {
            name: root.folders(name, each.file.folders)
            for name, each in settings.destinations.items()
        },
    )
    return replace(
        settings,
        destinations={
            name: each for name, each in settings.destinations.items() if name not in colliding
        },
        refused={**settings.refused, **{name: tuple(each) for name, each in colliding.items()}},
    )


def _check_folders(
    root: Root, destination: Destination, known: KnownFolders, problems: list[Problem]
) -> None:
    folders = root.folders(destination.name, destination.file.folders)
    try:
        known.check(destination.name, folders, learn=False)
    except Unreachable as error:
        problems.append(Problem(str(root.path), "", str(error), ""))
    for key, folder in vars(folders).items():
        if not folder.is_dir():
            problems.append(
                Problem(
                    str(folder),
                    "",
                    f"{destination.name}'s {key} folder is missing",
                    "make it, mount it, or run `hotfolder init`, which makes what is missing",
                )
            )
        elif not os.access(folder, os.W_OK | os.X_OK):
            problems.append(Problem(str(folder), "", "cannot be written", "permission to write"))
        elif folder != folders.hot_folder:
            try:
                check_marker(folder)
            except Unreachable as error:
                problems.append(Problem(str(folder), "", str(error), ""))
    try:
        scan(folders.hot_folder)
    except Unreachable as error:
        if folders.hot_folder.is_dir():
            problems.append(
                Problem(str(folders.hot_folder), "", str(error), "a folder that can be read")
            )


def _collect_remarks(destination: Destination) -> list[str]:
    remarks = []
    space = destination.profile.space.strip()
    surface = destination.file.medium.surface
    if destination.profile.device_class == "mntr" and surface != "screen":
        described = f"{destination.profile.description!r} describes a display ({space})"
        is_it = f"but the surface is {surface}; is it the printer's profile?"
        remarks.append(f"{destination.name}: medium.profile {described}, {is_it}")
    result = destination.file.result
    if (result.format, result.bits, result.compression) == ("tiff", 16, "lzw"):
        # 16 photographs as sharpened for canvas: 0.94 of their size on average and 1.27 at most;
        # deflate 0.69 and 0.92, both with TIFF's predictor, without which LZW has 1.10.
        remarks.append(
            f'{destination.name}: result.compression = "lzw" makes some 16-bit photographs '
            'larger than they are uncompressed; "deflate" saves a third on average'
        )
    return remarks


def _check_ledger_disk(root: Root, problems: list[Problem]) -> None:
    kind = platforms.filesystem_type(root.path)
    if not platforms.delivers_events(kind):
        problems.append(
            Problem(
                str(root.private),
                "",
                f"is on {kind}",
                "a local disk for the root; its in/ and out/ folders may be on a share",
            )
        )
