"""A batch that a person gives up: nothing more is done for it, and nobody hears of it any more."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from batch.conftest import BOOK, ended, picture, state, sweep, ticket
from hotfolder.cli.main import app
from hotfolder.ledger.jobs import read_jobs
from hotfolder.overview.status import collect
from whole.conftest import files, records

ROWS = ["reeds.tif,1,,20 mm,,", "mud.tif,2,,20 mm,,", "reeds.tif,3,,wide,,"]


def command(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture
def phantom(book):
    """A ticket that lies one folder too high: its pictures are in another batch."""
    ticket(book, ROWS, batch="")
    picture(book, "reeds.tif", seed=1)
    sweep(book)
    return book


def test_a_batch_that_was_discarded_waits_for_nothing_and_is_not_said_any_more(phantom):
    said = command("status", phantom.path).stdout
    assert f"batch {BOOK} " in said
    assert "the ticket lies in the hot folder itself" in said
    assert f"`hotfolder discard {BOOK}/{BOOK} {phantom.path}` gives this batch up" in said
    done = command("discard", f"{BOOK}/{BOOK}", phantom.path, "--why", "one folder too high")
    assert 0 == done.exit_code, done.output
    assert "3 rows" in done.stdout
    sweep(phantom)
    assert f"batch {BOOK} " not in command("status", phantom.path).stdout
    (said,) = (each for each in collect(phantom)["batches"] if each["batch"] == BOOK)
    assert (0, 0, 0) == (said["missing"], said["wrong"], said["waiting"])
    assert said["discarded_at"]
    report = phantom.path / "out" / BOOK / BOOK / "report.html"
    assert "one folder too high" in report.read_text()
    kept = ["estuary/reeds.tif", f"{BOOK}/book.csv"]
    assert kept == files(phantom.path / "originals" / BOOK)
    assert [] == files(phantom.path / "release" / BOOK)


def test_a_file_in_the_release_folder_discards_a_batch_as_well(phantom):
    (phantom.path / "release" / BOOK / f"{BOOK}.discard").touch()
    sweep(phantom)
    assert state(phantom, BOOK).discarded


def test_what_was_delivered_stays_and_what_waits_is_given_up(book):
    picture(book, "reeds.tif", seed=1)
    ticket(book, ROWS)
    sweep(book)
    before = files(book.path / "out" / BOOK)
    assert 0 == command("discard", f"{BOOK}/estuary", book.path).exit_code
    sweep(book)
    assert before == files(book.path / "out" / BOOK)
    assert [] == read_jobs(book.ledger)
    report = json.loads((book.path / "out" / BOOK / "estuary" / "report.json").read_text())
    assert (1, 0, 0) == tuple(report["counts"][word] for word in ("delivered", "missing", "wrong"))


def test_jobs_that_nobody_has_begun_are_taken_back(book):
    file = book.destinations / f"{BOOK}.toml"
    file.write_text('hours = "22:00-06:00"\n' + file.read_text())
    noon = 1764331200.0
    picture(book, "reeds.tif", seed=1)
    ticket(book, ROWS)
    sweep(book, clock=lambda: noon)
    assert 1 == len(read_jobs(book.ledger))
    assert 0 == command("discard", f"{BOOK}/estuary", book.path).exit_code
    sweep(book, clock=lambda: noon)
    assert [] == read_jobs(book.ledger)
    assert [] == records(book, BOOK)


def test_a_new_ticket_brings_a_batch_back_and_a_picture_alone_does_not(book):
    ticket(book, ROWS)
    sweep(book)
    assert 0 == command("discard", f"{BOOK}/estuary", book.path).exit_code
    sweep(book)
    picture(book, "reeds.tif", seed=1)
    sweep(book)
    assert state(book).discarded
    assert [] == ended(book)
    ticket(book, ROWS[:1])
    sweep(book)
    assert not state(book).discarded
    assert 1 == len(ended(book))


def test_a_batch_that_is_not_there_is_an_error_that_names_those_that_are(phantom):
    done = command("discard", f"{BOOK}/nowhere", phantom.path)
    assert 0 != done.exit_code
    assert "estuary" in str(done.exception)


def test_a_file_that_names_no_batch_stays_and_is_said(phantom):
    (phantom.path / "release" / BOOK / "nowhere.discard").touch()
    sweep(phantom)
    assert (phantom.path / "release" / BOOK / "nowhere.discard").exists()


def test_a_held_picture_is_discarded_by_its_name(book):
    picture(book, "reeds.tif", seed=1)
    said = command("discard", "nobody.tif", book.path)
    assert "no held job is called so" in str(said.exception)
