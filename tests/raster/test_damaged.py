"""What cannot be a picture, or is no longer one, is refused with a sentence that helps."""

from __future__ import annotations

import os
import struct
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from hotfolder.errors import Refuse
from hotfolder.raster.ifd import read_directory, structure
from hotfolder.raster.reading import open_original
from raster.pictures import picture, profile_bytes

AGAIN = "Export or copy it again and drop it once more."


def refusal(path, scratch):
    with (
        pytest.raises(Refuse) as caught,
        open_original(path, name="fen.tif", scratch=scratch) as opened,
    ):
        list(opened.bands())
    return caught.value.code, caught.value.message


def test_an_empty_file(tmp_path):
    (tmp_path / "x.tif").write_bytes(b"")
    assert refusal(tmp_path / "x.tif", tmp_path) == (
        "empty-file",
        "fen.tif: The file is empty. Export or copy it again and drop it.",
    )


@pytest.mark.parametrize("content", [b"\xfe", b"\x00" * 1000])
def test_what_nobody_knows_is_refused_with_what_can_be_read(tmp_path, content):
    (tmp_path / "x.tif").write_bytes(content)
    assert refusal(tmp_path / "x.tif", tmp_path) == (
        "not-a-picture",
        (
            "fen.tif: The file is no picture that is known here, whatever its name says. Read are "
            "TIFF, JPEG, PNG, JPEG XL, AVIF, HEIC, WebP, JPEG 2000, OpenEXR and PSD. "
            "Export the picture as one of these and drop that."
        ),
    )


def test_the_suffix_does_not_matter(tmp_path):
    Image.fromarray(picture(8, 8, 3, "uint8")).save(tmp_path / "x.tif", "JPEG")
    with open_original(tmp_path / "x.tif", name="x.tif", scratch=tmp_path) as opened:
        assert opened.format == "JPEG"


@pytest.mark.parametrize(
    ("make", "kind"),
    [
        (lambda path: path.mkdir(), "a folder"),
        (lambda path: path.symlink_to(path.parent / "other.tif"), "a link"),
        (os.mkfifo, "a pipe or a device"),
    ],
)
def test_only_a_regular_file_is_opened(tmp_path, make, kind):
    make(tmp_path / "x.tif")
    assert refusal(tmp_path / "x.tif", tmp_path) == (
        "not-a-file",
        f"fen.tif: This is {kind}, not a picture. Drop the file itself.",
    )


def test_a_file_that_is_not_there_is_not_the_files_fault(tmp_path):
    with pytest.raises(FileNotFoundError):
        open_original(tmp_path / "x.tif", name="x.tif", scratch=tmp_path)


TIFFS = {
    "plain": {},
    "strips": {"rowsperstrip": 5},
    "lzw": {"compression": "lzw", "predictor": True, "rowsperstrip": 5},
    "deflate": {"compression": "adobe_deflate", "rowsperstrip": 5},
    "one deflate": {"compression": "adobe_deflate"},
    "zstd": {"compression": "zstd", "tile": (16, 16)},
    "packbits": {"compression": "packbits"},
    "jpeg": {"compression": "jpeg", "tile": (16, 16)},
    "planar": {"planarconfig": "separate"},
}


def write(path, kind):
    stored = picture(60, 80, 3)
    if kind == "JPEG":
        Image.fromarray((stored >> 8).astype(np.uint8)).save(path, "JPEG", quality=95)
    elif kind == "progressive JPEG":
        Image.fromarray((stored >> 8).astype(np.uint8)).save(path, "JPEG", progressive=True)
    elif kind == "PNG":
        path.write_bytes(imagecodecs.png_encode(stored))
    else:
        options = TIFFS[kind]
        stored = (stored >> 8).astype(np.uint8) if kind == "jpeg" else stored
        stored = np.moveaxis(stored, -1, 0).copy() if kind == "planar" else stored
        tifffile.imwrite(path, stored, photometric="rgb", metadata=None, **options)


