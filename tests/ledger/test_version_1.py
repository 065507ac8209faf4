"""A ledger and a log as version 1 of the record wrote them: read as before, and whole.

`version_5` was made by the code of that time: a row in every state, and a batch.
"""

import json
import sqlite3
from contextlib import closing
from datetime import datetime
from pathlib import Path

import pytest

from hotfolder.audit.books import open_books
from hotfolder.audit.chain import check_chain
from hotfolder.audit.question import Question, ask
from hotfolder.batch.shelf import read_batches
from hotfolder.errors import StorageError
from hotfolder.ledger.details import (
    Claimed,
    Claiming,
    Delivered,
    Detail,
    Held,
    Produced,
    Publishing,
    Releasing,
    State,
)
from hotfolder.ledger.jobs import Ledger, read_jobs
from hotfolder.ledger.migrations import SCHEMA_VERSION
from hotfolder.ledger.reading import open_reader
from hotfolder.ledger.record_log import RecordLog
from hotfolder.model.ends import End
from hotfolder.model.records import Record, read_record, to_json
from hotfolder.settings.root import Root

NAME = "fine-art-canvas"
OLD = Path(__file__).with_name("version_5")


@pytest.fixture
def root(tmp_path):
    """A root in which a program of that time has worked."""
    root = Root(tmp_path)
    root.destinations.mkdir()
    root.private.mkdir()
    results = root.path / "out" / NAME
    results.mkdir(parents=True)
    (results / "log.jsonl").write_bytes((OLD / "log.jsonl").read_bytes())
    with closing(sqlite3.connect(root.ledger)) as db:
        db.executescript((OLD / "ledger.sql").read_text())
    return root


@pytest.fixture
def ledger(root):
    """The same ledger, brought up to date."""
    ledger = Ledger(root.ledger)
    yield ledger
    ledger.close()


def log_of(root):
    return root.path / "out" / NAME / "log.jsonl"


def test_every_row_carries_what_its_state_needs(ledger):
    rows = [*ledger.open_jobs(), *ledger.ended_jobs()]
    carried = {row.id[-1]: type(row.detail) for row in rows}
    assert carried == {
        "1": Claiming, "2": Claimed, "3": Claimed, "4": Claimed, "5": Claimed, "6": Produced,
        "7": Publishing, "8": Delivered, "9": Held, "a": Held, "b": Held, "c": Detail,
        "d": Releasing,
    }  # fmt: skip
    by_job = {row.id[-1]: row for row in rows}
    assert (7, 1) == (by_job["1"].detail.ino, by_job["1"].detail.nlink)
    assert by_job["3"].detail.keeping.endswith("estuary/reeds.tif")
    assert {"width": "40 mm", "long_edge": None} == by_job["4"].placement.changes["sizing"]
    assert "Mara" == by_job["5"].release.who
    assert "hold" == by_job["6"].detail.answer.verdict
    assert (State.HELD, 1) == (by_job["7"].detail.state, len(by_job["7"].detail.moves))
    # where it was then is not where it is now
    assert Path(ledger.places.root) / "release" in by_job["d"].detail.source.parents


def test_a_job_that_was_dropped_is_discarded(ledger):
    by_job = {row.id[-1]: row for row in ledger.ended_jobs()}
    assert by_job["b"].detail.discarded == by_job["b"].record.discarded.noticed
    assert (End.DISCARDED, "held") == (by_job["b"].end, by_job["b"].record.state)
    # a kill came between the intent and the record
    assert by_job["a"].detail.discarding.discarded is not None
    assert End.HELD is by_job["a"].end
    assert ["9", "a"] == [row.id[-1] for row in ledger.held_jobs_of(NAME)]


def test_the_columns_say_so_too(root, ledger):
    with closing(sqlite3.connect(root.ledger)) as db:
        found = db.execute("SELECT state, discarded_at FROM records WHERE state = 'discarded'")
        ((state, noticed),) = found.fetchall()
    record = next(row.record for row in ledger.ended_jobs() if row.id.endswith("b"))
    assert "discarded" == state
    assert datetime.fromisoformat(noticed) == record.discarded.noticed
    with open_books(root) as db:
        assert [End.DISCARDED] == [
            each["state"] for each in ask(db, Question(states=(End.DISCARDED,)))
        ]


def test_the_chain_is_whole_after_the_step(root, ledger):
    with open_books(root) as db:
        found = check_chain(db, NAME, log_of(root).parent)
    assert ((), 7) == (found.faults, found.records)


def test_a_record_of_today_continues_the_chain(root, ledger):
    line = log_of(root).read_bytes().splitlines()[0]
    record = read_record(line).model_copy(update={"job": "20270101-000000-00000001"})
    ledger.add(record.job, NAME, b"mud.tif", "file", 5, Claiming(
        dev=1, ino=1, size=5, mtime_ns=0, nlink=1
    ))  # fmt: skip
    RecordLog(ledger).end(log_of(root), record)
    written = json.loads(log_of(root).read_bytes().splitlines()[-1])
    assert (3, None) == (written["schema_version"], written["discarded"])
    assert "dropped" not in written
    with open_books(root) as db:
        assert check_chain(db, NAME, log_of(root).parent).is_whole


def test_a_line_that_a_killed_program_of_that_time_appended_is_not_appended_again(root, ledger):
    log = log_of(root)
    lines = log.read_bytes().splitlines(keepends=True)
    before = read_record(lines[-1])
    with ledger.transaction() as db:  # as if the kill had come before the commit
        db.execute("DELETE FROM records WHERE job = ?", (before.job,))
    record = before.model_copy(update={"previous_sha256": None})
    row = RecordLog(ledger).end(log, record, again=True)
    assert lines == log.read_bytes().splitlines(keepends=True)
    assert row.record_text.encode() + b"\n" == lines[-1]


def test_a_ledger_that_is_behind_is_read_and_the_audit_asks_for_a_daemon(root):
    with open_reader(root.ledger) as reader:
        assert {End.DELIVERED: 1, End.HELD: 2, End.DISCARDED: 1, End.REFUSED: 1} == (
            reader.count_ended()[NAME]
        )
        assert [(NAME, "estuary")] == list(read_batches(reader))
    assert 8 == len(read_jobs(root.ledger))
    with pytest.raises(StorageError, match="from an older hotfolder"), open_books(root):
        pass


def test_a_new_ledger_has_the_tables_of_batches(tmp_path):
    Ledger(tmp_path / "ledger.sqlite").close()
    with closing(sqlite3.connect(tmp_path / "ledger.sqlite")) as db:
        assert (SCHEMA_VERSION,) == db.execute("PRAGMA user_version").fetchone()
        assert [] == db.execute("SELECT * FROM batches, batch_files").fetchall()


def test_a_record_of_version_1_is_read_with_its_discarding():
    document = json.loads((OLD / "log.jsonl").read_bytes().splitlines()[4])
    assert (1, True) == (document["schema_version"], document["dropped"] is not None)
    record = Record.model_validate(document)
    assert End.DISCARDED is record.end
    # a folder was deleted: nobody has said a word
    assert {**document["dropped"], "who": "", "why": ""} == to_json(record)["discarded"]
