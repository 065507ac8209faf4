"""Tickets and pictures dropped into a hot folder, and what comes out."""

from __future__ import annotations

import hashlib
import time
from pathlib import Path

import pytest
import tifffile

from batch.conftest import BOOK, ended, picture, state, sweep, ticket
from hotfolder.batch.desk import name_batch
from hotfolder.disk import names
from hotfolder.ledger.jobs import read_jobs
from whole.conftest import drop, files, records

pytestmark = pytest.mark.slow

ROWS = ["reeds.tif,1,left,40 mm,30 mm,Reeds", "mud.tif,2,,20 mm,,", "reeds,2,,30 mm,,"]


def out(root):
    return [name for name in files(root.path / "out" / BOOK) if name.endswith(".tif")]


def of_page(root, page):
    return [each for each in records(root, BOOK) if each["placement"]["page"] == page]


@pytest.fixture
def done(book):
    picture(book, "reeds.tif", seed=1)
    picture(book, "mud.tif", seed=2)
    ticket(book, ROWS)
    sweep(book)
    return book


def test_every_placement_comes_out_at_its_own_size_and_name(done):
    expected = ["estuary/001-left.tif", "estuary/002-1.tif", "estuary/002-2.tif"]
    assert expected == out(done)
    # mm / 25.4 × 100 ppi; 40 × 30 mm is covered, 20 and 30 mm are widths of pictures 3 : 2
    sizes = [tifffile.imread(done.path / "out" / BOOK / name).shape[:2] for name in expected]
    assert [(118, 157), (53, 79), (79, 118)] == sizes


def test_one_original_is_kept_once_for_many_placements(done):
    kept = done.path / "originals" / BOOK
    assert ["estuary/book.csv", "estuary/mud.tif", "estuary/reeds.tif"] == files(kept)
    one, two = (record for record in records(done, BOOK) if "reeds" in record["original"]["name"])
    assert one["original_kept"] == two["original_kept"] == str(kept / "estuary/reeds.tif")
    assert [] == files(done.path / "in" / BOOK)
    assert [] == list(done.spool.iterdir())


def test_the_record_says_which_row_it_was(done):
    (record,) = of_page(done, "1")
    assert ("estuary", 2, "left", "Reeds") == (
        record["batch"],
        record["placement"]["row"],
        record["placement"]["placement"],
        record["placement"]["caption"],
    )
    assert "40 mm" == record["placement"]["changes"]["sizing"]["width"]


def test_a_caption_is_written_into_the_result(done):
    with tifffile.TiffFile(done.path / "out" / BOOK / "estuary/001-left.tif") as tiff:
        assert "Reeds" == tiff.pages[0].tags["ImageDescription"].value


@pytest.mark.parametrize("first", ["ticket", "pictures"])
def test_the_ticket_may_come_before_its_pictures_or_after(book, first):
    drops = [
        lambda: ticket(book, ROWS),
        lambda: (picture(book, "reeds.tif", seed=1), picture(book, "mud.tif", seed=2)),
    ]
    for dropped in drops if first == "ticket" else drops[::-1]:
        dropped()
        sweep(book)
    assert 3 == len(out(book))


def test_a_batch_may_lie_in_the_hot_folder_itself(book):
    picture(book, "reeds.tif", batch="")
    ticket(book, ["reeds.tif,1,,20 mm,,"], batch="")
    sweep(book)
    assert [f"{BOOK}/001-1.tif"] == out(book)


def test_rows_without_a_picture_and_pictures_without_a_row_are_known_and_the_rest_goes_on(book):
    picture(book, "reeds.tif")
    picture(book, "spare.tif", seed=3)
    ticket(book, [ROWS[0], "nowhere.tif,3,,20 mm,,", "reeds.tif,4,,wide,,"])
    sweep(book)
    found = state(book)
    assert ["estuary/001-left.tif"] == out(book)
    assert [(3, True)] == [(line.row, line.missing) for line in found.lines if line.problem]
    assert [(4, "width")] == [(fault.row, fault.column) for fault in found.faults]
    assert ("spare.tif",) == found.spare


