"""What is cut off a picture to fill its place: said in record, report and manifest, and held."""

from __future__ import annotations

import json

from batch.conftest import BOOK, picture, sweep, table, ticket
from whole.conftest import records

HEADER = "file,page,width,height"
ROWS = ["reeds.tif,1,36 mm,12 mm", "reeds.tif,2,36 mm,"]


def test_a_crop_stands_in_record_report_and_manifest(book):
    picture(book, "reeds.tif")  # 3 : 2
    ticket(book, ROWS, header=HEADER)
    sweep(book)
    folder = book.path / "out" / BOOK / "estuary"
    one, two = sorted(records(book, BOOK), key=lambda each: each["placement"]["page"])
    assert 0.5 == round(one["facts"]["cropped_share"], 1)
    assert 0 == two["facts"]["cropped_share"]
    manifest = table(folder / "manifest.csv")
    assert ["0.5", "0.0"] == [f"{float(row['cropped_share']):.1f}" for row in manifest]
    assert [2] == json.loads((folder / "report.json").read_text())["cropped"]
    page = (folder / "report.html").read_text()
    assert "1 of 2 pictures fill a place of another shape" in page


def test_a_limit_for_crops_holds_the_picture_and_why_txt_says_what_keeps_it_whole(book):
    file = book.destinations / f"{BOOK}.toml"
    limit = '[stage.sizing]\nhold_above_cropped = "20 %"'
    file.write_text(file.read_text().replace("[stage.sizing]", limit))
    picture(book, "reeds.tif")
    ticket(book, ROWS, header=HEADER)
    sweep(book)
    (held,) = (each for each in records(book, BOOK) if each["state"] == "held")
    why = (book.path / "held" / BOOK / held["job"] / "why.txt").read_text()
    assert "of the picture is cut off to fill 36 × 12 mm" in why
    assert "--set sizing.mode=exact" in why
