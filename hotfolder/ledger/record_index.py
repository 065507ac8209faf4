"""The ledger's table of records: what an audit asks for, in columns, one row per record.

A job that was held and released has two records, and two rows: ``latest`` marks its last word.
``state`` is how the job ended, as people are told it: a held one that was given up is
``discarded``. Times are text as records have them (UTC, to the millisecond, with a Z), so that they
sort. A test checks with EXPLAIN QUERY PLAN that each question of `hotfolder.audit` uses its index.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from itertools import islice
from typing import Final

from hotfolder.ledger.packing import Stored, unpack
from hotfolder.model.earlier_findings import find_facts
from hotfolder.model.records import LogLine, Record, format_time, read_line, read_record
from hotfolder.model.units import MM_PER_INCH

HUE_COUNTS_FROM: Final = 0.1
"""Share of what is lost from which a hue counts as one of those that lost; our own judgement."""

_ROWS_AT_ONCE: Final = 10_000

TABLE: Final = """
CREATE TABLE records (
    number          INTEGER PRIMARY KEY,
    job             TEXT NOT NULL,
    destination     TEXT NOT NULL,
    latest          INTEGER NOT NULL DEFAULT 1,
    was_held        INTEGER NOT NULL,
    state           TEXT NOT NULL,
    discarded_at    TEXT,
    finished        TEXT NOT NULL,
    batch           TEXT,
    name            TEXT NOT NULL,
    original_sha256 TEXT,
    result_sha256   TEXT,
    share_lost      REAL,
    share_out_of_gamut REAL,
    tolerance       REAL,
    delta_e_mean    REAL,
    delta_e_p95     REAL,
    delta_e_max     REAL,
    hues            TEXT NOT NULL,
    profile         TEXT,
    profile_sha256  TEXT,
    elapsed_s       REAL NOT NULL,
    line_sha256     TEXT,
    printed_m2      REAL,
    machine         TEXT,
    released_for    TEXT
) STRICT;
CREATE INDEX records_by_time ON records (finished);
CREATE INDEX records_by_destination ON records (destination, finished);
CREATE INDEX records_by_loss ON records (share_lost);
CREATE INDEX records_by_batch ON records (batch, finished) WHERE batch IS NOT NULL;
CREATE INDEX records_by_job ON records (job);
CREATE INDEX records_by_original ON records (original_sha256);
CREATE INDEX records_by_result ON records (result_sha256);
CREATE INDEX records_by_line ON records (destination, number, line_sha256)
"""

LATER: Final = """
CREATE INDEX records_by_name ON records (name COLLATE NOCASE, number DESC)
"""
"""What ledgers got after they had the table."""


OTHERS: Final = """
CREATE TABLE IF NOT EXISTS other_results (
    number INTEGER NOT NULL,
    job    TEXT NOT NULL,
    sha256 TEXT NOT NULL
) STRICT;
CREATE INDEX IF NOT EXISTS other_results_by_sha256 ON other_results (sha256)
"""
"""Results after the first of jobs that make several; ``number`` is that of the record's row."""


def add_table(db: sqlite3.Connection) -> None:
    """Bring a ledger without the table up to date; what it has of ended jobs is taken over.

    Their place in the log is not known to the ledger: ``line_sha256`` stays empty.
    """
    for statement in TABLE.split(";\n"):
        db.execute(statement)
    rows = db.execute("SELECT record FROM jobs WHERE record IS NOT NULL ORDER BY changed, seq")
    for (text,) in rows.fetchall():
        insert(db, read_record(text), None)


def add_name_index(db: sqlite3.Connection) -> None:
    """Bring a ledger up to date in which all names had to be sorted to know the first ones."""
    db.execute(LATER)


