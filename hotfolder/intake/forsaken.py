"""Files in a folder of ``in/`` which is no destination's: nobody will ever take them up."""

from __future__ import annotations

import contextlib
from collections.abc import Collection
from pathlib import Path

from hotfolder.disk.marker import Unreachable
from hotfolder.intake.scan import scan


def find_forsaken(hot_folders: Path, used: Collection[Path]) -> dict[str, int]:
    """Count the files in folders that no destination uses.

    Parameters
    ----------
    hot_folders
        The root's ``in``.
    used
        All folders of all destinations, also of those whose settings are wrong.

    Returns
    -------
    How many files lie in each such folder, by its name; 0 where it is empty.
    """
    found: dict[str, int] = {}
    with contextlib.suppress(OSError):
        for folder in sorted(hot_folders.iterdir()):
            if folder.name.startswith(".") or not folder.is_dir():
                continue
            if any(folder == each or folder in each.parents for each in used):
                continue
            with contextlib.suppress(OSError, Unreachable):
                found[folder.name] = len(scan(folder).candidates)
    return found


def say_forsaken(name: str, number: int) -> str:
    """Say what lies in such a folder, and what to do."""
    if not number:
        return f"in/{name} belongs to no destination: what is dropped there stays there"
    files, them = ("1 file lies", "it") if number == 1 else (f"{number} files lie", "them")
    return (
        f"{files} in in/{name}, which belongs to no destination: put destinations/{name}.toml "
        f"back to have {them} processed, or move {them} into another destination's hot folder"
    )
