"""A copy of a whole root: `hotfolder backup`.

It is written under another name and gets its own when it is complete.

A daemon may be at work. What lies where files stay is copied first, which takes most of the time,
and the daemon does not notice. Then it is asked to hold still (`ledger.pause`) and everything is
compared once more: what came is copied, what has gone is taken out, and the ledger is copied by
SQLite's own way. So the copy is the root as it was at one moment.
"""

from __future__ import annotations

import errno
import json
import os
import sqlite3
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from hotfolder.disk import durable, trees
from hotfolder.errors import Problem, SettingsError, StorageError
from hotfolder.ledger.log_places import NOTES
from hotfolder.ledger.log_years import LOG_FILE
from hotfolder.ledger.pause import hold_still
from hotfolder.ledger.reading import open_reader
from hotfolder.settings.root import FOLDER_KINDS, DestinationFolders, Root
from hotfolder.upkeep.copies import (
    ELSEWHERE,
    IN_ROOT,
    LEDGER,
    MANIFEST,
    Copied,
    Entry,
    check_chains,
    check_ledger,
    is_database,
    read_folders,
)

BEHIND_MARK: Final = ("behind", "a copy")
"""What is noted in a copied ledger: the root may have gone on since."""

_STAYS: Final = ("originals", "results")
_SET_ASIDE: Final = {
    "before-restore-*": "an earlier restore has set it aside",
    "ledger.damaged-*.sqlite": "the daemon has set it aside",
}
"""What stays in ``.hotfolder/`` and is a person's to look at, by its name."""

_BESIDE_SQLITE: Final = ("-wal", "-shm", "-journal")
_BUSY_S: Final = 20.0


def back_up(root: Root, to: Path) -> Copied:
    """Copy a root into a new folder, and check the copy.

    Raises
    ------
    SettingsError
        When the folder is there already, or lies in the root.
    StorageError
        When something cannot be read or written; no copy of that name is left.
    """
    to, folders = to.absolute(), read_folders(root)
    if not root.destinations.is_dir():
        raise SettingsError([root.absence])
    if os.path.lexists(to):
        raise SettingsError([Problem(str(to), "", "is there already", "a new name for the copy")])
    tops = [root.path, *(each for of in folders.values() for each in of.all())]
    if any(to.is_relative_to(top) for top in tops):
        allowed = "a folder outside the root and its folders"
        raise SettingsError([Problem(str(to), "", "lies in what is copied", allowed)])
    building = to.with_name(f"{durable.TEMPORARY_PREFIX}{to.name}")
    try:
        durable.make_folders(to.parent)
        trees.remove_tree(building, below=building.parent)
        building.mkdir()
        copying = _Copying(root, folders, building)
        copying.copy_what_stays()
        with hold_still(root):
            copying.copy_the_rest()
        missing = copying.find_missing()
        durable.move_new(building, to)
    except OSError as error:
        raise StorageError(
            f"the copy {to} cannot be made: {error.filename or ''}: {error.strerror or error}"
        ) from error
    total = sum(each.bytes for each in copying.done.values())
    faults = check_chains(to / LEDGER, _logs_of(to, folders, root))
    return Copied(
        place=str(to),
        files=len(copying.done),
        bytes=total,
        kept=[],
        missing=missing,
        faults=faults,
        left_out=[*_list_named_elsewhere(root, tops), *_list_set_aside(root)],
    )


