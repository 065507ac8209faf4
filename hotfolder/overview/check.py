"""Whether a root's settings, profiles and folders are right: everything that is not, at once."""

from __future__ import annotations

import os
from dataclasses import dataclass

from hotfolder.disk import platforms
from hotfolder.disk.marker import Unreachable, check_marker
from hotfolder.errors import PluginError, Problem, SettingsError
from hotfolder.intake.scan import scan
from hotfolder.settings.files import Destination, Settings, load_settings
from hotfolder.settings.root import Root
from hotfolder.stages.registry import Registry, load_registry


@dataclass(frozen=True)
class Checked:
    """What `check` found.

    problems stop the daemon. unreachable: folders of destinations that are away or cannot be used;
    the daemon serves the other destinations meanwhile. remarks are worth a person's look.
    """

    settings: Settings | None
    registry: Registry | None
    problems: tuple[Problem, ...]
    unreachable: tuple[Problem, ...]
    remarks: tuple[str, ...]


def check(root: Root) -> Checked:
    """Check everything about a root that can be checked without a picture."""
    try:
        registry = load_registry(root.plugins)
    except PluginError as error:
        return Checked(None, None, (Problem(str(root.plugins), "", str(error), ""),), (), ())
    try:
        settings = load_settings(root.path, registry)
    except SettingsError as error:
        return Checked(None, registry, error.problems, (), ())
    problems: list[Problem] = []
    unreachable: list[Problem] = []
    remarks: list[str] = []
    for destination in settings.destinations.values():
        _check_folders(root, destination, unreachable)
        remarks += _remarks_on(destination)
    _check_ledger_disk(root, problems)
    remarks += [
        f"in/{folder.name} belongs to no destination: what is dropped there stays there"
        for folder in sorted((root.path / "in").glob("*"))
        if folder.is_dir() and folder.name not in settings.destinations
    ]
    return Checked(settings, registry, tuple(problems), tuple(unreachable), tuple(remarks))


def _check_folders(root: Root, destination: Destination, problems: list[Problem]) -> None:
    folders = root.folders(destination.name, destination.file.folders)
    for key, folder in vars(folders).items():
        if not folder.is_dir():
            problems.append(
                Problem(
                    str(folder),
                    "",
                    f"{destination.name}'s {key} folder is not there",
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


def _remarks_on(destination: Destination) -> list[str]:
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
            f'{destination.name}: result.compression = "lzw" makes some photographs of 16 bits '
            'larger than no compression; compression = "deflate" saves a third on average'
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
