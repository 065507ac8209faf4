"""Tagging: IPTC says what Exif and XMP say, and nothing of the original's own pixels."""

from __future__ import annotations

import struct

import pytest

from hotfolder import Metadata
from hotfolder_stages.tagging import iptc
from hotfolder_stages.tagging.truth import Text
from stages.tagged_files import packet, read_back, tagged


def dataset(record, number, data):
    return struct.pack(">BBBH", 0x1C, record, number, len(data)) + data


UTF_8 = dataset(1, 90, b"\x1b%G")
BODY = dataset(2, 0, b"\0\4") + dataset(2, 25, b"tide") + dataset(2, 25, b"mud")
AUTHOR = dataset(2, 80, "Müde".encode())
PREFIX = "Iptc.Application2."


@pytest.mark.parametrize("mark", [UTF_8, b""])
def test_iptc_follows_overwrite(tmp_path, mark):
    records = mark + BODY + AUTHOR + dataset(2, 116, b"Theirs") + dataset(2, 120, b"Theirs")
    texts = {"copyright": "© Ebb & Söhne", "creator": "Ebb", "description": "Reeds, dusk"}
    made, findings = tagged(Metadata(iptc=records), overwrite=True, **texts)
    read = read_back(tmp_path, made)
    assert ("Ebb", "© Ebb & Söhne", "Reeds, dusk", "mud") == (
        read[PREFIX + "Byline"],
        read[PREFIX + "Copyright"],
        read[PREFIX + "Caption"],
        read[PREFIX + "Keywords"],
    )
    assert b"Theirs" not in made.iptc
    assert made.iptc.startswith(UTF_8)
    assert b"tide" in made.iptc
    assert texts == findings["added"]


def test_a_text_that_was_lacking_is_put_into_iptc_too(tmp_path):
    made, _ = tagged(Metadata(iptc=UTF_8 + BODY), copyright="© Ebb")
    read = read_back(tmp_path, made)
    assert ("© Ebb", "© Ebb") == (read[PREFIX + "Copyright"], read["Exif.Image.Copyright"])


def test_a_caption_replaces_the_old_one(tmp_path):
    records = UTF_8 + BODY + dataset(2, 120, b"Theirs") + dataset(2, 125, b"\0" * 7360)
    made, findings = tagged(Metadata(iptc=records), caption="Dusk")
    assert read_back(tmp_path, made)[PREFIX + "Caption"] == "Dusk"
    assert findings["removed"] == ["IPTC rasterised caption"]


def test_texts_in_an_old_character_set_become_utf_8_with_the_rest(tmp_path):
    records = BODY + dataset(2, 80, "Müde".encode("latin-1"))
    made, _ = tagged(Metadata(iptc=records), copyright="© Ebb")
    read = read_back(tmp_path, made)
    assert ("Müde", "© Ebb") == (read[PREFIX + "Byline"], read[PREFIX + "Copyright"])
    untouched, _ = tagged(Metadata(iptc=records))
    assert untouched.iptc == records


def test_a_text_longer_than_its_dataset_is_not_cut(tmp_path):
    name = "A name that is longer than thirty-two bytes"
    made, _ = tagged(Metadata(iptc=UTF_8 + BODY + AUTHOR), creator=name, overwrite=True)
    read = read_back(tmp_path, made)
    assert PREFIX + "Byline" not in read
    assert ([name], name) == (read["Xmp.dc.creator"], read["Exif.Image.Artist"])


def test_what_is_true_of_the_originals_file_alone_goes_and_is_named(tmp_path):
    records = (
        dataset(1, 20, b"\0\7")
        + dataset(1, 22, b"\0\1")
        + UTF_8
        + dataset(1, 100, b"object")
        + BODY
        + dataset(2, 130, b"3Y")
        + dataset(2, 131, b"P")
        + dataset(2, 200, b"\0\x0b")
        + dataset(2, 202, b"a preview")
        + dataset(3, 20, b"\0\1")
        + dataset(8, 10, b"pixels")
    )
    made, findings = tagged(Metadata(iptc=records))
    assert made.iptc == UTF_8 + BODY + dataset(2, 131, b"L")  # 40 × 30
    assert findings["removed"] == [
        "IPTC file format",
        "IPTC file format version",
        "IPTC image type",
        "IPTC preview",
        "IPTC record 3",
        "IPTC record 8",
        "IPTC unique name of object",
    ]
    assert read_back(tmp_path, made)[PREFIX + "ImageOrientation"] == "L"


@pytest.mark.parametrize("xmp", [None, packet('xmp:Rating="4"')])
def test_a_png_which_holds_no_iptc_says_it_in_xmp(tmp_path, xmp):
    original = Metadata(iptc=UTF_8 + BODY + AUTHOR, xmp=xmp)
    made, _ = tagged(original, kind="png")
    read = read_back(tmp_path, Metadata(xmp=made.xmp))
    assert (["tide", "mud"], ["Müde"]) == (read["Xmp.dc.subject"], read["Xmp.dc.creator"])


def test_what_no_xml_can_hold_is_left_out_of_xmp(tmp_path):
    records = UTF_8 + dataset(2, 25, "tide\x02 \x1bmud\ufffe".encode()) + AUTHOR
    made, _ = tagged(Metadata(iptc=records), kind="png")
    assert read_back(tmp_path, Metadata(xmp=made.xmp))["Xmp.dc.subject"] == ["tide mud"]


def test_but_what_xmp_says_itself_stays():
    subject = "<dc:subject><rdf:Bag><rdf:li>ebb</rdf:li></rdf:Bag></dc:subject>"
    original = Metadata(iptc=UTF_8 + BODY + AUTHOR, xmp=packet('dc:creator="Ours"', subject))
    made, _ = tagged(original, kind="png")
    assert b"ebb" in made.xmp
    assert b"tide" not in made.xmp
    assert "Müde".encode() not in made.xmp


def test_texts_that_are_not_marked_are_read_as_utf_8_where_they_can_be():
    assert {Text.CREATOR: "Müde"} == iptc.texts(BODY + AUTHOR)
    assert {Text.CREATOR: "Müde"} == iptc.texts(BODY + dataset(2, 80, b"M\xfcde"))
