"""Manifest and morning report, read back from the batch's folder."""

from __future__ import annotations

import html
import json
import re
import shlex
import shutil

import pytest
import tifffile

from batch.conftest import BOOK, picture, sweep, table, ticket
from hotfolder.batch.facts import collect_facts
from hotfolder.batch.shelf import Line
from hotfolder.batch.standing import Standing
from hotfolder.ledger.jobs import JobRow, State
from hotfolder.model.records import OriginalRecord, to_json_line
from model.test_records import record
from whole.conftest import records

pytestmark = pytest.mark.slow

ROWS = [
    "reeds.tif,2,left,40 mm,30 mm,=1+1",
    "mud.tif,3,,20 mm,,<b>mud</b>",
    "<b>nowhere</b>.tif,4,,20 mm,,",
    "reeds.tif,5,,wide,,",
    "reeds.tif,6,,60 mm,,",
]


@pytest.fixture
def reported(book):
    path = book.destinations / f"{BOOK}.toml"
    limits = "[stage.preflight]\nhold_below_ppi = 20\nwarn_below_ppi = 25\n[stage.sizing]"
    text = path.read_text().replace("[stage.sizing]", limits)
    text = text.replace('"tagging"', '"page-balance", "tagging"')
    price = 'viewing_distance = "2 m"\ncost_per_square_metre = "50 GBP"'
    path.write_text(text.replace('viewing_distance = "2 m"', price))
    picture(book, "reeds.tif", seed=1)
    picture(book, "mud.tif", seed=2)
    picture(book, "spare.tif", seed=3)
    ticket(book, ROWS)
    sweep(book)
    return book


def folder(root):
    return root.path / "out" / BOOK / "estuary"


def document(root):
    return json.loads((folder(root) / "report.json").read_text())


def test_the_manifest_says_which_file_goes_where(reported):
    found = table(folder(reported) / "manifest.csv")
    assert [
        ("2", "left", "002-left.tif", "delivered"),
        ("3", "1", "003-1.tif", "delivered"),
        ("4", "1", "", "missing"),
        ("5", "", "", "wrong"),
        ("6", "1", "", "held"),
    ] == [(each["page"], each["placement"], each["result"], each["state"]) for each in found]
    assert all((folder(reported) / each["result"]).exists() for each in found)
    # mm / 25.4 × 100 ppi, whole pixels, back to mm
    assert (157 * 0.254, 118 * 0.254) == pytest.approx(
        (float(found[0]["width_mm"]), float(found[0]["height_mm"])), abs=0.01
    )


def test_no_cell_of_manifest_or_report_can_be_a_formula(reported):
    for name in ("manifest.csv", "report.csv"):
        rows = table(folder(reported) / name)
        captions = {row["caption"] for row in rows}
        assert "'=1+1" in captions
        assert [] == [
            cell for row in rows for cell in row.values() if cell.startswith(("=", "+", "@"))
        ]


def test_the_report_says_every_row_and_what_is_spare(reported):
    said = document(reported)
    assert {
        "delivered": 2, "held": 1, "discarded": 0, "refused": 0,
        "waiting": 0, "missing": 1, "wrong": 1,
    } == said["counts"]  # fmt: skip
    assert [2, 3, 4, 5, 6] == [row["row"] for row in said["placements"]]
    assert ["spare.tif"] == said["pictures_that_no_row_names"]
    wrong = said["placements"][3]
    assert 'width "wide"; allowed: a number and its unit' in wrong["why"][0]
    assert ("reeds.tif", "5") == (wrong["file"], wrong["page"])


def test_area_and_cost_are_of_what_was_made_and_of_what_is_held(reported):
    said = document(reported)
    made = [row for row in said["placements"] if row["state"] == "delivered"]
    area = sum(row["width_px"] * row["height_px"] * 0.0254**2 / 100**2 for row in made)
    assert area == pytest.approx(said["made"]["area_m2"], abs=1e-4)
    assert 50 * area == pytest.approx(said["made"]["cost"], abs=0.005)
    assert ("GBP", 1) == (said["made"]["currency"], said["held"]["placements"])


@pytest.mark.parametrize(
    ("width_mm", "height_mm", "area_m2"),
    [
        (60, 40, 0.0024),
        (60, None, 0.0024),
        (None, 40, 0.0024),
        (60, 60, 0.0036),
        (None, None, None),
    ],
)
def test_what_was_held_before_it_was_made_counts_with_what_was_asked_for(
    width_mm, height_mm, area_m2
):
    line = Line(
        row=2, file="reeds.tif", page="4", placement="1", name="004-1", width_mm=width_mm,
        height_mm=height_mm, copies=3, caption="", intent="", anchor="", job="job-1",
    )  # fmt: skip
    original = OriginalRecord(
        name="reeds.tif", sha256="c" * 64, bytes=1, width_px=1500, height_px=1000
    )
    text = to_json_line(record(original=original)).decode()
    job = JobRow(1, "job-1", BOOK, b"x", "file", State.HELD, 1, "c" * 64, 1, None, None, "{}", text)
    found = collect_facts(Standing(2, "held", line, job))["area_m2"]
    assert found == (area_m2 and pytest.approx(3 * area_m2))
    assert collect_facts(Standing(2, "waiting", line, job))["area_m2"] is None


