"""Pictures that lie on their side come out upright, whatever the container and band height."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageOps

from hotfolder.raster.reading import open_original
from raster.pictures import picture, read, vips_pixels

ALL = range(1, 9)


def tiff(path, stored, orientation, **options):
    tags = [(274, 3, 1, orientation, True)]
    tifffile.imwrite(path, stored, photometric="rgb", extratags=tags, **options)


def upright(stored, orientation):
    """What Pillow's own `exif_transpose` makes of the first channel."""
    planes = []
    for channel in range(stored.shape[-1]):
        image = Image.fromarray(stored[..., channel])
        image.getexif()[274] = orientation
        planes.append(np.asarray(ImageOps.exif_transpose(image)))
    return np.stack(planes, axis=-1)


@pytest.mark.parametrize("orientation", ALL)
@pytest.mark.parametrize("rows", [1, 6, 16, 1000])
def test_a_tiff_comes_out_upright(tmp_path, orientation, rows):
    stored = picture(30, 41, 3)
    tiff(tmp_path / "x.tif", stored, orientation, tile=(16, 16), compression="lzw")
    opened, pixels, _ = read(tmp_path / "x.tif", tmp_path, rows)
    expected = upright(stored, orientation)
    assert (opened.spec.height_px, opened.spec.width_px) == expected.shape[:2]
    assert (pixels == expected).all()


@pytest.mark.parametrize("orientation", [1, 2, 3, 4])
@pytest.mark.parametrize("alpha", [False, True])
def test_rows_come_upright_in_any_order_while_the_bands_flow(tmp_path, orientation, alpha):
    stored, path = picture(30, 41, 3 + alpha), tmp_path / "x.tif"
    more = {"extrasamples": ["unassalpha"]} if alpha else {}
    tiff(path, stored, orientation, rowsperstrip=7, compression="lzw", **more)
    wanted = [range(21, 30), range(3, 4), range(8), range(3, 4)]
    with open_original(path, name="x.tif", scratch=tmp_path) as opened:
        assert opened.gives_any_rows
        flowing = opened.bands(6)
        first = next(flowing)
        pieces = opened.pieces(wanted)
        bands = [first, *flowing]
    whole = np.concatenate([band.pixels for band in bands])
    assert (whole == upright(stored, orientation)[..., :3]).all()
    for piece, rows in zip(pieces, wanted, strict=True):
        assert rows.start == piece.top
        assert piece.pixels.flags.c_contiguous
        assert (piece.pixels == whole[rows.start : rows.stop]).all()
        if alpha:
            expected = upright(stored, orientation)[rows.start : rows.stop, :, 3]
            assert (piece.alpha == expected).all()


def test_many_threads_may_ask_for_rows(tmp_path):
    stored, path = picture(300, 41, 3), tmp_path / "x.tif"
    tiff(path, stored, 1, rowsperstrip=7, compression="deflate")
    with (
        open_original(path, name="x.tif", scratch=tmp_path) as opened,
        ThreadPoolExecutor(4) as threads,
    ):
        wanted = [range(top, top + 5) for top in range(0, 295, 3)]
        looking = [threads.submit(opened.pieces, wanted) for _ in range(3)]
        flowing = list(opened.bands(11))
        found = [each.result() for each in looking]
    assert (np.concatenate([band.pixels for band in flowing]) == stored).all()
    for pieces in found:
        for piece in pieces:
            assert (piece.pixels == stored[piece.top : piece.top + 5]).all()


@pytest.mark.parametrize("orientation", [5, 6, 7, 8])
def test_of_a_picture_on_its_side_rows_come_in_their_order_only(tmp_path, orientation):
    tiff(tmp_path / "x.tif", picture(30, 41, 3), orientation)
    with open_original(tmp_path / "x.tif", name="x.tif", scratch=tmp_path) as opened:
        assert not opened.gives_any_rows


@pytest.mark.parametrize("orientation", ALL)
def test_alpha_turns_with_the_picture(tmp_path, orientation):
    stored = picture(12, 17, 4)
    tiff(tmp_path / "x.tif", stored, orientation, extrasamples=["unassalpha"])
    _, pixels, alpha = read(tmp_path / "x.tif", tmp_path, 5)
    expected = upright(stored, orientation)
    assert (pixels == expected[..., :3]).all()
    assert (alpha == expected[..., 3]).all()


@pytest.mark.parametrize("orientation", ALL)
@pytest.mark.parametrize("suffix", ["jpg", "png"])
def test_exif_orientation_of_jpeg_and_png_is_applied_as_pillow_applies_it(
    tmp_path, orientation, suffix
):
    image = Image.fromarray(picture(32, 48, 3, "uint8"))
    exif = image.getexif()
    exif[274] = orientation
    image.save(tmp_path / f"x.{suffix}", exif=exif)
    _, pixels, _ = read(tmp_path / f"x.{suffix}", tmp_path, 7)
    with Image.open(tmp_path / f"x.{suffix}") as again:
        expected = np.asarray(ImageOps.exif_transpose(again))
    assert pixels.shape == expected.shape
    assert np.abs(pixels // 257 - expected.astype(int)).max() <= 1


@pytest.mark.parametrize("orientation", ALL)
def test_the_metadata_that_come_along_say_upright(tmp_path, orientation):
    image = Image.fromarray(picture(32, 48, 3, "uint8"))
    exif = image.getexif()
    exif[274] = orientation
    exif[315] = "A. N. Other"
    image.save(tmp_path / "x.jpg", exif=exif)
    block = read(tmp_path / "x.jpg", tmp_path)[0].spec.metadata.exif
    again = Image.Exif()
    again.load(block)
    assert again[274] == 1
    assert again[315] == "A. N. Other"


def test_nonsense_in_the_tag_means_upright(tmp_path):
    stored = picture(5, 7, 3)
    tiff(tmp_path / "x.tif", stored, 77)
    assert (read(tmp_path / "x.tif", tmp_path)[1] == stored).all()


def test_the_scratch_file_is_gone_afterwards(tmp_path):
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    tiff(tmp_path / "x.tif", picture(30, 20, 3), 6)
    read(tmp_path / "x.tif", scratch)
    assert list(scratch.iterdir()) == []


def test_libvips_turns_the_same_way(tmp_path):
    import pyvips

    tiff(tmp_path / "x.tif", picture(30, 20, 3), 6)
    turned = pyvips.Image.new_from_file(str(tmp_path / "x.tif")).autorot().numpy()
    assert (read(tmp_path / "x.tif", tmp_path)[1] == turned).all()
    assert vips_pixels(tmp_path / "x.tif").shape != turned.shape
