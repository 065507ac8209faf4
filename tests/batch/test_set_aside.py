"""A corrected ticket: each name holds what the ticket asks for, and what it held is set aside."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from batch.conftest import BOOK, picture, state, sweep, ticket
from hotfolder.cli.main import app
from hotfolder.ledger.jobs import read_jobs
from hotfolder.overview.status import collect
from whole.conftest import files, records

pytestmark = pytest.mark.slow

PAGES = ["reeds.tif,1,,20 mm,,", "mud.tif,2,,20 mm,,", "vessels.tif,3,,20 mm,,"]


def sha256_of(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def pictures_in(folder):
    """Names of the pictures in a folder, with the hash of each."""
    return {path.name: sha256_of(path) for path in sorted(folder.glob("*.tif"))}


def folder_of(root):
    return root.path / "out" / BOOK / "estuary"


def aside_of(root):
    return root.path / "out" / BOOK / "superseded" / "estuary"


def report(root):
    return json.loads((folder_of(root) / "report.json").read_text())


def check_names(root):
    """Each name in the batch's folder holds what the ticket asks for under it, and no other is."""
    latest = {each["job"]: each for each in records(root, BOOK)}
    asked = {}
    for line in state(root).lines:
        record = latest.get(line.job)
        if record and record["state"] == "delivered":
            assert (line.picture, line.page) == (
                record["placement"]["file"],
                record["placement"]["page"],
            )
            asked[f"{line.name}.tif"] = record["results"][0]["sha256"]
    assert asked == pictures_in(folder_of(root))
    assert [] == read_jobs(root.ledger)
    assert [] == list(root.spool.iterdir())
    return asked


def swap(*order):
    """The pages, each with another one's picture."""
    names = [row.split(",")[0] for row in PAGES]
    return [
        ",".join([names[number], *row.split(",")[1:]])
        for number, row in zip(order, PAGES, strict=True)
    ]


def verify(root):
    """What `audit --verify` says, and its exit code."""
    done = CliRunner().invoke(app, ["audit", str(root.path), "--verify"])
    return done.exit_code, done.stdout


@pytest.fixture
def done(book):
    for seed, name in enumerate(("reeds.tif", "mud.tif", "vessels.tif"), 1):
        picture(book, name, seed=seed)
    ticket(book, PAGES)
    sweep(book)
    check_names(book)
    return book


@pytest.mark.parametrize("order", [(1, 0, 2), (1, 2, 0)], ids=["two", "three"])
def test_pages_that_change_places_leave_each_name_with_the_page_that_is_asked_for(done, order):
    before = pictures_in(folder_of(done))
    ticket(done, swap(*order))
    sweep(done)
    after = check_names(done)
    assert list(before) == list(after)
    moved = {f"{page:03}-1.tif" for page, number in enumerate(order, 1) if page - 1 != number}
    assert {name: before[name] for name in moved} == pictures_in(aside_of(done))
    assert (0, True) == (verify(done)[0], "Everything is as recorded." in verify(done)[1])


def test_a_page_that_no_row_asks_for_is_set_aside_and_said(done):
    before = pictures_in(folder_of(done))
    ticket(done, PAGES[:2])
    sweep(done)
    assert {"001-1.tif", "002-1.tif"} == set(check_names(done))
    assert {"003-1.tif": before["003-1.tif"]} == pictures_in(aside_of(done))
    (said,) = report(done)["results_set_aside"]
    assert ("3", "vessels.tif", "003-1.tif", "../superseded/estuary/003-1.tif") == tuple(
        said[key] for key in ("page", "picture", "was", "now")
    )
    assert "superseded/estuary/003-1.tif" in (folder_of(done) / "report.html").read_text()
    (batch,) = collect(done)["batches"]
    assert 1 == batch["set_aside"]
    (record,) = (each for each in records(done, BOOK) if each["superseded"])
    assert str(aside_of(done) / "003-1.tif") == record["results"][0]["path"]
    assert "book.csv" == record["superseded"]["ticket"]


def test_a_page_put_in_before_moves_the_others_on(done):
    before = pictures_in(folder_of(done))
    picture(done, "dawn.tif", seed=7)
    ticket(
        done,
        ["dawn.tif,1,,20 mm,,", "reeds.tif,2,,20 mm,,", "mud.tif,3,,20 mm,,", "vessels,4,,20 mm,,"],
    )
    sweep(done)
    assert 4 == len(check_names(done))
    assert before == pictures_in(aside_of(done))


def test_pages_that_change_back_are_right_again(done):
    first = pictures_in(folder_of(done))
    for order in ((1, 0, 2), (0, 1, 2), (1, 0, 2)):
        ticket(done, swap(*order))
        sweep(done)
        check_names(done)
    assert first["003-1.tif"] == pictures_in(folder_of(done))["003-1.tif"]
    assert 6 == len(pictures_in(aside_of(done)))
    assert 0 == verify(done)[0]