def add_dropped(db: sqlite3.Connection) -> None:
    """Bring a ledger up to date in which a job that a person gave up was still called held.

    When a job that was released later had been given up is not known to the ledger.
    """
    there = _list_columns(db)
    if "discarded_at" in there:
        return  # its table was made two steps ago, as tables are made today
    if "dropped_at" not in there:
        db.execute("ALTER TABLE records ADD COLUMN dropped_at TEXT")
    noticed = "SELECT json_extract(record, '$.dropped.noticed') FROM jobs WHERE id = job"
    db.execute(f"UPDATE records SET dropped_at = ({noticed}) WHERE latest = 1 AND state = 'held'")  # noqa: S608
    db.execute(
        "UPDATE records SET state = 'dropped' WHERE dropped_at IS NOT NULL OR latest = 0 AND"
        " state = 'held' AND EXISTS (SELECT 1 FROM records AS earlier WHERE"
        " earlier.job = records.job AND earlier.finished = records.finished"
        " AND earlier.number < records.number)"
    )


def rename_dropped(db: sqlite3.Connection) -> None:
    """Bring a ledger up to date that called what a person gave up ``dropped``."""
    if "dropped_at" in _list_columns(db):
        db.execute("ALTER TABLE records RENAME COLUMN dropped_at TO discarded_at")
    db.execute("UPDATE records SET state = 'discarded' WHERE state = 'dropped'")


def add_out_of_gamut(db: sqlite3.Connection) -> None:
    """Bring a ledger up to date that did not have in a column what the medium cannot make.

    Of a job that was released later, only its last record is in the ledger.
    """
    if "share_out_of_gamut" not in _list_columns(db):
        db.execute("ALTER TABLE records ADD COLUMN share_out_of_gamut REAL")
    rows = db.execute(
        "SELECT number, record FROM records JOIN jobs ON jobs.id = records.job"
        " WHERE latest = 1 AND share_lost IS NOT NULL AND share_out_of_gamut IS NULL"
        " ORDER BY number"
    )
    told = (
        (share, number) for number, stored in rows if (share := _find_share(stored)) is not None
    )
    while some := list(islice(told, _ROWS_AT_ONCE)):
        db.executemany("UPDATE records SET share_out_of_gamut = ? WHERE number = ?", some)


def _find_share(stored: Stored) -> float | None:
    """What a record says that the medium cannot make; None where it cannot be read."""
    try:
        said = json.loads(unpack(stored) or "null")
    except ValueError:
        return None  # the check of the records finds that, and names the job
    facts = said.get("facts") if isinstance(said, dict) else None
    share = facts.get("share_out_of_gamut") if isinstance(facts, dict) else None
    return float(share) if isinstance(share, int | float) else None


_ASKED_LATER: Final = {"printed_m2": "REAL", "machine": "TEXT", "released_for": "TEXT"}


def add_asked_later(db: sqlite3.Connection) -> None:
    """Bring a ledger up to date without columns for areas, machines and reasons.

    Of a job that was released later, only its last record is in the ledger.
    """
    there = _list_columns(db)
    for name, kind in _ASKED_LATER.items():
        if name not in there:
            db.execute(f"ALTER TABLE records ADD COLUMN {name} {kind}")
    rows = db.execute(
        "SELECT number, record FROM records JOIN jobs ON jobs.id = records.job"
        " WHERE latest = 1 AND printed_m2 IS NULL ORDER BY number"
    )
    told = (
        (*(said[name] for name in _ASKED_LATER), number)
        for number, stored in rows
        if (said := _read_columns(stored))
    )
    marks = ", ".join(f"{name} = ?" for name in _ASKED_LATER)
    while some := list(islice(told, _ROWS_AT_ONCE)):
        db.executemany(f"UPDATE records SET {marks} WHERE number = ?", some)  # noqa: S608


def _read_columns(stored: Stored) -> dict[str, Cell] | None:
    try:
        return columns(read_line((unpack(stored) or "").encode()))
    except ValueError:
        return None  # the check of the records finds that, and names the job


def _list_columns(db: sqlite3.Connection) -> set[str]:
    return {name for _, name, *_ in db.execute("PRAGMA table_info(records)")}


Cell = str | int | float | None
"""A value of the table."""


def add_others(db: sqlite3.Connection) -> None:
    """Bring a ledger up to date in which each job had one result."""
    for statement in OTHERS.split(";\n"):
        db.execute(statement)


def drop_indexes(db: sqlite3.Connection) -> None:
    """Drop all indexes but the one that `insert` needs, before very many rows are put in."""
    for name in _list_indexes():
        db.execute(f"DROP INDEX IF EXISTS {name}")


