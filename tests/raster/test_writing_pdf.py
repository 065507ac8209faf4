"""Pages in PDF: their pixels are the TIFF's, and what a press asks of them is there.

pypdf, which shares no code with the library that writes, reads every page.
"""

from __future__ import annotations

import io
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pikepdf
import pypdf
import pytest

from hotfolder.colour.profile import Profile
from hotfolder.errors import Refuse
from hotfolder.model.destination import Result
from hotfolder.model.encoding import Encoding
from hotfolder.raster import exif
from hotfolder.raster.ifd import Value
from hotfolder.raster.picture import Metadata, RasterSpec
from hotfolder.raster.reading import open_original
from hotfolder.raster.writing import open_result
from hotfolder_demo import profiles
from raster.pictures import bands_of, picture, profile_bytes

XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-'
    b'syntax-ns#"><rdf:Description xmlns:dc="http://purl.org/dc/elements/1.1/"><dc:title><rdf:Alt>'
    b'<rdf:li xml:lang="x-default">Reeds &amp; tide</rdf:li></rdf:Alt></dc:title>'
    b"</rdf:Description></rdf:RDF></x:xmpmeta>"
)
PPI = 300.0
CHANNELS = {Encoding.RGB: 3, Encoding.GREY: 1, Encoding.CMYK: 4}
PRINTED = [Encoding.CMYK, Encoding.RGB, Encoding.GREY]


def printer(encoding):
    """A printer's profile of a kind: its class is what counts here."""
    if encoding is Encoding.CMYK:
        return Profile.parse(profile_bytes("cmyk"))
    made = profiles.srgb() if encoding is Encoding.RGB else profiles.grey_gamma22()
    return Profile.parse(made[:12] + b"prtr" + made[16:])


def spec_of(pixels, encoding, **more):
    height, width = pixels.shape[:2]
    spec = RasterSpec(width, height, encoding, printer(encoding), ppi=PPI)
    return replace(spec, **more)


def write(path, pixels, spec, **options):
    with open_result(path, spec, Result(**options)) as writer:
        writer.write(iter(bands_of(pixels, 7)))
    return writer


def read_pixels(page, channels, bits):
    (image,) = page["/Resources"]["/XObject"].values()
    image = image.get_object()
    assert bits == image["/BitsPerComponent"]
    data = np.frombuffer(image.get_data(), ">u2" if bits == 16 else "u1")
    return data.reshape(image["/Height"], image["/Width"], channels)


@pytest.mark.parametrize("encoding", PRINTED)
@pytest.mark.parametrize("bits", [8, 16])
def test_the_pixels_of_a_page_are_those_of_the_tiff_bit_for_bit(tmp_path, encoding, bits):
    pixels = picture(50, 61, CHANNELS[encoding])
    spec = spec_of(pixels, encoding)
    write(tmp_path / "x.pdf", pixels, spec, format="pdf", bits=bits)
    write(tmp_path / "x.tif", pixels, spec, format="tiff", bits=bits)
    page = pypdf.PdfReader(tmp_path / "x.pdf").pages[0]
    with open_original(tmp_path / "x.tif", name="x.tif", scratch=tmp_path) as opened:
        tiff = np.concatenate([each.pixels for each in opened.bands()])
    found = read_pixels(page, CHANNELS[encoding], bits).astype(int)
    assert (tiff == found * (257 if bits == 8 else 1)).all()


def test_the_output_intent_is_the_mediums_profile_and_colour_is_in_device_values(tmp_path):
    pixels = picture(20, 30, 4)
    write(tmp_path / "x.pdf", pixels, spec_of(pixels, Encoding.CMYK), format="pdf", bits=8)
    reader = pypdf.PdfReader(tmp_path / "x.pdf", strict=True)
    (intent,) = reader.trailer["/Root"]["/OutputIntents"]
    intent = intent.get_object()
    assert "/GTS_PDFX" == intent["/S"]
    assert 4 == intent["/DestOutputProfile"]["/N"]
    assert profile_bytes("cmyk") == intent["/DestOutputProfile"].get_data()
    (image,) = reader.pages[0]["/Resources"]["/XObject"].values()
    assert "/DeviceCMYK" == image.get_object()["/ColorSpace"]


