"""The ledger's table of records: what it keeps, and that it grows out of an older ledger."""

import sqlite3
from contextlib import closing
from datetime import UTC, datetime

import pytest

from hotfolder.audit.chain import check_chain
from hotfolder.ledger.jobs import Ledger
from hotfolder.ledger.migrations import _JOBS
from hotfolder.ledger.packing import teach
from hotfolder.ledger.record_index import columns
from hotfolder.ledger.record_log import RecordLog
from hotfolder.model.facts import Facts
from hotfolder.model.records import Discarded, PlacementRecord, Release, ResultRecord, to_json_line
from ledger.test_ledger import CLAIM
from model.test_records import record

TIME = "2026-01-02T03:04:05.678+00:00"
GAMUT = {
    "effective_tolerance_delta_e_00": 3.0,
    "out_of_gamut_share": 0.06,
    "lost_by_hue": {"green": 0.7, "blue-green": 0.25, "yellow": 0.05},
    "delta_e_00": {"mean": 0.4, "p95": 2.5, "p99": 4.0, "max": 9.5},
}


RESULT = ResultRecord(
    path="out/fine-art-canvas/mud.tif",
    sha256="1" * 64,
    bytes=5,
    format="tiff",
    width_px=6000,
    height_px=4000,
    bits=16,
    colour_space="RGB",
    ppi=300,
    profile=None,
)
FACTS = Facts(share_lost=0.06, share_out_of_gamut=0.04)


def document(**changes):
    return record(**{"findings": {"gamut-check": GAMUT}, **changes})


def end(ledger, job, **changes):
    said = document(job=job, **changes)
    return ledger.end(said, to_json_line(said))


def rows(path, what="*"):
    with closing(sqlite3.connect(path)) as db:
        db.row_factory = sqlite3.Row
        return [dict(row) for row in db.execute(f"SELECT {what} FROM records ORDER BY number")]


def test_what_the_gamut_check_measured_is_in_columns():
    found = columns(document())
    assert (0.06, 3.0, 0.4, 2.5, 9.5) == tuple(
        found[key]
        for key in ("share_lost", "tolerance", "delta_e_mean", "delta_e_p95", "delta_e_max")
    )
    assert found["hues"] == " green blue-green "


@pytest.mark.parametrize(
    "gamut", [{}, {"delta_e_00": 3}, {"out_of_gamut_share": "much"}, {"lost_by_hue": [1]}]
)
def test_findings_of_another_shape_leave_the_columns_empty(gamut):
    found = columns(document(findings={"gamut-check": gamut}))
    assert (None, None, "") == (found["share_lost"], found["delta_e_max"], found["hues"])


def test_a_released_job_has_two_rows_and_one_last_word(tmp_path):
    ledger = Ledger(tmp_path / "ledger.sqlite")
    with closing(ledger):
        ledger.add("j", "canvas", b"mud.tif", "file", 5, CLAIM)
        end(ledger, "j")
        end(ledger, "j", state="delivered")
    found = rows(tmp_path / "ledger.sqlite", "state, latest, was_held")
    assert found == [
        {"state": "held", "latest": 0, "was_held": 1},
        {"state": "delivered", "latest": 1, "was_held": 1},
    ]


NOTICED = "2026-01-05T00:00:00.000Z"
DISCARDED = Discarded(noticed=datetime(2026, 1, 5, tzinfo=UTC))


def test_a_job_that_was_given_up_is_dropped_and_when(tmp_path):
    ledger = Ledger(tmp_path / "ledger.sqlite")
    with closing(ledger):
        ledger.add("j", "canvas", b"mud.tif", "file", 5, CLAIM)
        end(ledger, "j")
        end(ledger, "j", discarded=DISCARDED)
    found = rows(tmp_path / "ledger.sqlite", "state, latest, was_held, discarded_at")
    assert found == [
        {"state": "held", "latest": 0, "was_held": 1, "discarded_at": None},
        {
            "state": "discarded",
            "latest": 1,
            "was_held": 1,
            "discarded_at": "2026-01-05T00:00:00.000Z",
        },
    ]


@pytest.mark.parametrize("released", [False, True])
def test_a_ledger_that_called_dropped_jobs_held_is_brought_up_to_date(tmp_path, released):
    path = tmp_path / "ledger.sqlite"
    documents = [document(job="j"), document(job="j", discarded=DISCARDED)]
    if released:  # its folder had only been carried away
        documents.append(document(job="j", state="delivered"))
    ledger = Ledger(path)
    with closing(ledger):
        ledger.add("j", "canvas", b"mud.tif", "file", 5, CLAIM)
        for each in documents:
            ledger.end(each, to_json_line(each))
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE records SET state = 'held' WHERE state = 'discarded'")
        db.execute("ALTER TABLE records DROP COLUMN discarded_at")
        teach(db)
        dropped = "replace(unpack(record), '\"discarded\"', '\"dropped\"')"
        db.execute(f"UPDATE jobs SET record = {dropped}")
        db.execute("PRAGMA user_version = 4")
    Ledger(path).close()
    states = [(row["state"], row["discarded_at"]) for row in rows(path)]
    noticed = None if released else "2026-01-05T00:00:00.000Z"
    expected = [("held", None), ("discarded", noticed), ("delivered", None)]
    assert expected[: len(documents)] == states


