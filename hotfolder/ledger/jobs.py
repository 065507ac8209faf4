"""The ledger: every job is a row, every change of state is one transaction.

SQLite in WAL mode with ``synchronous=FULL``: what `Ledger` has returned from is on disk. One
process writes (the one that holds the root's lock); any other may read through `read_jobs`.

::

    claiming ─▶ claimed ─▶ working ─▶ produced ─▶ publishing ─▶ delivered | held | refused
       │           ▲          │
       ▼           └──────────┘  (an attempt that failed, or was stopped)
    (no row: the file was gone)

    held ─▶ releasing ─▶ produced (as it stands) | claimed (with a change)

A state names an *intent* that was committed before the act it announces: a row that says
``claiming`` may or may not have its original in the spool yet; a row that says ``claimed`` has.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from hotfolder.errors import StorageError
from hotfolder.ledger import record_index

_SCHEMA = """
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


def _first_tables(db: sqlite3.Connection) -> None:
    for statement in _SCHEMA.split(";\n"):
        db.execute(statement)


def _queue_index(db: sqlite3.Connection) -> None:
    """What waits, in the order in which it came: the cost must not grow with all that ever came."""
    db.execute(
        "CREATE INDEX jobs_queued ON jobs (destination, seq)"
        " WHERE state NOT IN ('delivered', 'held', 'refused') AND state != 'claiming'"
    )


_OPEN = "state NOT IN ('delivered', 'held', 'refused')"
_LISTED = "(SELECT value FROM json_each(?))"
_PAST_CLAIM = f"{_OPEN} AND state != 'claiming'"
_STEPS: tuple[Callable[[sqlite3.Connection], None], ...] = (
    _first_tables,
    record_index.add_table,
    _queue_index,
    record_index.add_name_index,
    record_index.add_dropped,
)
"""Step n brings a ledger of version n to version n + 1. A step that was released never changes."""

SCHEMA_VERSION = len(_STEPS)


def empty_ledger() -> sqlite3.Connection:
    """Return a ledger in memory that has nothing in it, for those who read."""
    db = sqlite3.connect(":memory:", isolation_level=None)
    for step in _STEPS:
        step(db)
    return db


class State(StrEnum):
    """Where a job is on its way."""

    CLAIMING = "claiming"
    RELEASING = "releasing"
    CLAIMED = "claimed"
    WORKING = "working"
    PRODUCED = "produced"
    PUBLISHING = "publishing"
    DELIVERED = "delivered"
    HELD = "held"
    REFUSED = "refused"

    @property
    def is_end(self) -> bool:
        """Whether nothing more will happen to the job by itself."""
        return self in {State.DELIVERED, State.HELD, State.REFUSED}


@dataclass(frozen=True)
class JobRow:
    """One row. source: path below the hot folder, the bytes that the file system gave.

    kind: "file", or what else was dropped ("folder", "link", "special"); detail: what the state
    needs to be finished after a kill (the worker's answer, the plan of publishing).
    """

    seq: int
    id: str
    destination: str
    source: bytes
    kind: str
    state: State
    bytes: int
    sha256: str | None
    attempts: int
    arrived: datetime
    changed: datetime
    detail: Mapping[str, Any]
    record: Mapping[str, Any] | None


@dataclass(frozen=True)
class Restored:
    """A row of a ledger that is made anew; line_sha256: of its record's line, for ended jobs."""

    id: str
    destination: str
    source: bytes
    kind: str
    state: State
    bytes: int
    sha256: str | None
    attempts: int
    arrived: datetime
    changed: datetime
    detail: Mapping[str, Any]
    record: Mapping[str, Any] | None
    line_sha256: str | None


