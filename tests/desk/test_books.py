"""A batch at the desk: its pages, what is wrong before the night, a row that is corrected."""

import io
import re
import shutil
import time
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from batch.conftest import BOOK, as_book, picture, state, sweep, ticket
from desk.conftest import HOME, PORT, come_in, token_of
from faults.killing import run_here
from hotfolder.desk.access import Access
from hotfolder.desk.app import Desk
from hotfolder.desk.book_reading import BookRow, lay_out
from hotfolder.settings.root import Root
from roots import make_quick_root

pytestmark = pytest.mark.whole
AT = f"/batch/{BOOK}/estuary"
DEADLINE_S = 120
ROWS = [
    "reeds.tif,2,,20 mm,,<b>tide</b>",
    "reeds.tif,3,,20 mm,20 mm,",
    "mud.tif,4,,wide,,",
    "gone.tif,5,,20 mm,,",
]


@pytest.fixture(scope="session")
def printed(tmp_path_factory, profiles):
    """A batch of which one row is delivered on each side, one is wrong, one has no picture."""
    book = as_book(make_quick_root(tmp_path_factory.mktemp("books") / "root", profiles))
    picture(book, "reeds.tif")
    picture(book, "mud.tif", seed=2)
    ticket(book, ROWS)
    sweep(book)
    return book


@pytest.fixture
def book(printed, tmp_path):
    return Root(Path(shutil.copytree(printed.path, tmp_path / "book")))


@pytest.fixture
def access():
    return Access("http", PORT, ("127.0.0.1", "localhost"))


@pytest.fixture
def client(book, access):
    made = TestClient(Desk(book, access).app, base_url=HOME, follow_redirects=False)
    come_in(made, access)
    return made


def test_pages_face_each_other_in_order_and_what_is_wrong_is_a_sentence(client):
    page = client.get(AT).text
    left, right = page.index("Page 2"), page.index("Page 3")
    assert left < right < page.index("Page 4")
    assert "The column width says &#34;wide&#34;. It takes a number and its unit" in page
    assert "No picture of this name has arrived: gone.tif." in page
    assert "allowed:" not in page
    assert "&lt;b&gt;tide" in page
    assert "<b>tide" not in page
    assert f'href="{AT}"' in client.get("/batches").text
    assert 404 == client.get(f"/batch/{BOOK}/nothing").status_code


def row_of(page, number=1):
    return BookRow(
        number, str(page), "1", "a.tif", "waiting", (), (), "", "", "", "", "", 1, "", ""
    )


def test_an_even_page_lies_left_and_the_next_odd_one_right():
    found = lay_out([row_of(page) for page in ("3", "1", "10", "2", "iv", "7")])
    sides = [tuple(side and side.label for side in (each.left, each.right)) for each in found]
    assert [("iv", None), (None, "1"), ("2", "3"), (None, "7"), ("10", None)] == sides


def correct(client, row, **cells):
    page = client.get(f"{AT}/row/{row}").text
    seen = re.search(r'name="seen" value="([^"]+)"', page)[1]
    data = {"token": token_of(page), "seen": seen, **cells}
    return client.post(f"{AT}/row/{row}", data=data)


def test_a_corrected_row_is_dropped_as_a_ticket_and_only_that_is_done(client, book):
    before = {line.row: line.job for line in state(book).lines}
    wrong = correct(client, 4, width="broad")
    assert (409, True) == (wrong.status_code, "The column width says" in wrong.text)
    assert 'value="broad"' in wrong.text
    answer = correct(client, 4, width="30 mm", caption="low tide")
    assert (200, True) == (answer.status_code, "Row 4 is corrected" in answer.text)
    second = client.get(f"{AT}/row/2").text
    assert "later ticket is just being taken in" in second
    sweep(book)
    after = {line.row: line for line in state(book).lines}
    assert before[2] == after[2].job
    assert (30.0, "low tide", "") == (after[4].width_mm, after[4].caption, after[4].problem)
    assert "&#34;wide" not in client.get(AT).text


def test_of_two_who_correct_at_once_the_second_is_told(client, book, access):
    other = TestClient(client.app, base_url=HOME, follow_redirects=False)
    come_in(other, access)
    pages = [each.get(f"{AT}/row/4").text for each in (client, other)]
    assert 200 == correct(client, 4, width="30 mm").status_code
    seen = re.search(r'name="seen" value="([^"]+)"', pages[1])[1]
    data = {"token": token_of(pages[1]), "seen": seen, "width": "40 mm"}
    for _ in range(2):
        late = other.post(f"{AT}/row/4", data=data)
        assert (409, True) == (late.status_code, "Another ticket has come" in late.text)
        sweep(book)
    assert 30.0 == next(line.width_mm for line in state(book).lines if line.row == 4)


def test_results_come_as_one_file_and_what_has_gone_is_named(client, book):
    (first, second) = sorted((book.path / "out" / BOOK / "estuary").glob("*.tif"))
    whole = zipfile.ZipFile(io.BytesIO(client.get(f"{AT}/results.zip").content))
    assert (None, [first.name, second.name]) == (whole.testzip(), sorted(whole.namelist()))
    assert first.read_bytes() == whole.read(first.name)
    assert {zipfile.ZIP_STORED} == {each.compress_type for each in whole.infolist()}
    second.unlink()
    rest = zipfile.ZipFile(io.BytesIO(client.get(f"{AT}/results.zip").content))
    assert sorted([first.name, "not-there.txt"]) == sorted(rest.namelist())
    assert second.name in rest.read("not-there.txt").decode()


def test_a_picture_is_dropped_into_the_batch_and_nowhere_else(client, book):
    token = token_of(client.get(AT).text)
    headers = {"x-desk-token": token}
    source = book.path / "originals" / BOOK / "estuary/mud.tif"
    put = f"/drop/{BOOK}/estuary"
    answer = client.put(
        put, params={"called": "../gone.tif"}, content=source.read_bytes(), headers=headers
    )
    assert (201, "gone.tif\n") == (answer.status_code, answer.text)
    assert (book.path / "in" / BOOK / "estuary/gone.tif").is_file()
    for name in ("..", "%2e%2e%2fout", ".hidden", "a%3Ab"):
        bad = client.put(f"/drop/{BOOK}/{name}", params={"called": "a.tif"}, content=b"a",
                         headers=headers)  # fmt: skip
        assert bad.status_code in {404, 405}, name
    sweep(book)
    assert not next(line for line in state(book).lines if line.row == 5).missing


def test_what_a_row_will_be_held_for_is_known_before_the_night(client, book, monkeypatch):
    monkeypatch.setattr("hotfolder.work.trial.run_attempt", run_here)
    later = [datetime.now(UTC).astimezone() + timedelta(hours=hours) for hours in (6, 7)]
    rests = "-".join(f"{each:%H:%M}" for each in later)
    file = book.destinations / f"{BOOK}.toml"
    text = file.read_text().replace(
        "[stage.sizing]", "[stage.preflight]\nhold_below_ppi = 25\n[stage.sizing]"
    )
    file.write_text(text.replace("title =", f'hours = "{rests}"\ntitle ='))
    ticket(book, ["reeds.tif,2,,900 mm,,", "mud.tif,3,,20 mm,,"])
    sweep(book)
    ends = time.monotonic() + DEADLINE_S
    while "still looking" in (page := client.get(AT).text):
        assert time.monotonic() < ends
        time.sleep(0.05)
    assert "to be settled before the night" in page
    assert re.search(r"Row 2</a>, page 2, reeds.tif: At 900 × \d+ mm", page)
    assert "Row 3</a>, page" not in page
