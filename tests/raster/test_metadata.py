"""Exif, XMP and IPTC come out of every container, and others agree about what they say."""

from __future__ import annotations

import io
import itertools
import struct
import subprocess

import exiv2
import pytest
import tifffile
from PIL import Image

from hotfolder.raster import exif, packets
from hotfolder.raster.ifd import Value, pack, read_directory, structure
from hotfolder.raster.source import ReadLimits
from raster.pictures import XMP, exiftool, picture, read
from second_readers import exiv2_tags
from tools import needs_tool

pytestmark = pytest.mark.slow

FOR_EXIV2 = {
    "Exif.Image.Artist": "A. N. Other",
    "Exif.Image.Copyright": "2026 A. N. Other",
    "Exif.Image.ImageDescription": "Reeds at low tide",
    "Exif.Photo.ExposureTime": "1/250",
    "Exif.Photo.FNumber": "56/10",
    "Exif.Photo.DateTimeOriginal": "2026:03:04 05:06:07",
    "Exif.GPSInfo.GPSLatitude": "52/1 30/1 0/1",
    "Exif.GPSInfo.GPSLatitudeRef": "N",
    "Exif.Iop.InteroperabilityIndex": "R03",
    "Exif.Image.Orientation": "1",
    "Exif.Photo.LensModel": "a long lens",
    "Iptc.Application2.Byline": "A. N. Other",
    "Iptc.Application2.Keywords": "tide",
    "Xmp.dc.creator": "A. N. Other",
}
FOR_EXIFTOOL = (
    "-Artist=A. N. Other",
    "-Copyright=2026 A. N. Other",
    "-ImageDescription=Reeds at low tide",
    "-ExposureTime=1/250",
    "-FNumber=5.6",
    "-DateTimeOriginal=2026:03:04 05:06:07",
    "-GPSLatitude=52.5",
    "-GPSLatitudeRef=N",
    "-InteropIndex=R03",
    "-IFD0:Orientation#=1",
    "-LensModel=a long lens",
    "-IPTC:By-line=A. N. Other",
    "-IPTC:Keywords=tide",
    "-XMP-dc:Creator=A. N. Other",
)


def untagged(path, kind, order):
    pixels = picture(16, 24, 3, "uint8")
    if kind == "tiff":
        tifffile.imwrite(path, pixels, photometric="rgb", byteorder="<" if order == "II" else ">")
    else:
        Image.fromarray(pixels).save(path, kind)


def tag_with_libexiv2(path, order):
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    little, big = exiv2.ByteOrder.littleEndian, exiv2.ByteOrder.bigEndian
    image.setByteOrder(little if order == "II" else big)
    data = {"Exif": image.exifData(), "Iptc": image.iptcData(), "Xmp": image.xmpData()}
    for key, text in FOR_EXIV2.items():
        data[key[: key.index(".")]][key] = text
    image.writeMetadata()


def tag_with_exiftool(path, order):
    subprocess.run(
        ["exiftool", "-q", "-overwrite_original", f"-ExifByteOrder={order}", *FOR_EXIFTOOL, path],
        check=True,
        capture_output=True,
    )


def blocks_of(tmp_path):
    """What our reader takes out of the file, the Exif and XMP of it as files of their own."""
    opened, _, _ = read(tmp_path / "x", tmp_path)
    assert not [note for note in opened.notes if "left out" in note]
    metadata = opened.spec.metadata
    # a bare Exif block is a TIFF without a picture, and read as such
    (tmp_path / "block.tif").write_bytes(metadata.exif)
    (tmp_path / "packet.xmp").write_bytes(metadata.xmp)
    return metadata


def holds_the_by_line(iptc):
    return b"\x1c\x02\x50\x00\x0bA. N. Other" in iptc  # IIM 2:80


CASES = list(itertools.product(["tiff", "jpeg", "png"], ["II", "MM"]))
TAGGED = [
    pytest.param(tag, *case, marks=marks)
    for tag, marks in ((tag_with_libexiv2, ()), (tag_with_exiftool, needs_tool("exiftool")))
    for case in CASES
    if (tag, *case) != (tag_with_libexiv2, "png", "MM")  # libexiv2 writes II only into a PNG
]


