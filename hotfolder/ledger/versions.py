"""Which versions of the program a ledger has been written by; a newer one's is refused.

A ledger's tables have a version of their own, which says what a program has to understand. Which
program wrote it last is noted beside, for what people are told alone.
"""

from __future__ import annotations

import sqlite3
from importlib.metadata import version
from pathlib import Path
from typing import Final

from hotfolder.errors import StorageError
from hotfolder.ledger.migrations import SCHEMA_VERSION

_MARK: Final = "written by hotfolder"


def read_version(db: sqlite3.Connection) -> int:
    """Return the version of a ledger's tables; 0 while it has none."""
    (found,) = db.execute("PRAGMA user_version").fetchone()
    return int(found)


def check_version(db: sqlite3.Connection, path: Path) -> int:
    """Return the version of a ledger's tables.

    Raises
    ------
    StorageError
        When a newer program has written it: what it wrote may mean what this one does not know.
        Nothing was changed.
    """
    found = read_version(db)
    if found <= SCHEMA_VERSION:
        return found
    own, other = version("hotfolder"), _read_program(db)
    if other == own:
        other = ""  # both were built between two releases
    newer = f"hotfolder {other}" if other else "a newer hotfolder"
    install = f"hotfolder {other} or a later one" if other else "that one again"
    raise StorageError(
        f"the ledger {path} was written by {newer}, in version {found} of its tables; this is "
        f"hotfolder {own}, which knows them up to version {SCHEMA_VERSION}. "
        f"Nothing was changed. Install {install}; or take a copy that `hotfolder backup` made "
        "before the update, and `hotfolder restore` it into a new folder with this one"
    )


def note_program(db: sqlite3.Connection) -> None:
    """Note that this version writes; in a transaction, by the one who writes."""
    own = version("hotfolder")
    if _read_program(db) != own:
        db.execute("INSERT OR REPLACE INTO marks VALUES (?, ?)", (_MARK, own))


def _read_program(db: sqlite3.Connection) -> str:
    """Return the version of the program that wrote last; "" when it has not said so."""
    if not db.execute("SELECT 1 FROM sqlite_master WHERE name = 'marks'").fetchone():
        return ""
    row = db.execute("SELECT value FROM marks WHERE name = ?", (_MARK,)).fetchone()
    return str(row[0]) if row else ""
