"""--verify: a changed, removed, moved or added record shows, and so does a changed file."""

import io
import json
import random
import shutil
import sqlite3
import zlib
from contextlib import closing

import pytest
from rich.console import Console

from audit.generated import fill
from hotfolder.audit import verify
from hotfolder.audit.books import open_books
from hotfolder.audit.chain import check_chain
from hotfolder.audit.question import Question
from hotfolder.audit.report import render_report
from hotfolder.audit.verify import verify_root
from hotfolder.ledger.packing import teach, unpack
from hotfolder.ledger.record_log import link
from hotfolder.settings.root import Root

pytestmark = pytest.mark.slow

NAME = "fine-art-canvas"


@pytest.fixture
def log(books):
    return books.path / "out" / NAME / "log.jsonl"


def check(root):
    with open_books(root) as db:
        return check_chain(db, NAME, root.path / "out" / NAME)


def lines(log):
    return log.read_bytes().splitlines(keepends=True)


def test_books_that_nobody_touched_are_whole(books, log):
    found = check(books)
    assert (found.faults, 0) == ((), found.unchained)
    assert (500, link(lines(log)[-1])) == (found.records, found.last_sha256)


@pytest.mark.parametrize("number", [0, 1, 250, 499])
def test_a_changed_record_shows(books, log, number):
    changed = lines(log)
    record = json.loads(changed[number])
    record["state"] = "refused" if record["state"] != "refused" else "held"
    changed[number] = json.dumps(record).encode() + b"\n"
    log.write_bytes(b"".join(changed))
    found = check(books)
    assert any(f"line {number + 1} (job {record['job']}) differs from what the ledger" in fault
               for fault in found.faults)  # fmt: skip
    assert any("does not follow" in fault for fault in found.faults) == (number != 499)


@pytest.mark.parametrize("number", [0, 1, 250, 499])
def test_a_removed_record_shows(books, log, number):
    left = lines(log)
    job = json.loads(left.pop(number))["job"]
    log.write_bytes(b"".join(left))
    faults = check(books).faults
    assert any(f"record of job {job}" in fault and "not in the log" in fault for fault in faults)


def test_a_removed_record_shows_in_the_log_alone_where_something_follows(books, log):
    left = lines(log)
    del left[250]
    log.write_bytes(b"".join(left))
    assert any("line 251 " in fault and "does not follow" in fault for fault in check(books).faults)


def test_a_record_that_was_put_in_shows(books, log):
    more = lines(log)
    more.insert(100, more[10])
    log.write_bytes(b"".join(more))
    faults = check(books).faults
    assert any("line 101 " in fault and "does not follow" in fault for fault in faults)


def test_a_record_put_in_at_the_end_shows_though_its_link_is_right(books, log):
    record = json.loads(lines(log)[3])
    record |= {"job": "forged", "previous_sha256": link(lines(log)[-1])}
    with log.open("ab") as file:
        file.write(json.dumps(record).encode() + b"\n")
    (fault,) = check(books).faults
    assert "line 501 (job forged) differs from what the ledger has" in fault


def test_a_chain_made_anew_in_the_log_shows_against_the_ledger(books, log):
    previous, forged = "0" * 64, []
    for line in lines(log):
        record = json.loads(line) | {"previous_sha256": previous, "attempts": 2}
        forged.append(json.dumps(record).encode() + b"\n")
        previous = link(forged[-1])
    log.write_bytes(b"".join(forged))
    assert len(check(books).faults) == 2 * 500


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE jobs SET record = json_set(unpack(record), '$.attempts', 9) WHERE seq = 5",
        "UPDATE records SET share_lost = 0 WHERE number = 5",
        "UPDATE records SET share_out_of_gamut = 0.5 WHERE number = 5",
        "UPDATE records SET state = 'held' WHERE number = 5",
    ],
)
def test_a_changed_ledger_shows(books, statement):
    with closing(sqlite3.connect(books.ledger)) as db, db:
        teach(db)
        assert db.execute(statement).rowcount == 1
    (fault,) = check(books).faults
    assert "the ledger's record of job" in fault
    assert "is not the one in the log" in fault


