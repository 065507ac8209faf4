"""Folders that collide: the same place by two names, or one inside another.

A result that lands in its own hot folder is processed again and again; originals that are kept in
a hot folder come back; two destinations in one folder mix their logs. So every folder is a place of
its own, whatever way leads to it: links, mounts, another case, a file system in user space. Places
are compared by where they are on their disk, by the system's number for them, and by the id in
their marker; and so is everything above them.

One thing is wanted: a chain, in which one destination's results are what another takes in. It is
allowed as long as it does not come round, and `Upstream` tells what is no input there.
"""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from hotfolder.batch.folder import FILES as BATCH_FILES
from hotfolder.disk import mounts, names, pulse
from hotfolder.disk.free_names import SUPERSEDED
from hotfolder.disk.marker import marker_id
from hotfolder.errors import Problem
from hotfolder.ledger.log_years import LOG_FILE, PART
from hotfolder.settings.root import DestinationFolders, Root

SHEETS = "sheets"
_SHEET = re.compile(r"(\d{8}-\d{6}-[0-9a-f]{8}|index)\.[a-z]+")
_ALLOWED = "a folder of its own, neither inside another nor around one"


@dataclass(frozen=True)
class _Place:
    """A folder, and all that is known of where it is."""

    destination: str
    kind: str
    label: str
    """Whose it is, for people."""
    disk: tuple[str, PurePosixPath]
    """Device and path in its file system."""
    numbers: tuple[tuple[int, int] | None, ...]
    """Of the folder itself first, then of every folder above it."""
    markers: tuple[str, ...]
    """Of the folder itself first, then of every folder above it."""

    def is_in(self, other: _Place) -> bool:
        """Whether this is the other folder, or lies somewhere below it."""
        if self.disk[0] == other.disk[0] and self.disk[1].is_relative_to(other.disk[1]):
            return True
        return (other.numbers[0] is not None and other.numbers[0] in self.numbers) or (
            bool(other.markers[0]) and other.markers[0] in self.markers
        )


@dataclass(frozen=True)
class Upstream:
    """A destination whose results are in a hot folder, or a hot folder in its results."""

    inside: PurePosixPath
    """The results' path below the hot folder."""
    outside: PurePosixPath
    """The hot folder's below the results; one of them is ``.``."""
    has_batches: bool
    """Whether it works on tickets."""

    def is_ours(self, relative: str) -> bool:
        """Whether a file, by its path below the hot folder, is a log, sheet or report of ours.

        So is what a ticket no longer asks for.
        """
        path = PurePosixPath(relative)
        if not path.is_relative_to(self.inside):
            return False
        parts = (*self.outside.parts, *path.relative_to(self.inside).parts)
        if len(parts) == 1:
            return names.collision_key(parts[0]) == LOG_FILE or PART.fullmatch(parts[0]) is not None
        if self.has_batches and parts[0] == SUPERSEDED:
            return True
        if len(parts) != 2:
            return False
        folder, name = parts
        is_sheet = folder == SHEETS and _SHEET.fullmatch(name) is not None
        return is_sheet or (self.has_batches and name in BATCH_FILES)


def is_of_any(above: Iterable[Upstream], relative: str) -> bool:
    """Whether a file is a log, sheet or report of a destination that feeds a hot folder."""
    return any(each.is_ours(relative) for each in above)


Located = Mapping[str, _Place]
"""Where the folders of one destination are, by kind."""


def locate(name: str, folders: DestinationFolders, kinds: Collection[str] | None = None) -> Located:
    """Look where the folders of one destination are: all that is asked of its disks.

    kinds: of folders, by default all.
    """
    return {
        kind: _place(name, kind, folder)
        for kind, folder in vars(folders).items()
        if kinds is None or kind in kinds
    }


def collisions(root: Root, destinations: Mapping[str, Located]) -> dict[str, list[Problem]]:
    """Say of each destination which of its folders collide; one without such is left out."""
    places = [place for located in destinations.values() for place in located.values()]
    own = _locate_own(root)
    # one that is wrong by itself, as with the root for its hot folder, is no fault of the others
    wrong = {
        place.destination
        for place in places
        if [*_with_the_root(own, place), *_with_others(place, _of(place.destination, places))]
    }
    right = [place for place in places if place.destination not in wrong]
    found: dict[str, list[Problem]] = {}

    def note(destination: str, kind: str, got: str, allowed: str) -> None:
        file = str(root.destinations / f"{destination}.toml")
        found.setdefault(destination, []).append(Problem(file, f"folders.{kind}", got, allowed))

    for place in places:
        others = places if place.destination in wrong else right
        for got in (*_with_the_root(own, place), *_with_others(place, others)):
            note(place.destination, place.kind, got, _ALLOWED)
    for name in _circles(right):
        got = "its results pass through other destinations and come back to it"
        note(name, "results", got, "a chain of destinations that ends")
    return found


