"""What a picture is warned of stands in its record, and on everything that shows the picture."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import tifffile

from hotfolder import say_share
from whole.conftest import drop, picture, records, write_destination

pytestmark = pytest.mark.whole

FEW = "fine-art-canvas wants 60 or more"
ASSUMED = "It carries no colour profile. sRGB"
PAGES = "The file holds 2 pictures; the first one was taken."


@pytest.fixture
def warned(small, hotfolder):
    """A root with one delivered picture that was warned of; what sweep printed; its record."""
    write_destination(
        small,
        **{
            '"output-sharpening",': '"gamut-check", "output-sharpening", "proof-sheet",',
            "[medium]": 'keep_sheets = "all"\n[medium]',
            "[stage.sizing]": '[stage.preflight]\nno_profile = "assume"\nassume_rgb = "srgb.icc"\n'
            "warn_below_ppi = 60\n[stage.sizing]",
        },
    )
    path = small.path / "in/fine-art-canvas/mud.tif"
    with tifffile.TiffWriter(path) as file:  # two pictures in one file, no profile
        for seed in (1, 2):
            file.write(picture(None, seed=seed), photometric="rgb")
    done = hotfolder("sweep", small.path)
    assert done.returncode == 0, done.stderr
    (record,) = records(small)
    return small, done.stdout, record


def test_all_is_in_one_list_of_the_record(warned):
    _, _, record = warned
    codes = [each["code"] for each in record["warnings"]]
    assert ["read-with-a-note", "profile-assumed", "few-pixels"] == codes
    assert ["reading", "preflight", "preflight"] == [each["stage"] for each in record["warnings"]]


def test_sweep_status_list_and_sheet_show_each(warned, hotfolder):
    root, swept, record = warned
    sheet = next(each for each in record["attachments"] if each["kind"] == "proof-sheet")
    shown = {
        "sweep": swept,
        "status": hotfolder("status", root.path).stdout,
        "list": (root.path / "out/fine-art-canvas/sheets/index.html").read_text(),
        "sheet": Path(sheet["path"]).read_text(),
        "status --json": hotfolder("status", root.path, "--json").stdout,
    }
    for where, text in shown.items():
        for said in (FEW, ASSUMED, PAGES):
            assert said in " ".join(text.split()), (where, said)


def test_the_sheet_does_not_contradict_the_record(warned):
    _, _, record = warned
    sheet = next(each for each in record["attachments"] if each["kind"] == "proof-sheet")
    text = Path(sheet["path"]).read_text()
    assert "per inch: enough" not in text
    assert "fewer than fine-art-canvas asks for" in text
    share = record["facts"]["share_lost"]
    assert share > 0
    assert f"About {say_share(share)} of this picture" in text


def test_a_held_picture_says_what_it_is_warned_of_too(small, hotfolder):
    write_destination(
        small,
        **{
            "[stage.sizing]": '[stage.preflight]\nno_profile = "assume"\nassume_rgb = "srgb.icc"\n'
            "hold_below_ppi = 60\n[stage.sizing]",
        },
    )
    tifffile.imwrite(
        small.path / "in/fine-art-canvas/mud.tif", picture(None), photometric="rgb"
    )  # fmt: skip
    assert 3 == hotfolder("sweep", small.path).returncode
    (record,) = records(small)
    why = (Path(record["original_kept"]).parent / "why.txt").read_text()
    assert ASSUMED in why
    assert ASSUMED in (small.path / "held/fine-art-canvas/index.html").read_text()
    json.dumps(record)


def test_status_says_what_was_refused_and_why_until_it_is_dropped_again(small, hotfolder):
    (small.path / "in/fine-art-canvas/mud.tif").write_text("a letter")
    assert hotfolder("sweep", small.path).returncode == 3
    (said,) = json.loads(hotfolder("status", small.path, "--json").stdout)["refused"]
    assert ("fine-art-canvas", "mud.tif") == (said["destination"], said["file"])
    assert ["The file is a text, by its content. Drop a picture."] == said["reasons"]
    assert {"mud.tif", "why.txt"} <= {each.name for each in Path(said["folder"]).iterdir()}
    shown = hotfolder("status", small.path).stdout
    assert "Refused within a day" in shown
    assert "export" not in shown
    assert "export" not in (Path(said["folder"]) / "why.txt").read_text()
    assert said["reasons"][0] in shown
    assert said["folder"] in "".join(shown.split("\n"))

    drop(small, "mud.tif")
    hotfolder("sweep", small.path)
    assert "Refused within a day" not in hotfolder("status", small.path).stdout


TICKET = "file,page,width,height\nmud.tif,1,80 mm,50 mm\n"


def test_a_ticket_where_none_is_taken_is_told_as_one_and_the_advice_helps(small, hotfolder):
    hot_folder = small.path / "in/fine-art-canvas"
    (hot_folder / "book.csv").write_text(TICKET)
    assert hotfolder("sweep", small.path).returncode == 3
    (record,) = records(small)
    (reason,) = record["reasons"]
    assert "a-ticket" == reason["code"]
    assert reason["message"] == (
        "This is a table, as a job ticket is, and fine-art-canvas takes no tickets: drop it, "
        "with its pictures, into a destination that does. For fine-art-canvas to take tickets, and "
        "no pictures without one, add the line [ticket] at the end of "
        "destinations/fine-art-canvas.toml, and drop it again."
    )
    settings = small.destinations / "fine-art-canvas.toml"
    settings.write_text(settings.read_text() + "[ticket]\n")
    batch = hot_folder / "book"
    batch.mkdir()
    drop(small, "book/mud.tif", size=600)
    (batch / "book.csv").write_text(TICKET)
    hotfolder("sweep", small.path)
    assert "delivered" == records(small)[-1]["state"]


def test_a_table_that_is_none_is_a_text_all_the_same(small, hotfolder):
    (small.path / "in/fine-art-canvas/mud.tif").write_text(TICKET)
    hotfolder("sweep", small.path)
    (reason,) = records(small)[0]["reasons"]
    assert "not-a-picture" == reason["code"]
