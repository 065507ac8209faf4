"""Where everything of one root is, and making a new one."""

from __future__ import annotations

import shlex
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from hotfolder.errors import FOR_ANY_ROOT, Problem

if TYPE_CHECKING:
    from hotfolder.disk.kept_arrays import ArrayFolder
    from hotfolder.settings.tables import Folders

FOLDER_KINDS: Final = ("in", "out", "held", "refused", "originals", "release")
"""Folders of a root that hold one of each destination."""


@dataclass(frozen=True)
class DestinationFolders:
    """The folders of one destination, absolute."""

    hot_folder: Path
    results: Path
    held: Path
    refused: Path
    originals: Path
    release: Path

    def all(self) -> tuple[Path, ...]:
        """Every folder, the hot folder first."""
        return (
            self.hot_folder,
            self.results,
            self.held,
            self.refused,
            self.originals,
            self.release,
        )


@dataclass(frozen=True)
class Root:
    """The directory that one installation serves."""

    path: Path
    private: Path = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "path", self.path.absolute())
        object.__setattr__(self, "private", self.path / ".hotfolder")

    @property
    def is_there(self) -> bool:
        """Whether there is a root in this folder."""
        return self.destinations.is_dir() or self.private.is_dir()

    @property
    def absence(self) -> Problem:
        """What to say where there is no root in this folder."""
        return Problem(str(self.path), "", "is not a root", f"run `{self.command('init')}`")

    def command(self, name: str, *words: str) -> str:
        """Return a command for this root, to be copied into a shell in whatever folder it is."""
        return shlex.join(["hotfolder", name, *words, str(self.path)])

    def fill_in(self, message: str) -> str:
        """Return a message about a folder with the command that makes it given for this root."""
        return message.replace(FOR_ANY_ROOT, f"`{self.command('init')}`")

    @property
    def ledger(self) -> Path:
        """The SQLite file; on a local disk, always."""
        return self.private / "ledger.sqlite"

    @property
    def closed(self) -> Path:
        """Which ledger was used last; see `hotfolder.daemon.take_up`."""
        return self.private / "ledger.closed"

    @property
    def spool(self) -> Path:
        """One folder per job in hand."""
        return self.private / "spool"

    @property
    def kept(self) -> Path:
        """Copies of held jobs' originals, in a folder per job; see `drops`."""
        return self.private / "kept"

    @property
    def holder(self) -> Path:
        """Says which process holds the lock of this root; see `hotfolder.ledger.lock`."""
        return self.private / "lock.pid"

    @property
    def snapshot(self) -> Path:
        """What the daemon last said of itself; read by ``status``."""
        return self.private / "status.json"

    @property
    def log(self) -> Path:
        """The daemon's log, one JSON object a line."""
        return self.private / "hotfolder.log"

    @property
    def strips(self) -> Path:
        """What control strips are, in a folder per destination; see `hotfolder.measured`."""
        return self.private / "strips"

    @property
    def displays(self) -> Path:
        """What people have answered about their displays, an answer a line."""
        return self.private / "display.jsonl"

    @property
    def points(self) -> Path:
        """What conversions have computed of profiles alone; may go at any time."""
        return self.private / "points"

    def points_folder(self, most_bytes: float) -> ArrayFolder | None:
        """Where conversions keep that, and how much of it; None when nothing may be kept."""
        from hotfolder.disk.kept_arrays import ArrayFolder  # it loads numpy

        return ArrayFolder(self.points, int(most_bytes)) if most_bytes >= 1 else None

    @property
    def measured(self) -> Path:
        """A folder per destination, in which measurements of control strips are dropped."""
        return self.path / "measured"

    @property
    def nests(self) -> Path:
        """A folder per destination, with sheets of several results; made when it is needed."""
        return self.path / "nests"

    @property
    def limits(self) -> Path:
        """Sets of limits of your own, for measurements; need not exist."""
        return self.path / "limits"

    @property
    def profiles(self) -> Path:
        """ICC profiles that destinations name."""
        return self.path / "profiles"

    @property
    def plugins(self) -> Path:
        """Drop-in stage modules; need not exist."""
        return self.path / "plugins"

    @property
    def destinations(self) -> Path:
        """One settings file per destination."""
        return self.path / "destinations"

    def folders(self, name: str, moved: Folders) -> DestinationFolders:
        """Folders of a destination; `moved` says which of them stand elsewhere."""
        return DestinationFolders(
            hot_folder=self._place("in", name, moved.hot_folder),
            results=self._place("out", name, moved.results),
            held=self._place("held", name, moved.held),
            refused=self._place("refused", name, moved.refused),
            originals=self._place("originals", name, moved.originals),
            release=self._place("release", name, moved.release),
        )

    def _place(self, kind: str, name: str, moved: str | None) -> Path:
        return self.path / moved if moved else self.path / kind / name