@pytest.mark.parametrize(("tag", "kind", "order"), TAGGED)
def test_what_another_wrote_is_what_libexiv2_finds_in_the_bytes(tmp_path, tag, kind, order):
    untagged(tmp_path / "x", kind, order)
    tag(tmp_path / "x", order)
    assert order.encode() + {"II": b"*\0", "MM": b"\0*"}[order] in (tmp_path / "x").read_bytes()
    metadata = blocks_of(tmp_path)
    found = exiv2_tags(tmp_path / "block.tif")
    assert found["Exif.Image.Artist"] == "A. N. Other"
    assert found["Exif.Image.Copyright"] == "2026 A. N. Other"
    assert found["Exif.Image.ImageDescription"] == "Reeds at low tide"
    assert found["Exif.Photo.ExposureTime"] == pytest.approx(1 / 250)
    assert found["Exif.Photo.FNumber"] == pytest.approx(5.6)
    assert found["Exif.Photo.DateTimeOriginal"] == "2026:03:04 05:06:07"
    assert found["Exif.Photo.LensModel"] == "a long lens"
    assert found["Exif.GPSInfo.GPSLatitude"] == [52, 30, 0]
    assert found["Exif.Iop.InteroperabilityIndex"] == "R03"
    assert exiv2_tags(tmp_path / "packet.xmp")["Xmp.dc.creator"] == ["A. N. Other"]
    if kind != "png":
        assert holds_the_by_line(metadata.iptc)


@needs_tool("exiftool")
@pytest.mark.parametrize(("kind", "order"), CASES)
def test_what_exiftool_wrote_is_what_exiftool_finds_in_the_bytes(tmp_path, kind, order):
    untagged(tmp_path / "x", kind, order)
    tag_with_exiftool(tmp_path / "x", order)
    metadata = blocks_of(tmp_path)
    found = exiftool(tmp_path / "block.tif")
    assert found["IFD0:Artist"] == "A. N. Other"
    assert found["IFD0:Copyright"] == "2026 A. N. Other"
    assert found["IFD0:ImageDescription"] == "Reeds at low tide"
    assert found["ExifIFD:ExposureTime"] == pytest.approx(1 / 250)
    assert found["ExifIFD:FNumber"] == pytest.approx(5.6)
    assert found["ExifIFD:DateTimeOriginal"] == "2026:03:04 05:06:07"
    assert found["ExifIFD:LensModel"] == "a long lens"
    assert found["GPS:GPSLatitude"] == pytest.approx(52.5)
    assert found["InteropIFD:InteropIndex"] == "R03"
    assert "ExifTool:Warning" not in found
    assert exiftool(tmp_path / "packet.xmp")["XMP-dc:Creator"] == "A. N. Other"
    if kind != "png":
        assert holds_the_by_line(metadata.iptc)


def test_a_tiff_without_any_description_has_no_exif(tmp_path):
    tifffile.imwrite(
        tmp_path / "x", picture(5, 5, 3), photometric="rgb", metadata=None, software=False
    )
    assert read(tmp_path / "x", tmp_path)[0].spec.metadata.exif is None


def test_a_maker_note_and_a_thumbnail_are_not_carried_out_of_a_tiff(tmp_path):
    tifffile.imwrite(
        tmp_path / "x",
        picture(5, 5, 3),
        photometric="rgb",
        extratags=[(37500, 7, 4, b"note", True), (271, 2, 0, "a maker", True)],
    )
    block = read(tmp_path / "x", tmp_path)[0].spec.metadata.exif
    assert b"a maker" in block
    assert b"note" not in block