def test_random_changes_of_one_byte_all_show(books, log):
    whole = log.read_bytes()
    chance = random.Random(7)
    for _ in range(20):
        place = chance.randrange(len(whole))
        changed = bytes([whole[place] ^ 1 << chance.randrange(7)])
        log.write_bytes(whole[:place] + changed + whole[place + 1 :])
        assert check(books).faults, f"byte {place} became {changed!r}"


def test_a_line_that_is_being_written_is_no_fault(books, log):
    with log.open("ab") as file:
        file.write(b'{"schema_version": 1, "job"')
    assert check(books).is_whole


def test_the_line_of_a_job_that_is_just_ending_is_no_fault(books, log):
    last = json.loads(lines(log)[-1])["job"]
    with closing(sqlite3.connect(books.ledger)) as db, db:
        db.execute("DELETE FROM records WHERE job = ?", (last,))
        db.execute("UPDATE jobs SET state = 'publishing' WHERE id = ?", (last,))
    assert check(books).is_whole


def test_a_log_that_was_moved_away_is_said_and_continues_the_chain(books, log):
    kept = lines(log)
    log.write_bytes(b"".join(kept[300:]))
    faults = check(books).faults
    assert len(faults) == 300
    assert not any("does not follow" in fault for fault in faults)
    # the advice: put back in place of the new log, the old one would hide what that has
    assert all(f"add its lines to {log}, the earlier first" in fault for fault in faults)
    log.write_bytes(b"".join(kept[:300] + lines(log)))
    assert check(books).is_whole


def test_a_log_that_was_moved_away_and_has_no_successor_is_to_be_put_back(books, log):
    kept = log.read_bytes()
    log.write_bytes(b"")
    assert all(f"put it back as {log}" in fault for fault in check(books).faults)
    log.write_bytes(kept)
    assert check(books).is_whole


def test_a_share_that_is_away_is_no_broken_chain(books, log):
    shutil.rmtree(log.parent)
    log.parent.mkdir()  # where a share is mounted
    found = check(books)
    assert (found.is_whole, found.is_checked) == (False, False)
    (fault,) = found.faults
    assert "probably not connected" in fault


def test_a_log_elsewhere_is_found_whatever_else_is_wrong_in_its_settings(books, log, tmp_path):
    share = shutil.move(log.parent, tmp_path / "share")
    path = books.destinations / f"{NAME}.toml"
    path.write_text(f'[folders]\nresults = "{share}"\n[stage.sizng]\n')
    with open_books(books) as db:
        assert verify._check_chain(db, books, NAME).records == 500


def test_records_from_before_the_chain_are_counted_and_no_fault(tmp_path):
    (tmp_path / "destinations").mkdir()
    root = Root(tmp_path)
    fill(root.ledger, 30)
    with closing(sqlite3.connect(root.ledger)) as db:
        rows = db.execute("SELECT record FROM jobs WHERE destination = ?", (NAME,)).fetchall()
    log = root.path / "out" / NAME / "log.jsonl"
    log.parent.mkdir(parents=True)
    log.write_text("".join(f"{unpack(record)}\n" for (record,) in rows))
    found = check(root)
    assert (10, 10, ()) == (found.records, found.unchained, found.faults)


def test_a_log_that_is_a_folder_is_said(books, log):
    log.unlink()
    log.mkdir()
    assert any("cannot be read" in fault for fault in check(books).faults)


@pytest.mark.parametrize("record", [b"x", b"", "{", "{}"])
def test_a_damaged_record_in_the_ledger_is_said_with_what_to_do(books, record):
    with closing(sqlite3.connect(books.ledger)) as db, db:
        (job,) = db.execute("SELECT id FROM jobs ORDER BY seq LIMIT 1").fetchone()
        db.execute("UPDATE jobs SET record = ? WHERE id = ?", (record or zlib.compress(b""), job))
    with open_books(books) as db:
        verdict = verify_root(db, books, Question(), Console(file=io.StringIO()))
        (wrong,) = (each for each in verdict["files"]["unreadable"] if each["what"] == "record")
        assert job == wrong["job"]
        assert "rename .hotfolder/ledger.sqlite" in wrong["why"]
        assert not verdict["as_recorded"]
        assert render_report(db, books, Question())
