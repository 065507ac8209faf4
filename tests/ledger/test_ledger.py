"""The ledger: what it returned from is there, and what it cannot use it says."""

import sqlite3
from datetime import UTC, datetime
from types import SimpleNamespace

import pytest

from hotfolder.batch.shelf import Shelf
from hotfolder.errors import StorageError
from hotfolder.ledger.details import Claiming, Produced
from hotfolder.ledger.jobs import Ledger, State, read_job, read_jobs
from hotfolder.ledger.reading import open_reader
from hotfolder.model.answer import Answer
from hotfolder.model.records import OriginalRecord, WorkRecord

CLAIM = Claiming(dev=1, ino=7, size=10, mtime_ns=0, nlink=1)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "ledger.sqlite"


@pytest.fixture
def ledger(path):
    ledger = Ledger(path)
    yield ledger
    ledger.close()


def add(ledger, job="j1", destination="canvas", source=b"a.tif"):
    return ledger.add(job, destination, source, "file", 10, CLAIM)


def test_a_job_starts_as_claiming_with_the_bytes_of_its_name(ledger):
    row = add(ledger, source=b"\xff\n.tif")
    assert (State.CLAIMING, b"\xff\n.tif", CLAIM) == (row.state, row.source, row.detail)


def test_an_advance_is_there_for_another_reader_at_once(ledger, path):
    add(ledger)
    ledger.advance("j1", State.WORKING, attempts=1, sha256="0" * 64)
    (row,) = read_jobs(path)
    assert (State.WORKING, 1, "0" * 64) == (row.state, row.attempts, row.sha256)


def test_ended_jobs_are_counted_apart(ledger, path):
    for number, state in enumerate([State.DELIVERED, State.DELIVERED, State.HELD, State.CLAIMED]):
        add(ledger, f"j{number}")
        ledger.advance(f"j{number}", state)
    with open_reader(path) as reader:
        assert reader.count_ended() == {"canvas": {"delivered": 2, "held": 1}}
    assert [row.id for row in read_jobs(path)] == ["j3"]


def test_only_a_claim_can_be_forgotten(ledger):
    add(ledger, "j1")
    add(ledger, "j2")
    ledger.advance("j2", State.CLAIMED)
    ledger.forget("j1")
    ledger.forget("j2")
    assert [row.id for row in ledger.open_jobs()] == ["j2"]


def test_a_second_job_of_one_id_is_refused_and_the_first_stays(ledger):
    add(ledger, source=b"first")
    with pytest.raises(sqlite3.IntegrityError):
        add(ledger, source=b"second")
    assert ledger.job("j1").source == b"first"


def test_a_ledger_of_a_newer_version_is_refused(path):
    Ledger(path).close()
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(StorageError, match="written by a newer hotfolder"):
        Ledger(path)
    with pytest.raises(StorageError, match="written by a newer hotfolder"), open_reader(path):
        pass


def test_a_damaged_ledger_is_refused_with_its_path(path):
    path.write_bytes(b"this is no database" * 100)
    with pytest.raises(StorageError, match="cannot be used") as error:
        Ledger(path)
    assert str(path) in str(error.value)


def test_the_newest_sync_setting_is_full(ledger):
    # FULL is 2: what a commit returned from survives a power cut (sqlite.org/pragma.html)
    assert ledger.db.execute("PRAGMA synchronous").fetchone() == (2,)
    assert ledger.db.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_one_job_is_read_whatever_its_state(ledger, path):
    add(ledger, "j1")
    add(ledger, "j2")
    ledger.advance("j2", State.HELD)
    assert [State.CLAIMING, State.HELD] == [read_job(path, job).state for job in ("j1", "j2")]
    assert read_job(path, "j3") is None
    assert read_job(path.with_name("none"), "j1") is None


def test_a_ledger_that_is_just_being_made_has_no_jobs_yet(path):
    """SQLite makes the file first, and the tables in a transaction after it."""
    path.touch()
    with open_reader(path) as reader:
        assert {} == reader.count_ended()
    assert [] == read_jobs(path)
    assert read_job(path, "j1") is None


