"""The destinations that are served, with their settings as taken up last."""

from __future__ import annotations

import contextlib
import os
import time
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Final

from hotfolder.daemon.alone import Alone
from hotfolder.daemon.hot_folder import HotFolder
from hotfolder.daemon.trouble import About, Kind, Troubles
from hotfolder.disk import pulse
from hotfolder.disk.marker import Unreachable
from hotfolder.ending.kept import KeptOriginals
from hotfolder.ending.lists import Pages
from hotfolder.errors import Problem, SettingsError, StorageError
from hotfolder.intake.forsaken import find_forsaken, say_forsaken
from hotfolder.ledger.jobs import Ledger
from hotfolder.logs import get_log
from hotfolder.overview.new_root import make_new_folders
from hotfolder.overview.overlaps import Located, collisions, is_of_any, locate, upstream
from hotfolder.settings.files import Destination, Settings, load_destination
from hotfolder.settings.known_folders import WRITTEN, KnownFolders
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.stages.registry import Registry

_Stamp = tuple[int, int]
_NONE: Final = (-1, -1)
_GONE_S = 2.0
"""A file is taken for gone after so many seconds: editors put another in its place."""


class Destinations:
    """Every destination's hot folder at work, by name.

    What each of them is may change between two turns of the loop. One whose settings were wrong, or
    whose file is new, comes when they are right; one whose file has gone goes. Files of settings
    are read in the loop's thread (`reload`); what must be asked of a destination's folders first,
    which may hang, is asked in its own (`take_up`). Reading is safe from any thread.

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
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Prepare; clock: seconds that never run backwards."""
        self._root = root
        self._settings = settings
        self._registry = registry
        self._ledger = ledger
        self._troubles = troubles
        self._wake = wake
        self._clock = clock
        self._known = KnownFolders(root)
        self._alone = Alone()
        self.refused: Mapping[str, tuple[Problem, ...]] = dict(settings.refused)
        self._refused_stamps = {name: _stamp(self.file_of(name)) for name in self.refused}
        for name, problems in self.refused.items():
            _log_refused(name, problems)
        self._hot = {name: self._made(each) for name, each in settings.destinations.items()}
        self._located: dict[str, Located] = {}
        self._results: dict[str, Located] = {}
        self._to_take_up = dict(self._hot)
        self._taken_up: dict[str, tuple[HotFolder, Located]] = {}
        self._gone_since: dict[str, float] = {}

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
        """Where a destination's folders are now, to write ends of jobs to.

        Raises
        ------
        Unreachable
            When one of them is not the one that it was, or there is no such destination any more.
        StorageError
            When another root that is served writes its results there, too.
        """
        hot = self._hot.get(name)
        if hot is None:
            raise Unreachable(f"{name} is not served any more: put {self.file_of(name)} back")
        self._alone.take(hot.folders.results, self.file_of(name))
        return hot.check_folders(WRITTEN)

    def file_of(self, name: str) -> Path:
        """Return the settings file of a destination."""
        return self._root.destinations / f"{name}.toml"

    def _say_forsaken(self, only: Collection[str] = ()) -> None:
        """Say which files lie where no destination takes them up; a share may take its time."""
        known = self._known_names() - {*only}
        used = [
            each
            for name, hot in {**self._to_take_up, **self._hot}.items()
            if name in known
            for each in hot.folders.all()
        ]
        used += [self._root.path / "in" / name for name in known]

        def look() -> None:
            for name, number in find_forsaken(self._root.path / "in", used).items():
                if number and (not only or name in only):
                    get_log().warning("folder.forsaken", reason=say_forsaken(name, number))

        with contextlib.suppress(OSError):  # no room for a thread: status says it too
            pulse.Errand("look for files of no destination", look)

    def begin(self) -> None:
        """Take up all of them, and wait for a moment for their folders to answer."""
        self._say_forsaken()

        def take_up(name: str) -> None:
            with contextlib.suppress(OSError, StorageError):  # its first turn tries again
                self.take_up(name)

        pulse.within(pulse.LOOK_S, {name: partial(take_up, name) for name in self._to_take_up})
        self._settle()

    def take_up(self, name: str) -> HotFolder | None:
        """In a destination's own thread, before each turn: return its hot folder to be served.

        None while it is changing: its folders have been asked, and the next `reload` does the rest.

        Raises
        ------
        StorageError
            When another root that is served writes its results there, too.
        """
        changed = self._to_take_up.get(name)
        if changed is None:
            return self._hot.get(name)
        make_new_folders(self._root, name, changed.folders, self._known, self._has_worked)
        self._alone.take(changed.folders.results, self.file_of(name))
        # first of all: where they are another one's hot folder, log and sheets are no input there,
        # even if this one's own hot folder does not answer
        self._results[name] = locate(name, changed.folders, {"results"})
        self._taken_up[name] = changed, locate(name, changed.folders)
        self._wake()
        return None

    def is_changing(self, name: str) -> bool:
        """Whether a destination is about to be served with other settings."""
        return name in self._to_take_up

    def reload(self) -> set[str]:
        """Take up files of settings that have changed, come or gone; return whose.

        A changed file that is wrong is refused, and the old settings are kept.
        """
        changed = self._settle()
        there = {
            name.removesuffix(".toml")
            for name in os.listdir(self._root.destinations)  # noqa: PTH208 - names, not paths
            if name.endswith(".toml")
        }
        for name in [name for name in self._known_names() if self._is_gone(name, there)]:
            self._remove(name)
            changed.add(name)
        for name in sorted(there):
            stamp = _stamp(self.file_of(name))
            if stamp in (self._stamp_of(name), _NONE):
                continue
            read = self._read_again(name, stamp)
            if read is not None:
                self._to_take_up[name] = self._next(name, read)
                changed.add(name)
        return changed

    def say_stray(self) -> None:
        """Note for which destinations jobs wait that are not served, and what a person can do."""
        waiting = Counter(
            row.destination for row in self._ledger.open_jobs() if row.destination not in self
        )
        for name, number in waiting.items():
            jobs = "1 job waits" if number == 1 else f"{number} jobs wait"
            why = (
                f"until its settings are corrected ({self.file_of(name)})"
                if name in self.refused
                else "for a destination whose settings are gone: put "
                f"{self.file_of(name)} back, then they continue"
            )
            self._troubles.note(About(Kind.STRAY, name), StorageError(f"{name}: {jobs} {why}"))

    def stop(self) -> None:
        """Stop watching all of them."""
        for hot in self._hot.values():
            hot.stop()

    def let_go(self) -> None:
        """Let another root write where results went."""
        self._alone.keep_only(())

    def _known_names(self) -> set[str]:
        return {*self._hot, *self._refused_stamps, *self._to_take_up}

    def _stamp_of(self, name: str) -> _Stamp | None:
        """Of a destination's file when it was read last; None when it never was."""
        hot = self._to_take_up.get(name) or self._hot.get(name)
        # whatever was read last: one that is wrong now may be served as it was
        return self._refused_stamps.get(name) or (hot.settings_stamp if hot else None)

    def _is_gone(self, name: str, there: set[str]) -> bool:
        """Whether a file has gone, and not only because an editor is writing it anew."""
        if name in there:
            self._gone_since.pop(name, None)
            return False
        return self._clock() >= self._gone_since.setdefault(name, self._clock()) + _GONE_S

    def _remove(self, name: str) -> None:
        get_log().info("settings.gone", destination=name)
        self._say_forsaken({name})
        hot = self._hot.get(name)
        self._hot = {key: each for key, each in self._hot.items() if key != name}
        self.refused = {key: said for key, said in self.refused.items() if key != name}
        for kept in (
            self._refused_stamps, self._to_take_up, self._taken_up, self._located, self._results,
            self._gone_since,
        ):  # fmt: skip
            kept.pop(name, None)
        for kind in Kind:
            self._troubles.keep_only(kind, name, ())
        if hot is not None:
            self._leave(hot)
        self.say_stray()
        self._chain()

    def _next(self, name: str, changed: Destination) -> HotFolder:
        """The hot folder of changed settings: the same one, when it is watched as before."""
        hot, stamp = self._hot.get(name), _stamp(self.file_of(name))
        if hot is not None:
            moved = changed.file.folders != hot.destination.file.folders
            if not moved and changed.intake == hot.destination.intake:
                hot.destination, hot.settings_stamp = changed, stamp
                return hot
        return self._made(changed)

    def _settle(self) -> set[str]:
        """Serve those whose folders have been asked, unless they collide; return whose."""
        settled = set()
        for name, (hot, located) in list(self._taken_up.items()):
            del self._taken_up[name]
            if self._to_take_up.get(name) is not hot:
                continue  # it has changed once more meanwhile
            del self._to_take_up[name]
            settled.add(name)
            if found := collisions(self._root, {**self._located, name: located}).get(name):
                self._refuse(name, hot, tuple(found))
                continue
            before = self._hot.get(name)
            self._located[name] = located
            self._hot = {**self._hot, name: hot}  # others may be going through the old one
            self.refused = {key: said for key, said in self.refused.items() if key != name}
            self._refused_stamps.pop(name, None)
            self._troubles.clear(About(Kind.STRAY, name))
            if before is not None and before is not hot:
                self._leave(before)
        if settled:
            self._chain()
            used = [*self._hot.values(), *self._to_take_up.values()]
            self._alone.keep_only({hot.folders.results for hot in used})
        return settled

    def _refuse(self, name: str, hot: HotFolder, problems: tuple[Problem, ...]) -> None:
        """Keep what was served before; what never was is not served."""
        _log_refused(name, problems)
        if name not in self._located:
            self._hot = {key: each for key, each in self._hot.items() if key != name}
            self.refused = {**self.refused, name: problems}
            self.say_stray()
        self._refused_stamps[name] = hot.settings_stamp

    def _leave(self, hot: HotFolder) -> None:
        """Stop watching, which may take its time where a share hangs."""
        pulse.Errand(f"leave {hot.destination.name}", hot.stop)

    def _read_again(self, name: str, stamp: _Stamp) -> Destination | None:
        """Read a destination's file that has changed; None when it is wrong, which is logged."""
        try:
            changed = load_destination(
                self.file_of(name), self._registry, self._settings.root.intake
            )
        except SettingsError as error:
            self._refused_stamps[name] = stamp
            _log_refused(name, error.problems)
            if name not in self._hot:
                self.refused = {**self.refused, name: tuple(error.problems)}
            return None
        self._refused_stamps.pop(name, None)
        get_log().info("settings.taken_up", destination=name)
        return changed

    def _has_worked(self, name: str) -> bool:
        """Whether there ever was a job for a destination."""
        return bool(self._ledger.read("SELECT 1 FROM jobs WHERE destination = ? LIMIT 1", (name,)))

    def _chain(self) -> None:
        """Tell each hot folder what in it is no input, since others' results lie there."""
        located = {name: self._located[name] for name in self._hot if name in self._located}
        feeding = {name: self._results[name] for name in self._hot if name in self._results}
        with_batches = frozenset(
            name for name, hot in self._hot.items() if hot.destination.file.ticket is not None
        )
        for name in located:
            self._hot[name].is_ours = partial(
                is_of_any, upstream(name, {**feeding, **located}, with_batches)
            )

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


def _log_refused(name: str, problems: Iterable[Problem]) -> None:
    reason = "\n".join(map(str, problems))
    get_log().error("settings.refused", destination=name, reason=reason)


def _stamp(path: Path) -> _Stamp:
    try:
        found = path.stat()
    except OSError:
        return _NONE
    return (found.st_mtime_ns, found.st_size)
