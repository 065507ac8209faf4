"""A whole book: 120 placements of 60 pictures, two nights, a kill, a corrected ticket.

What is expected is counted from what was dropped, never from the report itself. Stages that measure
colour cost most of the time and decide nothing here; tests of the report have them.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections import Counter
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
import tifffile

from batch.conftest import BOOK, book, sweep, table  # noqa: F401 - a fixture
from faults.killing import sweep_in_child
from hotfolder.ledger.jobs import read_jobs
from hotfolder_demo import book as estuary
from whole.conftest import records

pytestmark = pytest.mark.whole

PICTURES = 60
MISSING = ("reeds 08.tif", "vessels 19.tif")
"""Never copied in the first evening; the first of them comes on the next day."""

NO_PROFILE, NO_PICTURE = "ripples 25.tif", "vessels 44.tif"
"""One is held for want of a profile, the other is a text with a picture's name."""

DESTINATION = """
title = "The estuary book"
hours = "22:00-06:00"
stages = ["preflight", "sizing", "profile-conversion", "page-balance", "tagging"]
[medium]
profile = "coated-book.icc"
surface = "lustre"
viewing_distance = "35 cm"
cost_per_square_metre = "9 GBP"
[ticket]
[result]
format = "tiff"
bits = 8
[stage.preflight]
no_profile = "hold"
warn_below_ppi = 60
[stage.sizing]
long_edge = "60 mm"
ppi = 72
[stage.profile-conversion]
precision = "fast"
"""


def clock(text):
    return datetime.fromisoformat(text).timestamp


def folder(root):
    return root.path / "out" / BOOK / "estuary"


def report(root):
    return json.loads((folder(root) / "report.json").read_text())


def rows_by_state(root):
    """Rows of the ticket, numbered as a spreadsheet does, by what the report says of them."""
    found = {}
    for row in report(root)["placements"]:
        found.setdefault(row["state"], set()).add(row["row"])
    return found


def drop_ticket(root, rows):
    (root.path / "in" / BOOK / "estuary" / "book.csv").write_bytes(estuary.ticket_bytes(rows))


def drop_picture(root, name):
    path = root.path / "in" / BOOK / "estuary" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    if name == NO_PICTURE:
        path.write_text("dear printer, the picture follows")
    elif name == NO_PROFILE:
        whole = tifffile.imread(io.BytesIO(estuary.paint(name, 160)))
        tifffile.imwrite(path, whole, photometric="minisblack", metadata=None)
    else:
        path.write_bytes(estuary.paint(name, 160))


def numbers_of(rows, *names):
    return {number for number, row in enumerate(rows, 2) if row.file in names}


def test_a_book_of_two_nights_is_right_to_the_row(book):  # noqa: F811
    (book.destinations / f"{BOOK}.toml").write_text(DESTINATION)
    right = list(estuary.rows(PICTURES))
    assert 120 == len(right)
    wrong = list(right)
    wrong[10] = replace(right[10], width="wide")
    wrong[31] = replace(right[31], width="30")
    wrong[77] = replace(right[77], copies="some")
    for name in estuary.names(PICTURES):
        if name not in MISSING:
            drop_picture(book, name)
    drop_picture(book, "dawn 61.tif")
    drop_ticket(book, wrong)

    # by day: read, reported, nothing done
    sweep(book, clock=clock("2026-10-24 15:00"))
    expected = {
        "missing": numbers_of(right, *MISSING),
        "wrong": {12, 33, 79},
    }
    expected["waiting"] = set(range(2, 122)) - expected["missing"] - expected["wrong"]
    assert expected == rows_by_state(book)
    assert [] == records(book, BOOK)

    # by night, the one in which the clocks are put back, the daemon is killed half-way
    night = clock("2026-10-25 02:30")
    assert sweep_in_child(book, 1500, clock=night) is None
    made = len(records(book, BOOK))
    assert 5 < made < 110
    sweep(book, clock=night)
    expected = {
        "missing": numbers_of(right, *MISSING),
        "wrong": {12, 33, 79},
        "held": numbers_of(right, NO_PROFILE),
        "refused": numbers_of(right, NO_PICTURE),
    }
    expected["delivered"] = set(range(2, 122)) - set.union(*expected.values())
    assert expected == rows_by_state(book)
    said = report(book)
    assert ["dawn 61.tif"] == said["pictures_that_no_row_names"]
    assert (120, None) == (said["rows"], said["left_takes_s"])
    check(book, len(expected["delivered"]))

    # in the morning the ticket is put right, a size is changed, one of the missing comes
    done = Counter(record["job"] for record in records(book, BOOK))
    corrected = list(right)
    corrected[0] = replace(right[0], height="5 cm")
    drop_ticket(book, corrected)
    drop_picture(book, MISSING[0])
    sweep(book, clock=clock("2026-10-26 01:00"))
    new = [record for record in records(book, BOOK) if record["job"] not in done]
    assert sorted({2, 12, 33, 79} | numbers_of(right, MISSING[0])) == sorted(
        record["placement"]["row"] for record in new
    )
    expected = {
        "missing": numbers_of(right, MISSING[1]),
        "held": numbers_of(right, NO_PROFILE),
        "refused": numbers_of(right, NO_PICTURE),
    }
    expected["delivered"] = set(range(2, 122)) - set.union(*expected.values())
    assert expected == rows_by_state(book)
    assert ["002-top.tif"] == [each["was"] for each in report(book)["results_set_aside"]]
    check(book, len(expected["delivered"]))


def check(root, delivered):
    """Ledger, log, manifest, results and originals agree, and nothing is there twice."""
    assert [] == read_jobs(root.ledger)
    ended = [record for record in records(root, BOOK) if not record["superseded"]]
    assert len(ended) == len({record["job"] for record in ended})
    manifest = [row for row in table(folder(root) / "manifest.csv") if row["result"]]
    assert delivered == len(manifest) == len({row["result"] for row in manifest})
    for row in manifest:
        data = (folder(root) / row["result"]).read_bytes()
        assert row["result_sha256"] == hashlib.sha256(data).hexdigest()
    kept = [
        hashlib.sha256(path.read_bytes()).hexdigest()
        for path in (root.path / "originals" / BOOK / "estuary").iterdir()
        if path.suffix == ".tif"
    ]
    assert len(kept) == len(set(kept))
    assert {record["original"]["sha256"] for record in ended} <= set(kept)
    assert [] == list(root.spool.iterdir())
    assert [] == [path for path in (root.path / "in").rglob("*.*") if is_dropped(path)]


def is_dropped(path: Path) -> bool:
    return path.is_file() and not path.name.startswith(".")