class _Copying:
    """Copies a root, some of it twice."""

    def __init__(self, root: Root, folders: Mapping[str, DestinationFolders], to: Path) -> None:
        self._root = root
        self._folders = folders
        self._to = to
        self.done: dict[str, Entry] = {}
        self._seen: dict[str, tuple[int, int, int]] = {}
        self._there: set[str] = set()
        self._elsewhere = {
            folder: f"{ELSEWHERE}/{destination}/{kind}"
            for destination, each in folders.items()
            for kind, folder in vars(each).items()
            if not folder.is_relative_to(root.path)
        }

    def copy_what_stays(self) -> None:
        """Copy what a daemon only adds to."""
        for kind in _STAYS:
            for each in self._folders.values():
                self._copy_tree(getattr(each, kind))
        self._copy_tree(self._root.nests)

    def copy_the_rest(self) -> None:
        """Copy everything that is not copied as it is now, and write the manifest last."""
        self._there.clear()
        self._copy_ledger()
        private = self._root.private
        ours = (self._root.spool, self._root.kept, self._root.strips)
        for path in (private / "folders.json", private / NOTES, self._root.displays, *ours):
            self._copy_tree(path)
        folders = [folder for each in self._folders.values() for folder in each.all()]
        for folder in folders:
            self._copy_tree(folder)
        # whatever else a studio keeps in its root, or has kept there for a destination that is gone
        for path in sorted(self._root.path.iterdir()):
            leads_elsewhere = path.is_symlink() and any(path in each.parents for each in folders)
            if path != private and not leads_elsewhere:
                self._copy_tree(path, may_be_in_use=path.name not in FOLDER_KINDS)
        for name in set(self.done) - self._there:  # it has gone since it was copied
            trees.remove_tree(self._to / name, below=self._to)
            del self.done[name]
        lines = [
            json.dumps(asdict(each)) + "\n"
            for each in sorted(self.done.values(), key=lambda each: each.path)
        ]
        head = json.dumps({"made": datetime.now(UTC).isoformat(), "root": str(self._root.path)})
        durable.write_new(self._to / MANIFEST, "".join([head + "\n", *lines]).encode("ascii"))

    def find_missing(self) -> list[str]:
        """Originals that the copied ledger speaks of as kept, there now, and not in the copy."""
        found = []
        with open_reader(self._to / LEDGER) as ledger:
            places = ledger.places
            for (kept,) in ledger.db.execute(
                "SELECT DISTINCT json_extract(unpack(record), '$.original_kept') FROM jobs"
                " WHERE state = 'delivered' AND record IS NOT NULL"
            ):
                relative = places.shorten(places.find(kept))
                path = self._root.path / relative
                if self._name(path) not in self.done and durable.is_there(path):
                    found.append(str(path))
        return found

    def _copy_ledger(self) -> None:
        target = self._to / LEDGER
        durable.make_folders(target.parent)
        if not self._root.ledger.exists():
            return
        try:
            _copy_sqlite(self._root.ledger, target)
            check_ledger(target)
            with closing(sqlite3.connect(target)) as copy, copy:
                if copy.execute("SELECT 1 FROM sqlite_master WHERE name = 'marks'").fetchone():
                    copy.execute("INSERT OR REPLACE INTO marks VALUES (?, ?)", BEHIND_MARK)
        except sqlite3.DatabaseError as error:
            raise StorageError(
                f"the ledger {self._root.ledger} cannot be copied: {error}"
            ) from error
        durable.fsync_file(target)
        self._note(target, durable.sha256_of(target))

    def _copy_tree(self, top: Path, *, may_be_in_use: bool = False) -> None:
        for path in _list_files(top):
            name = self._name(path)
            if name in self._there:
                continue
            try:
                if may_be_in_use and is_database(path):
                    self._copy_database(path, self._to / name)
                    continue
                if may_be_in_use and _is_beside_a_database(path):
                    continue
                now = path.lstat()
                stamp = (now.st_ino, now.st_size, now.st_mtime_ns)
                if self._seen.get(name) == stamp:
                    self._there.add(name)
                    continue
                target = self._to / name
                durable.make_folders(target.parent)
                trees.remove_tree(target, below=target.parent)
                trees.copy_any_new(path, target)
            except FileNotFoundError:
                continue  # it moved on; it is copied where it is then
            except OSError as error:
                if error.errno == errno.EBUSY:
                    continue  # it is still being written to a hot folder
                raise
            self._seen[name] = stamp
            if target.is_symlink():
                self._there.add(name)
                self.done[name] = Entry(name, "", 0, str(target.readlink()))
                continue
            if not target.is_file():
                continue  # a pipe or a socket has nothing to lose
            self._note(target, durable.sha256_of(target))

    def _copy_database(self, path: Path, target: Path) -> None:
        """Copy what a stage of somebody's writes while it is read."""
        durable.make_folders(target.parent)
        trees.remove_tree(target, below=target.parent)
        try:
            _copy_sqlite(path, target)
        except sqlite3.DatabaseError:  # damaged, or held by somebody: then as it lies there
            for end in ("", *_BESIDE_SQLITE):
                source, beside = Path(f"{path}{end}"), Path(f"{target}{end}")
                trees.remove_tree(beside, below=target.parent)
                if source.is_file():
                    trees.copy_any_new(source, beside)
                    self._note(beside, durable.sha256_of(beside))
            return
        durable.fsync_file(target)
        self._note(target, durable.sha256_of(target))

    def _note(self, target: Path, digest: durable.Digest) -> None:
        name = target.relative_to(self._to).as_posix()
        self._there.add(name)
        self.done[name] = Entry(name, digest.sha256, digest.bytes)

    def _name(self, path: Path) -> str:
        """Where a file goes in the copy."""
        for folder, place in self._elsewhere.items():
            if path.is_relative_to(folder):
                return f"{place}/{path.relative_to(folder).as_posix()}"
        return f"{IN_ROOT}/{path.relative_to(self._root.path).as_posix()}"