def test_a_corrected_ticket_does_only_what_changed(done):
    before = {record["job"] for record in records(done, BOOK)}
    ticket(done, [ROWS[0], "mud.tif,2,,25 mm,,", ROWS[2], "mud.tif,3,,20 mm,,"])
    sweep(done)
    made = [record for record in records(done, BOOK) if record["job"] not in before]
    made.sort(key=lambda each: each["placement"]["page"])
    assert [("2", "1"), ("3", "1")] == [
        (each["placement"]["page"], each["placement"]["placement"]) for each in made
    ]
    assert ["estuary/002-1.tif", "estuary/003-1.tif"] == [
        str(Path(each["results"][0]["path"]).relative_to(done.path / "out" / BOOK)) for each in made
    ]


def test_the_same_ticket_again_does_nothing(done):
    ticket(done, ROWS)
    sweep(done)
    assert 3 == len(records(done, BOOK))
    assert 3 == len([line for line in state(done).lines if line.job])


def test_a_picture_that_comes_again_changed_is_done_again_where_it_stands(done):
    picture(done, "mud.tif", seed=9)
    sweep(done)
    assert 4 == len(ended(done))
    assert "estuary/mud-2.tif" in files(done.path / "originals" / BOOK)


def test_the_same_picture_again_is_kept_once_and_nothing_is_done(done):
    picture(done, "mud.tif", seed=2)
    sweep(done)
    assert 3 == len(records(done, BOOK))
    assert 3 == len(files(done.path / "originals" / BOOK))
    assert [] == list(done.spool.iterdir())


def test_a_picture_dropped_again_under_another_name_is_found_under_both(book):
    picture(book, "reeds.tif")
    picture(book, "reeds copy.tif")
    ticket(book, ["reeds.tif,1,,20 mm,,", "Reeds Copy.TIF,2,,20 mm,,"])
    sweep(book)
    assert 2 == len(out(book))


def test_a_name_that_could_mean_two_pictures_is_said(book):
    picture(book, "a/reeds.tif", seed=1)
    picture(book, "b/reeds.tif", seed=2)
    ticket(book, ["reeds.tif,1,,20 mm,,", "b/reeds.tif,2,,20 mm,,"])
    sweep(book)
    assert "2 pictures match: a/reeds.tif, b/reeds.tif" in state(book).lines[0].problem
    assert ["estuary/002-1.tif"] == out(book)


def test_what_the_destination_cannot_do_is_said_of_the_row(book):
    path = book.destinations / f"{BOOK}.toml"
    text = path.read_text().replace('"profile-conversion", ', "")
    path.write_text(text)
    picture(book, "reeds.tif")
    header = "file,page,intent"
    ticket(book, ["reeds.tif,1,perceptual", "reeds.tif,2,"], header=header)
    sweep(book)
    assert "no stage profile-conversion" in state(book).lines[0].problem
    assert ["estuary/002-1.tif"] == out(book)


def test_a_file_that_is_no_ticket_leaves_the_one_before_in_force(done):
    ticket(done, ["x"], header="caption")
    sweep(done)
    found = state(done)
    assert "no column file" in found.ticket_problem
    assert 3 == len([line for line in found.lines if line.job])


def test_a_held_placement_keeps_its_result_and_is_released_as_any_other(book):
    path = book.destinations / f"{BOOK}.toml"
    text = path.read_text().replace(
        "[stage.sizing]", "[stage.preflight]\nhold_below_ppi = 250\n[stage.sizing]"
    )
    path.write_text(text)
    picture(book, "reeds.tif")
    ticket(book, ["reeds.tif,1,,40 mm,,", "reeds.tif,2,,2 mm,,"])
    sweep(book)
    held = next(each for each in records(book, BOOK) if each["state"] == "held")
    folder = book.path / "held" / BOOK / held["job"]
    original = hashlib.sha256((folder / "reeds.tif").read_bytes()).hexdigest()
    assert held["original"]["sha256"] == original
    assert Path(held["placement"]["kept"]).exists()
    folder.rename(book.path / "release" / BOOK / held["job"])
    sweep(book)
    assert ["estuary/001-1.tif", "estuary/002-1.tif"] == out(book)
    released = records(book, BOOK)[-1]
    assert ("delivered", "1") == (released["state"], released["placement"]["page"])
    assert released["original_kept"] == held["placement"]["kept"]
    assert [] == files(book.path / "release" / BOOK)