def test_tags_that_only_describe_the_file_are_not_carried_along(tmp_path):
    tifffile.imwrite(
        tmp_path / "x",
        picture(5, 5, 3),
        photometric="rgb",
        extratags=[(65000, 2, 0, "private", True), (315, 2, 0, "A. N. Other", True)],
    )
    block = read(tmp_path / "x", tmp_path)[0].spec.metadata.exif
    assert b"private" not in block
    assert exif.parse(block).main.keys() == {282, 283, 296, 305, 315}


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("big", [False, True])
def test_exif_of_a_bigtiff_of_either_byte_order_is_read(tmp_path, order, big):
    tifffile.imwrite(
        tmp_path / "x",
        picture(5, 5, 3),
        photometric="rgb",
        bigtiff=big,
        byteorder=order,
        extratags=[(33432, 2, 0, "2026 A. N. Other", True), (700, 1, len(XMP), XMP, True)],
        resolution=(240, 240),
        resolutionunit="inch",
    )
    spec = read(tmp_path / "x", tmp_path)[0].spec
    assert exif.parse(spec.metadata.exif).main[33432].data == b"2026 A. N. Other\0"
    assert spec.metadata.xmp == XMP
    assert spec.ppi == 240


def test_iptc_declared_as_long_and_swapped_is_put_right(tmp_path):
    records = b"\x1c\x02\x50\x00\x05Other\x1c\x02\x19\x00\x04tide"
    padded = records + b"\0" * (-len(records) % 4)
    swapped = b"".join(padded[at : at + 4][::-1] for at in range(0, len(padded), 4))
    assert packets.usable(packets.from_tiff_tag(swapped), ReadLimits(), []) == records
    assert packets.usable(packets.from_tiff_tag(padded), ReadLimits(), []) == records


def test_iptc_is_found_among_image_resources():
    chain = b"8BIM\x03\xed\0\0\0\0\0\x03abc\0" + packets.to_image_resources(b"\x1c\x02\x05\0\1t")
    assert packets.from_image_resources(chain) == b"\x1c\x02\x05\0\1t"
    assert packets.from_image_resources(chain[:20]) is None
    assert packets.from_image_resources(b"") is None


@pytest.mark.parametrize("records", [b"nonsense", b"\x1c\x02", b"\x1c\x02\x50\xff"])
def test_damaged_iptc_is_left_out_and_said(records):
    notes: list[str] = []
    assert packets.usable(records, ReadLimits(), notes) is None
    assert notes == ["Its IPTC data are damaged or too long and were left out."]


@pytest.mark.parametrize("packet", [b"\xff\xfe<\0x\0", b"no markup", b"<" + bytes([0xC3])])
def test_damaged_xmp_is_left_out_and_said(packet):
    notes: list[str] = []
    assert packets.usable_xmp(packet, ReadLimits(), notes) is None
    assert notes == ["Its XMP data are damaged or too long and were left out."]


def test_xmp_longer_than_the_limit_is_left_out_and_said():
    notes: list[str] = []
    assert packets.usable_xmp(b"<a>" * 10, ReadLimits(max_xmp_bytes=29), notes) is None
    assert len(notes) == 1


def test_an_exif_block_that_was_built_is_read_by_pillow():
    directories = exif.ExifDirectories(
        main={315: Value(2, 6, b"Other\0")},
        exif={33434: Value(5, 1, struct.pack("<II", 1, 250))},
        gps={1: Value(2, 2, b"N\0")},
        interoperability={1: Value(2, 4, b"R98\0")},
    )
    block = exif.build(directories)
    again = Image.Exif()
    again.load(block)
    assert again[315] == "Other"
    assert again.get_ifd(0x8769)[33434] == pytest.approx(1 / 250)
    assert again.get_ifd(0x8825)[1] == "N"
    assert exif.parse(block) == directories


def test_a_directory_packed_as_bigtiff_is_read_back():
    directory = {256: Value(4, 1, b"\1\0\0\0"), 270: Value(2, 12, b"Reeds, tide\0")}
    data = b"II+\0\x08\0\0\0\x10" + bytes(7) + pack(directory, 16, big=True)
    stream = io.BytesIO(data)

    def at(offset, size):
        stream.seek(offset)
        return stream.read(size)

    assert read_directory(at, structure(at), 16, 1000) == (directory, 0)


@pytest.mark.parametrize(
    "block", [b"", b"II", b"II*\0\x08\0\0\0", b"II*\0\x08\0\0\0\xff\xff", b"XX*\0"]
)
def test_what_is_no_exif_block_is_an_error(block):
    with pytest.raises(ValueError, match=r"TIFF header|directory"):
        exif.parse(block)