class Ledger:
    """The one writer. Safe to use from several threads of one process."""

    def __init__(self, path: Path) -> None:
        """Open or create the ledger.

        Raises
        ------
        StorageError
            When the file is damaged, or was written by a newer version of this program.
        """
        self._lock = threading.RLock()
        try:
            self._db = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
            self._db.execute("PRAGMA journal_mode=WAL")
            self._db.execute("PRAGMA synchronous=FULL")
            self._prepare(path)
        except sqlite3.DatabaseError as error:
            raise StorageError(
                f"the ledger {path} cannot be used: {error}; "
                "set the file aside and ask for help before starting again"
            ) from error

    def _prepare(self, path: Path) -> None:
        (version,) = self._db.execute("PRAGMA user_version").fetchone()
        if version > SCHEMA_VERSION:
            self._db.close()
            raise StorageError(
                f"the ledger {path} was written by a newer hotfolder "
                f"(its version {version}, ours {SCHEMA_VERSION}); install that one"
            )
        if version < SCHEMA_VERSION:
            with self._transaction():
                for step in _STEPS[version:]:
                    step(self._db)
                self._db.execute(f"PRAGMA user_version={SCHEMA_VERSION}")

    def close(self) -> None:
        """Close the file; the object cannot be used afterwards."""
        with self._lock:
            self._db.close()

    def add(
        self,
        job: str,
        destination: str,
        source: bytes,
        kind: str,
        size: int,
        detail: Mapping[str, Any],
    ) -> JobRow:
        """Commit the intent to claim a file; the job starts as ``claiming``."""
        now = _now()
        with self._transaction():
            self._db.execute(
                "INSERT INTO jobs (id, destination, source, kind, state, bytes, arrived, changed,"
                " detail) VALUES (?, ?, ?, ?, 'claiming', ?, ?, ?, ?)",
                (job, destination, source, kind, size, now, now, json.dumps(detail)),
            )
        return self.job(job)

    def advance(self, job: str, state: State, **changes: Any) -> JobRow:
        """Commit a change of state.

        Parameters
        ----------
        job
            The job's id.
        state
            The new state.
        **changes
            New values of columns: ``detail`` and ``record`` as JSON values, ``sha256``,
            ``attempts``, ``bytes``.
        """
        values: dict[str, Any] = {"state": state.value, "changed": _now()}
        for column, value in changes.items():
            values[column] = json.dumps(value) if column in {"detail", "record"} else value
        assignments = ", ".join(f"{column} = ?" for column in values)
        with self._transaction():
            self._db.execute(
                f"UPDATE jobs SET {assignments} WHERE id = ?",  # noqa: S608 - names are ours
                (*values.values(), job),
            )
        return self.job(job)

    def end(
        self, job: str, state: State, record: Mapping[str, Any], line_sha256: str | None
    ) -> JobRow:
        """Commit that a job has ended, with its record and the hash of the record's line."""
        with self._transaction():
            self._db.execute(
                "UPDATE jobs SET state = ?, changed = ?, detail = '{}', record = ? WHERE id = ?",
                (state.value, _now(), json.dumps(record), job),
            )
            record_index.insert(self._db, record, line_sha256)
        return self.job(job)

    def last_line_of(self, destination: str) -> str | None:
        """Hash of the line of a destination's log that was committed last; None without any."""
        with self._lock:
            row = self._db.execute(
                "SELECT line_sha256 FROM records WHERE destination = ? AND line_sha256 IS NOT NULL"
                " ORDER BY number DESC LIMIT 1",
                (destination,),
            ).fetchone()
        return row[0] if row else None

    @contextmanager
    def restoring(self) -> Iterator[Callable[[Restored], None]]:
        """Put rows into a new ledger, all in one transaction; a later one of a job goes over it."""
        names = (
            "id", "destination", "source", "kind", "state", "bytes", "sha256", "attempts",
            "arrived", "changed", "detail", "record",
        )  # fmt: skip
        statement = (
            f"INSERT INTO jobs ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"  # noqa: S608
            f" ON CONFLICT (id) DO UPDATE SET {', '.join(f'{n} = excluded.{n}' for n in names[4:])}"
        )

        def restore(row: Restored) -> None:
            values = (
                row.id, row.destination, row.source, row.kind, row.state.value, row.bytes,
                row.sha256, row.attempts, row.arrived.isoformat(), row.changed.isoformat(),
                json.dumps(row.detail), json.dumps(row.record) if row.record else None,
            )  # fmt: skip
            self._db.execute(statement, values)
            if row.record:
                record_index.insert(self._db, row.record, row.line_sha256)

        with self._transaction():
            yield restore

    def forget(self, job: str) -> None:
        """Take back a claim whose file was gone before it could be taken."""
        with self._transaction():
            self._db.execute("DELETE FROM jobs WHERE id = ? AND state = 'claiming'", (job,))

    def job(self, job: str) -> JobRow:
        """Return one job.

        Raises
        ------
        KeyError
            When there is no such job.
        """
        rows = self._rows(f"{_SELECT} WHERE id = ?", (job,))
        if not rows:
            raise KeyError(job)
        return _job_row(rows[0])

    def open_jobs(self) -> list[JobRow]:
        """Every job that has not ended, oldest first."""
        return [_job_row(row) for row in self._rows(f"{_SELECT} WHERE {_OPEN} ORDER BY seq")]

    def claims_of(self, destination: str) -> list[JobRow]:
        """Jobs of a destination whose claim was begun and neither settled nor taken back."""
        where = "state = 'claiming' AND destination = ?"
        rows = self._rows(f"{_SELECT} WHERE {_OPEN} AND {where} ORDER BY seq", (destination,))
        return [_job_row(row) for row in rows]

    def open_jobs_of(
        self,
        destination: str,
        limit: int,
        *,
        resting: bool = False,
        without: Collection[str] = (),
    ) -> list[JobRow]:
        """The oldest `limit` jobs of a destination that are past their claim and have not ended.

        resting: only those that do not wait for the destination's hours: what a person has
        released, and what is made and has only to be delivered; without: jobs to leave out.
        """
        at_once = (
            "AND (state IN ('releasing', 'produced', 'publishing')"
            " OR json_extract(detail, '$.release') IS NOT NULL)"
        )
        rows = self._rows(
            f"{_SELECT} WHERE {_PAST_CLAIM} AND destination = ? {at_once if resting else ''}"
            f" AND id NOT IN {_LISTED} ORDER BY seq LIMIT ?",
            (destination, json.dumps(list(without)), limit),
        )
        return [_job_row(row) for row in rows]

    def held_with(self, destination: str, sha256: str) -> JobRow | None:
        """The latest held job of a destination whose original has this hash."""
        rows = self._rows(
            f"{_SELECT} WHERE destination = ? AND state = 'held' AND sha256 = ?"
            " ORDER BY seq DESC LIMIT 1",
            (destination, sha256),
        )
        return _job_row(rows[0]) if rows else None

    def held_jobs_of(self, destination: str) -> list[JobRow]:
        """Held jobs of a destination whose folders a person has not deleted, as far as is known."""
        rows = self._rows(
            f"{_SELECT} WHERE destination = ? AND state = 'held'"
            " AND json_extract(detail, '$.dropped') IS NULL ORDER BY seq",
            (destination,),
        )
        return [_job_row(row) for row in rows]

    def latest_delivered(self, destination: str, number: int) -> list[JobRow]:
        """The jobs of a destination that were delivered last, the latest first."""
        rows = self._rows(
            f"{_SELECT} WHERE destination = ? AND state = 'delivered'"
            " ORDER BY changed DESC, seq DESC LIMIT ?",
            (destination, number),
        )
        return [_job_row(row) for row in rows]

    def earlier_jobs(self, row: JobRow) -> list[str]:
        """Jobs of the same name in the same hot folder that came before and were not delivered."""
        found = self._rows(
            "SELECT id FROM jobs WHERE destination = ? AND source = ? AND seq < ?"
            " AND state IN ('held', 'refused') ORDER BY seq",
            (row.destination, row.source, row.seq),
        )
        return [job for (job,) in found]

    def same_original(self, row: JobRow) -> list[str]:
        """Jobs of the destination that ended with an original of the same bytes, latest first."""
        found = self._rows(
            "SELECT job FROM records WHERE original_sha256 = ? AND destination = ? AND job != ?"
            " AND latest = 1 ORDER BY number DESC LIMIT 5",
            (row.sha256, row.destination, row.id),
        )
        return [job for (job,) in found]

    def has_ended(self, job: str) -> bool:
        """Whether there is such a job and it has ended."""
        try:
            return self.job(job).state.is_end
        except KeyError:
            return False

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """Commit several changes at once, or none; for tables that other modules keep here.

        Raises
        ------
        StorageError
            When the ledger cannot be written.
        """
        with self._transaction():
            yield self._db

    def read(self, query: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        """Return the rows of a query."""
        return self._rows(query, values)

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        with self._lock, _usable("written"):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute("COMMIT")
            except BaseException:
                # a full disk makes SQLite roll back by itself
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    def _rows(self, query: str, values: tuple[Any, ...] = ()) -> list[Any]:
        with self._lock, _usable("read"):
            return self._db.execute(query, values).fetchall()


@contextmanager
def _usable(how: str) -> Iterator[None]:
    """Translate what SQLite says of its file; a mistake of ours in a statement is not of it."""
    try:
        yield
    except (sqlite3.IntegrityError, sqlite3.ProgrammingError):
        raise
    except sqlite3.DatabaseError as error:
        raise StorageError(f"the ledger cannot be {how}: {error}") from error


def is_made(path: Path) -> bool:
    """Whether there is a ledger with its tables: a daemon that starts may just be making it."""
    if not path.exists():
        return False
    with closing(sqlite3.connect(f"file:{_quoted(path)}?mode=ro", uri=True)) as db:
        try:
            (version,) = db.execute("PRAGMA user_version").fetchone()
        except sqlite3.DatabaseError:
            return True  # damaged: who reads it says so
    return bool(version)


def read_jobs(path: Path, *, ended: bool = False) -> list[JobRow]:
    """Read jobs from another process's ledger: those under way, or those that have ended.

    Returns an empty list when there is no ledger yet.

    Raises
    ------
    StorageError
        When the file is there but cannot be read.
    """
    if not is_made(path):
        return []
    where = f"NOT ({_OPEN})" if ended else _OPEN
    try:
        with closing(sqlite3.connect(f"file:{_quoted(path)}?mode=ro", uri=True)) as db:
            rows = db.execute(f"{_SELECT} WHERE {where} ORDER BY seq").fetchall()
    except sqlite3.DatabaseError as error:
        raise StorageError(f"the ledger {path} cannot be read: {error}") from error
    return [_job_row(row) for row in rows]


def read_job(path: Path, job: str) -> JobRow | None:
    """Read one job from another process's ledger; None when there is no such job.

    Raises
    ------
    StorageError
        When the ledger is there but cannot be read.
    """
    if not is_made(path):
        return None
    try:
        with closing(sqlite3.connect(f"file:{_quoted(path)}?mode=ro", uri=True)) as db:
            row = db.execute(f"{_SELECT} WHERE id = ?", (job,)).fetchone()
    except sqlite3.DatabaseError as error:
        raise StorageError(f"the ledger {path} cannot be read: {error}") from error
    return _job_row(row) if row else None


def read_latest_delivered(path: Path, destination: str, number: int) -> list[JobRow]:
    """Read the jobs of a destination that were delivered last, the latest first.

    Raises
    ------
    StorageError
        When the ledger is there but cannot be read.
    """
    if not is_made(path):
        return []
    try:
        with closing(sqlite3.connect(f"file:{_quoted(path)}?mode=ro", uri=True)) as db:
            rows = db.execute(
                f"{_SELECT} WHERE destination = ? AND state = 'delivered'"
                " ORDER BY changed DESC, seq DESC LIMIT ?",
                (destination, number),
            ).fetchall()
    except sqlite3.DatabaseError as error:
        raise StorageError(f"the ledger {path} cannot be read: {error}") from error
    return [_job_row(row) for row in rows]


def count_ended(path: Path) -> dict[str, dict[str, int]]:
    """Number of ended jobs by destination and state; empty when there is no ledger yet.

    Held jobs that were given up are counted as ``dropped``.
    """
    if not is_made(path):
        return {}
    counts: dict[str, dict[str, int]] = {}
    with closing(sqlite3.connect(f"file:{_quoted(path)}?mode=ro", uri=True)) as db:
        rows = db.execute(
            "SELECT destination, CASE WHEN state = 'held'"  # noqa: S608
            " AND json_extract(detail, '$.dropped') IS NOT NULL THEN 'dropped' ELSE state END"
            f" AS ended, count(*) FROM jobs WHERE NOT ({_OPEN}) GROUP BY destination, ended"
        )
        for destination, state, number in rows:
            counts.setdefault(destination, {})[state] = number
    return counts


_SELECT = (
    "SELECT seq, id, destination, source, kind, state, bytes, sha256, attempts, arrived, changed,"
    " detail, record FROM jobs"
)


def _quoted(path: Path) -> str:
    from urllib.parse import quote

    return quote(str(path))


def _job_row(row: tuple[Any, ...]) -> JobRow:
    seq, job, destination, source, kind, state, size, sha256, attempts = row[:9]
    arrived, changed, detail, record = row[9:]
    return JobRow(
        seq=seq,
        id=job,
        destination=destination,
        source=source,
        kind=kind,
        state=State(state),
        bytes=size,
        sha256=sha256,
        attempts=attempts,
        arrived=datetime.fromisoformat(arrived),
        changed=datetime.fromisoformat(changed),
        detail=json.loads(detail),
        record=json.loads(record) if record else None,
    )


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
