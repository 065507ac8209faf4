"""Where a root was before: what leads to the files of records that have absolute paths.

The ledger notes each place at which it was opened. One that an earlier version wrote has noted
none: there the paths of its latest rows tell it, which go through folders whose names are known.
"""

from __future__ import annotations

import json
import os
import re
import sqlite3
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from hotfolder.ledger.packing import unpack
from hotfolder.model.places import Places

TABLE: Final = """
CREATE TABLE IF NOT EXISTS roots (
    path  BLOB NOT NULL PRIMARY KEY,
    since TEXT NOT NULL
)
"""

_SAMPLED = 100
_IN_A_ROOT = (
    r"^(/.+?)/(?:(?:in|out|held|refused|originals|release)/{}|\.hotfolder/(?:spool|kept))(?:/|$)"
)


def find_places(db: sqlite3.Connection, root: Path) -> Places:
    """Tell where a root is, and where its ledger says that it was before."""
    return Places.of(root, [*reversed(_list_noted(db)), *_infer(db, root)])


def note_root(db: sqlite3.Connection, root: Path) -> None:
    """Note where the ledger is opened; in a transaction, by the one who writes."""
    own = str(root.absolute())
    noted = _list_noted(db)
    if noted and noted[-1] == own:
        return
    now = datetime.now(UTC).isoformat(timespec="milliseconds")
    for each in [*([] if noted else _infer(db, root)), own]:
        db.execute("INSERT OR REPLACE INTO roots VALUES (?, ?)", (os.fsencode(each), now))


def _list_noted(db: sqlite3.Connection) -> list[str]:
    """In order of their times."""
    if not db.execute("SELECT 1 FROM sqlite_master WHERE name = 'roots'").fetchone():
        return []
    rows = db.execute("SELECT path FROM roots ORDER BY rowid").fetchall()
    return [os.fsdecode(path) for (path,) in rows]


def _infer(db: sqlite3.Connection, root: Path) -> list[str]:
    """Tell from rows of an earlier version where the root was.

    A folder in which a ledger lies is a root of its own and was not moved here.
    """
    if _list_noted(db) or not _has_jobs(db):
        return []
    own = str(root.absolute())
    counts: Counter[str] = Counter()
    rows = db.execute(
        "SELECT destination, detail, record FROM jobs ORDER BY seq DESC LIMIT ?", (_SAMPLED,)
    )
    for destination, *documents in rows.fetchall():
        pattern = re.compile(_IN_A_ROOT.format(re.escape(destination)))
        found = {
            match[1]
            for document in documents
            for path in _list_strings(json.loads(unpack(document) or "{}"))
            if (match := pattern.match(path))
        }
        counts.update(found)
    return [
        each
        for each, _ in counts.most_common()
        if each != own and not os.path.lexists(f"{each}/.hotfolder/ledger.sqlite")
    ]


def _has_jobs(db: sqlite3.Connection) -> bool:
    return bool(db.execute("SELECT 1 FROM sqlite_master WHERE name = 'jobs'").fetchone())


def _list_strings(document: object) -> Iterator[str]:
    """Every text in a JSON document that may be a path."""
    waiting = [document]
    while waiting:
        each = waiting.pop()
        if isinstance(each, dict):
            waiting += each.values()
        elif isinstance(each, list):
            waiting += each
        elif isinstance(each, str):
            yield each if each.startswith("/") else _decode(each)


def _decode(text: str) -> str:
    try:
        return os.fsdecode(bytes.fromhex(text))
    except ValueError:
        return ""
