"""What `backup` and `restore` share: how a copy of a root is laid out, and what is checked of it.

A copy is a folder: ``root/`` with what lies in the root, ``elsewhere/NAME/KIND/`` with the folders
that settings have put somewhere else, and ``manifest.jsonl``, which says of every file its path,
size and SHA-256.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Container, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypedDict

from hotfolder.audit.chain import check_chain
from hotfolder.disk import durable
from hotfolder.errors import StorageError
from hotfolder.ledger.reading import open_reader
from hotfolder.settings.files import read_folders as read_folders_of
from hotfolder.settings.root import DestinationFolders, Root

MANIFEST: Final = "manifest.jsonl"
IN_ROOT: Final = "root"
ELSEWHERE: Final = "elsewhere"
LEDGER: Final = f"{IN_ROOT}/.hotfolder/ledger.sqlite"


_SQLITE: Final = b"SQLite format 3\0"


class Copied(TypedDict):
    """What a copy, or putting it back, came to."""

    place: str
    files: int
    bytes: int
    kept: list[str]
    """Files that were there with other bytes: where they were set aside, or that they stay."""
    missing: list[str]
    """Files that the ledger speaks of and the copy has not."""
    faults: list[str]
    """What is wrong with the chains of records."""
    left_out: list[str]
    """What belongs to the root and is not in the copy, and why."""


@dataclass(frozen=True)
class Entry:
    """A file of a copy."""

    path: str
    """Below the copy, with ``/``; bytes that are no UTF-8 as surrogates."""
    sha256: str
    """"" for a link."""
    bytes: int
    link: str | None = None
    """Where a link leads; None for a file."""

    def is_at(self, path: Path) -> bool:
        """Whether this file, or link, is there as it was copied."""
        if self.link is None:
            return durable.has_bytes(path, self.sha256)
        return path.is_symlink() and str(path.readlink()) == self.link


def read_folders(root: Root, settings: Path | None = None) -> dict[str, DestinationFolders]:
    """Where the folders of each destination are; also of one whose settings are wrong otherwise.

    settings: the folder of the destinations' files, where they are not in the root yet.
    """
    return {
        file.stem: root.folders(file.stem, read_folders_of(file))
        for file in sorted((settings or root.destinations).glob("*.toml"))
    }


def is_database(path: Path) -> bool:
    """Whether a file is an SQLite database, as stages keep books in."""
    if path.is_symlink() or not path.is_file():
        return False
    with durable.open_to_read(path) as file:
        return file.read(len(_SQLITE)) == _SQLITE


def check_ledger(ledger: Path) -> None:
    """Make sure that a ledger is whole; fine when it is not there.

    Raises
    ------
    StorageError
        When it is not.
    """
    if not ledger.exists():
        return
    try:
        with closing(sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)) as db:
            (said,) = db.execute("PRAGMA integrity_check(1)").fetchone()
    except sqlite3.DatabaseError as error:
        said = str(error)
    if said != "ok":
        raise StorageError(f"the ledger {ledger} is damaged: {said}")


def check_chains(
    ledger: Path, logs: Mapping[str, Path], going_on: Container[Path] = ()
) -> list[str]:
    """Say what is wrong with the chains of records, each as a sentence.

    going_on: logs that go on beyond what the ledger knows.
    """
    faults = []
    with open_reader(ledger) as reader:
        for name, log in logs.items():
            if log.parent.is_dir():
                report = check_chain(reader.db, name, log.parent)
                faults += [
                    f"{name}: {fault}"
                    for fault in report.faults
                    if not (log in going_on and "differs from what the ledger has" in fault)
                ]
    return faults