def test_low_resolution_and_facing_pages_are_named(reported):
    said = document(reported)
    assert 6 in said["low_resolution"]
    assert 1 == said["facing_pages"]["compared"]
    means = [row["mean_lightness"] for row in said["placements"][:2]]
    differ = said["facing_pages"]["differ"]
    assert bool(abs(means[1] - means[0]) > 8) == any("lightness" in each["what"] for each in differ)


def test_the_page_escapes_what_strangers_wrote_and_lets_nothing_in(reported):
    page = (folder(reported) / "report.html").read_text()
    assert "&lt;b&gt;nowhere" in page
    assert "<b>nowhere" not in page
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)[1]
    assert html.unescape(policy).startswith("default-src 'none'; img-src data:; style-src 'sha256-")
    assert "<script" not in page


def test_a_released_picture_moves_from_held_to_done(reported):
    (held,) = [each for each in records(reported, BOOK) if each["state"] == "held"]
    place = reported.path / "held" / BOOK / held["job"]
    place.rename(reported.path / "release" / BOOK / held["job"])
    sweep(reported)
    said = document(reported)
    assert (3, 0) == (said["counts"]["delivered"], said["counts"]["held"])
    assert "006-1.tif" == table(folder(reported) / "manifest.csv")[-1]["result"]


def test_a_held_picture_that_was_given_up_is_discarded_and_nothing_else(reported, hotfolder):
    (held,) = [each for each in records(reported, BOOK) if each["state"] == "held"]
    shutil.rmtree(reported.path / "held" / BOOK / held["job"])
    sweep(reported)
    said = document(reported)
    assert (1, 0, 0, 1) == tuple(
        said["counts"][key] for key in ("discarded", "held", "waiting", "missing")
    )
    (row,) = [each for each in said["placements"] if each["row"] == 6]
    assert "discarded" == row["state"]
    assert any("the limit of fine-art-canvas is 20" in why for why in row["why"])
    assert records(reported, BOOK)[-1]["discarded"]["noticed"] == row["discarded_at"]
    # nothing of it waits for a decision, nothing was spent on it
    assert (0, 0.0) == (said["held"]["placements"], said["held"]["area_m2"])
    manifest = table(folder(reported) / "manifest.csv")
    assert ("6", "discarded", "") == tuple(manifest[-1][key] for key in ("page", "state", "result"))
    page = (folder(reported) / "report.html").read_text()
    assert "<h2>Discarded</h2>" in page
    assert "<h2>Held" not in page
    again = hotfolder("release", "--batch", f"{BOOK}/estuary", reported.path)
    assert f"Nothing of {BOOK}/estuary is held" in again.stdout
    assert "1 discarded" in hotfolder("status", reported.path).stdout


def test_a_given_up_picture_stays_given_up_until_it_comes_again(reported):
    (held,) = [each for each in records(reported, BOOK) if each["state"] == "held"]
    shutil.rmtree(reported.path / "held" / BOOK / held["job"])
    sweep(reported)
    ticket(reported, [*ROWS[:4], ROWS[4], "mud.tif,7,,20 mm,,"])
    sweep(reported)
    assert (1, 0) == tuple(document(reported)["counts"][key] for key in ("discarded", "held"))
    picture(reported, "reeds.tif", seed=1)
    sweep(reported)
    assert (0, 1) == tuple(document(reported)["counts"][key] for key in ("discarded", "held"))
    # its other place was delivered, and is not made again
    assert ["reeds.tif"] == [
        each["placement"]["file"]
        for each in records(reported, BOOK)
        if each["state"] == "held" and not each["discarded"] and each["job"] != held["job"]
    ]


def test_a_dropped_picture_whose_folder_comes_back_is_released(reported):
    (held,) = [each for each in records(reported, BOOK) if each["state"] == "held"]
    aside = reported.path / "aside"
    (reported.path / "held" / BOOK / held["job"]).rename(aside)
    sweep(reported)
    assert 1 == document(reported)["counts"]["discarded"]
    aside.rename(reported.path / "release" / BOOK / held["job"])
    sweep(reported)
    assert (0, 3) == tuple(document(reported)["counts"][key] for key in ("discarded", "delivered"))
    assert "" == document(reported)["placements"][4]["discarded_at"]


