"""Folders that are away, in few sentences: a share that is gone takes all that are on it along."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from hotfolder.disk import mounts
from hotfolder.errors import Problem
from hotfolder.settings.known_folders import KINDS
from hotfolder.settings.root import DestinationFolders, Root


def tell_once(reasons: Mapping[str, str], root: Root) -> list[str]:
    """Say what is wrong with folders: where it is the same, of the first, and name the others.

    Parameters
    ----------
    reasons
        By folder; each begins with it.
    root
        What commands are given for.

    Examples
    --------
    >>> tell_once({"/in": "/in is away.", "/out": "/out is away."}, Root(Path("desk")))
    ['/in is away. It is the same with /out.']
    """
    by_what: dict[str, list[str]] = {}
    for folder, reason in reasons.items():
        by_what.setdefault(reason.removeprefix(folder), []).append(folder)
    said = []
    for first, *others in by_what.values():
        same = f" It is the same with {_and(others)}." if others else ""
        said.append(f"{root.fill_in(reasons[first])}{same}")
    return said


@dataclass(frozen=True)
class Missing:
    """A folder of a destination that is not there."""

    kind: str
    path: Path
    gap: Path
    """The first of the folders above it that is not there either; itself when they all are."""

    @classmethod
    def of(cls, kind: str, path: Path) -> Missing:
        """Find out how much of its path is missing; this looks at its disk or share."""
        gone = [each for each in (path, *path.parents) if not os.path.lexists(each)]
        return cls(kind.replace("_", " "), path, gone[-1] if gone else path)


def say_missing(root: Root, missing: Mapping[str, Sequence[Missing]]) -> list[Problem]:
    """Say which folders are missing: one problem for all that lie beside each other.

    Parameters
    ----------
    root
        The root.
    missing
        By destination.
    """
    found: dict[Path, dict[str, list[Missing]]] = {}
    for name, folders in missing.items():
        for each in folders:
            place = each.gap if each.gap != each.path else each.path.parent
            found.setdefault(place, {}).setdefault(name, []).append(each)
    return [_say(root, place, of) for place, of in found.items()]


def _say(root: Root, place: Path, of: Mapping[str, Sequence[Missing]]) -> Problem:
    allowed = (
        f"connect its share or disk, or run `{root.command('init')}`, which makes what is missing"
    )
    (name, folders), *others = of.items()
    if len(folders) == 1 and not others:
        (one,) = folders
        kind = f"{one.kind.removesuffix(' folder')} folder"
        return Problem(str(one.path), "", f"the {kind} of {name} is missing", allowed)
    said = [
        f"all of {name}"
        if len(folders) == len(KINDS)
        else f"{_and(each.kind for each in folders)} of {name}"
        for name, folders in of.items()
    ]
    return Problem(str(place), "", f"folders are missing: {'; '.join(said)}", allowed)


def say_silent(root: Root, silent: Mapping[str, DestinationFolders]) -> list[Problem]:
    """Say which destinations have a folder that does not answer, once for each share.

    Parameters
    ----------
    root
        The root.
    silent
        Their folders, by destination. Nobody knows which of them it is: the root's own disk
        answers, so it is what is mounted elsewhere. Nothing is asked of a disk here.
    """
    own = mounts.find_mount(root.path)
    found: dict[str, list[str]] = {}
    for name, folders in silent.items():
        points = sorted({mounts.find_mount(each) for each in folders.all()} - {own, ""})
        places = points or sorted({str(each) for each in folders.all()})
        found.setdefault(", ".join(places), []).append(name)
    return [
        Problem(
            places,
            "",
            f"{_and(names)}: {'one of its' if len(names) == 1 else 'their'} folders "
            f"{'does' if len(names) == 1 else 'do'} not answer",
            "its share or disk to answer; other destinations are served meanwhile",
        )
        for places, names in found.items()
    ]


def _and(words: Iterable[str]) -> str:
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last
