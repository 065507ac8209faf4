"""Whether a picture has arrived to its end.

The files are written by Pillow and tifffile, which share no code with what is tested, and then
cut, emptied or damaged.
"""

from __future__ import annotations

import io
import os
import struct
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

from hotfolder.raster.complete import container_end
from raster.other_formats import JXL_HEAD, box, jxl, last_box, long_box, psd

_NOISE = np.random.default_rng(7).integers(1, 65536, (120, 90, 3)).astype(np.uint16)
_EIGHT = (_NOISE >> 8).astype(np.uint8)


def _pillow(**options) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(_EIGHT).save(buffer, **options)
    return buffer.getvalue()


def _tiff(**options) -> bytes:
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, _NOISE, photometric="rgb", **options)
    return buffer.getvalue()


def _tiff_planar() -> bytes:
    buffer = io.BytesIO()
    planes = np.ascontiguousarray(np.moveaxis(_NOISE, 2, 0))
    tifffile.imwrite(buffer, planes, photometric="rgb", planarconfig="separate")
    return buffer.getvalue()


FILES = {
    "baseline JPEG": _pillow(format="JPEG", quality=90),
    "progressive JPEG": _pillow(format="JPEG", progressive=True, exif=b"Exif\0\0II*" + bytes(41)),
    "PNG": _pillow(format="PNG"),
    "TIFF, directory last": _pillow(format="TIFF", compression="tiff_lzw"),
    "TIFF, directory first": _tiff(),
    "TIFF, many strips": _tiff(rowsperstrip=1),
    "TIFF, big-endian": _tiff(byteorder=">"),
    "TIFF, tiles, deflate": _tiff(tile=(16, 16), compression="zlib"),
    "TIFF, planar": _tiff_planar(),
    "BigTIFF": _tiff(bigtiff=True, rowsperstrip=8),
    "BigTIFF, big-endian": _tiff(bigtiff=True, byteorder=">"),
    "AVIF": _pillow(format="AVIF"),
    "WebP": _pillow(format="WEBP", lossless=True),
    "JPEG XL": jxl(_EIGHT, box(b"xml ", b"<x/>")),
    "JPEG XL, 64 bits": JXL_HEAD + long_box(b"jxlc", jxl(_EIGHT)),
    "JPEG 2000": _pillow(format="JPEG2000"),
    "JPEG 2000, bare": imagecodecs.jpeg2k_encode(_EIGHT, level=0, codecformat="j2k"),
    "PSD": psd(_NOISE, 3),
}
each_file = pytest.mark.parametrize("data", FILES.values(), ids=FILES.keys())


@pytest.fixture
def end(tmp_path: Path):
    """Write bytes to a file and tell how it ends."""

    def tell(data: bytes):
        path = tmp_path / "picture"
        path.write_bytes(data)
        return container_end(path)

    return tell


@each_file
def test_a_whole_file_is_complete(end, data):
    assert (True, "") == (end(data).complete, end(data).reason)


@each_file
@pytest.mark.parametrize("share", [0.05, 0.5, 0.9, 0.999])
def test_a_truncated_file_is_not_complete(end, data, share):
    found = end(data[: int(len(data) * share)])
    assert (False, True) == (found.complete, found.certain)
    assert found.reason.startswith("The file ends before its picture")


@each_file
@pytest.mark.parametrize("share", [0.0, 0.001, 0.3, 0.7])
def test_a_file_of_full_size_whose_rest_is_still_zero_is_not_complete(end, data, share):
    there = int(len(data) * share)
    found = end(data[:there] + bytes(len(data) - there))
    assert not found.complete


@pytest.mark.parametrize("kind", [b"qt  ", b"isom", b"crx "])
def test_a_video_and_a_raw_file_are_left_to_the_reader_to_name(end, kind):
    assert end(box(b"ftyp", kind + bytes(4) + kind) + box(b"mdat", bytes(900))).complete


def test_a_last_box_without_a_length_goes_to_the_end(end):
    whole = JXL_HEAD + last_box(b"jxlc", jxl(_EIGHT))
    assert end(whole).complete
    assert not end(whole[:-3000] + bytes(3000)).complete


def test_reasons_are_plain_sentences(end):
    assert "The file is empty." == end(b"").reason
    assert "The file is empty." == end(bytes(5000)).reason
    assert (
        "The file ends before its picture does: the end mark of the JPEG is missing."
        == end(FILES["baseline JPEG"][:-2]).reason
    )
    assert (
        "The file ends before its picture begins: the JPEG has only the start of a header."
        == end(FILES["baseline JPEG"][:100]).reason
    )
    assert (
        "The file ends before its picture does: the end mark of the PNG is missing."
        == end(FILES["PNG"][:-1]).reason
    )
    assert (
        "The file ends before its picture does: some of its rows are missing."
        == end(FILES["TIFF, directory first"][:-1]).reason
    )
    assert (
        "The file ends before its picture does: the directory of the TIFF is missing."
        == end(FILES["TIFF, directory last"][:3000]).reason
    )


@each_file
@pytest.mark.parametrize("more", [b"\0" * 3000, b"notes" * 40_000])
def test_bytes_behind_the_end_do_no_harm(end, data, more):
    assert end(data + more).complete