def test_a_picture_released_with_a_change_says_so_and_what_came_out(reported, hotfolder):
    (held,) = [each for each in records(reported, BOOK) if each["state"] == "held"]
    done = hotfolder(
        "release", held["job"], reported.path, "--set", "sizing.width=30 mm",
        "--who", "print room", "--why", "small is enough",
    )  # fmt: skip
    assert 0 == done.returncode, done.stderr
    sweep(reported)
    row = document(reported)["placements"][4]
    assert ("delivered", "print room", "small is enough", {"sizing": {"width": "30 mm"}}) == tuple(
        row[key] for key in ("state", "released_by", "released_why", "released_changes")
    )
    assert 60 == row["asked_width_mm"]
    manifest = table(folder(reported) / "manifest.csv")[-1]
    assert 30 == pytest.approx(float(manifest["width_mm"]), abs=0.13)  # half a pixel of 100 ppi
    text = html.unescape(re.sub("<[^>]+>", " ", (folder(reported) / "report.html").read_text()))
    said = re.search(r"Released by a person.*", text, re.DOTALL)[0]
    assert "small is enough" in said
    assert 'sizing.width = "30 mm"' in said
    cells = table(folder(reported) / "report.csv")[-1]
    assert 'sizing.width = "30 mm"' == cells["released_changes"]


def test_a_result_that_no_row_asks_for_any_more_is_named(reported):
    ticket(reported, [ROWS[0], ROWS[1].replace("20 mm", "25 mm")])
    sweep(reported)
    said = document(reported)
    assert ["003-1.tif"] == [each["was"] for each in said["results_set_aside"]]
    assert "003-1.tif" == table(folder(reported) / "manifest.csv")[1]["result"]


def test_a_report_that_was_lost_is_made_again_when_the_ticket_comes_again(reported):
    (folder(reported) / "report.json").unlink()
    ticket(reported, ROWS)
    sweep(reported)
    assert 5 == document(reported)["rows"]


def test_what_is_held_of_a_batch_is_listed_and_released_for_a_reason_that_was_seen(
    reported, hotfolder
):
    batch = f"{BOOK}/estuary"
    done = hotfolder("release", "--batch", batch, reported.path, "--why", "over coffee")
    assert 3 == done.returncode, done.stderr
    assert "1 held for too-few-pixels" in done.stdout
    assert "the limit of fine-art-canvas is 20" in done.stdout
    assert "Nothing was released." in done.stdout
    (command,) = re.findall(r"To release 1 of them \(as they are\): (.*)", done.stdout)
    wrong = hotfolder("release", "--batch", batch, reported.path, "--held-for", "gamut-loss")
    assert 4 == wrong.returncode
    assert "too-few-pixels" in wrong.stderr
    done = hotfolder(*shlex.split(command)[1:], "--why", "over coffee")
    assert 0 == done.returncode, done.stderr
    sweep(reported)
    assert (3, 0) == tuple(document(reported)["counts"][key] for key in ("delivered", "held"))
    assert "over coffee" == records(reported, BOOK)[-1]["release"]["why"]
    again = hotfolder("release", "--batch", batch, reported.path)
    assert f"Nothing of {batch} is held" in again.stdout
    unknown = hotfolder("release", "--batch", f"{BOOK}/spring", reported.path)
    assert 4 == unknown.returncode
    assert batch in unknown.stderr.replace("\n", " ")


def test_what_has_no_result_is_released_among_many_by_the_command_that_is_printed(book, hotfolder):
    """Nearly a whole book was held for want of profiles, and the command released nothing."""
    place = book.path / "in" / BOOK / "estuary"
    for name in ("reeds.tif", "mud.tif"):
        picture(book, name)
        tifffile.imwrite(place / name, tifffile.imread(place / name), photometric="rgb")
    ticket(book, [ROWS[4], ROWS[1]])
    sweep(book)
    said = "release", "--batch", f"{BOOK}/estuary", book.path
    listed = hotfolder(*said)
    commands = re.findall(r"^  To release .*: (hotfolder .*)$", listed.stdout, re.MULTILINE)
    assert 1 == len(commands), listed.stdout
    page = html.unescape((folder(book) / "report.html").read_text())
    assert commands[0].replace(f" {book.path}", "") in page
    done = hotfolder(*shlex.split(commands[0])[1:])
    assert 0 == done.returncode, done.stdout + done.stderr
    sweep(book)
    assert {"delivered"} == {each["state"] for each in document(book)["placements"]}


