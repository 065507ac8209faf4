"""Pixels that are not square, and floating-point values that are cut: what the reader says."""

from __future__ import annotations

import io
import struct
import zlib

import numpy as np
import pytest
import tifffile
from PIL import Image

from raster.pictures import picture, read


def png_with(pixels, across, down, unit):
    """A PNG with a pHYs chunk that Pillow would not write."""
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "PNG")
    data = stream.getvalue()
    content = struct.pack(">IIB", across, down, unit)
    checksum = zlib.crc32(content, zlib.crc32(b"pHYs"))
    chunk = struct.pack(">I", 9) + b"pHYs" + content + struct.pack(">I", checksum)
    return data[:33] + chunk + data[33:]


def jpeg_with(pixels, across, down, unit):
    """A JPEG whose JFIF marker has the density."""
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "JPEG")
    data = bytearray(stream.getvalue())
    at = data.index(b"JFIF\0") + 7
    data[at : at + 5] = struct.pack(">BHH", unit, across, down)
    return bytes(data)


def tiff_with(pixels, across, down, unit, orientation=1):
    """A TIFF with a resolution of its own in each direction."""
    stream = io.BytesIO()
    tifffile.imwrite(
        stream,
        pixels,
        photometric="rgb",
        resolution=(across, down),
        resolutionunit=unit,
        extratags=[(274, 3, 1, orientation, True)],
    )
    return stream.getvalue()


SMALL = picture(8, 12, 3, "uint8")


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (tiff_with(SMALL, 300, 300, "inch"), 1.0),
        (tiff_with(SMALL, 200, 100, "inch"), 0.5),
        (tiff_with(SMALL, 200, 100, "centimeter"), 0.5),
        (tiff_with(SMALL, 2, 1, "none"), 0.5),  # only a ratio, and a ratio is what is meant
        (tiff_with(SMALL, 200, 100, "inch", orientation=6), 2.0),
        (tiff_with(SMALL, 200, 100, "inch", orientation=3), 0.5),
        (jpeg_with(SMALL, 72, 72, 1), 1.0),
        (jpeg_with(SMALL, 204, 98, 1), 98 / 204),
        (jpeg_with(SMALL, 2, 1, 0), 0.5),
        (jpeg_with(SMALL, 0, 1, 0), 1.0),  # nonsense says nothing
        (png_with(SMALL, 4000, 2000, 1), 0.5),
        (png_with(SMALL, 1, 2, 0), 2.0),
    ],
)
def test_the_shape_of_a_pixel_is_what_the_file_says(tmp_path, data, expected):
    (tmp_path / "x").write_bytes(data)
    opened, _, _ = read(tmp_path / "x", tmp_path)
    assert opened.pixel_aspect == pytest.approx(expected)
    said = [note for note in opened.notes if "resolution differs" in note]
    assert bool(said) == (expected != 1.0)


def test_exif_alone_says_it_too(tmp_path):
    exif = Image.Exif()
    exif[282], exif[283], exif[296] = 300.0, 150.0, 2
    stream = io.BytesIO()
    Image.fromarray(SMALL).save(stream, "JPEG", exif=exif)
    (tmp_path / "x").write_bytes(stream.getvalue())
    opened, _, _ = read(tmp_path / "x", tmp_path)
    # JFIF's own 1 × 1 without a unit is what every writer puts there
    assert (opened.pixel_aspect, opened.spec.ppi) == (0.5, 300)


def floats(values, **options):
    stream = io.BytesIO()
    tifffile.imwrite(stream, np.asarray(values, np.float32), photometric="rgb", **options)
    return stream.getvalue()


def test_how_much_a_float_picture_loses_is_a_number(tmp_path):
    values = np.full((10, 10, 3), 0.5)
    values[0] = 1.5
    values[1, :5, 0] = np.nan
    (tmp_path / "x").write_bytes(floats(values))
    opened, _, _ = read(tmp_path / "x", tmp_path)
    assert opened.cut_share == pytest.approx(35 / 300)


def test_lab_values_beyond_its_codes_are_cut_too(tmp_path):
    values = np.full((10, 10, 3), 50.0, np.float32)
    values[0, :, 0] = 110.0
    values[1, :, 1] = 140.0
    tifffile.imwrite(tmp_path / "x", values, photometric="cielab")
    opened, _, _ = read(tmp_path / "x", tmp_path)
    assert opened.cut_share == pytest.approx(20 / 300)


def test_integers_lose_nothing(tmp_path):
    (tmp_path / "x").write_bytes(tiff_with(SMALL, 300, 300, "inch"))
    assert read(tmp_path / "x", tmp_path)[0].cut_share == 0.0


@pytest.mark.parametrize("big", [False, True])
def test_an_original_that_is_a_bigtiff_is_called_one(tmp_path, big):
    tifffile.imwrite(tmp_path / "x", SMALL, photometric="rgb", bigtiff=big)
    notes = read(tmp_path / "x", tmp_path)[0].notes
    assert big == any("BigTIFF" in note for note in notes)
