"""Tagging: metadata that are true of the result, read back by libexiv2 and Pillow."""

import json
import struct
import subprocess
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from pydantic import ValidationError

from hotfolder import Metadata
from hotfolder.testing import make_stage, run_stage
from hotfolder_stages.tagging import Tagging, iptc
from hotfolder_stages.tagging.truth import SOFTWARE, Text
from hotfolder_stages.tagging.xmp import MAX_BYTES, Xmp, XmpError
from second_readers import exiv2_tags
from stages.driving import SRGB, WIDE_RGB, job_of, spec_of
from tools import needs_tool

PIXELS = np.full((30, 40, 3), 20000, np.uint16)

XMP = """<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
 <rdf:Description rdf:about="" xmlns:tiff="http://ns.adobe.com/tiff/1.0/"
   xmlns:exif="http://ns.adobe.com/exif/1.0/" xmlns:xmp="http://ns.adobe.com/xap/1.0/"
   xmlns:photoshop="http://ns.adobe.com/photoshop/1.0/" tiff:Orientation="6" tiff:ImageWidth="9000"
   tiff:Make="Invented" xmp:Rating="4" exif:GPSLatitude="0,0.0N" photoshop:ICCProfile="Other">
  <exif:PixelXDimension>9000</exif:PixelXDimension>
  <exif:ColorSpace>65535</exif:ColorSpace>
  <exif:GPSLongitude>0,0.0E</exif:GPSLongitude>
 </rdf:Description>
 <rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/">
  <dc:subject><rdf:Bag><rdf:li>tide</rdf:li><rdf:li>mud &amp; reeds</rdf:li></rdf:Bag></dc:subject>
 </rdf:Description>
</rdf:RDF></x:xmpmeta>
<?xpacket end="w"?>""".encode()


def exif_block():
    """An Exif block as Pillow writes it, big-endian."""
    exif = Image.Exif()
    exif[274], exif[271], exif[282], exif[296] = 6, "Invented", 72.0, 2
    sub = exif.get_ifd(0x8769)
    sub.update(
        {
            0x829A: 0.005,
            0x9000: b"0232",
            0xA001: 1,
            0xA002: 9000,
            0xA003: 6000,
            0x9214: (4000, 3000),
            0x927C: b"maker",
        }
    )
    exif.get_ifd(0x8825).update({1: "N", 2: (0.0, 0.0, 0.0)})
    return exif.tobytes().removeprefix(b"Exif\0\0")


def dataset(number, data):
    return struct.pack(">BBBH", 0x1C, 2, number, len(data)) + data


IPTC = b"\x1c\x01\x5a\x00\x03\x1b%G" + dataset(5, b"Low water") + dataset(116, "© A".encode())


def tagged(metadata=None, profile=SRGB, **values):
    spec = replace(spec_of(PIXELS, profile, ppi=240.0), metadata=metadata or Metadata())
    job = job_of(spec)
    out, result, findings, _ = run_stage(make_stage(Tagging, values), PIXELS, spec, job)
    np.testing.assert_array_equal(PIXELS, out)
    return result.metadata, {**findings, "warned": [each.message for each in job.warnings]}


def jpeg_with(tmp_path, metadata):
    """A JPEG that carries the metadata."""
    path = tmp_path / "tagged.jpg"
    options = {"exif": b"Exif\0\0" + metadata.exif}
    if metadata.xmp:
        options["xmp"] = metadata.xmp
    Image.new("RGB", (40, 30)).save(path, **options)
    return path


def read_back(tmp_path, metadata):
    """What libexiv2 reads from a JPEG that carries the metadata."""
    return exiv2_tags(jpeg_with(tmp_path, metadata))