KINDS = [*TIFFS, "JPEG", "progressive JPEG", "PNG"]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("share", [0.999, 0.9, 0.5, 0.05])
def test_a_truncated_file_is_refused_as_damaged(tmp_path, kind, share):
    write(tmp_path / "whole", kind)
    data = (tmp_path / "whole").read_bytes()
    (tmp_path / "cut").write_bytes(data[: int(len(data) * share)])
    code, message = refusal(tmp_path / "cut", tmp_path)
    assert code == "damaged"
    starts = ("fen.tif: The file is cut short: ", "fen.tif: The file is damaged: ")
    assert message.startswith(starts)
    assert message.endswith(AGAIN)


@pytest.mark.parametrize("kind", KINDS)
def test_even_one_missing_byte_is_noticed(tmp_path, kind):
    write(tmp_path / "whole", kind)
    (tmp_path / "cut").write_bytes((tmp_path / "whole").read_bytes()[:-1])
    assert refusal(tmp_path / "cut", tmp_path)[0] == "damaged"


@pytest.mark.parametrize(
    "kind", ["lzw", "deflate", "one deflate", "zstd", "JPEG", "progressive JPEG", "PNG"]
)
def test_a_tail_of_zeros_is_noticed_where_the_container_can_tell(tmp_path, kind):
    """Not in an uncompressed TIFF: there, zeros are black rows."""
    write(tmp_path / "whole", kind)
    data = (tmp_path / "whole").read_bytes()
    half = len(data) // 2
    (tmp_path / "zeros").write_bytes(data[:half] + bytes(len(data) - half))
    assert refusal(tmp_path / "zeros", tmp_path)[0] == "damaged"


def test_the_messages_say_what_is_missing(tmp_path):
    for kind, message in (
        ("JPEG", "the end of the JPEG picture is missing"),
        ("PNG", "the end of the PNG picture is missing"),
        ("strips", "the picture's part around row 55 of 60 is missing"),
    ):
        write(tmp_path / "whole", kind)
        (tmp_path / "cut").write_bytes((tmp_path / "whole").read_bytes()[:-1])
        assert refusal(tmp_path / "cut", tmp_path)[1] == (
            f"fen.tif: The file is cut short: {message}. {AGAIN}"
        )


def test_the_message_for_a_broken_segment_says_where(tmp_path):
    write(tmp_path / "whole", "deflate")
    with tifffile.TiffFile(tmp_path / "whole") as file:
        place = file.pages[0].dataoffsets[4]
    data = bytearray((tmp_path / "whole").read_bytes())
    data[place : place + 40] = b"\xff" * 40
    (tmp_path / "broken").write_bytes(data)
    assert refusal(tmp_path / "broken", tmp_path) == (
        "damaged",
        f"fen.tif: The file is damaged: the part around row 20 cannot be read. {AGAIN}",
    )