def test_the_thumbnail_of_a_jpeg_does_not_count_as_its_end(end):
    thumbnail = FILES["baseline JPEG"][:3000] + b"\xff\xd9"
    exif = b"\xff\xe1" + (len(thumbnail) + 2).to_bytes(2, "big") + thumbnail
    whole = b"\xff\xd8" + exif + FILES["baseline JPEG"][2:]
    assert end(whole).complete
    assert not end(whole[:-2] + b"\0\0").complete


def test_an_end_mark_across_two_reads_is_found(end):
    jpeg = FILES["baseline JPEG"]
    start_of_data = jpeg.index(b"\xff\xda") + 2 + 12
    padding = b"\x55" * (2**20 - 1)
    found = end(jpeg[:start_of_data] + padding + b"\xff\xd9" + b"\x11" * 100_000)
    assert found.complete


def test_an_uncompressed_picture_with_a_black_end_is_in_doubt(end):
    picture = np.full((400, 800, 3), 9000, np.uint16)
    picture[200:] = 0
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, picture, photometric="rgb")
    found = end(buffer.getvalue())
    assert (False, False) == (found.complete, found.certain)
    assert (
        "The last rows of the picture are all zero: they are black, or have not arrived."
        == found.reason
    )


def test_a_compressed_picture_with_a_black_end_is_complete(end):
    picture = np.zeros((400, 800, 3), np.uint16)
    for compression in ("zlib", "lzw", "packbits"):
        buffer = io.BytesIO()
        tifffile.imwrite(buffer, picture, photometric="rgb", compression=compression)
        assert end(buffer.getvalue()).complete, compression


def test_reduced_pictures_below_the_main_one_must_be_there_too(end):
    buffer = io.BytesIO()
    with tifffile.TiffWriter(buffer) as writer:
        writer.write(_NOISE, photometric="rgb", subifds=1)
        writer.write(_NOISE[::4, ::4], photometric="rgb", subfiletype=1)
    assert end(buffer.getvalue()).complete
    assert not end(buffer.getvalue()[:-20]).complete


def test_a_loop_of_directories_ends(end):
    data = bytearray(FILES["TIFF, directory first"])
    with tifffile.TiffFile(io.BytesIO(bytes(data))) as tiff:
        entries = len(tiff.pages[0].tags)
    following = 8 + 2 + 12 * entries
    data[following : following + 4] = (8).to_bytes(4, "little")
    assert end(bytes(data)).complete


def test_an_absurd_directory_is_not_read(end):
    assert not end(b"II*\0\x08\0\0\0\xff\xff" + b"\x01" * 5000).complete
    assert not end(b"II+\0\x08\0\0\0\x10\0\0\0\0\0\0\0" + b"\xff" * 5000).complete


def test_a_tag_that_comes_again_and_again_is_read_once(end, monkeypatch):
    offsets, entries = 2**16, 4000
    head = b"II*\0" + struct.pack("<IH", 8, entries)
    entry = struct.pack("<HHII", 273, 4, offsets, len(head) + 12 * entries + 4)
    data = head + entry * entries + bytes(4) + struct.pack("<I", 1) * offsets
    read, sizes = os.read, []

    def counted(number, size):
        part = read(number, size)
        sizes.append(len(part))
        return part

    monkeypatch.setattr(os, "read", counted)
    end(data)
    assert sum(sizes) < 3 * len(data)


def test_offsets_near_the_largest_number_do_not_wrap(end):
    data = FILES["BigTIFF"]
    with tifffile.TiffFile(io.BytesIO(data)) as tiff:
        offsets = tiff.pages[0].tags["StripOffsets"]
        place, size = offsets.valueoffset, len(offsets.value)
    changed = bytearray(data)
    changed[place : place + 8 * size] = b"\xff" * (8 * size)
    assert not end(bytes(changed)).complete


@pytest.mark.parametrize("data", [b"a poem, not a picture\n", b"%PDF-1.7", b"GIF89a;", b"x"])
def test_other_containers_are_left_to_the_reader(end, data):
    assert end(data).complete


def test_a_descriptor_is_as_good_as_a_path(tmp_path):
    path = tmp_path / "picture.png"
    path.write_bytes(FILES["PNG"])
    with path.open("rb") as file:
        assert container_end(file.fileno()).complete


def test_a_link_and_a_pipe_are_not_opened(tmp_path):
    (tmp_path / "picture.png").write_bytes(FILES["PNG"])
    (tmp_path / "link.png").symlink_to("picture.png")
    os.mkfifo(tmp_path / "pipe.png")
    with pytest.raises(OSError, match="symbolic links"):
        container_end(tmp_path / "link.png")
    with pytest.raises(OSError, match="not a regular file"):
        container_end(tmp_path / "pipe.png")


def test_a_sparse_giant_is_told_in_bounded_reads(tmp_path):
    path = tmp_path / "giant.jpg"
    jpeg = FILES["baseline JPEG"]
    path.write_bytes(jpeg[: len(jpeg) // 2])
    os.truncate(path, 10 * 2**30)
    assert not container_end(path).complete