def test_a_picture_without_metadata_gets_what_is_true(tmp_path):
    metadata, findings = tagged()
    read = read_back(tmp_path, metadata)
    expected = {
        "Exif.Image.Orientation": 1,
        "Exif.Image.XResolution": 240,
        "Exif.Image.YResolution": 240,
        "Exif.Image.ResolutionUnit": 2,
        "Exif.Image.Software": SOFTWARE,
        "Exif.Photo.ColorSpace": 1,
        "Exif.Photo.PixelXDimension": 40,
        "Exif.Photo.PixelYDimension": 30,
        "Exif.Photo.ExifVersion": b"0232",
    }
    assert expected == {key: read.get(key) for key in expected}
    assert ("made", "none", "none") == (findings["exif"], findings["xmp"], findings["iptc"])


def test_exif_is_carried_over_and_made_true(tmp_path):
    metadata, findings = tagged(Metadata(exif=exif_block()))
    read = read_back(tmp_path, metadata)
    expected = {
        "Exif.Image.Make": "Invented",
        "Exif.Photo.ExposureTime": pytest.approx(0.005),
        "Exif.GPSInfo.GPSLatitudeRef": "N",
        "Exif.Image.Orientation": 1,
        "Exif.Image.XResolution": 240,
        "Exif.Photo.PixelXDimension": 40,
        "Exif.Photo.ColorSpace": 1,
    }
    assert expected == {key: read.get(key) for key in expected}
    assert not [key for key in read if "Maker" in key or "Subject" in key or "Thumb" in key]
    assert ("carried", ["MakerNote", "SubjectArea"]) == (findings["exif"], findings["removed"])


def test_a_colour_space_other_than_srgb_is_called_uncalibrated(tmp_path):
    metadata, _ = tagged(Metadata(exif=exif_block(), xmp=XMP), WIDE_RGB)
    read = read_back(tmp_path, metadata)
    assert (65535, "65535") == (read["Exif.Photo.ColorSpace"], read["Xmp.exif.ColorSpace"])


def test_xmp_is_carried_over_and_made_true(tmp_path):
    metadata, findings = tagged(Metadata(xmp=XMP))
    read = read_back(tmp_path, metadata)
    expected = {
        "Xmp.tiff.Orientation": "1",
        "Xmp.tiff.ImageWidth": "40",
        "Xmp.exif.PixelXDimension": "40",
        "Xmp.exif.ColorSpace": "1",
        "Xmp.photoshop.ICCProfile": SRGB.description,
        "Xmp.tiff.Make": "Invented",
        "Xmp.xmp.Rating": "4",
        "Xmp.dc.subject": ["tide", "mud & reeds"],
        "Xmp.exif.GPSLatitude": "0,0.0N",
    }
    assert expected == {key: read.get(key) for key in expected}
    assert ["Orientation", "ImageWidth", "PixelXDimension", "ColorSpace", "ICCProfile"] == findings[
        "corrected_in_xmp"
    ]
    assert metadata.xmp.startswith(b'<?xpacket begin="\xef\xbb\xbf"')
    assert metadata.xmp.endswith(b'<?xpacket end="w"?>')


def test_the_place_is_removed_where_the_destination_says_so(tmp_path):
    metadata, findings = tagged(Metadata(exif=exif_block(), xmp=XMP), remove_gps=True)
    assert not [key for key in read_back(tmp_path, metadata) if "GPS" in key]
    assert b"GPS" not in metadata.xmp
    assert "GPS" in findings["removed"]


TEXTS = {"copyright": "© Mud & Sons", "creator": "Ebb <Flow>", "description": "Reeds, dusk"}


@pytest.mark.parametrize("metadata", [Metadata(), Metadata(exif=exif_block(), xmp=XMP)])
def test_texts_of_the_settings_are_written_in_exif_and_xmp_alike(tmp_path, metadata):
    made, findings = tagged(metadata, **TEXTS)
    read = read_back(tmp_path, made)
    assert TEXTS == {
        "copyright": read["Exif.Image.Copyright"],
        "creator": read["Exif.Image.Artist"],
        "description": read["Exif.Image.ImageDescription"],
    }
    assert TEXTS == {
        "copyright": read["Xmp.dc.rights"],
        "creator": ", ".join(read["Xmp.dc.creator"]),
        "description": read["Xmp.dc.description"],
    }
    assert TEXTS == findings["added"]
    assert TEXTS == {key.value: said for key, said in Xmp(made.xmp).texts().items()}


