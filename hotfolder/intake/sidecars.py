"""XMP sidecars: files with metadata beside a picture, which belong to it.

``reeds.tif.xmp`` belongs to ``reeds.tif``; ``reeds.xmp`` to every picture of that name in its
folder that has none of its own, and stays until the last of them is taken. A sidecar is no job: it
comes along with its picture and is kept with it. One without a picture stays where it is, and is
said.
"""

from __future__ import annotations

import stat
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Final

from hotfolder.disk.names import display_name
from hotfolder.intake.scan import Candidate

SUFFIX: Final = ".xmp"
"""Of a sidecar, after its picture's name or instead of its suffix."""
_MOST_BYTES: Final = 8 * 2**20
"""A larger file is no sidecar (our own bound; real ones have some kilobytes)."""


def is_sidecar(candidate: Candidate) -> bool:
    """Tell whether something in a hot folder is a sidecar, by its name and size."""
    return (
        candidate.kind == "file"
        and candidate.relative.casefold().endswith(SUFFIX)
        and candidate.identity.size <= _MOST_BYTES
    )


def is_fit_for_sidecar(path: Path) -> bool:
    """Tell whether what lies under a sidecar's name can be one: a file, and not too large."""
    try:
        found = path.lstat()
    except OSError:
        return False
    return stat.S_ISREG(found.st_mode) and found.st_size <= _MOST_BYTES


def name_sidecar(picture: Path) -> Path:
    """Where the sidecar of one picture, and of no other, lies beside it."""
    return picture.with_name(f"{picture.name}{SUFFIX}")


@dataclass(frozen=True)
class Sidecar:
    """The sidecar of one picture."""

    candidate: Candidate
    stays: bool
    """Another picture has the same one."""


@dataclass(frozen=True)
class Paired:
    """Pictures of a hot folder and their sidecars."""

    of: dict[str, Sidecar]
    """By the picture's relative path."""
    orphans: tuple[Candidate, ...]
    """Sidecars of no picture that is there."""


def pair(candidates: Iterable[Candidate]) -> Paired:
    """Find which sidecar belongs to which picture.

    Parameters
    ----------
    candidates
        What a scan has found.
    """
    sidecars: dict[str, Candidate] = {}
    pictures: list[Candidate] = []
    for each in candidates:
        if is_sidecar(each):
            sidecars.setdefault(each.relative[: -len(SUFFIX)], each)
        elif each.kind == "file":
            pictures.append(each)
    shares: defaultdict[str, list[str]] = defaultdict(list)
    for picture in pictures:
        stem = str(PurePosixPath(picture.relative).with_suffix(""))
        key = picture.relative if picture.relative in sidecars else stem
        if key in sidecars:
            shares[key].append(picture.relative)
    of = {
        picture: Sidecar(sidecars[key], stays=len(sharing) > 1)
        for key, sharing in shares.items()
        for picture in sharing
    }
    orphans = tuple(each for key, each in sidecars.items() if key not in shares)
    return Paired(of, orphans)


def say_orphan(orphan: Candidate, *, is_for_tickets: bool = False) -> str:
    """Say of a sidecar that no picture is there for it, and what to do."""
    name = display_name(orphan.relative)
    if is_for_tickets:
        return (
            f"{name} is an XMP sidecar; it is left where it is, as captions come from the ticket "
            "here. Delete it, or put what it says into the ticket or the picture."
        )
    return (
        f"{name} is an XMP sidecar, and its picture is not here; it is left where it is. If the "
        "picture was taken in without it, drop the picture once more; else delete the sidecar."
    )