def test_a_page_says_the_same_of_itself_in_both_places(tmp_path):
    pixels = picture(20, 30, 4)
    spec = spec_of(pixels, Encoding.CMYK, metadata=Metadata(xmp=XMP))
    write(tmp_path / "x.pdf", pixels, spec, format="pdf", bits=8)
    reader = pypdf.PdfReader(tmp_path / "x.pdf", strict=True)
    assert "%PDF-1.6" == reader.pdf_header
    assert 2 == len(reader.trailer["/ID"])
    info, said = reader.metadata, reader.xmp_metadata
    assert "Reeds & tide" == info.title == said.dc_title["x-default"]
    assert "/False" == info["/Trapped"]
    assert info.creation_date.astimezone() == info.modification_date.astimezone()
    assert (
        abs(
            (
                info.creation_date.replace(tzinfo=None) - said.xmp_create_date.replace(tzinfo=None)
            ).total_seconds()
        )
        % 900
        < 2
    )  # fmt: skip - pypdf gives the latter in UTC
    packet = reader.trailer["/Root"]["/Metadata"].get_data().decode()
    assert "PDF/X-4" in packet
    assert "GTS_PDFXVersion" in packet
    for needed in ("DocumentID", "VersionID", "RenditionClass", "Trapped", "MetadataDate"):
        assert needed in packet
    (image,) = reader.pages[0]["/Resources"]["/XObject"].values()
    assert XMP == image.get_object()["/Metadata"].get_data()


def boxes(page):
    return {
        name: [Decimal(str(each)) for each in page[f"/{name}Box"]]
        for name in ("Media", "Bleed", "Trim")
    }


@pytest.mark.parametrize(
    ("more", "bleed", "trim"),
    [
        ({}, [0, 0, 24, 12], [0, 0, 24, 12]),
        ({"front_px": (75, 25), "bleed_px": 12}, [0, 0, 24, 12],
         ["2.88", "2.88", "21.12", "9.12"]),
        ({"trim_at_px": (25, 5, 50, 25), "bleed_px": 5}, ["4.8", "3.6", "19.2", 12],
         [6, "4.8", 18, "10.8"]),
    ],
)  # fmt: skip
def test_boxes_stand_where_the_page_is_cut_to_the_pixel(tmp_path, more, bleed, trim):
    pixels = picture(50, 100, 4)  # 24 × 12 points
    write(tmp_path / "x.pdf", pixels, spec_of(pixels, Encoding.CMYK, **more), format="pdf", bits=8)
    found = boxes(pypdf.PdfReader(tmp_path / "x.pdf").pages[0])
    assert [0, 0, 24, 12] == found["Media"]
    assert list(map(Decimal, bleed)) == found["Bleed"]
    assert list(map(Decimal, trim)) == found["Trim"]


def test_the_library_finds_nothing_to_mend_in_a_page(tmp_path):
    pixels = picture(50, 61, 4)
    write(tmp_path / "x.pdf", pixels, spec_of(pixels, Encoding.CMYK), format="pdf", bits=8)
    with pikepdf.open(io.BytesIO((tmp_path / "x.pdf").read_bytes())) as pdf:
        assert [] == pdf.check_pdf_syntax()


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"encoding": Encoding.LAB}, "lab-result"),
        ({"profile": None}, "lab-result"),
        ({"has_alpha": True}, "pdf-alpha"),
        ({"ppi": 0.0}, "no-ppi"),
        ({"ppi": 0.25}, "pdf-too-large"),
        ({"profile": Profile.parse(profiles.srgb()), "encoding": Encoding.RGB},
         "no-output-profile"),
    ],
)  # fmt: skip
def test_what_a_page_cannot_hold_is_refused_in_words(tmp_path, more, code):
    pixels = picture(50, 61, 4)
    with pytest.raises(Refuse) as refused:
        write(
            tmp_path / "x.pdf",
            pixels,
            replace(spec_of(pixels, Encoding.CMYK), **more),
            format="pdf",
        )
    assert code == refused.value.code
    assert not (tmp_path / "x.pdf").exists()


def test_the_same_page_is_the_same_file_and_says_when_its_exif_says_it_was_made(tmp_path):
    pixels = picture(20, 30, 4)
    block = exif.build(
        exif.ExifDirectories(
            main={306: Value(2, 20, b"2026:03:09 18:30:05\0")},
            exif={0x9010: Value(2, 7, b"+01:00\0")},
        )
    )
    spec = spec_of(pixels, Encoding.CMYK, metadata=Metadata(exif=block))
    for name in ("one.pdf", "two.pdf"):
        write(tmp_path / name, pixels, spec, format="pdf", bits=8)
    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()
    info = pypdf.PdfReader(tmp_path / "one.pdf").metadata
    assert "2026-03-09T18:30:05+01:00" == info.creation_date.isoformat()
