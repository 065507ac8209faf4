"""What the ledger knows of batches: the files that came for them, and what their tickets ask for.

A batch has one document, its `BatchState`, replaced as a whole in the same transaction that adds
the jobs it speaks of, so that a kill leaves either the old plan with the old jobs or the new with
the new. ``batch_progress`` says up to which file a batch has been planned, and up to which record
its report tells: so a start does again only what a kill left undone, and a batch that has ended
rests.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime

from pydantic import BaseModel, ConfigDict

from hotfolder.ledger.details import Claimed, State, dump_detail
from hotfolder.ledger.jobs import JobRow, Ledger
from hotfolder.ledger.reading import LedgerReader
from hotfolder.model.records import PlacementRecord, Release

_LAST_RECORD = """coalesce((SELECT max(number) FROM records AS record
    WHERE record.destination = {0}.destination AND record.batch = {0}.batch), 0)"""


@dataclass(frozen=True)
class KeptFile:
    """A file that came for a batch."""

    seq: int
    key: str
    """Its name, as names are compared."""
    name: str
    """Below the batch's folder."""
    place: str
    """Where it stays."""
    sha256: str
    bytes: int
    arrived: datetime
    """When it was taken in, by the clock."""
    records_before: int
    """Number of the last record in the ledger then, which no clock can change."""


class Line(BaseModel):
    """A row of the ticket that stands, and what became of it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    row: int
    file: str
    page: str
    placement: str
    name: str
    width_mm: float | None
    """None where the row says nothing."""
    height_mm: float | None
    """None where the row says nothing."""
    copies: int
    caption: str
    intent: str
    rendering: str = ""
    """"" where the row says nothing, and in plans of earlier versions."""
    anchor: str
    white: str = ""
    """Which place is white or grey; "" where the row says nothing, and in plans of earlier
    versions."""
    picture: str = ""
    job: str = ""
    """"" when there is none."""
    problem: str = ""
    """Why there is no job, as a sentence."""
    missing: bool = False
    """There is no job because its picture has not come."""


class RowFault(BaseModel):
    """A row that could not be read: `ticket.RowProblem`, as JSON."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    row: int
    column: str
    got: str
    allowed: str
    file: str = ""
    page: str = ""
    placement: str = ""


