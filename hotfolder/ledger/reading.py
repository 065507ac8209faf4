"""Reading the ledger: its rows, and the one way to open it without being able to write."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any, Final, TypeVar
from urllib.parse import quote

from hotfolder.disk.names import display_name
from hotfolder.errors import StorageError
from hotfolder.ledger.details import (
    Claimed,
    Detail,
    Produced,
    Releasing,
    State,
    load_detail,
)
from hotfolder.ledger.migrations import SCHEMA_VERSION, make_empty_ledger
from hotfolder.ledger.packing import Stored, teach, unpack
from hotfolder.ledger.roots import find_places
from hotfolder.ledger.versions import check_version, read_version
from hotfolder.model.ends import End
from hotfolder.model.neighbour import Neighbour
from hotfolder.model.places import AS_WRITTEN, Places
from hotfolder.model.records import PlacementRecord, Record, Release, format_time, read_record

Value = str | int | float | bytes | None
"""What a column can hold."""

Row = tuple[Any, ...]
"""What a query gives; the query says which types."""

_Detail = TypeVar("_Detail", bound=Detail)

OPEN: Final = "state NOT IN ('delivered', 'held', 'refused')"
"""SQL for jobs that have not ended, as the indexes have it."""

_ON_ITS_WAY: Final = "state IN ('produced', 'publishing')"
"""SQL for jobs whose worker has answered, and whose files are being brought to their places."""

UNDECIDED: Final = "state = 'held' AND json_extract(detail, '$.discarded') IS NULL"
"""SQL for held jobs that nobody has given up, as their index has it."""

SELECT: Final = (
    "SELECT seq, id, destination, source, kind, state, bytes, sha256, attempts, arrived, changed,"
    " detail, record FROM jobs"
)
"""SQL for whole rows of jobs."""


_OF_BATCH = (
    "FROM records JOIN jobs ON jobs.id = records.job WHERE records.batch = ? AND"
    " records.destination = ? AND records.latest = 1 AND jobs.state = 'delivered'"
)


_MEND = (
    "Something else has changed it. Put a copy back (`hotfolder restore`), or stop the daemon and "
    "rename .hotfolder/ledger.sqlite: a start makes it anew from the logs"
)


def read_stored(job: str, stored: Stored) -> Record:
    """Read a job's record as the ledger has it, with its paths as they are written there.

    Raises
    ------
    StorageError
        When it cannot be read: somebody else has changed the ledger. Says what to do.
    """
    try:
        return read_record(unpack(stored))
    except ValueError as error:
        raise StorageError(
            f"the ledger's record of job {job} cannot be read: {error}. {_MEND}"
        ) from error


@dataclass(frozen=True)
class JobRow:
    """One job, as the ledger has it."""

    seq: int
    """Jobs that came later have larger ones."""
    id: str
    destination: str
    source: bytes
    """Path below the hot folder, the bytes that the file system gave."""
    kind: str
    """``file``, or what else was handed in: ``folder``, ``link``, ``special``."""
    state: State
    bytes: int
    sha256: str | None
    """Of the original; None before it was hashed, and of what is no file."""
    attempts: int
    """How many workers were started for it, by now."""
    arrived: datetime
    changed: datetime
    """When the row was changed last."""
    detail_text: str = field(default="{}", repr=False)
    """JSON; see `detail`."""
    stored_record: Stored = field(default=None, repr=False)
    """JSON, packed or not; see `record`."""
    places: Places = field(default=AS_WRITTEN, repr=False, compare=False)
    """What leads from the paths in both to files."""

    @cached_property
    def detail(self) -> Detail:
        """What the state needs to be gone on with after a kill.

        Raises
        ------
        StorageError
            When it cannot be read: somebody else has changed the ledger.
        """
        try:
            return load_detail(self.state, self.detail_text, self.places)
        except ValueError as error:
            raise StorageError(
                f"the ledger's row of job {self.id} cannot be read: {error}. {_MEND}"
            ) from error

    @property
    def record_text(self) -> str:
        """Its record as JSON, as the ledger has it; "" when it has none."""
        return unpack(self.stored_record)

    @cached_property
    def record(self) -> Record | None:
        """What is said of the job in the end; of a job that was released, what was said before.

        Raises
        ------
        StorageError
            As for `detail`.
        """
        if not self.stored_record:
            return None
        return self.places.find_record(read_stored(self.id, self.stored_record))

    def expect(self, model: type[_Detail]) -> _Detail:
        """Return the detail, of which the row's state says that it is of this model.

        Raises
        ------
        TypeError
            When it is not: a mistake in this program.
        """
        if not isinstance(self.detail, model):
            raise TypeError(f"job {self.id}, {self.state}, carries no {model.__name__}")
        return self.detail

    @property
    def release(self) -> Release | None:
        """The decision by which a held job is under way again; None for any other."""
        detail = self.detail
        return detail.release if isinstance(detail, Claimed | Produced | Releasing) else None

    @property
    def placement(self) -> PlacementRecord | None:
        """The row of a ticket that the job is for; None when it came by itself."""
        own = self.detail.placement if isinstance(self.detail, Claimed | Produced) else None
        return own or (self.record.placement if self.record else None)

    @property
    def end(self) -> End | None:
        """How the job ended, as people are told it; None while it is under way."""
        return self.record.end if self.state.is_end and self.record else None


def folder_of(source: bytes) -> bytes:
    """Return the folder below a hot folder in which a job came; empty for the hot folder itself."""
    return source.rpartition(b"/")[0]


def to_row(values: Row, places: Places) -> JobRow:
    """Return a job from what `SELECT` gives."""
    seq, job, destination, source, kind, state, size, sha256, attempts = values[:9]
    arrived, changed, detail, record = values[9:]
    return JobRow(
        seq, job, destination, source, kind, State(state), size, sha256, attempts,
        datetime.fromisoformat(arrived), datetime.fromisoformat(changed), detail, record,
        places,
    )  # fmt: skip


_MOST_NEIGHBOURS = 1000
_NEAR_IN_A_HOT_FOLDER = timedelta(days=1)


class LedgerReader:
    """Questions about jobs, by a connection that the caller closes."""

    def __init__(self, db: sqlite3.Connection, places: Places) -> None:
        self.db = db
        self.places = places

    @property
    def is_behind(self) -> bool:
        """Whether no daemon of this version has opened the ledger yet."""
        return read_version(self.db) < SCHEMA_VERSION

    def read(self, query: str, values: Sequence[Value] = ()) -> list[Row]:
        """Return the rows of a query."""
        return self.db.execute(query, values).fetchall()

    def find_job(self, job: str) -> JobRow | None:
        """Return one job; None when there is no such job."""
        rows = self.read(f"{SELECT} WHERE id = ?", (job,))
        return to_row(rows[0], self.places) if rows else None

    def neighbours_of(self, row: JobRow, stage: str, key: str) -> list[Neighbour]:
        """Jobs of the same folder of a hot folder, with what a stage shared of each.

        Those that have ended, the latest first, and those on their way to their ends. Of a hot
        folder itself, in which everything may lie, only those that have ended since a day before
        this one arrived.

        Parameters
        ----------
        row
            The job that has them.
        stage, key
            Whose findings, and which of them.
        """
        path = f'.findings."{stage}"."{key}"'
        paths = (f"$.answer.work{path}", f"$.record{path}", f"${path}")
        # bringing a result to a slow share takes its time: what is said of it counts from before
        what = (
            "SELECT jobs.id, jobs.source, CASE jobs.state"
            " WHEN 'produced' THEN json_extract(detail, '$.answer.verdict') = 'deliver'"
            " WHEN 'publishing' THEN json_extract(detail, '$.state') = 'delivered'"
            " ELSE jobs.state = 'delivered' END, CASE jobs.state"
            " WHEN 'produced' THEN json_extract(detail, ?)"
            " WHEN 'publishing' THEN json_extract(detail, ?)"
            " ELSE json_extract(unpack(jobs.record), ?) END"
        )
        folder = folder_of(row.source)
        if folder:
            # "0" is the character behind "/"
            found = self.read(
                f"{what} FROM jobs WHERE destination = ? AND source > ? AND source < ? AND id != ?"
                f" AND (record IS NOT NULL OR {_ON_ITS_WAY}) ORDER BY source LIMIT ?",
                (*paths, row.destination, folder + b"/", folder + b"0", row.id, _MOST_NEIGHBOURS),
            )  # fmt: skip
        else:
            found = self.read(
                f"{what} FROM records JOIN jobs ON jobs.id = records.job"
                " WHERE records.destination = ? AND records.finished >= ? AND records.latest = 1"
                " AND jobs.id != ? ORDER BY records.finished DESC LIMIT ?",
                (*paths, row.destination, format_time(row.arrived - _NEAR_IN_A_HOT_FOLDER), row.id,
                 _MOST_NEIGHBOURS),
            ) + self.read(
                f"{what} FROM jobs INDEXED BY jobs_open WHERE {OPEN} AND {_ON_ITS_WAY}"
                " AND destination = ? AND id != ?",
                (*paths, row.destination, row.id),
            )  # fmt: skip
        neighbours = {
            job: Neighbour(job, display_name(source), bool(delivered), json.loads(said))
            for job, source, delivered, said in found
            if said is not None and folder_of(source) == folder and said.startswith("{")
        }
        return list(neighbours.values())

    def find_saying(
        self, destination: str, stage: str, key: str, value: str, since: datetime, but: str
    ) -> str | None:
        """Return a job in whose findings a stage has said something; None when there is none.

        Of those that were delivered since a moment, and of those on their way to it.

        Parameters
        ----------
        stage, key, value
            Whose findings, which of them, and what it says.
        but
            A job that does not count.
        """
        path = f'.findings."{stage}"."{key}"'
        # at most a few: what has been made is delivered at once
        on_the_way = (
            f"SELECT id FROM jobs INDEXED BY jobs_open WHERE {OPEN} AND destination = ?"  # noqa: S608 - ours
            " AND id != ? AND (json_extract(detail, ?) = ? AND"
            " json_extract(detail, '$.answer.verdict') = 'deliver' OR json_extract(detail, ?) = ?"
            " AND json_extract(detail, '$.state') = 'delivered') ORDER BY seq LIMIT 1"
        )
        paths = (f"$.answer.work{path}", value, f"$.record{path}", value)
        delivered = (
            "SELECT jobs.id FROM records JOIN jobs ON jobs.id = records.job"
            " WHERE records.destination = ? AND records.finished >= ? AND records.latest = 1"
            " AND records.state = 'delivered' AND jobs.id != ?"
            " AND json_extract(unpack(jobs.record), ?) = ? ORDER BY records.finished LIMIT 1"
        )
        found = self.read(on_the_way, (destination, but, *paths)) or self.read(
            delivered, (destination, format_time(since), but, f"${path}", value)
        )
        return str(found[0][0]) if found else None

    def find_later_givers(self, row: JobRow) -> list[Neighbour]:
        """Return jobs of its folder or batch that came later and brought what it could have used.

        The earliest first. See `Stage.shares`: they have it in what they share.
        """
        found: dict[str, Neighbour] = {}
        for stage, findings in (row.record.findings if row.record else {}).items():
            for key, said in findings.items():
                if isinstance(said, dict) and "gives" in said:
                    there = self.neighbours_of(row, stage, key)
                    found |= {each.job: each for each in there if row.id in each.after}
        return sorted(found.values(), key=lambda each: each.job)

    def open_jobs(self) -> list[JobRow]:
        """Every job that has not ended, oldest first."""
        # by itself SQLite reads all that ever ended, to have them in order
        return self._list_jobs(f"INDEXED BY jobs_open WHERE {OPEN}")

    def ended_jobs(self) -> list[JobRow]:
        """Every job that has ended, oldest first."""
        return self._list_jobs(f"WHERE NOT ({OPEN})")

    def _list_jobs(self, which: str) -> list[JobRow]:
        rows = self.read(f"{SELECT} {which} ORDER BY seq")
        return [to_row(row, self.places) for row in rows]

    def latest_delivered(self, destination: str, number: int) -> list[JobRow]:
        """The jobs of a destination that were delivered last, the latest first."""
        rows = self.read(
            f"{SELECT} WHERE destination = ? AND state = 'delivered'"
            " ORDER BY changed DESC, seq DESC LIMIT ?",
            (destination, number),
        )
        return [to_row(row, self.places) for row in rows]

    def latest_records(self, destination: str, number: int) -> list[Record]:
        """The records of `latest_delivered`."""
        found = (row.record for row in self.latest_delivered(destination, number))
        return [record for record in found if record]

    def delivered_since(self, destination: str, moment: datetime, number: int) -> list[JobRow]:
        """The jobs of a destination that were delivered after a moment, the latest first."""
        return self._ended_since(End.DELIVERED, destination, moment, number)

    def refused_since(self, destination: str, moment: datetime, number: int) -> list[JobRow]:
        """The jobs of a destination that were refused after a moment, the latest first."""
        return self._ended_since(End.REFUSED, destination, moment, number)

    def came_again(self, row: JobRow) -> bool:
        """Whether a file of the same name has been dropped into the same hot folder since."""
        return bool(
            self.read(
                "SELECT 1 FROM jobs WHERE destination = ? AND source = ? AND seq > ? LIMIT 1",
                (row.destination, row.source, row.seq),
            )
        )

    def _ended_since(
        self, end: End, destination: str, moment: datetime, number: int
    ) -> list[JobRow]:
        rows = self.read(
            f"{SELECT} WHERE destination = ? AND state = ? AND changed > ?"
            " ORDER BY changed DESC, seq DESC LIMIT ?",
            (destination, end, moment.astimezone(UTC).isoformat(timespec="milliseconds"), number),
        )
        return [to_row(row, self.places) for row in rows]

    def count_delivered_since(self, destination: str, moment: datetime) -> int:
        """Number of what `delivered_since` would return without a limit."""
        rows = self.read(
            "SELECT count(*) FROM jobs WHERE destination = ? AND state = 'delivered'"
            " AND changed > ?",
            (destination, moment.astimezone(UTC).isoformat(timespec="milliseconds")),
        )
        return int(rows[0][0])

    def undecided(self, number: int, skipped: int = 0) -> list[JobRow]:
        """Held jobs of all destinations that nobody has decided, the latest first.

        number: at most so many; skipped: leave so many of the latest out.
        """
        # rows are large: which ones they are is told by the index alone
        rows = self.read(
            f"{SELECT} WHERE seq IN (SELECT seq FROM jobs WHERE {UNDECIDED}"  # noqa: S608 - ours
            " ORDER BY seq DESC LIMIT ? OFFSET ?) ORDER BY seq DESC",
            (number, skipped),
        )
        return [to_row(row, self.places) for row in rows]

    def has_batch(self, destination: str, batch: str) -> bool:
        """Whether anything has come for a batch of this name."""
        values = (destination, batch)
        return bool(self.read("SELECT 1 FROM batches WHERE destination = ? AND batch = ?", values))

    def find_delivered_at(self, destination: str, batch: str, path: str) -> JobRow | None:
        """The latest job of a batch whose result was put under this path and not set aside."""
        rows = self.read(
            f"{SELECT} WHERE id = (SELECT id {_OF_BATCH} AND"  # noqa: S608 - ours
            " json_extract(unpack(jobs.record), '$.superseded') IS NULL AND"
            " json_extract(unpack(jobs.record), '$.results[0].path') IN"
            " (SELECT value FROM json_each(?)) ORDER BY records.number DESC LIMIT 1)",
            (batch, destination, json.dumps(self.places.list_ways(path))),
        )
        return to_row(rows[0], self.places) if rows else None

    def delivered_of_batch(self, destination: str, batch: str) -> list[str]:
        """Jobs of a batch that were delivered and not set aside since."""
        rows = self.read(
            f"SELECT id {_OF_BATCH} AND json_extract(unpack(jobs.record), '$.superseded') IS NULL"
            " ORDER BY seq",
            (batch, destination),
        )
        return [job for (job,) in rows]

    def superseded_of_batch(self, destination: str, batch: str) -> list[Record]:
        """Records of a batch's jobs whose results were set aside, in order of the jobs."""
        rows = self.read(
            f"SELECT jobs.id, jobs.record {_OF_BATCH}"
            " AND json_extract(unpack(jobs.record), '$.superseded') IS NOT NULL ORDER BY seq",
            (batch, destination),
        )
        return [self.places.find_record(read_stored(job, stored)) for job, stored in rows]

    def count_ended(self) -> dict[str, dict[End, int]]:
        """Number of ended jobs by destination and end."""
        counts: dict[str, dict[End, int]] = {}
        # by the index alone: rows are large, and there may be hundreds of thousands
        for destination, state, number in self.read(
            "SELECT destination, state, count(*) FROM jobs GROUP BY destination, state"
        ):
            if State(state).is_end:
                counts.setdefault(destination, {})[End(state)] = number
        undecided = self._count_undecided()
        for destination, ended in counts.items():
            if held := ended.pop(End.HELD, 0):
                number = {
                    End.HELD: undecided.get(destination, 0),
                    End.DISCARDED: held - undecided.get(destination, 0),
                }
                ended.update({end: each for end, each in number.items() if each})
        return counts

    def _count_undecided(self) -> dict[str, int]:
        """Number of held jobs that nobody has given up, by destination."""
        # a ledger that no daemon has opened since it was made calls them dropped
        dropped = " AND json_extract(detail, '$.dropped') IS NULL" if self.is_behind else ""
        rows = self.read(
            f"SELECT destination, count(*) FROM jobs WHERE {UNDECIDED}{dropped}"  # noqa: S608
            " GROUP BY destination"
        )
        return dict(rows)