def test_an_original_that_was_taken_away_waits_and_goes_on_when_it_comes_again(book):
    picture(book, "reeds.tif")
    sweep(book)
    (book.path / "originals" / BOOK / "estuary/reeds.tif").unlink()
    ticket(book, ["reeds.tif,1,,20 mm,,"])
    daemon = sweep(book)
    assert "has changed since it arrived" in daemon.troubles()[0]
    picture(book, "reeds.tif")
    sweep(book)
    assert ["estuary/001-1.tif"] == out(book)
    assert [] == read_jobs(book.ledger)


def test_a_folder_named_like_a_file_of_its_batch_keeps_nothing_waiting(book):
    picture(book, "mud", seed=1)
    sweep(book)
    picture(book, "mud/reeds.tif", seed=2)
    assert sweep(book).troubles() == []
    assert ["estuary/mud", "estuary/mud-2/reeds.tif"] == files(book.path / "originals" / BOOK)


def test_what_is_no_file_is_refused_as_anywhere(book):
    folder = book.path / "in" / BOOK / "estuary/odd.tif"
    folder.mkdir(parents=True)
    sweep(book)
    assert ["a-folder"] == [each["reasons"][0]["code"] for each in records(book, BOOK)]


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ("spring/a.tif", ("spring", "a.tif")),
        ("spring/plates/a.tif", ("spring", "plates/a.tif")),
        ("a.tif", ("pages", "a.tif")),
        ("sheets/a.tif", ("_sheets", "a.tif")),
        ("Log.jsonl/a.tif", ("_Log.jsonl", "a.tif")),
    ],
)
def test_a_batch_is_the_first_folder(source, expected):
    assert expected == name_batch(source, "pages")


@pytest.mark.parametrize(
    ("one", "other"),
    [("x" * 130 + "1", "x" * 130 + "2"), ("a:b", "a?b"), ("a", "a "), ("..", "unnamed")],
)
def test_two_folders_are_two_batches_though_what_tells_them_apart_is_in_no_safe_name(one, other):
    batches = [name_batch(f"{each}/a.tif", "pages")[0] for each in (one, other)]
    assert 2 == len(set(batches))
    assert batches == [names.safe_component(each) for each in batches]


def test_after_a_lost_ledger_nothing_is_done_twice(done):
    for path in done.private.glob("ledger.sqlite*"):
        path.unlink()
    picture(done, "reeds.tif", seed=1)
    picture(done, "mud.tif", seed=2)
    ticket(done, [*ROWS, "mud.tif,9,,20 mm,,"])
    sweep(done)
    assert ["9"] == [record["placement"]["page"] for record in records(done, BOOK)[3:]]


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda book: drop(book, "reeds.tif", size=24), "1 file waits for a ticket"),
        (lambda book: ticket(book, ["a,b"], header="Wert,Datum"), "It has no column file"),
        (
            lambda book: (book.path / "in" / BOOK / "book.xlsx").write_bytes(b"PK nothing"),
            "The workbook is damaged",
        ),
        (
            lambda book: (picture(book, "reeds.tif"), ticket(book, ["reeds.tif,1,,wide,,"])),
            "1 row is wrong",
        ),
    ],
    ids=["loose picture", "columns", "workbook", "row"],
)
def test_what_is_not_understood_is_said_and_counts(book, hotfolder, make, said):
    make(book)
    done = hotfolder("sweep", book.path)
    assert 3 == done.returncode, done.stdout + done.stderr
    assert said in done.stdout
    status = hotfolder("status", book.path).stdout
    assert said in status.partition("For you to do:")[2]
    # it is said by the sweep that found it; status goes on saying it. When it was found is known to
    # the second
    found_by = int(time.time())
    while int(time.time()) == found_by:
        time.sleep(0.01)
    assert 0 == hotfolder("sweep", book.path).returncode
