"""A destination's records stay in one log, wherever settings move its results."""

from __future__ import annotations

import json

import pytest

from hotfolder.disk import line_log
from hotfolder.ledger.jobs import link
from hotfolder.ledger.log_places import LogPlaces
from hotfolder.ledger.log_years import LOG_FILE, read_lines

NAME = "canvas"


@pytest.fixture
def places(tmp_path):
    (tmp_path / "root" / ".hotfolder").mkdir(parents=True)
    return LogPlaces(tmp_path / "root" / ".hotfolder")


def record(number, previous):
    return json.dumps(
        {
            "job": f"20260101-000000-{number:08}",
            "destination": NAME,
            "state": "delivered",
            "finished": "2026-01-01T00:00:00Z",
            "original": {"name": "mud.tif", "sha256": None, "bytes": 1},
            "previous_sha256": previous,
        }
    ).encode()


def write(log, numbers, previous="0" * 64):
    """Append records to a log, each following the one before; return the hash of the last."""
    log.parent.mkdir(parents=True, exist_ok=True)
    for number in numbers:
        line = record(number, previous)
        line_log.append_line(log, line)
        previous = link(line + b"\n")
    return previous


def numbers(log):
    return [int(json.loads(line)["job"][-8:]) for line in read_lines(log)]


@pytest.fixture
def logs(tmp_path):
    return [tmp_path / "root" / "out" / LOG_FILE, *(tmp_path / each / LOG_FILE for each in "abc")]


def test_records_go_along_before_the_next_is_written(places, logs):
    places.bring(NAME, logs[0])
    last = write(logs[0], range(3))
    places.bring(NAME, logs[1])
    assert [0, 1, 2] == numbers(logs[1]) == numbers(logs[0])
    last = write(logs[1], [3], last)
    places.bring(NAME, logs[2])
    assert [0, 1, 2, 3] == numbers(logs[2])


def test_a_log_that_comes_back_to_an_earlier_place_takes_the_place_of_its_beginning(places, logs):
    places.bring(NAME, logs[0])
    last = write(logs[0], range(3))
    places.bring(NAME, logs[1])
    write(logs[1], [3, 4], last)
    places.bring(NAME, logs[0])
    assert [0, 1, 2, 3, 4] == numbers(logs[0])


def test_a_log_that_was_moved_by_hand_with_the_results_is_left_as_it_is(places, logs):
    places.bring(NAME, logs[0])
    write(logs[0], range(3))
    logs[1].parent.mkdir()
    logs[0].rename(logs[1])
    places.bring(NAME, logs[1])
    assert [0, 1, 2] == numbers(logs[1])
    assert [] == places.left_behind(NAME)


def test_what_cannot_be_reached_is_left_behind_and_put_before_what_came_since(places, logs):
    places.bring(NAME, logs[1])
    last = write(logs[1], range(3))
    logs[1].parent.rename(logs[1].parent.with_name("away"))
    places.bring(NAME, logs[2])
    assert [logs[1]] == places.left_behind(NAME)
    write(logs[2], [3, 4], last)
    places.bring(NAME, logs[2], again=True)
    assert [logs[1]] == places.left_behind(NAME)
    logs[1].parent.with_name("away").rename(logs[1].parent)
    again = LogPlaces(places.file.parent)  # a new start
    again.bring(NAME, logs[2], again=True)
    assert [0, 1, 2, 3, 4] == numbers(logs[2])
    assert [] == again.left_behind(NAME)


def test_another_log_in_the_new_place_is_never_changed(places, logs):
    places.bring(NAME, logs[0])
    write(logs[0], range(3))
    write(logs[1], [7, 8])
    places.bring(NAME, logs[1])
    assert [7, 8] == numbers(logs[1])
    assert [logs[0]] == places.left_behind(NAME)


def test_a_line_that_a_kill_tore_is_not_brought_into_what_follows(places, logs):
    places.bring(NAME, logs[0])
    last = write(logs[0], range(2))
    with logs[0].open("ab") as file:
        file.write(b'{"job": "torn')
    places.bring(NAME, logs[1])
    write(logs[1], [2], last)
    assert [0, 1, 2] == numbers(logs[1])


def test_parts_of_years_go_along(places, logs):
    import gzip

    places.bring(NAME, logs[0])
    last = write(logs[0], range(2))
    part = logs[0].with_name("log-2024.jsonl.gz")
    part.write_bytes(gzip.compress(logs[0].read_bytes()))
    logs[0].unlink()
    write(logs[0], [2], last)
    places.bring(NAME, logs[1])
    assert [0, 1, 2] == numbers(logs[1])


def test_a_spoilt_note_is_begun_anew(places, logs):
    places.bring(NAME, logs[0])
    places.file.write_text("[")
    again = LogPlaces(places.file.parent)
    again.bring(NAME, logs[1])
    assert [] == again.left_behind(NAME)