@needs_tool("exiftool")
def test_exiftool_reads_the_same_and_finds_nothing_to_warn_of(tmp_path):
    made, _ = tagged(Metadata(exif=exif_block(), xmp=XMP), **TEXTS)
    path = jpeg_with(tmp_path, made)
    done = subprocess.run(
        ["exiftool", "-json", "-G1", "-n", path], capture_output=True, check=True, text=True
    )
    read = json.loads(done.stdout)[0]
    expected = {
        "IFD0:Orientation": 1,
        "IFD0:XResolution": 240,
        "ExifIFD:ColorSpace": 1,
        "ExifIFD:ExifImageWidth": 40,
        "IFD0:Copyright": TEXTS["copyright"],
        "XMP-tiff:Orientation": 1,
        "XMP-exif:ColorSpace": 1,
        "XMP-exif:GPSLatitude": 0,
        "XMP-photoshop:ICCProfileName": SRGB.description,
        "XMP-dc:Rights": TEXTS["copyright"],
        "XMP-dc:Creator": TEXTS["creator"],
        "XMP-dc:Description": TEXTS["description"],
    }
    assert expected == {key: read.get(key) for key in expected}
    assert "ExifTool:Warning" not in read


def _with_text(kind):
    if kind == "exif":
        exif = Image.Exif()
        exif[33432] = "Their own"
        return Metadata(exif=exif.tobytes().removeprefix(b"Exif\0\0"))
    if kind == "iptc":
        return Metadata(iptc=IPTC)
    item = b"<rdf:li xml:lang='x-default'>Their own</rdf:li>"
    said = b"<dc:rights><rdf:Alt>" + item + b"</rdf:Alt></dc:rights>"
    return Metadata(xmp=XMP.replace(b"<dc:subject>", said + b"<dc:subject>"))


@pytest.mark.parametrize("kind", ["exif", "xmp", "iptc"])
def test_what_the_original_says_is_left_to_it(kind):
    original = _with_text(kind)
    made, findings = tagged(original, copyright="Ours")
    assert {} == findings["added"]
    assert b"Ours" not in made.exif + (made.xmp or b"") + (made.iptc or b"")
    assert original.iptc == made.iptc


@pytest.mark.parametrize("kind", ["exif", "xmp", "iptc"])
def test_overwrite_replaces_it_everywhere(tmp_path, kind):
    made, _ = tagged(_with_text(kind), copyright="Ours", overwrite=True)
    read = read_back(tmp_path, made)
    assert ("Ours", "Ours") == (read["Exif.Image.Copyright"], read["Xmp.dc.rights"])
    assert ({Text.COPYRIGHT: "Ours"} if kind == "iptc" else {}) == iptc.texts(made.iptc or b"")
    assert b"Their own" not in made.exif + made.xmp
    assert made.iptc is None or b"Low water" in made.iptc


def test_iptc_is_carried_over_byte_by_byte():
    made, findings = tagged(Metadata(iptc=IPTC))
    assert (IPTC, "carried") == (made.iptc, findings["iptc"])
    assert {Text.COPYRIGHT: "© A"} == iptc.texts(IPTC)


BOMB = b"""<?xml version="1.0"?><!DOCTYPE a [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>
<x xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:RDF>&b;</rdf:RDF></x>"""
OUTSIDE = b"""<!DOCTYPE a [<!ENTITY a SYSTEM "file:///etc/hostname">]><a>&a;</a>"""