def test_a_ledger_without_the_share_that_the_medium_cannot_make_gets_it(tmp_path):
    path = tmp_path / "ledger.sqlite"
    ledger = Ledger(path)
    with closing(ledger):
        log = RecordLog(ledger)
        for job in "jk":
            ledger.add(job, "fine-art-canvas", b"mud.tif", "file", 5, CLAIM)
        for each in (
            document(job="j", facts=FACTS),
            document(job="j", facts=FACTS, state="delivered"),
            document(job="k", state="delivered"),  # of before records said what was measured
        ):
            log.end(tmp_path / "log.jsonl", each)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("ALTER TABLE records DROP COLUMN share_out_of_gamut")
        db.execute("PRAGMA user_version = 13")
    Ledger(path).close()
    # the ledger has the text of a job's last record alone
    assert [None, 0.04, None] == [row["share_out_of_gamut"] for row in rows(path)]
    with closing(sqlite3.connect(path)) as db:
        teach(db)
        assert () == check_chain(db, "fine-art-canvas", tmp_path).faults


def test_the_area_is_that_of_all_results_and_copies():
    # 6000 by 4000 pixels at 300 ppi are 508 by 338.67 mm
    area = 0.508 * 0.338667
    assert columns(document(results=(RESULT,)))["printed_m2"] == pytest.approx(area, abs=1e-4)
    twice, copies = (RESULT, RESULT), PlacementRecord.model_construct(copies=3)
    printed = columns(document(results=twice).model_copy(update={"placement": copies}))
    assert printed["printed_m2"] == pytest.approx(6 * area, abs=1e-4)
    assert columns(document())["printed_m2"] is None


def test_a_ledger_without_areas_machines_and_reasons_gets_them(tmp_path):
    path = tmp_path / "ledger.sqlite"
    release = Release(who="An", why="", at=datetime(2026, 1, 5, tzinfo=UTC))
    ledger = Ledger(path)
    with closing(ledger):
        log = RecordLog(ledger)
        for job in "jk":
            ledger.add(job, "fine-art-canvas", b"mud.tif", "file", 5, CLAIM)
        for each in (
            document(job="j"),
            document(
                job="j", state="delivered", release=release, machine="quay", results=(RESULT,)
            ),
            document(job="k", state="delivered", results=(RESULT,)),
        ):
            log.end(tmp_path / "log.jsonl", each)
    expected = rows(path)
    names = ("printed_m2", "machine", "released_for")
    with closing(sqlite3.connect(path)) as db, db:
        for name in names:
            db.execute(f"ALTER TABLE records DROP COLUMN {name}")
        db.execute("PRAGMA user_version = 15")
    Ledger(path).close()
    assert [{**expected[0], **dict.fromkeys(names)}, *expected[1:]] == rows(path)
    assert rows(path)[1]["machine"] == "quay"
    assert rows(path)[1]["released_for"] == " gamut-loss "
    assert rows(path)[2]["released_for"] is None
    with closing(sqlite3.connect(path)) as db:
        teach(db)
        assert () == check_chain(db, "fine-art-canvas", tmp_path).faults


def test_a_record_that_cannot_be_read_keeps_no_ledger_from_being_brought_up_to_date(tmp_path):
    path = tmp_path / "ledger.sqlite"
    ledger = Ledger(path)
    with closing(ledger):
        for job in "jk":
            ledger.add(job, "canvas", b"mud.tif", "file", 5, CLAIM)
            end(ledger, job, facts=FACTS)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("ALTER TABLE records DROP COLUMN share_out_of_gamut")
        db.execute("UPDATE jobs SET record = x'00' WHERE id = 'j'")
        db.execute("PRAGMA user_version = 13")
    Ledger(path).close()
    assert [None, 0.04] == [row["share_out_of_gamut"] for row in rows(path)]


def test_a_ledger_of_the_first_version_is_brought_up_to_date(tmp_path):
    path = tmp_path / "ledger.sqlite"
    with closing(sqlite3.connect(path)) as db, db:
        for statement in _JOBS.split(";\n"):
            db.execute(statement)
        db.execute(
            "INSERT INTO jobs (id, destination, source, kind, state, bytes, arrived, changed,"
            " record) VALUES ('j', 'canvas', x'61', 'file', 'held', 5, ?, ?, ?)",
            (TIME, TIME, to_json_line(document(job="j")).decode()),
        )
        db.execute("PRAGMA user_version = 1")
    ledger = Ledger(path)
    with closing(ledger):
        assert ledger.job("j").id == "j"
        assert ledger.last_line_of("canvas") is None
    (row,) = rows(path)
    assert ("j", 0.06, None) == (row["job"], row["share_lost"], row["line_sha256"])