class BatchState(BaseModel):
    """What is known of one batch."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    ticket: str = ""
    """Name of the one that stands; "" when none has come."""
    ticket_sha256: str = ""
    """Of its bytes."""
    ticket_problem: str = ""
    """Why a later one cannot be read."""
    remarks: tuple[str, ...] = ()
    rows: int = 0
    lines: tuple[Line, ...] = ()
    faults: tuple[RowFault, ...] = ()
    spare: tuple[str, ...] = ()
    """Pictures that no row names."""
    made: dict[str, str] = {}
    """Every job of the batch, by its fingerprint."""
    planned: str = ""
    """When, in UTC."""
    discarded: str = ""
    """When a person gave the batch up, in UTC; "" when nobody has."""
    discarded_by: str = ""
    discarded_why: str = ""
    given_up: int = 0
    """Of a batch that was given up: how many rows had nothing made for them."""
    tickets_after: int = 0
    """``seq`` of the last file when it was given up: no ticket up to there counts any more."""
    staying: tuple[str, ...] = ()
    """Delivered jobs whose rows cannot be done as they are now: their results stay."""


@dataclass(frozen=True)
class NewJob:
    """A job that a plan adds."""

    id: str
    bytes: int
    placement: PlacementRecord
    release: Release | None = None
    """What a person decided of the same picture at the place that it had before."""


class Shelf:
    """The daemon's way to the two tables."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger

    def unplanned(self) -> list[tuple[str, str]]:
        """Destination and name of every batch that a file has come for since its last plan."""
        rows = self._ledger.read(
            "SELECT destination, batch FROM batch_files AS file GROUP BY 1, 2"
            " HAVING max(seq) > coalesce((SELECT planned_to FROM batch_progress AS done WHERE"
            " done.destination = file.destination AND done.batch = file.batch), 0) ORDER BY 1, 2"
        )
        return [(destination, batch) for destination, batch in rows]

    def unreported(self) -> list[tuple[str, str]]:
        """Destination and name of every batch whose report does not tell all that is known."""
        last = _LAST_RECORD.format("done")
        rows = self._ledger.read(
            "SELECT destination, batch FROM batch_progress AS done"  # noqa: S608 - ours
            f" WHERE reported_to IS NULL OR reported_to < {last} ORDER BY 1, 2"
        )
        return [(destination, batch) for destination, batch in rows]

    def being_set_aside(self) -> list[tuple[str, str]]:
        """Destination and name of batches of which a kill left a result half set aside."""
        rows = self._ledger.read(
            "SELECT DISTINCT destination, json_extract(unpack(record), '$.batch') FROM jobs"
            " WHERE state = 'delivered'"
            " AND json_extract(detail, '$.superseding') IS NOT NULL"
        )
        return [(destination, batch) for destination, batch in rows]

    def last_record(self, destination: str, batch: str) -> int:
        """Number of the last record of a batch's jobs; 0 without any."""
        rows = self._ledger.read(
            "SELECT coalesce(max(number), 0) FROM records WHERE destination = ? AND batch = ?",
            (destination, batch),
        )
        number: int = rows[0][0]
        return number

    def last_record_of(self, job: str) -> int:
        """Number of the last record of a job; 0 without any."""
        rows = self._ledger.read(
            "SELECT coalesce(max(number), 0) FROM records WHERE job = ?", (job,)
        )
        number: int = rows[0][0]
        return number

    def reported(self, destination: str, batch: str, number: int) -> None:
        """Commit that a batch's report tells everything up to a record."""
        with self._ledger.transaction() as db:
            db.execute(
                "UPDATE batch_progress SET reported_to = ? WHERE destination = ? AND batch = ?",
                (number, destination, batch),
            )

    def files(self, destination: str, batch: str) -> list[KeptFile]:
        """Return every file that came for a batch, in order of coming."""
        return read_files(self._ledger, destination, batch)

    def find_places(self, destination: str, batch: str, sha256: str) -> list[str]:
        """Where files of these bytes were put when they came, the first first."""
        rows = self._ledger.read(
            "SELECT DISTINCT place FROM batch_files WHERE destination = ? AND batch = ?"
            " AND sha256 = ? ORDER BY seq",
            (destination, batch, sha256),
        )
        return [self._ledger.places.find(place) for (place,) in rows]

    def arrived(self, destination: str) -> list[JobRow]:
        """Files that have been claimed for batches and not yet put where they stay."""
        rows = self._ledger.read(
            "SELECT id FROM jobs WHERE state = 'claimed' AND destination = ? AND kind = 'file'"
            " AND json_extract(detail, '$.placement') IS NULL"
            " AND json_extract(detail, '$.release') IS NULL ORDER BY seq",
            (destination,),
        )
        return [self._ledger.job(job) for (job,) in rows]

    def state(self, destination: str, batch: str) -> BatchState:
        """Return what is known of a batch."""
        rows = self._ledger.read(
            "SELECT document FROM batches WHERE destination = ? AND batch = ?",
            (destination, batch),
        )
        return BatchState.model_validate_json(rows[0][0]) if rows else BatchState()

    def find_made_before(self, destination: str, batch: str) -> dict[str, str]:
        """Jobs of a batch by fingerprint, as records say: for a ledger that was not there then."""
        rows = self._ledger.read(
            "SELECT json_extract(unpack(jobs.record), '$.placement.fingerprint'), jobs.id"
            " FROM records JOIN jobs ON jobs.id = records.job"
            " WHERE records.batch = ? AND records.destination = ? AND latest = 1 ORDER BY number",
            (batch, destination),
        )
        return {print_: job for print_, job in rows if print_}

    def find_other_ticket(self, destination: str, batch: str, job: str) -> str | None:
        """Name of the ticket that does not ask for a job; None when it does, or none has come."""
        rows = self._ledger.read(
            "SELECT json_extract(document, '$.ticket') FROM batches"
            " WHERE destination = ? AND batch = ? AND json_extract(document, '$.ticket') != ''"
            " AND NOT EXISTS (SELECT 1 FROM json_each(document, '$.lines') AS line"
            " WHERE json_extract(line.value, '$.job') = ?)"
            " AND NOT EXISTS (SELECT 1 FROM json_each(document, '$.staying') AS stays"
            " WHERE stays.value = ?)",
            (destination, batch, job, job),
        )
        return rows[0][0] if rows else None

    def keep(self, row: JobRow, batch: str, key: str, name: str, place: str) -> None:
        """Commit that a claimed file is kept for a batch, and is no job of its own.

        Jobs that wait for the same bytes, which were damaged or taken away where they were, find
        them here.
        """
        place = self._ledger.places.shorten(place)
        with self._ledger.transaction() as db:
            db.execute(
                "UPDATE jobs SET detail = json_set(detail, '$.placement.kept', ?)"
                " WHERE state IN ('claimed', 'working', 'produced') AND destination = ?"
                " AND json_extract(detail, '$.placement.batch') = ?"
                " AND json_extract(detail, '$.placement.sha256') = ?",
                (place, row.destination, batch, row.sha256),
            )
            db.execute(
                "INSERT INTO batch_files (destination, batch, key, name, place, sha256, bytes,"
                " arrived, records_before) VALUES (?, ?, ?, ?, ?, ?, ?, ?,"
                " (SELECT coalesce(max(number), 0) FROM records))",
                (
                    row.destination, batch, key, name, place, row.sha256, row.bytes,
                    row.arrived.isoformat(timespec="milliseconds"),
                ),
            )  # fmt: skip
            db.execute("DELETE FROM jobs WHERE id = ?", (row.id,))

    def plan(
        self,
        destination: str,
        batch: str,
        state: BatchState,
        *,
        up_to: int,
        new: Iterable[NewJob] = (),
        withdrawn: Iterable[str] = (),
    ) -> None:
        """Commit a plan: the document, the jobs that it adds, and those nobody has begun.

        up_to: ``seq`` of the last file that the plan knows.
        """
        now = datetime.now(UTC).isoformat(timespec="milliseconds")
        with self._ledger.transaction() as db:
            for job in withdrawn:
                db.execute(
                    "DELETE FROM jobs WHERE id = ? AND state = 'claimed' AND attempts = 0", (job,)
                )
            for each in new:
                source = os.fsencode(f"{batch}/{each.placement.file}")
                detail = dump_detail(
                    State.CLAIMED,
                    Claimed(placement=each.placement, release=each.release),
                    self._ledger.places,
                )
                db.execute(
                    "INSERT INTO jobs (id, destination, source, kind, state, bytes, sha256,"
                    " arrived, changed, detail) VALUES (?, ?, ?, 'file', 'claimed', ?, ?, ?, ?, ?)",
                    (
                        each.id, destination, source, each.bytes, each.placement.sha256, now, now,
                        detail,
                    ),
                )  # fmt: skip
            db.execute(
                "INSERT OR REPLACE INTO batches (destination, batch, document) VALUES (?, ?, ?)",
                (destination, batch, state.model_dump_json()),
            )
            db.execute(
                "INSERT OR REPLACE INTO batch_progress (destination, batch, planned_to,"
                " reported_to) VALUES (?, ?, ?, NULL)",
                (destination, batch, up_to),
            )


def read_files(ledger: LedgerReader, destination: str, batch: str) -> list[KeptFile]:
    """Read every file that came for a batch, in order of coming."""
    rows = ledger.read(
        "SELECT seq, key, name, place, sha256, bytes, arrived, records_before FROM batch_files"
        " WHERE destination = ? AND batch = ? ORDER BY seq",
        (destination, batch),
    )
    find = ledger.places.find
    return [
        KeptFile(seq, key, name, find(place), sha, size, datetime.fromisoformat(came), before)
        for seq, key, name, place, sha, size, came, before in rows
    ]


def read_batches(ledger: LedgerReader) -> dict[tuple[str, str], BatchState]:
    """Read all batches of a ledger, by destination and name."""
    there = ledger.read("SELECT 1 FROM sqlite_master WHERE name = 'batches'")
    rows = ledger.read("SELECT destination, batch, document FROM batches") if there else []
    return {
        (destination, batch): BatchState.model_validate_json(document)
        for destination, batch, document in rows
    }
