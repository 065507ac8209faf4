"""What of an original's metadata is not carried: left out everywhere alike, and named."""

from __future__ import annotations

import io

import pytest
import tifffile
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from hotfolder.model.destination import Result
from hotfolder.raster import exif
from hotfolder.raster.writing import open_result
from raster.pictures import bands_of, picture, read
from second_readers import exiv2_tags

SMALL = picture(8, 12, 3, "uint8")


def thumbnail():
    """The bytes of a small JPEG."""
    stream = io.BytesIO()
    Image.new("RGB", (4, 3)).save(stream, "JPEG")
    return stream.getvalue()


def block(order="<"):
    """An Exif block with a thumbnail, a maker note and a comment in UTF-16."""
    said = "Schön".encode("utf-16-be" if order == ">" else "utf-16-le")
    made = Image.Exif()
    made.endian = order
    made[274], made[271], made[18246] = 6, "Invented", 4
    made[40094] = "tide;mud\0".encode("utf-16-le")
    made[316] = "a computer"
    made.get_ifd(0x8769).update(
        {0x9000: b"0232", 0x829A: 0.005, 0x927C: b"maker's own", 0x9286: b"UNICODE\0" + said}
    )
    data = bytearray(made.tobytes().removeprefix(b"Exif\0\0"))
    # Pillow writes no second directory; the first one's pointer to it is set by hand
    kind = "little" if order == "<" else "big"
    entries = int.from_bytes(data[8:10], kind)
    small = thumbnail()
    second = len(data) + len(data) % 2
    data += b"\0" * (second - len(data))
    start = second + 2 + 3 * 12 + 4
    table = [(259, 3, 6), (513, 4, start), (514, 4, len(small))]
    data += len(table).to_bytes(2, kind)
    for tag, type_, value in table:
        number = value.to_bytes(2, kind) + b"\0\0" if type_ == 3 else value.to_bytes(4, kind)
        data += tag.to_bytes(2, kind) + type_.to_bytes(2, kind) + (1).to_bytes(4, kind) + number
    data += bytes(4) + small
    at = 10 + 12 * entries
    data[at : at + 4] = second.to_bytes(4, kind)
    return bytes(data)


def original(path, kind, order="<"):
    """A JPEG or a PNG that carries the block."""
    data = b"Exif\0\0" + block(order)
    Image.fromarray(SMALL).save(path, kind, exif=data)
    return path


def written(path, opened, pixels, kind):
    """The original as a file of another kind, through no stage at all."""
    with open_result(path, opened.spec, Result(format=kind, bits=8)) as writer:
        writer.write(bands_of(pixels, 5))
    return path


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
@pytest.mark.parametrize("result", ["jpeg", "png", "tiff"])
def test_without_any_stage_no_thumbnail_and_no_maker_note_is_delivered(
    tmp_path, kind, order, result
):
    source = original(tmp_path / "x", kind, order)
    before = exiv2_tags(source)
    assert [key for key in before if key.startswith("Exif.Thumbnail")]
    opened, pixels, _ = read(source, tmp_path)
    after = exiv2_tags(written(tmp_path / "y", opened, pixels, result))
    assert not [key for key in after if "Thumbnail" in key or "Maker" in key]
    assert thumbnail() not in (tmp_path / "y").read_bytes()
    assert after.get("Exif.Image.Orientation", 1) == 1
    for key in ("Exif.Image.Make", "Exif.Image.Rating", "Exif.Image.XPKeywords"):
        assert before[key] == after[key], key
    assert after["Exif.Photo.ExposureTime"] == pytest.approx(0.005)
    assert b"UNICODE\0" + "Schön".encode("utf-16-le") == bytes(after["Exif.Photo.UserComment"])


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_what_is_left_out_is_named(tmp_path, kind):
    opened, _, _ = read(original(tmp_path / "x", kind), tmp_path)
    assert ("HostComputer", "MakerNote", "Thumbnail") == opened.spec.metadata.left_out
    assert opened.spec.metadata.orientation == 6


def test_of_a_tiff_too_with_its_layers_and_private_tags(tmp_path):
    tifffile.imwrite(
        tmp_path / "x",
        SMALL,
        photometric="rgb",
        metadata=None,
        extratags=[
            (65000, 2, 0, "private", True),
            (37724, 7, 4, b"lots", True),
            (18246, 3, 1, 5, True),
            (271, 2, 0, "a maker", True),
        ],
    )
    opened, pixels, _ = read(tmp_path / "x", tmp_path)
    assert ("ImageSourceData", "tag 65000") == opened.spec.metadata.left_out
    after = exiv2_tags(written(tmp_path / "y", opened, pixels, "tiff"))
    assert after["Exif.Image.Rating"] == 5


@pytest.mark.parametrize("said", ['{"shape": [8, 12, 3]}', "shape=(8, 12, 3)"])
def test_what_a_library_wrote_about_an_array_is_no_description(tmp_path, said):
    tifffile.imwrite(
        tmp_path / "x", SMALL, photometric="rgb", description=said, metadata=None, software=False
    )
    metadata = read(tmp_path / "x", tmp_path)[0].spec.metadata
    assert metadata.exif is None or 270 not in exif.parse(metadata.exif).main
    assert metadata.left_out == ("ImageDescription",)


@pytest.mark.parametrize("said", ["Reeds", '{"title": "Reeds"}', "shape of the shore"])
def test_a_description_is_kept(tmp_path, said):
    tifffile.imwrite(tmp_path / "x", SMALL, photometric="rgb", description=said, metadata=None)
    metadata = read(tmp_path / "x", tmp_path)[0].spec.metadata
    assert exif.parse(metadata.exif).main[270].data == said.encode() + b"\0"


def test_texts_of_a_png_and_the_comment_of_a_jpeg_are_named(tmp_path):
    info = PngInfo()
    info.add_text("Copyright", "2026 A. N. Other")
    info.add_itxt("Title", "Reeds", zip=True)
    Image.fromarray(SMALL).save(tmp_path / "x", "PNG", pnginfo=info)
    named = read(tmp_path / "x", tmp_path)[0].spec.metadata.left_out
    assert named == ("PNG text Copyright", "PNG text Title")
    Image.fromarray(SMALL).save(tmp_path / "y", "JPEG", comment="low water")
    assert read(tmp_path / "y", tmp_path)[0].spec.metadata.left_out == ("JPEG comment",)
