"""A look into a destination's folders, now: what arrives, what is held, what cannot be reached."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypedDict

from hotfolder.disk import names
from hotfolder.disk.marker import Unreachable, away
from hotfolder.intake.scan import scan
from hotfolder.intake.sidecars import is_sidecar, pair, say_orphan
from hotfolder.model.snapshot import FolderStatus
from hotfolder.overview.absent import tell_once
from hotfolder.overview.new_root import find_new_folders
from hotfolder.overview.waiting import WaitingThing, list_held
from hotfolder.settings.known_folders import KnownFolders
from hotfolder.settings.root import DestinationFolders, Root

_MOST_ORPHANS = 10


class Reached(TypedDict):
    """What a look into a destination's folders finds, now."""

    arriving: int
    left_alone: int
    unreachable: str
    """Why folders cannot be reached; "" when all can."""
    unreachable_since: str


def look_into(
    root: Root,
    name: str,
    place: DestinationFolders,
    said: FolderStatus | None,
    is_ours: Callable[[str], bool],
    known: KnownFolders,
) -> tuple[Reached, list[WaitingThing], list[str]]:
    """Files in a hot folder, counted now: a daemon may not be there to have done it; held jobs.

    Last, what there is to say of sidecars without a picture.
    """
    not_ours = _why_not_ours(known, name, place)
    others = [folder for folder in vars(place).values() if folder != place.hot_folder]
    arriving, left_alone, reasons = 0, 0, away(others)
    orphans: list[str] = []
    since = dict(said.away) if said else {}
    try:
        found = scan(place.hot_folder, is_ours=is_ours)
        # a sidecar arrives with its picture, or is left alone
        arriving = sum(not is_sidecar(each) for each in found.candidates)
        alone = pair(found.candidates).orphans
        left_alone, orphans = found.junk + len(alone), [*map(say_orphan, alone)][:_MOST_ORPHANS]
    except Unreachable as error:
        reasons = {str(place.hot_folder): str(error), **reasons}
        since |= {names.display_name(str(place.hot_folder)): said.unreachable_since if said else ""}
    for new in find_new_folders(root, name, place, known) if reasons else ():
        reasons.pop(str(new), "")  # the process that serves the root makes it
    silent = said.silent if said else ""
    times = [since[folder] for folder in map(names.display_name, reasons) if folder in since]
    reached: Reached = {
        "arriving": arriving,
        "left_alone": left_alone,
        "unreachable": " ".join(filter(None, [silent, not_ours, *tell_once(reasons, root)])),
        "unreachable_since": min(
            [*times, *([said.silent_since] if said and silent else [])], default=""
        ),
    }
    return reached, list_held(root, name, place.held), orphans


def say_silent(name: str, said: FolderStatus | None) -> Reached:
    """What is known of folders that do not answer us either."""
    return {
        "arriving": said.arriving if said else 0,
        "left_alone": said.left_alone if said else 0,
        "unreachable": (said.silent if said else "")
        or f"a folder of {name} does not answer: check its share or disk",
        "unreachable_since": said.silent_since if said else "",
    }


def _why_not_ours(known: KnownFolders, name: str, place: DestinationFolders) -> str:
    """Why one of a destination's folders is not the one it was; "" when all are."""
    try:
        known.check(name, place, learn=False)
    except Unreachable as error:
        return str(error)
    return ""
