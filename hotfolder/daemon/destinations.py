"""The destinations that are served, with their settings as taken up last."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path

from hotfolder.daemon.hot_folder import HotFolder
from hotfolder.daemon.trouble import About, Kind, Troubles
from hotfolder.ending.kept import KeptOriginals
from hotfolder.ending.lists import Pages
from hotfolder.errors import Problem, SettingsError
from hotfolder.ledger.jobs import Ledger
from hotfolder.logs import get_log
from hotfolder.overview.overlaps import collisions, is_of_any, upstream
from hotfolder.settings.files import Destination, Settings, load_destination
from hotfolder.settings.known_folders import KnownFolders
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.stages.registry import Registry


class Destinations:
    """Every destination's hot folder at work, by name.

    What each of them is may change between two turns of the loop, and one whose settings were
    wrong comes when they are right; none goes. Reading is safe from any thread.

    Attributes
    ----------
    refused : mapping of str to tuple of Problem
        What is wrong with the settings of those that are not served.
    """

    def __init__(
        self,
        root: Root,
        settings: Settings,
        registry: Registry,
        ledger: Ledger,
        troubles: Troubles,
        wake: Callable[[], None],
    ) -> None:
        self._root = root
        self._settings = settings
        self._registry = registry
        self._ledger = ledger
        self._troubles = troubles
        self._wake = wake
        self._known = KnownFolders(root)
        self.refused: Mapping[str, tuple[Problem, ...]] = dict(settings.refused)
        self._refused_stamps = {name: _stamp(self.file_of(name)) for name in self.refused}
        for name, problems in self.refused.items():
            reason = "\n".join(map(str, problems))
            get_log().error("settings.refused", destination=name, reason=reason)
        self._hot = {name: self._made(each) for name, each in settings.destinations.items()}
        self._chain()

    def __iter__(self) -> Iterator[str]:
        return iter(self._hot)

    def __getitem__(self, name: str) -> HotFolder:
        return self._hot[name]

    def __contains__(self, name: object) -> bool:
        return name in self._hot

    def hot_folders(self) -> list[HotFolder]:
        """Every hot folder, in the order of the settings."""
        return list(self._hot.values())

    def get(self, name: str) -> Destination | None:
        """Return a destination's settings; None when there is no such destination."""
        hot = self._hot.get(name)
        return hot.destination if hot else None

    def all(self) -> dict[str, Destination]:
        """Return every destination's settings by name."""
        return {name: hot.destination for name, hot in self._hot.items()}

    def folders_of(self, name: str) -> DestinationFolders:
        """Where a destination's folders are now, to look into or write to.

        Raises
        ------
        Unreachable
            When one of them is not the one that it was.
        """
        return self._hot[name].check_folders()

    def file_of(self, name: str) -> Path:
        """Return the settings file of a destination."""
        return self._root.destinations / f"{name}.toml"

    def reload(self) -> None:
        """Take up a changed destination's file between jobs, or refuse it and keep the old one.

        One that was refused so far is served once its file is right.
        """
        for name, hot in self._hot.items():
            stamp = _stamp(self.file_of(name))
            if stamp == hot.settings_stamp:
                continue
            hot.settings_stamp = stamp
            changed = self._read_again(name)
            if changed is None:
                continue
            moved = changed.file.folders != hot.destination.file.folders
            if moved or changed.intake != hot.destination.intake:
                hot.stop()
                self._hot[name] = self._made(changed)
            else:
                hot.destination = changed
            self._chain()
        for name, before in list(self._refused_stamps.items()):
            stamp = _stamp(self.file_of(name))
            if stamp == before:
                continue
            self._refused_stamps[name] = stamp
            mended = self._read_again(name)
            if mended is not None:
                del self._refused_stamps[name]
                self.refused = {key: said for key, said in self.refused.items() if key != name}
                # other threads may be going through the old one
                self._hot = {**self._hot, name: self._made(mended)}
                self._troubles.clear(About(Kind.STRAY, name))
                self._chain()

    def stop(self) -> None:
        """Stop watching all of them."""
        for hot in self._hot.values():
            hot.stop()

    def _read_again(self, name: str) -> Destination | None:
        """Read a destination's file that has changed; None when it is wrong, which is logged."""
        try:
            changed = load_destination(
                self.file_of(name), self._registry, self._settings.root.intake
            )
            self._check_apart(changed)
        except SettingsError as error:
            get_log().error("settings.refused", destination=name, reason=str(error))
            if name in self.refused:
                self.refused = {**self.refused, name: tuple(error.problems)}
            return None
        get_log().info("settings.taken_up", destination=name)
        return changed

    def _check_apart(self, changed: Destination) -> None:
        places = {name: hot.folders for name, hot in self._hot.items()}
        places[changed.name] = self._root.folders(changed.name, changed.file.folders)
        if found := collisions(self._root, places).get(changed.name):
            raise SettingsError(found)

    def _chain(self) -> None:
        """Tell each hot folder what in it is no input, since others' results lie there."""
        places = {name: hot.folders for name, hot in self._hot.items()}
        with_batches = frozenset(
            name for name, hot in self._hot.items() if hot.destination.file.ticket is not None
        )
        for name, hot in self._hot.items():
            hot.is_ours = partial(is_of_any, upstream(name, places, with_batches))

    def _made(self, destination: Destination) -> HotFolder:
        folders = self._root.folders(destination.name, destination.file.folders)
        stamp = _stamp(self.file_of(destination.name))
        pages = Pages(destination.name, folders, self._ledger)
        return HotFolder(
            destination,
            folders,
            pages,
            self._wake,
            stamp,
            self._troubles,
            self._known,
            KeptOriginals(self._root.kept),
        )


def _stamp(path: Path) -> tuple[int, int]:
    try:
        found = path.stat()
    except OSError:
        return (-1, -1)
    return (found.st_mtime_ns, found.st_size)
