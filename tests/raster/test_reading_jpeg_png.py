"""JPEG and PNG: their kinds of colour, their resolution, their profile."""

from __future__ import annotations

import io
import struct
import zlib

import imagecodecs
import numpy as np
import pytest
import pyvips
from PIL import Image

from hotfolder.errors import Refuse
from hotfolder.model.encoding import Encoding
from hotfolder.raster.png_write import _chunk
from hotfolder.raster.reading import ReadLimits, open_original
from raster.pictures import picture, profile_bytes, read, vips_pixels


def wide(values):
    return np.asarray(values).astype(np.uint16) * 257


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"subsampling": "4:2:0"}])
@pytest.mark.parametrize("mode", ["RGB", "L"])
def test_a_jpeg_is_read_as_pillow_reads_it(tmp_path, mode, options):
    image = Image.fromarray(picture(50, 70, 3, "uint8")).convert(mode)
    image.save(tmp_path / "x.jpg", quality=95, **options)
    opened, pixels, _ = read(tmp_path / "x.jpg", tmp_path, 13)
    with Image.open(tmp_path / "x.jpg") as again:
        assert np.abs(pixels.squeeze() // 257 - np.asarray(again).astype(int)).max() <= 1
    assert opened.spec.encoding is (Encoding.RGB if mode == "RGB" else Encoding.GREY)
    assert (opened.format, opened.bits, opened.pages) == ("JPEG", 8, 1)


def test_an_inverted_cmyk_jpeg_is_turned_over(tmp_path):
    # Pillow writes inverted ink with the marker that says so; a libvips file is the same kind
    ink = picture(32, 48, 4, "uint8")
    Image.fromarray(ink, "CMYK").save(tmp_path / "x.jpg", quality=100)
    image = pyvips.Image.new_from_array(ink).copy(interpretation="cmyk")
    image.write_to_file(str(tmp_path / "v.jpg") + "[Q=100]")
    for name in ("x.jpg", "v.jpg"):
        opened, pixels, _ = read(tmp_path / name, tmp_path)
        assert opened.spec.encoding is Encoding.CMYK
        assert np.abs(pixels // 257 - ink.astype(int)).max() <= 6, name


def test_a_cmyk_jpeg_without_the_marker_is_taken_as_it_is(tmp_path):
    ink = picture(32, 48, 4, "uint8")
    data = imagecodecs.jpeg8_encode(ink, 100, colorspace="CMYK", outcolorspace="CMYK")
    marker = data.index(b"\xff\xee")  # APP14 "Adobe", 16 bytes with its head
    (tmp_path / "x.jpg").write_bytes(data[:marker] + data[marker + 16 :])
    _, pixels, _ = read(tmp_path / "x.jpg", tmp_path)
    assert np.abs(pixels // 257 - ink.astype(int)).max() <= 6


def test_an_rgb_jpeg_that_is_not_ycbcr_keeps_its_colours(tmp_path):
    stored = picture(32, 48, 3, "uint8")
    Image.fromarray(stored).save(tmp_path / "x.jpg", quality=100, keep_rgb=True)
    _, pixels, _ = read(tmp_path / "x.jpg", tmp_path)
    assert np.abs(pixels // 257 - stored.astype(int)).max() <= 6


def test_a_long_profile_in_many_segments_is_joined_in_order(tmp_path):
    icc = profile_bytes("cmyk")
    assert len(icc) > 65519 * 2
    Image.fromarray(picture(8, 8, 4, "uint8"), "CMYK").save(tmp_path / "x.jpg", icc_profile=icc)
    data = (tmp_path / "x.jpg").read_bytes()
    assert read(tmp_path / "x.jpg", tmp_path)[0].spec.profile.data == icc
    # the same segments, last first
    parts, at = [], data.index(b"\xff\xe2")
    while data[at : at + 2] == b"\xff\xe2":
        length = struct.unpack_from(">H", data, at + 2)[0] + 2
        parts.append(data[at : at + length])
        at += length
    head, tail = data[: data.index(b"\xff\xe2")], data[at:]
    (tmp_path / "y.jpg").write_bytes(head + b"".join(reversed(parts)) + tail)
    assert read(tmp_path / "y.jpg", tmp_path)[0].spec.profile.data == icc
    (tmp_path / "z.jpg").write_bytes(head + b"".join(parts[1:]) + tail)
    spec = read(tmp_path / "z.jpg", tmp_path)[0].spec
    assert spec.profile is None
    assert spec.profile_problem == "Parts of the embedded profile are missing."


@pytest.mark.parametrize(("dpi", "expected"), [((300, 300), 300.0), ((72, 72), 72.0), (None, 0.0)])
def test_resolution_of_a_jpeg(tmp_path, dpi, expected):
    options = {"dpi": dpi} if dpi else {}
    Image.fromarray(picture(8, 8, 3, "uint8")).save(tmp_path / "x.jpg", **options)
    assert read(tmp_path / "x.jpg", tmp_path)[0].spec.ppi == pytest.approx(expected)


def test_resolution_of_a_jpeg_from_exif_when_jfif_has_none(tmp_path):
    image = Image.fromarray(picture(8, 8, 3, "uint8"))
    exif = image.getexif()
    exif[282], exif[283], exif[296] = 100.0, 100.0, 3  # per centimetre
    data = io.BytesIO()
    image.save(data, "JPEG", exif=exif)
    jfif = data.getvalue().index(b"JFIF\0")
    plain = bytearray(data.getvalue())
    plain[jfif + 7] = 0  # unit: none
    (tmp_path / "x.jpg").write_bytes(plain)
    assert read(tmp_path / "x.jpg", tmp_path)[0].spec.ppi == pytest.approx(254.0)


def test_an_exif_colour_space_without_a_profile_is_noted(tmp_path):
    image = Image.fromarray(picture(8, 8, 3, "uint8"))
    exif = image.getexif()
    exif.get_ifd(0x8769)[0xA001] = 1
    image.save(tmp_path / "x.jpg", exif=exif)
    assert read(tmp_path / "x.jpg", tmp_path)[0].notes == (
        "The file has no profile, but its Exif data say that its colours are sRGB.",
    )


def test_damaged_exif_costs_the_picture_nothing(tmp_path):
    image = Image.fromarray(picture(8, 8, 3, "uint8"))
    image.save(tmp_path / "x.jpg", exif=b"Exif\0\0II*\0\xff\xff\xff\xff")
    opened, _, _ = read(tmp_path / "x.jpg", tmp_path)
    assert opened.spec.metadata.exif is None
    assert opened.notes == ("Its Exif data are damaged and were left out.",)


@pytest.mark.parametrize("block", [b"MM\0*\0\0\0\x08\0\0\0\0\0\0", b"II*\0\x08\0\0\0\0\0"])
def test_exif_without_an_entry_is_not_called_damaged(tmp_path, block):
    image = Image.fromarray(picture(8, 8, 3, "uint8"))
    image.save(tmp_path / "x.jpg", exif=b"Exif\0\0" + block)
    opened, _, _ = read(tmp_path / "x.jpg", tmp_path)
    assert opened.spec.metadata.exif is None
    assert opened.notes == ()


def test_bytes_behind_the_picture_do_not_matter(tmp_path):
    image = Image.fromarray(picture(8, 8, 3, "uint8"))
    image.save(tmp_path / "x.jpg")
    expected = read(tmp_path / "x.jpg", tmp_path)[1]
    (tmp_path / "y.jpg").write_bytes((tmp_path / "x.jpg").read_bytes() + bytes(100))
    assert (read(tmp_path / "y.jpg", tmp_path)[1] == expected).all()


@pytest.mark.parametrize("samples", [1, 2, 3, 4])
@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
def test_a_png_is_read_exactly(tmp_path, samples, dtype):
    stored = picture(20, 30, samples, dtype)
    (tmp_path / "x.png").write_bytes(imagecodecs.png_encode(stored.squeeze()))
    opened, pixels, alpha = read(tmp_path / "x.png", tmp_path, 7)
    expected = wide(stored) if dtype == "uint8" else stored
    colours = samples - (samples in {2, 4})
    assert (pixels == expected[..., :colours]).all()
    assert (alpha is None) == (samples in {1, 3})
    assert alpha is None or (alpha == expected[..., -1]).all()
    assert (opened.format, opened.bits) == ("PNG", 8 if dtype == "uint8" else 16)


@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
@pytest.mark.parametrize("samples", [1, 3, 4])
def test_an_interlaced_png_of_libvips_is_read_as_libvips_reads_it(tmp_path, dtype, samples):
    image = pyvips.Image.new_from_array(picture(20, 30, samples, dtype))
    kinds = {1: ("b-w", "grey16")}.get(samples, ("srgb", "rgb16"))
    image = image.copy(interpretation=kinds[dtype == "uint16"])
    image.write_to_file(str(tmp_path / "x.png") + "[interlace]")
    _, pixels, alpha = read(tmp_path / "x.png", tmp_path)
    again = vips_pixels(tmp_path / "x.png").reshape(20, 30, samples)
    expected = wide(again) if dtype == "uint8" else again
    assert (pixels == expected[..., : pixels.shape[-1]]).all()
    assert alpha is None or (alpha == expected[..., -1]).all()


@pytest.mark.parametrize("colours", [2, 4, 16, 256])
def test_a_palette_png_is_read_as_pillow_reads_it(tmp_path, colours):
    image = Image.fromarray(picture(20, 31, 3, "uint8")).quantize(colours)
    image.save(tmp_path / "x.png")
    opened, pixels, _ = read(tmp_path / "x.png", tmp_path)
    assert (pixels == wide(image.convert("RGB"))).all()
    assert opened.bits == 8


def test_a_palette_png_with_a_transparent_colour_has_alpha(tmp_path):
    image = Image.fromarray(picture(20, 31, 3, "uint8")).quantize(16)
    image.save(tmp_path / "x.png", transparency=3)
    _, pixels, alpha = read(tmp_path / "x.png", tmp_path)
    with Image.open(tmp_path / "x.png") as again:
        expected = np.asarray(again.convert("RGBA"))
    assert (pixels == wide(expected[..., :3])).all()
    assert (alpha == wide(expected[..., 3])).all()


@pytest.mark.parametrize("mode", ["L", "RGB"])
def test_a_transparent_grey_or_colour_becomes_alpha(tmp_path, mode):
    image = Image.fromarray(picture(20, 31, 3, "uint8")).convert(mode)
    key = image.getpixel((5, 5))
    image.save(tmp_path / "x.png", transparency=key)
    _, _, alpha = read(tmp_path / "x.png", tmp_path)
    same = np.asarray(image) == key
    expected = same if mode == "L" else same.all(axis=-1)
    assert (alpha == np.where(expected, 0, 65535)).all()


def test_a_1_bit_png_is_black_and_white(tmp_path):
    stored = picture(20, 37, 1)[..., 0] > 30_000
    Image.fromarray(stored).save(tmp_path / "x.png")
    opened, pixels, _ = read(tmp_path / "x.png", tmp_path)
    assert (pixels[..., 0] == np.where(stored, 65535, 0)).all()
    assert opened.bits == 1


def test_of_an_animated_png_the_first_picture_is_taken(tmp_path):
    first, second = (Image.fromarray(picture(9, 9, 3, "uint8") // n) for n in (1, 2))
    first.save(tmp_path / "x.png", save_all=True, append_images=[second])
    assert (read(tmp_path / "x.png", tmp_path)[1] == wide(first)).all()


def with_chunks(path, *chunks):
    """A small PNG with chunks put behind its header."""
    data = imagecodecs.png_encode(picture(6, 6, 3, "uint8"))
    path.write_bytes(data[:33] + b"".join(_chunk(*chunk) for chunk in chunks) + data[33:])


def test_profile_and_resolution_of_a_png(tmp_path):
    # W3C PNG: 300 ppi are 11811 per metre
    icc = profile_bytes("p3")
    with_chunks(
        tmp_path / "x.png",
        (b"iCCP", b"a name\0\0" + zlib.compress(icc)),
        (b"pHYs", struct.pack(">IIB", 11811, 11811, 1)),
    )
    spec = read(tmp_path / "x.png", tmp_path)[0].spec
    assert spec.profile.data == icc
    assert spec.ppi == pytest.approx(300, abs=0.01)


def test_a_profile_that_inflates_without_end_is_a_problem_and_no_more(tmp_path):
    with_chunks(tmp_path / "x.png", (b"iCCP", b"n\0\0" + zlib.compress(bytes(17 * 2**20))))
    spec = read(tmp_path / "x.png", tmp_path)[0].spec
    assert spec.profile is None
    assert spec.profile_problem == "The embedded profile is damaged or too long."


@pytest.mark.parametrize(
    ("chunk", "note"),
    [
        ((b"sRGB", b"\0"), "The file has no profile, but says that its colours are sRGB."),
        (
            (b"cICP", bytes([12, 13, 0, 1])),
            "The file codes its colours as cICP 12-13-0-1: Display P3.",
        ),
    ],
)
def test_colour_without_a_profile_is_noted(tmp_path, chunk, note):
    with_chunks(tmp_path / "x.png", chunk)
    assert read(tmp_path / "x.png", tmp_path)[0].notes == (note,)


def test_a_bomb_is_refused_by_its_header(tmp_path):
    header = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    chunks = ((b"IHDR", header), (b"IDAT", b""), (b"IEND", b""))
    data = b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(*chunk) for chunk in chunks)
    (tmp_path / "x.png").write_bytes(data)
    with pytest.raises(Refuse, match="holds 60000 x 60000 pixels; the limit is 2000 megapixels"):
        open_original(tmp_path / "x.png", name="x", scratch=tmp_path)
    with pytest.raises(Refuse, match=f"claims 60000 x 60000 pixels but has only {len(data)} bytes"):
        open_original(
            tmp_path / "x.png", name="x", scratch=tmp_path, limits=ReadLimits(max_pixels=10**10)
        )


def test_no_setting_of_pillow_is_changed(tmp_path):
    before = Image.MAX_IMAGE_PIXELS
    Image.fromarray(picture(8, 8, 3, "uint8")).save(tmp_path / "x.jpg")
    read(tmp_path / "x.jpg", tmp_path)
    assert before == Image.MAX_IMAGE_PIXELS