@contextmanager
def open_reader(path: Path) -> Iterator[LedgerReader]:
    """Open a ledger for reading; an empty one where there is none yet.

    A daemon may write to it at the same time, and may just be making it.

    Raises
    ------
    StorageError
        When it is there but cannot be read, or was written by a newer version of this program.
    """
    if not path.exists():
        with closing(make_empty_ledger()) as nothing:
            yield LedgerReader(nothing, AS_WRITTEN)
        return
    try:
        uri = f"file:{quote(str(path))}?mode=ro"
        with closing(sqlite3.connect(uri, uri=True)) as db, closing(make_empty_ledger()) as nothing:
            version = check_version(db, path)
            teach(db)
            places = find_places(db, path.absolute().parent.parent)
            yield LedgerReader(db if version else nothing, places)
    except sqlite3.DatabaseError as error:
        raise StorageError(f"the ledger {path} cannot be read: {error}") from error


def read_jobs(path: Path, *, ended: bool = False) -> list[JobRow]:
    """Read the jobs of a ledger: those under way, or those that have ended.

    Raises
    ------
    StorageError
        As for `open_reader`.
    """
    with open_reader(path) as ledger:
        return ledger.ended_jobs() if ended else ledger.open_jobs()


def read_job(path: Path, job: str) -> JobRow | None:
    """Read one job of a ledger; None when there is no such job.

    Raises
    ------
    StorageError
        As for `open_reader`.
    """
    with open_reader(path) as ledger:
        return ledger.find_job(job)
