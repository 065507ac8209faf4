"""A control strip beside a picture, by a daemon: the first print of a day carries it, once."""

import numpy as np
import pytest
import tifffile
from PIL import Image

from faults.serving import sweep
from hotfolder.measured.book import Book
from hotfolder.measured.control_strip import recall_strips
from measuring import files
from whole.conftest import drop, records, write_destination

pytestmark = pytest.mark.whole

NAME = "fine-art-canvas"
_LAID = ('"profile-conversion", "tagging"', '"profile-conversion", "margin-strip", "tagging"')
_WRAP = ('long_edge = "8 cm"', 'long_edge = "30 cm"\nwrap = "40 mm"\nwrap_edges = "plain"')
_EVERY = ("[stage.sizing]", '[stage.margin-strip]\nevery = "print"\n[stage.sizing]')
_HELD = (
    "[stage.sizing]",
    '[stage.medium-check]\nverified_within = "30 d"\n[stage.sizing]',
)


def laid(root):
    """What the records say of each delivered picture: its name, and the strip's day."""
    return [
        (each["source"], each["findings"]["margin-strip"]["laid_on"] is not None)
        for each in records(root)
        if each["state"] == "delivered"
    ]


def test_the_first_of_a_day_carries_it_and_its_measurement_is_recognised(small):
    write_destination(small, stages=_LAID, size=_WRAP)
    for number, name in enumerate(("a.tif", "b.tif"), start=1):
        drop(small, name, seed=number)
    assert [] == sweep(small)
    drop(small, "c.tif", seed=3)
    assert [] == sweep(small)
    found = laid(small)
    assert 3 == len(found)
    assert 1 == sum(has for _, has in found)
    assert ("c.tif", False) in found
    carrier = next(each for each in records(small) if each["findings"]["margin-strip"]["laid_on"])
    other = next(each for each in records(small) if each["source"] == "c.tif")
    assert carrier["job"] in other["findings"]["margin-strip"]["left_out"]

    (strip,) = recall_strips(small)
    said = carrier["findings"]["margin-strip"]
    assert strip.id == said["strip"]
    assert {strip.id, NAME, "settings"} <= set(said["code"].split())
    (result,) = (small.path / "out" / NAME).glob(f"{carrier['source'][0]}*.tif")
    pixels = tifffile.imread(result)
    for patch in strip.patches:
        codes = np.rint(np.array(patch.device) * 65535).astype(np.uint16)
        assert (pixels == codes).all(axis=2).sum() >= 31**2, patch.name

    (small.measured / NAME / "of the wrap.txt").write_text(files.cgats(strip, strip.lab))
    assert [] == sweep(small)
    (verdict,) = Book(small, NAME).read()
    assert (strip.id, 0.0) == (verdict.strip, verdict.mean_delta_e_00)


def test_each_print_carries_it_where_that_is_set(small):
    write_destination(small, stages=_LAID, size=_WRAP, every=_EVERY)
    for number, name in enumerate(("a.tif", "b.tif"), start=1):
        drop(small, name, seed=number)
    assert [] == sweep(small)
    assert [True, True] == [has for _, has in laid(small)]


def test_one_that_is_held_does_not_count(small):
    stages = (_LAID[0], _LAID[1].replace('"tagging"', '"medium-check", "tagging"'))
    write_destination(small, stages=stages, size=_WRAP, held=_HELD)
    drop(small, "a.tif")
    assert [] == sweep(small)
    assert ["held"] == [each["state"] for each in records(small)]
    write_destination(small, stages=_LAID, size=_WRAP)
    drop(small, "b.tif", seed=2)
    assert [] == sweep(small)
    assert [("b.tif", True)] == laid(small)


def test_a_photograph_without_strips_is_refused_and_the_desk_goes_on(small, hotfolder):
    write_destination(small, stages=_LAID, size=_WRAP)
    drop(small, "a.tif")
    assert [] == sweep(small)
    path = small.measured / NAME / "table.png"
    Image.fromarray(np.full((200, 300, 3), 90, np.uint8)).save(path)
    assert 0 == hotfolder("sweep", small.path).returncode
    book = Book(small, NAME)
    assert ([], []) == (book.read(), book.read_photographs())
    ((name, why),) = book.list_refused()
    assert "table.png" == name
    assert "must show two strips" in why
