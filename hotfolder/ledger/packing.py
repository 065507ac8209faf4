"""Records in the ledger as they take less room: their text, packed with zlib.

There may be hundreds of thousands, and nearly nobody asks for them. Earlier versions kept the text;
`hotfolder tidy` packs it. SQL reads both by `unpack`.
"""

from __future__ import annotations

import sqlite3
import zlib
from typing import Final

PAGE_BYTES: Final = 8192
"""Of the ledger's file: on SQLite's own 4096 a packed record fills little more than half a page."""

Stored = str | bytes | None
"""What the column of records holds: text, packed or not."""


def pack(text: str) -> bytes:
    """Pack a record's text."""
    return zlib.compress(text.encode("utf-8"), 6)


def unpack(stored: Stored) -> str:
    """Return a record's text as the column has it, packed or not; "" for none.

    Raises
    ------
    ValueError
        When it cannot be unpacked: somebody else has changed the ledger.
    """
    if not isinstance(stored, bytes):
        return stored or ""
    try:
        return zlib.decompress(stored).decode("utf-8")
    except zlib.error as error:
        raise ValueError(f"it cannot be unpacked: {error}") from error


def teach(db: sqlite3.Connection) -> None:
    """Let a connection's SQL call `unpack`, for each question that looks into records."""
    db.create_function("unpack", 1, _unpack_or_null, deterministic=True)


def _unpack_or_null(stored: Stored) -> str | None:
    return None if stored is None else unpack(stored)


def allow_packed(db: sqlite3.Connection) -> None:
    """Let the column of records in a ledger with tables of before hold bytes as well.

    Only what the schema says of the column changes, and no row: the short way that SQLite's
    manual has under "Making Other Kinds Of Table Schema Changes".
    """
    (version,) = db.execute("PRAGMA schema_version").fetchone()
    db.execute("PRAGMA writable_schema=ON")
    db.execute(
        "UPDATE sqlite_schema SET sql = replace(sql, 'record      TEXT', 'record      ANY')"
        " WHERE type = 'table' AND name = 'jobs'"
    )
    db.execute(f"PRAGMA schema_version={version + 1}")
    db.execute("PRAGMA writable_schema=RESET")
    if ("record", "ANY") not in db.execute("SELECT name, type FROM pragma_table_info('jobs')"):
        raise sqlite3.DatabaseError("its table of jobs is not the one that this program made")