def make_indexes(db: sqlite3.Connection) -> None:
    """Make the indexes that `drop_indexes` has dropped."""
    for statement in _list_indexes().values():
        db.execute(statement)


def _list_indexes() -> dict[str, str]:
    """The statements that make indexes, by their names, without the one by job."""
    statements = [*TABLE.split(";\n"), LATER]
    indexes = [each.strip() for each in statements if each.strip().startswith("CREATE INDEX")]
    named = {each.split()[2]: each for each in indexes}
    del named["records_by_job"]
    return named


def insert(
    db: sqlite3.Connection, record: Record, line_sha256: str | None, *, is_first: bool = False
) -> None:
    """Add a record's row; it is its job's latest from now on.

    Parameters
    ----------
    db
        The ledger, in a transaction.
    record
        What the row is about.
    line_sha256
        Of its line in ``log.jsonl``, line end included; None when it is not known.
    is_first
        Whether it is certain that its job has no other record.
    """
    row = {**columns(record), "line_sha256": line_sha256}
    if not is_first:
        earlier = db.execute(
            "SELECT max(was_held) FROM records WHERE job = ?", (record.job,)
        ).fetchone()
        row["was_held"] = row["was_held"] or earlier[0] or 0
        db.execute("UPDATE records SET latest = 0 WHERE job = ?", (record.job,))
    names, marks = ", ".join(row), ", ".join("?" * len(row))
    made = db.execute(f"INSERT INTO records ({names}) VALUES ({marks})", tuple(row.values()))  # noqa: S608
    if len(record.results) > 1:
        others = [(made.lastrowid, record.job, each.sha256) for each in record.results[1:]]
        db.executemany("INSERT INTO other_results (number, job, sha256) VALUES (?, ?, ?)", others)


def columns(record: Record | LogLine) -> dict[str, Cell]:
    """Return what the table keeps of a record: all columns that the record alone decides."""
    facts = find_facts(record)
    result = record.results[0] if record.results else None
    profile = result.profile if result else None
    discarded = record.discarded
    return {
        "job": record.job,
        "destination": record.destination,
        "was_held": int(record.state == "held" or record.release is not None),
        "state": record.end.value,
        "discarded_at": format_time(discarded.noticed) if discarded else None,
        "finished": format_time(record.finished),
        "batch": record.batch,
        "name": record.original.name,
        "original_sha256": record.original.sha256,
        "result_sha256": result.sha256 if result else None,
        "share_lost": facts.share_lost,
        "share_out_of_gamut": facts.share_out_of_gamut,
        "tolerance": facts.tolerance_delta_e_00,
        "delta_e_mean": facts.delta_e_mean,
        "delta_e_p95": facts.delta_e_p95,
        "delta_e_max": facts.delta_e_max,
        "hues": _list_hues(facts.hues),
        "profile": profile.description if profile else None,
        "profile_sha256": profile.sha256 if profile else None,
        "elapsed_s": float(sum(stage.elapsed_s for stage in record.stages)),
        "printed_m2": _measure_area(record),
        "machine": record.machine,
        "released_for": _list_reasons(record),
    }


def _measure_area(record: Record | LogLine) -> float | None:
    """Return how much of a medium all copies of all results take, in square metres."""
    sizes = [
        each.width_px * each.height_px * (MM_PER_INCH / 1000 / each.ppi) ** 2
        for each in record.results
        if each.ppi > 0
    ]
    copies = record.placement.copies if record.placement else 1
    return round(copies * sum(sizes), 6) if sizes else None


def _list_reasons(record: Record | LogLine) -> str | None:
    """Codes of the reasons in spite of which a person released a job, each between blanks."""
    if record.release is None or record.state != "delivered":
        return None
    waived = record.release.waived
    codes = dict.fromkeys(each.code for each in (record.reasons if waived is None else waived))
    return f" {' '.join(codes)} " if codes else ""


def _list_hues(shares: Mapping[str, float]) -> str:
    """Hues that lost, each between blanks: no name is found inside another."""
    named = [hue for hue, share in shares.items() if share >= HUE_COUNTS_FROM]
    return f" {' '.join(named)} " if named else ""
