"""The ledger: every job is a row, every change of state is one transaction.

SQLite in WAL mode with ``synchronous=FULL``: what `Ledger` has returned from is on disk. One
process writes (the one that holds the root's lock); any other may read through
`hotfolder.ledger.reading`.

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

import hashlib
import json
import sqlite3
import threading
from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import TypeVar

from hotfolder.errors import StorageError
from hotfolder.ledger import record_index
from hotfolder.ledger.details import Claiming, Detail, State, dump_detail
from hotfolder.ledger.migrations import SCHEMA_VERSION, STEPS
from hotfolder.ledger.packing import PAGE_BYTES, pack, teach
from hotfolder.ledger.reading import (
    OPEN,
    SELECT,
    UNDECIDED,
    JobRow,
    LedgerReader,
    Row,
    Value,
    read_job,
    read_jobs,
    to_row,
)
from hotfolder.ledger.roots import find_places, note_root
from hotfolder.ledger.versions import check_version, note_program
from hotfolder.model.places import AS_WRITTEN
from hotfolder.model.records import Record

__all__ = ["JobRow", "Ledger", "Restored", "State", "link", "read_job", "read_jobs"]

Line = bytes
"""A line of a log, line end included."""

_RESTORED_AT_ONCE = 2000
_LISTED = "(SELECT value FROM json_each(?))"
_PAST_CLAIM = f"{OPEN} AND state != 'claiming'"


@dataclass(frozen=True)
class Restored:
    """A row of a ledger that is made anew from what the folders say."""

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
    detail: Detail
    line: Line | None = None
    """The line of its record in the log, for ended jobs."""
    record: Record | None = None
    """What the line says."""


class Ledger(LedgerReader):
    """The one writer. Safe to use from several threads of one process."""

    def __init__(self, path: Path) -> None:
        """Open or create the ledger.

        Raises
        ------
        StorageError
            When the file is damaged, or was written by a newer version of this program.
        """
        self.path = path.absolute()
        self._lock = threading.RLock()
        self._is_closed = False
        db = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
        teach(db)
        super().__init__(db, AS_WRITTEN)
        try:
            self.db.execute(f"PRAGMA page_size={PAGE_BYTES}")  # of a new one
            self.db.execute("PRAGMA journal_mode=WAL")
            self.db.execute("PRAGMA synchronous=FULL")
            self._prepare(path)
            root = path.absolute().parent.parent
            with self._transaction():
                note_root(self.db, root)
                note_program(self.db)
            self.places = find_places(self.db, root)
        except StorageError:
            self.db.close()
            raise
        except sqlite3.DatabaseError as error:
            self.db.close()
            raise StorageError(
                f"the ledger {path} cannot be used: {error}; "
                "set the file aside and ask for help before starting again"
            ) from error

    def _prepare(self, path: Path) -> None:
        version = check_version(self.db, path)
        if version < SCHEMA_VERSION:
            with self._transaction():
                for step in STEPS[version:]:
                    step(self.db)
                self.db.execute(f"PRAGMA user_version={SCHEMA_VERSION}")

    def close(self) -> None:
        """Close the file; whoever still asks, as a thread that a share held up, gets an error."""
        with self._lock:
            self._is_closed = True
            self.db.close()

    def add(
        self,
        job: str,
        destination: str,
        source: bytes,
        kind: str,
        size: int,
        detail: Claiming,
    ) -> JobRow:
        """Commit the intent to claim a file; the job starts as ``claiming``."""
        now = _now()
        with self._transaction():
            self.db.execute(
                "INSERT INTO jobs (id, destination, source, kind, state, bytes, arrived, changed,"
                " detail) VALUES (?, ?, ?, ?, 'claiming', ?, ?, ?, ?)",
                (
                    job,
                    destination,
                    source,
                    kind,
                    size,
                    now,
                    now,
                    dump_detail(State.CLAIMING, detail, self.places),
                ),
            )
        return self.job(job)

    def advance(
        self,
        job: str,
        state: State,
        detail: Detail | None = None,
        *,
        sha256: str | None = None,
        size: int | None = None,
        attempts: int | None = None,
    ) -> JobRow:
        """Commit a change of state.

        Parameters
        ----------
        job
            The job's id.
        state
            The new state.
        detail
            What the row carries from now on; None leaves it as it is.
        sha256, size
            Of the original; None leaves them as they are.
        attempts
            How many workers were started; None leaves it as it is.
        """
        given: dict[str, Value] = {
            "detail": None if detail is None else dump_detail(state, detail, self.places),
            "sha256": sha256,
            "bytes": size,
            "attempts": attempts,
        }
        values = {
            "state": state.value,
            "changed": _now(),
            **{column: value for column, value in given.items() if value is not None},
        }
        assignments = ", ".join(f"{column} = ?" for column in values)
        with self._transaction():
            self.db.execute(
                f"UPDATE jobs SET {assignments} WHERE id = ?",  # noqa: S608 - names are ours
                (*values.values(), job),
            )
        return self.job(job)

    def end(self, record: Record, line: bytes) -> JobRow:
        """Commit that a job has ended.

        Parameters
        ----------
        record
            What is said of the job.
        line
            The record as it stands in the log, line end included.
        """
        with self._transaction():
            self.db.execute(
                "UPDATE jobs SET state = ?, changed = ?, detail = '{}', record = ? WHERE id = ?",
                (record.state, _now(), pack(_decode_line(line)), record.job),
            )
            record_index.insert(self.db, record, link(line))
        return self.job(record.job)

    def last_line_of(self, destination: str) -> str | None:
        """Hash of the line of a destination's log that was committed last; None without any."""
        rows = self.read(
            "SELECT line_sha256 FROM records WHERE destination = ? AND line_sha256 IS NOT NULL"
            " ORDER BY number DESC LIMIT 1",
            (destination,),
        )
        return rows[0][0] if rows else None

    def restore(self, rows: Iterable[Restored]) -> int:
        """Put rows in, some at a time; a later one of a job goes over it. Return how many."""
        number = 0
        for some in batched(rows, _RESTORED_AT_ONCE):
            with self._transaction():
                for row in some:
                    self._restore(row)
            number += len(some)
        return number

    def _restore(self, row: Restored) -> None:
        values = (
            row.destination, row.source, row.kind, row.state.value, row.bytes, row.sha256,
            row.attempts, row.arrived.isoformat(), row.changed.isoformat(),
            dump_detail(row.state, row.detail, self.places),
        )  # fmt: skip
        text = pack(_decode_line(row.line)) if row.line else None
        is_known = self.db.execute("SELECT 1 FROM jobs WHERE id = ?", (row.id,)).fetchone()
        if is_known:
            # what the log said of a job that is under way again stays
            self.db.execute(
                "UPDATE jobs SET destination = ?, source = ?, kind = ?, state = ?, bytes = ?,"
                " sha256 = ?, attempts = ?, arrived = ?, changed = ?, detail = ?,"
                " record = coalesce(?, record) WHERE id = ?",
                (*values, text, row.id),
            )
        else:
            self.db.execute(
                "INSERT INTO jobs (destination, source, kind, state, bytes, sha256, attempts,"
                " arrived, changed, detail, record, id)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (*values, text, row.id),
            )
        if row.line and row.record:
            line_sha256 = link(row.line)
            record_index.insert(self.db, row.record, line_sha256, is_first=not is_known)

    @contextmanager
    def many_to_come(self) -> Iterator[None]:
        """Put off what costs most of a row's time, for a new ledger into which many are put."""
        with self._transaction():
            record_index.drop_indexes(self.db)
        yield
        with self._transaction():
            record_index.make_indexes(self.db)

    def mark(self, name: str) -> str:
        """Return what was written down under a name by `set_mark`; "" when nothing was."""
        rows = self.read("SELECT value FROM marks WHERE name = ?", (name,))
        return str(rows[0][0]) if rows else ""

    def set_mark(self, name: str, value: str) -> None:
        """Write something down that is about the ledger itself."""
        with self._transaction():
            self.db.execute("INSERT OR REPLACE INTO marks VALUES (?, ?)", (name, value))

    def has_records(self, destination: str) -> bool:
        """Whether a job of a destination has ended, as far as is known."""
        query = "SELECT 1 FROM records WHERE destination = ? LIMIT 1"
        return bool(self.read(query, (destination,)))

    def delivered_with(self, destination: str, sha256: str) -> str:
        """The latest job of a destination that delivered an original of this hash; "" for none."""
        rows = self.read(
            "SELECT job FROM records WHERE original_sha256 = ? AND destination = ?"
            " AND latest = 1 AND state = 'delivered' ORDER BY number DESC LIMIT 1",
            (sha256, destination),
        )
        return str(rows[0][0]) if rows else ""

    def forget(self, job: str) -> None:
        """Take back a claim whose file was gone before it could be taken."""
        with self._transaction():
            self.db.execute("DELETE FROM jobs WHERE id = ? AND state = 'claiming'", (job,))

    def job(self, job: str) -> JobRow:
        """Return one job.

        Raises
        ------
        KeyError
            When there is no such job.
        """
        row = self.find_job(job)
        if row is None:
            raise KeyError(job)
        return row

    def claims_of(self, destination: str) -> list[JobRow]:
        """Jobs of a destination whose claim was begun and neither settled nor taken back."""
        where = "state = 'claiming' AND destination = ?"
        rows = self.read(f"{SELECT} WHERE {OPEN} AND {where} ORDER BY seq", (destination,))
        return [to_row(row, self.places) for row in rows]

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
        rows = self.read(
            f"{SELECT} WHERE {_PAST_CLAIM} AND destination = ? {at_once if resting else ''}"
            f" AND id NOT IN {_LISTED} ORDER BY seq LIMIT ?",
            (destination, json.dumps(list(without)), limit),
        )
        return [to_row(row, self.places) for row in rows]

    def held_with(self, destination: str, sha256: str) -> JobRow | None:
        """The latest held job of a destination whose original has this hash."""
        rows = self.read(
            f"{SELECT} WHERE destination = ? AND state = 'held' AND sha256 = ?"
            " ORDER BY seq DESC LIMIT 1",
            (destination, sha256),
        )
        return to_row(rows[0], self.places) if rows else None

    def held_jobs_of(self, destination: str) -> list[JobRow]:
        """Held jobs of a destination whose folders a person has not deleted, as far as is known."""
        rows = self.read(
            f"{SELECT} WHERE destination = ? AND {UNDECIDED} ORDER BY seq",
            (destination,),
        )
        return [to_row(row, self.places) for row in rows]

    def earlier_jobs(self, row: JobRow) -> list[str]:
        """Jobs of the same name in the same hot folder that came before and were not delivered."""
        found = self.read(
            "SELECT id FROM jobs WHERE destination = ? AND source = ? AND seq < ?"
            " AND state IN ('held', 'refused') ORDER BY seq",
            (row.destination, row.source, row.seq),
        )
        return [job for (job,) in found]

    def same_original(self, row: JobRow) -> list[str]:
        """Jobs of the destination that ended with an original of the same bytes, latest first."""
        found = self.read(
            "SELECT job FROM records WHERE original_sha256 = ? AND destination = ? AND job != ?"
            " AND latest = 1 ORDER BY number DESC LIMIT 5",
            (row.sha256, row.destination, row.id),
        )
        return [job for (job,) in found]

    def has_ended(self, job: str) -> bool:
        """Whether there is such a job and it has ended."""
        row = self.find_job(job)
        return row is not None and row.state.is_end

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """Commit several changes at once, or none; for tables that other modules keep here.

        Raises
        ------
        StorageError
            When the ledger cannot be written.
        """
        with self._transaction():
            yield self.db

    def read(self, query: str, values: Sequence[Value] = ()) -> list[Row]:
        """Return the rows of a query.

        Raises
        ------
        StorageError
            When the ledger cannot be read.
        """
        with self._lock, _translate_errors("read"):
            self._check_open()
            return super().read(query, values)

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        with self._lock, _translate_errors("written"):
            self._check_open()
            self.db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self.db.execute("COMMIT")
            except BaseException:
                # a full disk makes SQLite roll back by itself
                if self.db.in_transaction:
                    self.db.execute("ROLLBACK")
                raise

    def _check_open(self) -> None:
        if self._is_closed:
            raise StorageError("the ledger is closed: the program is ending")


@contextmanager
def _translate_errors(how: str) -> Iterator[None]:
    """Translate what SQLite says of its file; a mistake of ours in a statement is not of it."""
    try:
        yield
    except (sqlite3.IntegrityError, sqlite3.ProgrammingError):
        raise
    except sqlite3.DatabaseError as error:
        raise StorageError(f"the ledger cannot be {how}: {error}") from error


def link(line: bytes) -> str:
    """Return the SHA-256 of a log's line, line end included, as the next record has to say it."""
    return hashlib.sha256(line).hexdigest()


_Item = TypeVar("_Item")


def batched(items: Iterable[_Item], size: int) -> Iterator[list[_Item]]:
    """Return some items at a time; Python 3.12 has it in `itertools`."""
    iterator = iter(items)
    while some := list(islice(iterator, size)):
        yield some


def _decode_line(line: bytes) -> str:
    return line.removesuffix(b"\n").decode("utf-8")


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