def test_a_wrong_checksum_in_a_png(tmp_path):
    write(tmp_path / "whole", "PNG")
    data = bytearray((tmp_path / "whole").read_bytes())
    data[len(data) // 2] ^= 1
    (tmp_path / "broken").write_bytes(data)
    assert refusal(tmp_path / "broken", tmp_path) == (
        "damaged",
        f"fen.tif: The file is damaged: a checksum in the PNG is wrong. {AGAIN}",
    )


def test_a_loop_of_directories_ends(tmp_path):
    write(tmp_path / "x", "plain")
    data = bytearray((tmp_path / "x").read_bytes())
    entries = int.from_bytes(data[8:10], "little")
    data[10 + 12 * entries : 14 + 12 * entries] = (8).to_bytes(4, "little")
    (tmp_path / "x").write_bytes(data)
    with open_original(tmp_path / "x", name="x", scratch=tmp_path) as opened:
        assert opened.pages == 1


@pytest.mark.parametrize("tag", [256, 257, 277])
def test_a_number_that_became_two_is_damage(tmp_path, tag):
    write(tmp_path / "x", "plain")
    data = bytearray((tmp_path / "x").read_bytes())
    entries = int.from_bytes(data[8:10], "little")
    places = [10 + 12 * number for number in range(entries)]
    (place,) = (at for at in places if int.from_bytes(data[at : at + 2], "little") == tag)
    data[place + 2 : place + 8] = bytes([3, 0, 2, 0, 0, 0])  # two SHORTs
    (tmp_path / "x").write_bytes(data)
    assert "damaged" == refusal(tmp_path / "x", tmp_path)[0]


@pytest.mark.parametrize("kind", ["lzw", "plain", "PNG", "JPEG"])
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_random_damage_ends_in_a_picture_or_a_refusal(tmp_path, kind, data):
    """Never in a foreign exception, a hang or a crash."""
    write(tmp_path / "whole", kind)
    content = bytearray((tmp_path / "whole").read_bytes())
    # the first bytes hold what parsers stumble over
    places = st.integers(0, min(len(content), 600) - 1)
    for place in data.draw(st.lists(places, min_size=1, max_size=8)):
        content[place] = data.draw(st.integers(0, 255))
    (tmp_path / "broken").write_bytes(content)
    try:
        with open_original(tmp_path / "broken", name="x", scratch=tmp_path) as opened:
            for band in opened.bands():
                assert band.pixels.shape[1] == opened.spec.width_px
    except Refuse as refused:
        assert refused.message  # noqa: PT017


def test_no_file_stays_open_after_a_refusal(tmp_path):
    write(tmp_path / "whole", "deflate")
    (tmp_path / "cut").write_bytes((tmp_path / "whole").read_bytes()[:-100])
    before = len(list(Path("/proc/self/fd").iterdir()))
    for _ in range(3):
        refusal(tmp_path / "cut", tmp_path)
    assert len(list(Path("/proc/self/fd").iterdir())) == before


def test_a_profile_that_is_garbage_costs_the_picture_nothing(tmp_path):
    icc = bytearray(profile_bytes("srgb"))
    icc[36:40] = b"nope"
    tifffile.imwrite(tmp_path / "x", picture(5, 5, 3), photometric="rgb", iccprofile=bytes(icc))
    with open_original(tmp_path / "x", name="x", scratch=tmp_path) as opened:
        assert opened.spec.profile_problem == (
            "The embedded profile is not an ICC profile: its mark 'acsp' is missing."
        )


def test_a_broken_directory_behind_the_first_picture_does_not_matter(tmp_path):
    write(tmp_path / "x", "plain")
    data = bytearray((tmp_path / "x").read_bytes())
    entries = int.from_bytes(data[8:10], "little")
    data[10 + 12 * entries : 14 + 12 * entries] = b"\xff\xff\xff\x7f"
    (tmp_path / "x").write_bytes(data)
    with open_original(tmp_path / "x", name="x", scratch=tmp_path) as opened:
        assert opened.pages == 1
        assert sum(band.rows for band in opened.bands()) == 60


def test_many_tags_that_point_to_the_same_bytes_cost_no_more_than_a_few():
    """A directory may claim thousands of long values in one short file."""
    entries = b"".join(struct.pack("<HHII", 60_000 + n, 7, 1000, 8) for n in range(4000))
    block = b"II*\0\x08\0\0\0" + struct.pack("<H", 4000) + entries + bytes(4)

    def read(offset, size):
        return block[offset : offset + size]

    found, following = read_directory(read, structure(read), 8, max_bytes=2000)
    assert (len(found), following) == (8, 0)


def test_an_lzw_stream_that_once_ended_the_process_is_refused(tmp_path):
    """Found by mutation: decoded into a buffer of given size, it is written beyond its end."""
    path = Path(__file__).with_name("damaged-lzw.tif")
    code, message = refusal(path, tmp_path)
    assert (code, AGAIN in message) == ("damaged", True)