@pytest.mark.parametrize(
    ("packet", "said"),
    [
        (BOMB, "declares entities or a document type"),
        (OUTSIDE, "declares entities or a document type"),
        (b"<!DOCTYPE a><a/>", "declares entities or a document type"),
        (b"<a>" * 200_000 + b"</a>" * 200_000, "nests deeper than 64 elements"),
        (b" " * (MAX_BYTES + 1), "has more than 2 MiB"),
        (b"<a>", "is not well-formed XML"),
        (b"", "is not well-formed XML"),
        (b"<a/>", "has no RDF in it"),
    ],
)
def test_hostile_or_broken_xmp_is_left_out_with_a_warning(packet, said):
    with pytest.raises(XmpError) as error:
        Xmp(packet)
    assert said in str(error.value)
    made, findings = tagged(Metadata(xmp=packet))
    assert made.xmp is None
    assert [f"Its XMP {error.value} and was left out."] == findings["warned"]


@pytest.mark.parametrize("block", [b"", b"II*\0", b"nonsense at all", b"MM\0*\0\0\0\x08\xff\xff"])
def test_broken_exif_is_left_out_with_a_warning(block):
    made, findings = tagged(Metadata(exif=block))
    assert ["Its Exif data cannot be read and were left out."] == findings["warned"]
    assert Image.Exif().load(b"Exif\0\0" + made.exif) is None


@pytest.mark.parametrize("text", ["", "  ", "two\nlines"])
def test_a_text_of_the_settings_is_one_line(text):
    with pytest.raises(ValidationError) as error:
        Tagging.Settings.model_validate({"copyright": text})
    assert "one line of text" in str(error.value)


SIDECAR = b"""<x:xmpmeta xmlns:x="adobe:ns:meta/" xmlns:q="http://ns.adobe.com/photoshop/1.0/">
<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#" xmlns:dc="http://purl.org/dc/elements/1.1/">
<rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="2"
 q:City="Fenmouth">
<dc:subject><rdf:Bag><rdf:li>reeds</rdf:li></rdf:Bag></dc:subject>
<dc:description><rdf:Alt><rdf:li xml:lang="x-default">low water</rdf:li></rdf:Alt></dc:description>
</rdf:Description></rdf:RDF></x:xmpmeta>"""


def tag(metadata, values=None):
    """The metadata that tagging makes, and what it warns of."""
    spec = replace(spec_of(PIXELS), metadata=metadata)
    job = job_of(spec)
    stage = make_stage(Tagging, values or {})
    return stage.open(spec, job).metadata, [each.message for each in job.warnings]


@pytest.mark.parametrize("embedded", [XMP, None])
def test_what_a_sidecar_says_goes_first(embedded):
    made, warned = tag(Metadata(exif=exif_block(), xmp=embedded, sidecar=SIDECAR))
    text = made.xmp.decode()
    assert ("reeds" in text, "tide" in text) == (True, False)
    assert 'Rating="4"' not in text
    packet = Xmp(made.xmp)
    assert "low water" == packet.texts()[Text.DESCRIPTION]
    assert b"low water" in made.exif
    assert ("Invented" in text) == (embedded is not None)
    assert "Fenmouth" in text
    assert warned == []


def test_settings_go_before_a_sidecar_where_they_are_to_replace():
    made, _ = tag(Metadata(sidecar=SIDECAR), {"description": "the fen", "overwrite": True})
    assert "the fen" == Xmp(made.xmp).texts()[Text.DESCRIPTION]
    made, _ = tag(Metadata(sidecar=SIDECAR), {"description": "the fen"})
    assert "low water" == Xmp(made.xmp).texts()[Text.DESCRIPTION]


def test_a_sidecar_that_cannot_be_read_is_left_out_and_said():
    made, warned = tag(Metadata(xmp=XMP, sidecar=b"<x>no end"))
    assert "tide" in made.xmp.decode()
    assert warned == ["The XMP of its sidecar is not well-formed XML and was left out."]
