"""A picture that was held before one was made of it is shown as it came, made in a worker."""

import io
import time

import numpy as np
import pytest
from PIL import Image

from desk.conftest import job_called
from hotfolder.desk.reading import read_overview
from hotfolder.desk.small_originals import SmallOriginals
from hotfolder.ending.elsewhere import find_original
from hotfolder.ledger.reading import read_job
from hotfolder.model.encoding import Encoding
from hotfolder.raster.picture import Band, RasterSpec
from hotfolder.raster.reading import open_original
from hotfolder.work.small_picture import MOST_PX, reduce_bands, write_small_picture

DEADLINE_S = 120
BARE = "<b>bare.tif"


@pytest.fixture
def small_originals():
    """Here they are made."""


@pytest.fixture
def bare(client):
    return job_called(client, BARE.replace("<", "&lt;").replace(">", "&gt;"))


def look(client, job, *, until):
    """The page of a job as soon as it says something."""
    ends = time.monotonic() + DEADLINE_S
    while until not in (page := client.get(f"/job/{job}").text):
        assert time.monotonic() < ends, page
        time.sleep(0.1)
    return page


@pytest.mark.whole
def test_it_is_shown_as_it_came_and_said_so(client, bare):
    assert client.get(f"/job/{bare}/original").status_code == 404  # nobody has asked yet
    look(client, bare, until="Shown as it came")
    answer = client.get(f"/job/{bare}/original")
    assert answer.headers["content-type"] == "image/jpeg"
    assert "sandbox" in answer.headers["content-security-policy"]
    with Image.open(io.BytesIO(answer.content)) as small:
        assert max(small.size) <= MOST_PX
        assert small.info["icc_profile"]
    ends = time.monotonic() + DEADLINE_S
    while "Shown as it came" not in (counter := client.get("/").text):  # it is kept for a while
        assert time.monotonic() < ends
        time.sleep(0.1)
    assert counter.count("Shown as it came") == 1
    assert f'src="/job/{bare}/original?of=' in counter


def test_until_it_is_there_the_counter_says_that_it_is_being_made(root):
    seen = []

    def being_made(row):
        seen.append(row.id)

    overview = read_overview(root, 1, None, being_made)
    assert seen
    said = {card.why_bare for card in overview.held if card.job in seen}
    assert {"a small picture is being made"} == said
    overview = read_overview(root, 1, None)
    assert {"no picture was made"} == {c.why_bare for c in overview.held if c.job in seen}


@pytest.mark.whole
def test_one_of_which_a_picture_was_made_is_shown_by_that(client):
    job = job_called(client, "mud.tif")
    page = client.get(f"/job/{job}").text
    assert "Shown as it came" not in page
    assert client.get(f"/job/{job}/original").status_code == 404


@pytest.mark.whole
def test_one_whose_original_has_other_bytes_now_is_not_shown(client, root, bare):
    small = SmallOriginals(root)
    row = read_job(root.ledger, bare)
    original = find_original(root, row)
    size = original.stat().st_size
    for each in root.path.rglob(f"*{original.suffix}"):
        if each.stat().st_size == size:
            each.write_bytes(b"II*\0")
    assert small.find_address(row) is None
    ends = time.monotonic() + DEADLINE_S
    while small.is_busy and time.monotonic() < ends:
        time.sleep(0.1)
    assert small.find_address(row) == ""
    assert small.read(bare) is None
    assert not small.is_busy  # it is not tried again and again


@pytest.mark.parametrize("rows", [1, 7, 700])
@pytest.mark.parametrize(("width", "height"), [(641, 700), (3, 900), (20, 10)])
def test_a_small_picture_has_the_means_of_square_blocks(width, height, rows):
    pixels = np.random.default_rng(1).integers(0, 65536, (height, width, 3), dtype=np.uint16)
    bands = [Band(top, pixels[top : top + rows]) for top in range(0, height, rows)]
    small = reduce_bands(bands, RasterSpec(width, height, Encoding.RGB))
    side = -(-max(width, height) // MOST_PX)
    assert small.dtype == np.uint16
    assert small.shape == (-(-height // side), -(-width // side), 3)
    for row, column in ((0, 0), (small.shape[0] - 1, small.shape[1] - 1)):
        block = pixels[row * side : (row + 1) * side, column * side : (column + 1) * side]
        np.testing.assert_allclose(small[row, column], block.mean(axis=(0, 1)), atol=0.5)


def test_ink_without_a_profile_is_not_shown(tmp_path):
    path, made = tmp_path / "ink.tif", tmp_path / "small.jpg"
    Image.new("CMYK", (40, 30), (200, 0, 0, 0)).save(path)
    with open_original(path, name="ink.tif", scratch=tmp_path) as opened:
        assert not write_small_picture(opened, made)
    assert not made.exists()


@pytest.mark.parametrize(("mode", "colour"), [("RGB", (10, 200, 90)), ("L", 77)])
def test_numbers_without_a_profile_are_taken_for_srgb(tmp_path, mode, colour):
    path, made = tmp_path / "bare.tif", tmp_path / "small.jpg"
    Image.new(mode, (40, 30), colour).save(path)
    with open_original(path, name="bare.tif", scratch=tmp_path) as opened:
        assert write_small_picture(opened, made)
    with Image.open(made) as small:
        expected = colour if mode == "RGB" else (colour,) * 3
        np.testing.assert_allclose(small.getpixel((20, 15)), expected, atol=3)
