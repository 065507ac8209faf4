"""What was measured, at the desk: how each medium stands, and one of them with its pictures."""

from datetime import UTC, datetime

import pytest

from hotfolder.measured.book import Book
from hotfolder.measured.records import DriftSeen, Photographed
from hotfolder_demo.measured_story import NAME, tell_story

pytestmark = pytest.mark.whole


def test_a_medium_that_was_never_measured_says_so(client, root):
    assert "never" in client.get("/measured").text
    page = client.get(f"/measured/{NAME}")
    assert 200 == page.status_code
    assert "Nothing was measured yet" in page.text
    assert f"<code>hotfolder strip --control --for {NAME} {root.path}</code>" in page.text
    assert 404 == client.get("/measured/nowhere").status_code


def test_a_medium_that_has_drifted_names_the_pictures_since(client, root):
    tell_story(root, datetime.now(UTC), to_its_end=False)
    assert "drifted" in client.get("/measured").text
    page = client.get(f"/measured/{NAME}").text
    assert "b* of the paper" in page
    assert "1 picture was delivered since" in page
    assert "tide.tif</a>" in page
    assert "style=" not in page  # its policy admits none
    off = client.get("/audit?medium_off=yes")
    assert 200 == off.status_code
    assert "made while their medium was off" in off.text
    assert "tide.tif" in off.text
    assert "checked> delivered while" in off.text


def test_what_photographs_said_stands_apart(client, root):
    book = Book(root, NAME)
    said = Photographed(
        destination=NAME, strip="0123abcd", profile_sha256="0" * 64, file="two.jpg",
        kept="kept/photographs/two.jpg", sha256="1" * 64, judged="2026-11-28T10:00:00Z",
        against=None, mean_delta_e_00=1.2, words=("Beside it: yellower.", "No verdict."),
        drift={"paper_b": DriftSeen(value=2.1, uncertainty=0.8, seen=True)},
    )  # fmt: skip
    book.append_photograph(said)
    page = client.get(f"/measured/{NAME}").text
    assert "Nothing was measured yet" in page
    assert "<b>+2.1</b>" in page
    assert "± 0.8" in page
    assert "Beside it: yellower." in page
    assert [] == book.read()
