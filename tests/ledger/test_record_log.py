"""The log of records: chained, appended exactly once, and honest about what was taken away."""

import json
import os
import subprocess
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

import pytest

from hotfolder.disk import line_log
from hotfolder.errors import StorageError
from hotfolder.ledger.jobs import Ledger
from hotfolder.ledger.record_log import START, RecordLog, link, read_last_lines
from ledger.test_ledger import CLAIM
from model.test_records import record


@pytest.fixture
def ledger(tmp_path):
    ledger = Ledger(tmp_path / "ledger.sqlite")
    yield ledger
    ledger.close()


@pytest.fixture
def log(tmp_path):
    return tmp_path / "out" / "log.jsonl"


def ended(ledger, job, **changes):
    ledger.add(job, "fine-art-canvas", b"mud.tif", "file", 5, CLAIM)
    return record(job=job, **changes)


def links(log):
    return [json.loads(line)["previous_sha256"] for line in log.read_bytes().splitlines()]


def test_each_record_carries_the_hash_of_the_line_before_it(ledger, log):
    book = RecordLog(ledger)
    for job in ("a", "b", "c"):
        book.end(log, ended(ledger, job))
    # as anybody can compute it, without this program
    hashes = [
        subprocess.run(
            f"sed -n {number}p '{log}' | sha256sum", shell=True, capture_output=True, check=True
        ).stdout.decode()[:64]
        for number in (1, 2)
    ]
    assert ["0" * 64, *hashes] == links(log)
    assert START == "0" * 64


def test_the_ledger_has_the_record_as_it_stands_in_the_log_and_the_hash_of_its_line(ledger, log):
    row = RecordLog(ledger).end(log, ended(ledger, "a"))
    line = log.read_bytes()
    assert line == row.record_text.encode() + b"\n"
    assert link(line) == ledger.last_line_of("fine-art-canvas")


@pytest.mark.parametrize("others", [0, 1])
def test_a_record_that_a_kill_left_in_the_log_only_is_not_appended_again(
    ledger, log, monkeypatch, others
):
    book = RecordLog(ledger)
    book.end(log, ended(ledger, "a"))
    mine = ended(ledger, "b")

    def killed(*_):
        raise StorageError("no ledger")

    with monkeypatch.context() as patch:
        patch.setattr(Ledger, "end", killed)
        with pytest.raises(StorageError):
            book.end(log, mine)
    for number in range(others):
        book.end(log, ended(ledger, f"other {number}"))
    row = RecordLog(ledger).end(log, mine, again=True)
    jobs = [json.loads(line)["job"] for line in log.read_bytes().splitlines()]
    assert ["a", "b", *(f"other {number}" for number in range(others))] == jobs
    lines = log.read_bytes().splitlines(keepends=True)
    assert [START, *map(link, lines[:-1])] == links(log)
    assert row.record_text.encode() + b"\n" == lines[1]


def test_a_job_may_have_two_records_that_differ_in_time(ledger, log):
    book = RecordLog(ledger)
    book.end(log, ended(ledger, "a"))
    later = record(job="a", finished=datetime(2026, 1, 3, tzinfo=UTC), state="delivered")
    book.end(log, later, again=True)
    assert ["held", "delivered"] == [
        json.loads(line)["state"] for line in log.read_bytes().splitlines()
    ]


def test_after_lines_were_cut_off_the_next_record_follows_what_the_ledger_knows(ledger, log):
    book = RecordLog(ledger)
    for job in ("a", "b", "c"):
        book.end(log, ended(ledger, job))
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(lines[0])
    book.end(log, ended(ledger, "d"))
    assert links(log)[1] == link(lines[2])


def test_a_log_that_was_taken_away_is_continued(ledger, log):
    book = RecordLog(ledger)
    book.end(log, ended(ledger, "a"))
    before = link(log.read_bytes())
    log.unlink()
    book.end(log, ended(ledger, "b"))
    assert [before] == links(log)


def test_a_log_from_before_the_chain_is_followed(ledger, log):
    log.parent.mkdir()
    old = b'{"job": "old"}\n'
    log.write_bytes(old)
    RecordLog(ledger).end(log, ended(ledger, "a"))
    assert link(old) == json.loads(log.read_bytes().splitlines()[1])["previous_sha256"]


def test_a_torn_last_line_is_no_line(tmp_path):
    log = tmp_path / "log.jsonl"
    log.write_bytes(b"one\ntwo\nthr")
    assert [b"one\n", b"two\n"] == read_last_lines(log, 100)


def test_the_last_line_is_found_however_long_it_is(tmp_path):
    log = tmp_path / "log.jsonl"
    long = b"x" * 5000 + b"\n"
    log.write_bytes(b"one\n" + long)
    assert long == read_last_lines(log, 16)[-1]
    line_log.append_line(log, b"y")
    assert [b"y\n"] == read_last_lines(log, 16)


def test_a_last_record_that_lost_its_line_end_is_no_torn_one(ledger, log):
    book = RecordLog(ledger)
    for job in ("a", "b"):
        book.end(log, ended(ledger, job))
    whole = log.read_bytes()
    log.write_bytes(whole[:-1])  # as some editors save it
    book.end(log, ended(ledger, "c"))
    assert whole == log.read_bytes()[: len(whole)]
    assert link(whole.splitlines(keepends=True)[-1]) == links(log)[-1]


def test_a_record_that_a_kill_left_without_its_line_end_is_not_appended_again(ledger, log):
    book = RecordLog(ledger)
    mine = ended(ledger, "a")
    book.end(log, mine)
    log.write_bytes(log.read_bytes()[:-1])
    book.end(log, mine, again=True)
    assert 1 == len(log.read_bytes().splitlines())


@pytest.mark.parametrize("again", [False, True])
def test_a_pipe_named_like_the_log_is_said_and_keeps_nobody_waiting(ledger, log, again):
    log.parent.mkdir()
    os.mkfifo(log)
    mine = ended(ledger, "a")
    with ThreadPoolExecutor() as pool:
        said = pool.submit(RecordLog(ledger).end, log, mine, again=again)
        try:
            with pytest.raises(OSError, match="not a regular file"):
                said.result(timeout=60)
        finally:  # whoever waits for the other end of the pipe is let go
            os.close(os.open(log, os.O_RDWR | os.O_NONBLOCK))