def _of(destination: str, places: list[_Place]) -> list[_Place]:
    return [each for each in places if each.destination == destination]


def upstream(
    name: str, destinations: Mapping[str, Located], with_batches: frozenset[str]
) -> tuple[Upstream, ...]:
    """Return the destinations whose results are, or hold, or lie in this one's hot folder."""
    hot = destinations[name]["hot_folder"]
    found = []
    for other, located in destinations.items():
        results = located["results"]
        if other == name or not _feeds(results, hot):
            continue
        found.append(
            Upstream(
                inside=_below(hot, results) if results.is_in(hot) else PurePosixPath(),
                outside=_below(results, hot) if hot.is_in(results) else PurePosixPath(),
                has_batches=other in with_batches,
            )
        )
    return tuple(found)


def _place(destination: str, kind: str, folder: Path) -> _Place:
    pulse.beat(folder)
    real = Path(os.path.realpath(folder))
    device, path = mounts.place_on_disk(real)
    ways = (real, *real.parents)
    return _Place(
        destination,
        kind,
        f"{destination}'s {kind}" if destination else str(folder),
        (device, PurePosixPath(path)),
        tuple(map(_number, ways)),
        tuple(map(marker_id, ways)),
    )


def _number(folder: Path) -> tuple[int, int] | None:
    try:
        found = folder.stat()
    except OSError:
        return None
    return (found.st_dev, found.st_ino) if found.st_ino else None


def _locate_own(root: Root) -> tuple[_Place, ...]:
    """Look where the root is, and then the folders in it that belong to the program."""
    own = (
        root.path,
        root.private,
        root.destinations,
        root.profiles,
        root.plugins,
        root.measured,
    )
    return tuple(_place("", "", folder) for folder in own)


def _with_the_root(own: tuple[_Place, ...], place: _Place) -> Iterator[str]:
    top, *programs = own
    if top.is_in(place):
        yield "is or contains the root"
    for each in programs:
        if place.is_in(each):
            yield f"is or is inside {each.label}, which belongs to the program"


def _with_others(place: _Place, places: list[_Place]) -> Iterator[str]:
    for other in places:
        if other is place or _is_link_of_a_chain(place, other):
            continue
        if place.is_in(other):
            how = "the same as" if other.is_in(place) else "inside"
            yield f"is {how} {other.label}"
        elif other.is_in(place):
            yield f"contains {other.label}"


def _is_link_of_a_chain(one: _Place, other: _Place) -> bool:
    kinds = {one.kind, other.kind}
    return one.destination != other.destination and kinds == {"results", "hot_folder"}


def _feeds(results: _Place, hot: _Place) -> bool:
    return results.is_in(hot) or hot.is_in(results)


def _circles(places: list[_Place]) -> list[str]:
    """Destinations whose results come back to them through others."""
    results = {each.destination: each for each in places if each.kind == "results"}
    hot = {each.destination: each for each in places if each.kind == "hot_folder"}
    fed = {
        name: {to for to, folder in hot.items() if to != name and _feeds(results[name], folder)}
        for name in results
    }
    found = []
    for name, first in fed.items():
        reached: set[str] = set()
        waiting = list(first)
        while waiting:
            each = waiting.pop()
            if each not in reached:
                reached.add(each)
                waiting += fed[each]
        if name in reached:
            found.append(name)
    return found


def _below(outer: _Place, inner: _Place) -> PurePosixPath:
    """The path from one folder to another in it, by the way it is reached.

    A way that the disk does not know, through a file system in user space, is told by the number
    of folders between the two.
    """
    if inner.disk[0] == outer.disk[0] and inner.disk[1].is_relative_to(outer.disk[1]):
        return inner.disk[1].relative_to(outer.disk[1])
    for found, wanted in ((inner.numbers, outer.numbers[0]), (inner.markers, outer.markers[0])):
        if wanted and wanted in found:
            depth = found.index(wanted)
            return PurePosixPath(*inner.disk[1].parts[len(inner.disk[1].parts) - depth :])
    return PurePosixPath()