def _list_files(top: Path) -> Iterator[Path]:
    """Everything in a folder and below it that is no folder; or the file itself."""
    if not top.is_dir() or top.is_symlink():
        if os.path.lexists(top):
            yield top
        return
    for folder, inside, files in os.walk(top):
        for name in [*files, *(each for each in inside if (Path(folder) / each).is_symlink())]:
            yield Path(folder) / name


def _copy_sqlite(path: Path, target: Path) -> None:
    """Copy a database by SQLite's own way, as it is at one moment."""
    place = f"{path.absolute().as_uri()}?mode=ro"
    with (
        closing(sqlite3.connect(place, uri=True, timeout=_BUSY_S)) as found,
        closing(sqlite3.connect(target)) as copy,
    ):
        found.backup(copy)
        copy.execute("PRAGMA journal_mode = DELETE")


def _is_beside_a_database(path: Path) -> bool:
    """Whether a file is what SQLite keeps beside a database that is in use."""
    return any(
        path.name.endswith(end) and is_database(path.with_name(path.name.removesuffix(end)))
        for end in _BESIDE_SQLITE
    )


def _list_named_elsewhere(root: Root, copied: Sequence[Path]) -> Iterator[str]:
    """Say which files and folders the settings name that lie in nothing that is copied."""
    files = [root.path / "hotfolder.toml", *sorted(root.destinations.glob("*.toml"))]
    named: dict[Path, str] = {}
    for file in files:
        with suppress(OSError, ValueError):
            for key, text in _list_texts(tomllib.loads(file.read_text(encoding="utf-8-sig"))):
                named.setdefault(Path(text), f"{key} in {file.relative_to(root.path)}")
    for path, where in named.items():
        is_copied = not path.is_absolute() or any(path.is_relative_to(top) for top in copied)
        with suppress(OSError, ValueError):
            is_program = path.is_file() and os.access(path, os.X_OK)
            if not is_copied and not is_program and path.exists():
                yield f"{path}: it lies outside the root, and {where} names it; copy it yourself"


def _list_texts(value: object, key: str = "") -> Iterator[tuple[str, str]]:
    """Texts in a settings file, each with its key."""
    if isinstance(value, str):
        yield key, value
    elif isinstance(value, Mapping):
        for name, each in value.items():
            yield from _list_texts(each, f"{key}.{name}".removeprefix("."))
    elif isinstance(value, list):
        for each in value:
            yield from _list_texts(each, key)


def _list_set_aside(root: Root) -> Iterator[str]:
    for pattern, why in _SET_ASIDE.items():
        for path in sorted(root.private.glob(pattern)):
            yield f"{path}: {why}"


def _logs_of(copy: Path, folders: Mapping[str, DestinationFolders], root: Root) -> dict[str, Path]:
    """Logs in a copy, by destination."""
    found = {}
    for name, each in folders.items():
        if each.results.is_relative_to(root.path):
            found[name] = copy / IN_ROOT / each.results.relative_to(root.path) / LOG_FILE
        else:
            found[name] = copy / ELSEWHERE / name / "results" / LOG_FILE
    return found