def test_a_result_that_was_collected_is_said_to_have_been(done):
    (folder_of(done) / "001-1.tif").unlink()
    ticket(done, swap(1, 0, 2))
    sweep(done)
    check_names(done)
    assert ["002-1.tif"] == list(pictures_in(aside_of(done)))
    said = {each["was"]: each["now"] for each in report(done)["results_set_aside"]}
    assert {"001-1.tif": "", "002-1.tif": "../superseded/estuary/002-1.tif"} == said
    assert "collected" in (folder_of(done) / "report.html").read_text()
    assert 0 == verify(done)[0]


def test_a_result_that_a_person_has_edited_is_kept_as_edited(done):
    edited = folder_of(done) / "001-1.tif"
    edited.write_bytes(edited.read_bytes() + b"retouched")
    sha256 = sha256_of(edited)
    ticket(done, swap(1, 0, 2))
    sweep(done)
    check_names(done)
    assert sha256 == pictures_in(aside_of(done))["001-1.tif"]
    said = {each["was"]: each["edited"] for each in report(done)["results_set_aside"]}
    assert {"001-1.tif": True, "002-1.tif": False} == said
    assert 0 == verify(done)[0]


def test_a_file_of_somebody_elses_under_a_name_that_is_asked_for_is_set_aside(done):
    (folder_of(done) / "004-1.tif").write_bytes(b"a sketch of page four")
    ticket(done, [*PAGES, "mud.tif,4,,20 mm,,"])
    sweep(done)
    assert "004-1.tif" in check_names(done)
    assert b"a sketch of page four" == (aside_of(done) / "004-1.tif").read_bytes()
    (said,) = report(done)["results_set_aside"]
    assert ("004-1.tif", "", "../superseded/estuary/004-1.tif") == (
        said["was"], said["job"], said["now"],
    )  # fmt: skip


def test_a_page_whose_new_picture_is_missing_does_not_show_the_old_one(done):
    ticket(done, ["dawn.tif,1,,20 mm,,", *PAGES[1:]])
    sweep(done)
    assert {"002-1.tif", "003-1.tif"} == set(check_names(done))
    assert ["001-1.tif"] == list(pictures_in(aside_of(done)))


def test_a_row_that_is_wrong_keeps_what_was_made_of_the_same_picture(done):
    before = pictures_in(folder_of(done))
    ticket(done, ["reeds.tif,1,,wide,,", *PAGES[1:]])
    sweep(done)
    assert before == pictures_in(folder_of(done))
    ticket(done, PAGES)
    sweep(done)
    assert 3 == len(records(done, BOOK))
    check_names(done)


def test_a_held_page_that_is_released_after_its_place_was_given_away_takes_no_name(book):
    file = book.destinations / f"{BOOK}.toml"
    limit = "[stage.preflight]\nhold_below_ppi = 25\n[stage.sizing]"
    file.write_text(file.read_text().replace("[stage.sizing]", limit))
    picture(book, "reeds.tif", seed=1)
    picture(book, "mud.tif", seed=2)
    ticket(book, ["reeds.tif,1,,60 mm,,"])
    sweep(book)
    (held,) = (each["job"] for each in records(book, BOOK))
    ticket(book, ["mud.tif,1,,20 mm,,"])
    sweep(book)
    (book.path / "held" / BOOK / held).rename(book.path / "release" / BOOK / held)
    sweep(book)
    check_names(book)
    assert ["001-1.tif"] == list(pictures_in(aside_of(book)))
    assert 0 == verify(book)[0]


def test_rows_whose_names_are_the_same_on_disk_get_them_in_the_order_of_rows(book):
    picture(book, "reeds.tif", seed=1)
    ticket(book, ["reeds.tif,1,a/b,20 mm,,", "reeds.tif,1,a:b,30 mm,,"])
    sweep(book)
    first = [line.name for line in state(book).lines]
    assert [first[0], f"{first[0]}-2"] == first
    assert 2 == len(check_names(book))


def test_no_batch_is_called_like_the_folder_of_what_was_set_aside(book):
    picture(book, "reeds.tif", batch="superseded")
    ticket(book, ["reeds.tif,1,,20 mm,,"], batch="superseded")
    sweep(book)
    found = [name for name in files(book.path / "out" / BOOK) if name.endswith(".tif")]
    assert ["_superseded/001-1.tif"] == found


def test_a_folder_in_the_way_of_a_name_keeps_nothing_waiting(done):
    (folder_of(done) / "004-1.tif").mkdir()
    ticket(done, [*PAGES, "mud.tif,4,,20 mm,,"])
    sweep(done)
    assert [] == read_jobs(done.ledger)
    assert Path(folder_of(done) / "004-1-2.tif").is_file()
