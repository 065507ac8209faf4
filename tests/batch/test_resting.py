"""Batches that have ended rest: only a drop plans them again, and only what is new is done."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from batch.conftest import BOOK, ended, picture, state, sweep, ticket
from hotfolder.batch.desk import Desk
from hotfolder.batch.folder import BatchFolders
from hotfolder.ending import discard
from whole.conftest import files, records

pytestmark = pytest.mark.slow

ROWS = ["reeds.tif,1,left,40 mm,30 mm,Reeds", "mud.tif,2,,20 mm,,"]
PRICE = ('viewing_distance = "2 m"', 'viewing_distance = "2 m"\ncost_per_square_metre = "9 EUR"')
PIXELS = ('viewing_distance = "2 m"', 'viewing_distance = "1 m"')
JUDGING = ("[stage.sizing]", "[stage.preflight]\nwarn_below_ppi = 1\n[stage.sizing]")
OVERRULED = ('long_edge = "8 cm"', 'long_edge = "9 cm"')
SAME_IN_OTHER_WORDS = ('viewing_distance = "2 m"', 'viewing_distance = "200 cm"')
PPI = ("ppi = 100", "ppi = 120")


@pytest.fixture
def done(book):
    picture(book, "reeds.tif", seed=1)
    picture(book, "mud.tif", seed=2)
    ticket(book, ROWS)
    sweep(book)
    assert 2 == len(records(book, BOOK))
    return book


def change(root, old, new):
    path = root.destinations / f"{BOOK}.toml"
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new))


@pytest.mark.parametrize("changed", [PRICE, PIXELS, PPI])
def test_a_setting_and_a_restart_make_no_batch_anew(done, changed):
    shutil.rmtree(done.path / "out" / BOOK / "estuary")  # collected long ago
    before = state(done)
    change(done, *changed)
    sweep(done)
    assert 2 == len(records(done, BOOK))
    assert before == state(done)


def test_the_report_of_a_batch_that_has_ended_is_not_made_anew_at_a_start(done):
    shutil.rmtree(done.path / "out" / BOOK / "estuary")
    sweep(done)
    assert [] == files(done.path / "out" / BOOK)


@pytest.mark.parametrize("changed", [PRICE, JUDGING, OVERRULED, SAME_IN_OTHER_WORDS])
def test_the_ticket_again_after_a_change_that_no_pixel_depends_on_does_nothing(done, changed):
    change(done, *changed)
    ticket(done, ROWS)
    sweep(done)
    assert 2 == len(records(done, BOOK))


@pytest.mark.parametrize("changed", [PPI, ('format = "tiff"', 'format = "tiff"\nbits = 8')])
def test_the_ticket_again_after_a_change_of_pixels_does_them_anew_once(done, changed):
    change(done, *changed)
    for _ in range(2):
        ticket(done, ROWS)
        sweep(done)
        assert 4 == len(ended(done))


def test_another_profile_under_the_same_name_counts_when_a_person_asks(done):
    (done.profiles / "matte-canvas.icc").write_bytes((done.profiles / "srgb.icc").read_bytes())
    sweep(done)
    assert 2 == len(records(done, BOOK))
    ticket(done, ROWS)
    sweep(done)
    assert 4 == len(ended(done))


def test_what_was_done_with_settings_that_had_changed_since_the_plan_is_not_done_again(book):
    change(book, 'title = "Fine-art canvas"', 'title = "Canvas"\nhours = "22:00-06:00"')
    picture(book, "reeds.tif", seed=1)
    picture(book, "mud.tif", seed=2)
    ticket(book, ROWS)
    noon = datetime.now().astimezone().replace(hour=12, minute=0).timestamp()
    sweep(book, clock=lambda: noon)
    assert [] == records(book, BOOK)
    change(book, *PPI)
    sweep(book, keep_hours=False)
    ticket(book, ROWS)
    sweep(book, keep_hours=False)
    assert 2 == len(records(book, BOOK))


def test_a_batch_whose_files_came_just_before_a_kill_is_planned_at_the_next_start(
    book, monkeypatch
):
    picture(book, "reeds.tif", seed=1)
    ticket(book, ROWS[:1])
    with monkeypatch.context() as patch:
        patch.setattr(Desk, "plan", lambda *_: [])
        sweep(book)
    sweep(book)
    assert 1 == len(records(book, BOOK))


def test_a_report_that_a_kill_left_behind_is_made_at_the_next_start(book, monkeypatch):
    picture(book, "reeds.tif", seed=1)
    ticket(book, ROWS[:1])
    with monkeypatch.context() as patch:
        patch.setattr(BatchFolders, "refresh", lambda *_, **__: None)
        sweep(book)
    report = book.path / "out" / BOOK / "estuary" / "report.json"
    assert not report.exists()
    sweep(book)
    assert '"delivered": 1' in report.read_text()


def test_a_picture_that_comes_again_after_its_job_was_given_up_counts_though_the_clock_ran_back(
    book, monkeypatch
):
    change(book, "[stage.sizing]", "[stage.preflight]\nhold_below_ppi = 5000\n[stage.sizing]")
    picture(book, "reeds.tif", seed=1)
    ticket(book, ROWS[:1])
    sweep(book)
    (record,) = records(book, BOOK)
    shutil.rmtree(Path(record["original_kept"]).parent)

    class Ahead(datetime):
        @classmethod
        def now(cls, tz=None):
            return datetime.now(UTC) + timedelta(days=2)

    with monkeypatch.context() as patch:
        patch.setattr(discard, "datetime", Ahead)
        sweep(book)
    assert [None, True] == [each["discarded"] and True for each in records(book, BOOK)]
    picture(book, "reeds.tif", seed=1)
    sweep(book)
    assert 3 == len(records(book, BOOK))