OF_FEW = (
    "INDEX jobs_queued",
    "INDEX jobs_open",
    "INDEX jobs_undecided",
    "INDEX jobs_superseding",
    "COVERING INDEX jobs_ended",
)
"""Indexes of what is few at any time, and the one that alone answers how many there are."""


@pytest.mark.parametrize(
    "question",
    [
        lambda ledger: ledger.open_jobs_of("canvas", 4),
        lambda ledger: ledger.open_jobs_of("canvas", 4, resting=True),
        lambda ledger: ledger.claims_of("canvas"),
        lambda ledger: ledger.open_jobs(),
        lambda ledger: ledger.held_jobs_of("canvas"),
        lambda ledger: ledger.count_ended(),
        lambda ledger: Shelf(ledger).being_set_aside(),
    ],
)
def test_what_waits_is_found_without_going_through_all_that_ever_came(ledger, question):
    asked = []
    ledger.db.set_trace_callback(asked.append)
    question(ledger)
    ledger.db.set_trace_callback(None)
    for sql in (each for each in asked if each.startswith("SELECT")):
        plan = [row[3] for row in ledger.db.execute(f"EXPLAIN QUERY PLAN {sql}")]
        plan = [step for step in plan if "jobs" in step]  # jobs to leave out are another list
        assert len(plan) == 1, plan
        assert any(f"USING {index}" in plan[0] for index in OF_FEW), plan


def test_neighbours_are_looked_up_by_an_index(ledger):
    asked = []
    ledger.read = lambda sql, values=(): asked.append((sql, values)) or []
    for source in (b"boat/a.jpg", b"a.jpg"):
        row = SimpleNamespace(
            id="j", destination="wall", source=source, arrived=datetime(2026, 11, 28, tzinfo=UTC)
        )
        assert [] == ledger.neighbours_of(row, "reference", "shoot")
    for sql, values in asked:
        plan = [row[3] for row in ledger.db.execute(f"EXPLAIN QUERY PLAN {sql}", values)]
        assert not [step for step in plan if step.startswith("SCAN")], plan


@pytest.mark.parametrize("folder", ["", "boat/"])
@pytest.mark.parametrize("verdict", ["deliver", "hold"])
def test_a_picture_that_is_being_brought_to_its_place_is_a_neighbour(ledger, verdict, folder):
    for job in ("j1", "j2"):
        add(ledger, job, source=f"{folder}{job}.tif".encode())
    original = OriginalRecord(name="a.tif", sha256=None, bytes=10)
    work = WorkRecord(original=original, findings={"reference": {"shoot": {"gives": True}}})
    assert [] == ledger.neighbours_of(ledger.job("j2"), "reference", "shoot")
    ledger.advance("j1", State.PRODUCED, Produced(answer=Answer(verdict=verdict, work=work)))
    (found,) = ledger.neighbours_of(ledger.job("j2"), "reference", "shoot")
    assert ("j1", verdict == "deliver", {"gives": True}) == (
        found.job, found.delivered, found.said
    )  # fmt: skip


@pytest.mark.parametrize(("verdict", "found"), [("deliver", "j1"), ("hold", None)])
def test_what_a_stage_has_said_of_a_job_on_its_way_is_found(ledger, verdict, found):
    add(ledger)
    original = OriginalRecord(name="a.tif", sha256=None, bytes=10)
    work = WorkRecord(original=original, findings={"laying": {"laid_on": "2026-11-28"}})
    answer = Answer(verdict=verdict, work=work)
    ledger.advance("j1", State.PRODUCED, Produced(answer=answer))
    since = datetime(2026, 11, 28, tzinfo=UTC)

    def find(value="2026-11-28", *, destination="canvas", but="j2"):
        return ledger.find_saying(destination, "laying", "laid_on", value, since, but)

    assert found == find()
    assert find("2026-11-27") is None
    assert find(destination="book") is None
    assert find(but="j1") is None