def test_what_is_held_again_after_a_release_is_released_for_its_own_reason(book, hotfolder):
    path = book.destinations / f"{BOOK}.toml"
    limits = "[stage.preflight]\nhold_below_ppi = 20\n[stage.sizing]"
    path.write_text(path.read_text().replace("[stage.sizing]", limits))
    place = book.path / "in" / BOOK / "estuary"
    picture(book, "reeds.tif")
    tifffile.imwrite(place / "reeds.tif", tifffile.imread(place / "reeds.tif"), photometric="rgb")
    ticket(book, [ROWS[4]])
    sweep(book)
    listing = "release", "--batch", f"{BOOK}/estuary", book.path
    for code in ("no-profile", "too-few-pixels"):
        listed = hotfolder(*listing)
        assert re.findall(r"^\d+ held for (.*):$", listed.stdout, re.MULTILINE) == [code]
        (command,) = re.findall(r"^  To release .*: (hotfolder .*)$", listed.stdout, re.MULTILINE)
        done = hotfolder(*shlex.split(command)[1:])
        assert 0 == done.returncode, done.stdout + done.stderr
        sweep(book)
    assert "delivered" == records(book, BOOK)[-1]["state"]


def test_what_is_held_for_something_else_is_not_said_to_be_held_for_it_as_well(book, hotfolder):
    path = book.destinations / f"{BOOK}.toml"
    limits = "[stage.preflight]\nhold_below_ppi = 20\n[stage.sizing]"
    path.write_text(path.read_text().replace("[stage.sizing]", limits))
    place = book.path / "in" / BOOK / "estuary"
    for name in ("reeds.tif", "mud.tif"):
        picture(book, name)
    tifffile.imwrite(place / "mud.tif", tifffile.imread(place / "mud.tif"), photometric="rgb")
    ticket(book, [ROWS[4], ROWS[1]])
    sweep(book)
    done = hotfolder(
        "release", "--batch", f"{BOOK}/estuary", book.path, "--held-for", "too-few-pixels"
    )
    assert 0 == done.returncode, done.stderr
    assert "as well" not in done.stdout
    assert "mud.tif" not in done.stdout


def test_a_slip_of_the_pen_is_not_released_among_many(reported, hotfolder):
    """A width of 2100 mm, where 21 were meant, was released at 15 ppi with all the others."""
    ticket(reported, [ROWS[4], "reeds.tif,7,,2100 mm,,"])
    sweep(reported)
    done = hotfolder(
        "release", "--batch", f"{BOOK}/estuary", reported.path, "--held-for", "too-few-pixels"
    )
    assert 0 == done.returncode, done.stderr
    assert "is far beyond what is allowed" in done.stdout
    sweep(reported)
    states = {each["page"]: each["state"] for each in document(reported)["placements"]}
    assert {"6": "delivered", "7": "held"} == states


def test_a_command_in_the_report_is_quoted_and_works(book, hotfolder):
    path = book.destinations / f"{BOOK}.toml"
    limits = "[stage.preflight]\nhold_below_ppi = 20\n[stage.sizing]"
    path.write_text(path.read_text().replace("[stage.sizing]", limits))
    picture(book, "reeds.tif", "the river's mouth")
    ticket(book, [ROWS[4]], "the river's mouth")
    sweep(book)
    page = (book.path / "out" / BOOK / "the river's mouth" / "report.html").read_text()
    printed = [
        html.unescape(each) for each in re.findall("<code>(hotfolder release -.*?)</code>", page)
    ]
    assert 1 == len(printed), printed
    done = hotfolder(*shlex.split(printed[0])[1:], cwd=book.path)
    assert 0 == done.returncode, done.stderr
    sweep(book)
    assert "delivered" == records(book, BOOK)[-1]["state"]


def test_what_is_not_measured_yet_is_not_said_to_be_well(book):
    picture(book, "reeds.tif")
    sweep(book)
    page = (folder(book) / "report.html").read_text()
    assert "0 of 0 done" not in page
    assert "no ticket can be read yet" in page
    assert "No picture loses colours" not in page
    assert "Not yet measured" in page


def test_what_a_row_is_warned_of_stands_in_the_report(book):
    path = book.destinations / f"{BOOK}.toml"
    limits = "[stage.preflight]\nwarn_below_ppi = 25\n[stage.sizing]"
    path.write_text(path.read_text().replace("[stage.sizing]", limits))
    picture(book, "reeds.tif")
    ticket(book, [ROWS[4]])
    sweep(book)
    (row,) = document(book)["placements"]
    assert "fine-art-canvas wants 25 or more" in row["warnings"][0]
    assert row["warnings"][0] in html.unescape((folder(book) / "report.html").read_text())


def test_the_size_that_is_advised_for_a_row_is_delivered(reported, hotfolder):
    row = document(reported)["placements"][4]
    (way,) = row["ways_on"]
    command = way.partition(" (")[0]
    assert way in html.unescape((folder(reported) / "report.html").read_text())
    done = hotfolder(*shlex.split(command)[1:], cwd=reported.path)
    assert 0 == done.returncode, done.stderr
    sweep(reported)
    after = document(reported)["placements"][4]
    assert ("delivered", []) == (after["state"], after["held_for"])
    assert after["width_mm"] < row["asked_width_mm"]
