"""A released picture that a corrected ticket moves is made at its new place as was decided."""

import pytest
from typer.testing import CliRunner

from batch.conftest import BOOK, picture, state, sweep, ticket
from hotfolder.cli.main import app
from whole.conftest import records

pytestmark = pytest.mark.slow


def latest(root, page):
    """The last record of the picture on a page."""
    return [each for each in records(root, BOOK) if each["placement"]["page"] == page][-1]


def sizes(record):
    return [(each["width_px"], each["height_px"]) for each in record["results"]]


def release(root, record, *options):
    done = CliRunner().invoke(app, ["release", record["job"], str(root.path), *options])
    assert 0 == done.exit_code, done.output
    sweep(root)


@pytest.fixture
def held(book):
    """Page 1 is held, as its picture has too few pixels for its size."""
    path = book.destinations / f"{BOOK}.toml"
    limit = "[stage.preflight]\nhold_below_ppi = 250\n[stage.sizing]"
    path.write_text(path.read_text().replace("[stage.sizing]", limit))
    picture(book, "reeds.tif")
    ticket(book, ["reeds.tif,1,,40 mm,,"])
    sweep(book)
    assert "held" == latest(book, "1")["state"]
    return book


@pytest.mark.parametrize(
    ("options", "changes"),
    [
        (["--long-edge", "2 mm", "--why", "small is fine"], True),
        ([], False),
    ],
    ids=["with a change", "as it is"],
)
def test_a_decision_goes_with_the_picture_to_its_new_page(held, options, changes):
    release(held, latest(held, "1"), *options)
    decided = latest(held, "1")
    assert "delivered" == decided["state"]
    ticket(held, ["reeds.tif,3,,40 mm,,"])
    sweep(held)
    moved = latest(held, "3")
    assert ("delivered", sizes(decided)) == (moved["state"], sizes(moved))
    assert decided["release"]["changes"] == moved["release"]["changes"]
    assert changes == bool(moved["release"]["changes"])
    why = "decided for page 1, before the ticket moved the picture"
    assert why in moved["release"]["why"]
    ticket(held, ["reeds.tif,4,,40 mm,,"])
    sweep(held)
    again = latest(held, "4")
    assert (sizes(decided), moved["release"]) == (sizes(again), again["release"])


@pytest.mark.parametrize(
    "rows",
    [
        ["reeds.tif,1,,40 mm,,", "reeds.tif,3,,40 mm,,"],
        ["reeds.tif,3,,60 mm,,"],
    ],
    ids=["it stays there too", "another size is asked for"],
)
def test_a_decision_is_not_taken_for_what_nobody_decided(held, rows):
    release(held, latest(held, "1"), "--long-edge", "2 mm")
    ticket(held, rows)
    sweep(held)
    assert ("held", None) == (latest(held, "3")["state"], latest(held, "3")["release"])


def test_another_picture_on_the_page_is_a_new_question(held):
    release(held, latest(held, "1"), "--long-edge", "2 mm")
    picture(held, "mud.tif", seed=2)
    ticket(held, ["mud.tif,1,,40 mm,,", "reeds.tif,2,,40 mm,,"])
    sweep(held)
    assert ("held", "delivered") == (latest(held, "1")["state"], latest(held, "2")["state"])


def test_a_picture_whose_row_is_wrong_is_not_said_to_be_named_by_none(book):
    for name in ("reeds.tif", "mud.tif", "vessels.tif"):
        picture(book, name)
    ticket(book, ["reeds.tif,1,,40 mm,,", "mud.tif,2,,4 km,,"])
    sweep(book)
    assert ("vessels.tif",) == state(book).spare


def test_a_folder_that_was_moved_by_hand_is_said_to_be_released_already(held):
    job = latest(held, "1")["job"]
    (held.path / "held" / BOOK / job).rename(held.path / "release" / BOOK / job)
    done = CliRunner().invoke(app, ["release", job, str(held.path)])
    assert "it is being released already" in str(done.exception or done.output)
