"""The destinations that are served, with their settings as taken up last."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from hotfolder.daemon.hot_folder import HotFolder
from hotfolder.daemon.trouble import Troubles
from hotfolder.ending.lists import Pages
from hotfolder.errors import SettingsError
from hotfolder.ledger.jobs import Ledger
from hotfolder.logs import get_log
from hotfolder.settings.files import Destination, Settings, load_destination
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.stages.registry import Registry


class Destinations:
    """Every destination's hot folder at work, by name.

    Which destinations there are stays the same from start to end; what each of them is may
    change between two turns of the loop. Reading is safe from any thread.
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
        self._hot = {name: self._made(each) for name, each in settings.destinations.items()}

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
        """Where a destination's folders are now."""
        return self._hot[name].folders

    def file_of(self, name: str) -> Path:
        """Return the settings file of a destination."""
        return self._root.destinations / f"{name}.toml"

    def reload(self) -> None:
        """Take up a changed destination's file between jobs, or refuse it and keep the old one."""
        for name, hot in self._hot.items():
            stamp = _stamp(self.file_of(name))
            if stamp == hot.settings_stamp:
                continue
            hot.settings_stamp = stamp
            try:
                changed = load_destination(
                    self.file_of(name), self._registry, self._settings.root.intake
                )
            except SettingsError as error:
                get_log().error("settings.refused", destination=name, reason=str(error))
                continue
            get_log().info("settings.taken_up", destination=name)
            moved = changed.file.folders != hot.destination.file.folders
            if moved or changed.intake != hot.destination.intake:
                hot.stop()
                self._hot[name] = self._made(changed)
            else:
                hot.destination = changed

    def stop(self) -> None:
        """Stop watching all of them."""
        for hot in self._hot.values():
            hot.stop()

    def _made(self, destination: Destination) -> HotFolder:
        folders = self._root.folders(destination.name, destination.file.folders)
        stamp = _stamp(self.file_of(destination.name))
        pages = Pages(destination.name, folders, self._ledger)
        return HotFolder(destination, folders, pages, self._wake, stamp, self._troubles)


def _stamp(path: Path) -> tuple[int, int]:
    try:
        found = path.stat()
    except OSError:
        return (-1, -1)
    return (found.st_mtime_ns, found.st_size)
