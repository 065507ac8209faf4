"""The ledger's table of records: what an audit asks for, in columns, one row per record.

A job that was held and released has two records, and two rows: ``latest`` marks its last word.
``state`` is that of the record, but ``dropped`` for a held job that a person gave up.
Times are text as records have them (UTC, to the millisecond, with a Z), so that they sort. Each
index answers a question that `hotfolder.audit` asks; `tests/core/test_record_index.py` holds it to
that by SQLite's query plans.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from typing import Any, Final

from hotfolder.model.records import end_of

HUE_COUNTS_FROM: Final = 0.1
"""Share of what is lost from which a hue counts as one of those that lost; our own judgement."""

TABLE: Final = """
CREATE TABLE records (
    number          INTEGER PRIMARY KEY,
    job             TEXT NOT NULL,
    destination     TEXT NOT NULL,
    latest          INTEGER NOT NULL DEFAULT 1,
    was_held        INTEGER NOT NULL,
    state           TEXT NOT NULL,
    dropped_at      TEXT,
    finished        TEXT NOT NULL,
    batch           TEXT,
    name            TEXT NOT NULL,
    original_sha256 TEXT,
    result_sha256   TEXT,
    share_lost      REAL,
    tolerance       REAL,
    delta_e_mean    REAL,
    delta_e_p95     REAL,
    delta_e_max     REAL,
    hues            TEXT NOT NULL,
    profile         TEXT,
    profile_sha256  TEXT,
    elapsed_s       REAL NOT NULL,
    line_sha256     TEXT
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


def add_table(db: sqlite3.Connection) -> None:
    """Bring a ledger without the table up to date; what it has of ended jobs is taken over.

    Their place in the log is not known to the ledger: ``line_sha256`` stays empty.
    """
    for statement in TABLE.split(";\n"):
        db.execute(statement)
    rows = db.execute("SELECT record FROM jobs WHERE record IS NOT NULL ORDER BY changed, seq")
    for (record,) in rows.fetchall():
        insert(db, json.loads(record), None)


def add_name_index(db: sqlite3.Connection) -> None:
    """Bring a ledger up to date in which all names had to be sorted to know the first ones."""
    db.execute(LATER)


def add_dropped(db: sqlite3.Connection) -> None:
    """Bring a ledger up to date in which a job that a person gave up was still called held.

    When a job that was released later had been given up is not known to the ledger.
    """
    there = {name for _, name, *_ in db.execute("PRAGMA table_info(records)")}
    if "dropped_at" not in there:  # it has the column when its table was made a step ago
        db.execute("ALTER TABLE records ADD COLUMN dropped_at TEXT")
    noticed = "SELECT json_extract(record, '$.dropped.noticed') FROM jobs WHERE id = job"
    db.execute(f"UPDATE records SET dropped_at = ({noticed}) WHERE latest = 1 AND state = 'held'")  # noqa: S608
    db.execute(
        "UPDATE records SET state = 'dropped' WHERE dropped_at IS NOT NULL OR latest = 0 AND"
        " state = 'held' AND EXISTS (SELECT 1 FROM records AS earlier WHERE"
        " earlier.job = records.job AND earlier.finished = records.finished"
        " AND earlier.number < records.number)"
    )


def insert(db: sqlite3.Connection, record: Mapping[str, Any], line_sha256: str | None) -> None:
    """Add a record's row; it is its job's latest from now on.

    Parameters
    ----------
    db
        The ledger, in a transaction.
    record
        As JSON has it.
    line_sha256
        Of its line in ``log.jsonl``, line end included; None when it is not known.
    """
    row = columns(record)
    earlier = db.execute(
        "SELECT max(was_held) FROM records WHERE job = ?", (record["job"],)
    ).fetchone()
    row["was_held"] = max(row["was_held"], earlier[0] or 0)
    row["line_sha256"] = line_sha256
    db.execute("UPDATE records SET latest = 0 WHERE job = ?", (record["job"],))
    names, marks = ", ".join(row), ", ".join("?" * len(row))
    db.execute(f"INSERT INTO records ({names}) VALUES ({marks})", tuple(row.values()))  # noqa: S608


def columns(record: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the table keeps of a record: all columns that the record alone decides.

    Findings may come from a stranger's plugin: what has another shape than `gamut-check` gives
    is left out.
    """
    gamut = _mapping(record["findings"].get("gamut-check"))
    delta_e = _mapping(gamut.get("delta_e_00"))
    results = record["results"]
    profile = (results[0]["profile"] if results else None) or {}
    return {
        "job": record["job"],
        "destination": record["destination"],
        "was_held": int(record["state"] == "held" or record.get("release") is not None),
        "state": end_of(record["state"], record),
        "dropped_at": (record.get("dropped") or {}).get("noticed"),
        "finished": record["finished"],
        "batch": record.get("batch"),
        "name": record["original"]["name"],
        "original_sha256": record["original"]["sha256"],
        "result_sha256": results[0]["sha256"] if results else None,
        "share_lost": _number(gamut.get("out_of_gamut_share")),
        "tolerance": _number(gamut.get("effective_tolerance_delta_e_00")),
        "delta_e_mean": _number(delta_e.get("mean")),
        "delta_e_p95": _number(delta_e.get("p95")),
        "delta_e_max": _number(delta_e.get("max")),
        "hues": _hues(_mapping(gamut.get("lost_by_hue"))),
        "profile": profile.get("description"),
        "profile_sha256": profile.get("sha256"),
        "elapsed_s": float(sum(stage["elapsed_s"] for stage in record["stages"])),
    }


def _hues(shares: Mapping[str, Any]) -> str:
    """Hues that lost, each between blanks: no name is found inside another."""
    named = [hue for hue, share in shares.items() if (_number(share) or 0.0) >= HUE_COUNTS_FROM]
    return f" {' '.join(named)} " if named else ""


def _mapping(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _number(value: Any) -> float | None:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if is_number else None
