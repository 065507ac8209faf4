"""Which folder is whose: the marker ids that this root has seen, in ``.hotfolder/folders.json``.

A marker says that a folder is one of ours, and not which. When two shares are mounted the wrong way
round, or two folders are renamed, each has a marker, and results would go to the wrong customer and
held jobs would look given up. So the id of each folder's marker is kept, and compared before
anything is concluded from the folder or written to it.

An id is learnt when a folder is seen for the first time, or when settings have moved it. Only
`hotfolder init`, a person's word, takes another one in its place, and not even that one which
belongs to another folder of this root.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Collection
from dataclasses import fields
from pathlib import Path
from typing import Final, NamedTuple

from hotfolder.disk.marker import MARKER, Unreachable, marker_id
from hotfolder.settings.root import DestinationFolders, Root

KINDS: Final = frozenset(each.name for each in fields(DestinationFolders))
WRITTEN: Final = KINDS - {"hot_folder", "release"}
"""Kinds of folders to which the ends of jobs are written."""


class _Known(NamedTuple):
    path: str
    id: str


class KnownFolders:
    """Compares the markers of folders with what they were; safe from several threads."""

    def __init__(self, root: Root) -> None:
        self.root = root
        self._file = root.private / "folders.json"
        self._lock = threading.Lock()
        self._known: dict[str, _Known] = {}
        self._read()

    def check(
        self,
        destination: str,
        folders: DestinationFolders,
        *,
        learn: bool = True,
        kinds: Collection[str] = KINDS,
    ) -> None:
        """Make sure that each folder that can be reached is the one it was; learn new ones.

        learn: or leave that to the process that serves the root; kinds: of folders to look at.

        Raises
        ------
        Unreachable
            Says which one is not, whose it is instead, and what to do.
        OSError
            When what is learnt cannot be written.
        """
        # read before the lock is taken: a share that hangs keeps no other destination waiting
        found = {kind: marker_id(folder) for kind, folder in vars(folders).items() if kind in kinds}
        with self._lock:
            learnt = False
            for kind, marker in found.items():
                key, folder = f"{destination}/{kind}", getattr(folders, kind)
                now = _Known(self._shown(folder), marker)
                if not now.id or self._known.get(key) == now:
                    continue
                self._read()  # `init` may have said meanwhile that it is right
                before = self._known.get(key)
                if before == now:
                    continue
                owner = self._owner(key, now.id)
                if (before and before.path == now.path and before.id != now.id) or owner:
                    raise Unreachable(self._wrong(destination, kind, folder, owner))
                self._known[key] = now
                learnt = True
            if learnt and learn:
                self._write()

    def take(self, destination: str, folders: DestinationFolders) -> None:
        """Learn the folders as they are, but for those that belong elsewhere in this root.

        Raises
        ------
        OSError
            When it cannot be written.
        """
        markers = {kind: marker_id(folder) for kind, folder in vars(folders).items()}
        with self._lock:
            for kind, found in markers.items():
                key, folder = f"{destination}/{kind}", getattr(folders, kind)
                if found and not self._owner(key, found):
                    self._known[key] = _Known(self._shown(folder), found)
            self._write()

    def is_new(self, destination: str, kind: str) -> bool:
        """Whether a destination's folder of this kind has never been seen."""
        with self._lock:
            self._read()
            return f"{destination}/{kind}" not in self._known

    def places(self, kind: str) -> list[Path]:
        """Where folders of this kind were, of all destinations."""
        with self._lock:
            return [
                self.root.path / each.path
                for key, each in self._known.items()
                if key.endswith(f"/{kind}")
            ]

    def _owner(self, key: str, found: str) -> str:
        """The other folder to which an id belongs; "" when it is a chain, or nobody's."""
        for other, known in self._known.items():
            kinds = {key.partition("/")[2], other.partition("/")[2]}
            is_chain = key.partition("/")[0] != other.partition("/")[0] and kinds == {
                "results",
                "hot_folder",
            }
            if other != key and known.id == found and not is_chain:
                return other
        return ""

    def _shown(self, folder: Path) -> str:
        """Relative to the root where it lies in it: a root may be moved as a whole."""
        inside = folder.is_relative_to(self.root.path)
        return str(folder.relative_to(self.root.path) if inside else folder)

    def _read(self) -> None:
        try:
            found = json.loads(self._file.read_bytes())
            self._known = {
                str(key): _Known(str(path), str(marker))
                for key, (path, marker) in found.items()
                if (self.root.destinations / f"{key.partition('/')[0]}.toml").exists()
            }
        except (OSError, ValueError, TypeError, AttributeError):
            return  # lost or spoilt: what stands there now is learnt

    def _write(self) -> None:
        temporary = self._file.with_suffix(".new")
        temporary.write_text(json.dumps(self._known, indent=1))
        temporary.replace(self._file)

    def _wrong(self, destination: str, kind: str, folder: Path, owner: str) -> str:
        init = self.root.command("init")
        if owner:
            whose = "'s ".join(owner.split("/"))
            return (
                f"{folder} should be {destination}'s {kind} folder, but it is {whose} folder: two "
                "were swapped, or a share is mounted in the wrong place. Put them back. If this is "
                f"intended, delete the file {MARKER} in it and run `{init}`."
            )
        return (
            f"{folder} is not the folder that was {destination}'s {kind} folder before: its "
            f"{MARKER} differs. Perhaps another share is mounted there. If it is the right one, "
            f"run `{init}`."
        )
