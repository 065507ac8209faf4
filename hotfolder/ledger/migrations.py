"""The ledger's tables, and the steps that bring an older ledger up to date."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import Final

from hotfolder.ledger import packing, record_index, roots

_JOBS = """
CREATE TABLE jobs (
    seq         INTEGER PRIMARY KEY AUTOINCREMENT,
    id          TEXT NOT NULL UNIQUE,
    destination TEXT NOT NULL,
    source      BLOB NOT NULL,
    kind        TEXT NOT NULL,
    state       TEXT NOT NULL,
    bytes       INTEGER NOT NULL,
    sha256      TEXT,
    attempts    INTEGER NOT NULL DEFAULT 0,
    arrived     TEXT NOT NULL,
    changed     TEXT NOT NULL,
    detail      TEXT NOT NULL DEFAULT '{}',
    record      TEXT
) STRICT;
CREATE INDEX jobs_open ON jobs (state, destination, seq)
    WHERE state NOT IN ('delivered', 'held', 'refused');
CREATE INDEX jobs_ended ON jobs (destination, state, changed);
CREATE INDEX jobs_named ON jobs (destination, source, seq)
"""

_BATCHES = """
CREATE TABLE IF NOT EXISTS batch_files (
    seq         INTEGER PRIMARY KEY AUTOINCREMENT,
    destination TEXT NOT NULL,
    batch       TEXT NOT NULL,
    key         TEXT NOT NULL,
    name        TEXT NOT NULL,
    place       TEXT NOT NULL,
    sha256      TEXT NOT NULL,
    bytes       INTEGER NOT NULL,
    arrived     TEXT NOT NULL
) STRICT;
CREATE INDEX IF NOT EXISTS batch_files_named ON batch_files (destination, batch, key, seq);
CREATE TABLE IF NOT EXISTS batches (
    destination TEXT NOT NULL,
    batch       TEXT NOT NULL,
    document    TEXT NOT NULL,
    PRIMARY KEY (destination, batch)
) STRICT
"""


def _add_jobs(db: sqlite3.Connection) -> None:
    for statement in _JOBS.split(";\n"):
        db.execute(statement)


def _add_queue_index(db: sqlite3.Connection) -> None:
    """What waits, in the order in which it came: the cost must not grow with all that ever came."""
    db.execute(
        "CREATE INDEX jobs_queued ON jobs (destination, seq)"
        " WHERE state NOT IN ('delivered', 'held', 'refused') AND state != 'claiming'"
    )


def _add_batches(db: sqlite3.Connection) -> None:
    """Tables of batches; a ledger in which a daemon has worked has them already."""
    for statement in _BATCHES.split(";\n"):
        db.execute(statement)


def _rename_dropped(db: sqlite3.Connection) -> None:
    """Call what a person gave up ``discarded``, which was ``dropped`` before."""
    for old, new in (("dropped", "discarded"), ("dropping", "discarding")):
        db.execute(
            f"UPDATE jobs SET detail = json_object('{new}', json_extract(detail, '$.{old}'))"  # noqa: S608
            f" WHERE state = 'held' AND json_extract(detail, '$.{old}') IS NOT NULL"
        )
    record_index.rename_dropped(db)


_PROGRESS = """
CREATE TABLE IF NOT EXISTS batch_progress (
    destination TEXT NOT NULL,
    batch       TEXT NOT NULL,
    planned_to  INTEGER NOT NULL,
    reported_to INTEGER,
    PRIMARY KEY (destination, batch)
) STRICT
"""
_ALL_PLANNED = """
INSERT OR IGNORE INTO batch_progress (destination, batch, planned_to)
    SELECT destination, batch, coalesce((SELECT max(seq) FROM batch_files AS file
        WHERE file.destination = batches.destination AND file.batch = batches.batch), 0)
    FROM batches
"""


def _add_batch_progress(db: sqlite3.Connection) -> None:
    """Up to where batches are planned and reported; those of before count as planned."""
    columns = {name for _, name, *_ in db.execute("PRAGMA table_info(batch_files)")}
    if "records_before" not in columns:
        db.execute("ALTER TABLE batch_files ADD COLUMN records_before INTEGER NOT NULL DEFAULT 0")
    db.execute(_PROGRESS)
    db.execute(_ALL_PLANNED)


def _add_roots(db: sqlite3.Connection) -> None:
    """Where the root was; what was written as an absolute path leads to where it is."""
    db.execute(roots.TABLE)


def _add_marks(db: sqlite3.Connection) -> None:
    """What is about the ledger itself: whether it is the one that was closed last."""
    db.execute(
        "CREATE TABLE IF NOT EXISTS marks (name TEXT NOT NULL PRIMARY KEY, value TEXT NOT NULL)"
    )


def _add_removed(db: sqlite3.Connection) -> None:
    """Originals that were removed when their time was over: they are not missed."""
    db.execute(
        "CREATE TABLE IF NOT EXISTS removed"
        " (job TEXT NOT NULL PRIMARY KEY, at TEXT NOT NULL, done INTEGER NOT NULL) STRICT"
    )


def _add_indexes_of_few(db: sqlite3.Connection) -> None:
    """What is asked for at each start and in each turn, and is few among all that ever came."""
    db.execute(
        "CREATE INDEX IF NOT EXISTS jobs_undecided ON jobs (destination, seq)"
        " WHERE state = 'held' AND json_extract(detail, '$.discarded') IS NULL"
    )
    db.execute(
        "CREATE INDEX IF NOT EXISTS jobs_superseding ON jobs (destination, seq)"
        " WHERE state = 'delivered' AND json_extract(detail, '$.superseding') IS NOT NULL"
    )


STEPS: Final[tuple[Callable[[sqlite3.Connection], None], ...]] = (
    _add_jobs,
    record_index.add_table,
    _add_queue_index,
    record_index.add_name_index,
    record_index.add_dropped,
    _add_batches,
    _rename_dropped,
    _add_batch_progress,
    _add_roots,
    _add_marks,
    _add_removed,
    _add_indexes_of_few,
    packing.allow_packed,
    record_index.add_others,
    record_index.add_out_of_gamut,
    record_index.add_asked_later,
)
"""Step n brings a ledger of version n to version n + 1. A step that was released never changes."""

SCHEMA_VERSION: Final = len(STEPS)


def make_empty_ledger() -> sqlite3.Connection:
    """Return a ledger in memory that has nothing in it, for those who read."""
    db = sqlite3.connect(":memory:", isolation_level=None)
    packing.teach(db)
    for step in STEPS:
        step(db)
    db.execute(f"PRAGMA user_version={SCHEMA_VERSION}")
    return db
