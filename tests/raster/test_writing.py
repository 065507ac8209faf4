"""Results hold the pixels, the profile and the metadata; readers that did not write them agree."""

from __future__ import annotations

import mmap
import resource

import numpy as np
import pytest
import pyvips
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from hotfolder.colour.profile import Profile
from hotfolder.disk import durable
from hotfolder.errors import Refuse
from hotfolder.model.destination import Result
from hotfolder.model.encoding import Encoding
from hotfolder.raster import exif
from hotfolder.raster.ifd import Value
from hotfolder.raster.picture import Metadata, RasterSpec, rebanded
from hotfolder.raster.tiff_write import TiffFormat
from hotfolder.raster.writing import open_result
from raster.pictures import (
    XMP,
    bands_of,
    exiftool,
    exiftool_bytes,
    picture,
    profile_bytes,
    read,
    vips_pixels,
)
from second_readers import exiv2_profile, exiv2_tags, vips_image
from tools import needs_tool

CHANNELS = {Encoding.RGB: 3, Encoding.GREY: 1, Encoding.CMYK: 4, Encoding.LAB: 3}
IPTC = b"\x1c\x02\x50\x00\x0bA. N. Other"
EXIF = exif.build(
    exif.ExifDirectories(
        main={
            270: Value(2, 18, b"Reeds at low tide\0"),
            315: Value(2, 12, b"A. N. Other\0"),
            33432: Value(2, 17, b"2026 A. N. Other\0"),
            65000: Value(2, 8, b"private\0"),
        },
        exif={
            33434: Value(5, 1, (1).to_bytes(4, "little") + (250).to_bytes(4, "little")),
            36867: Value(2, 20, b"2026:03:04 05:06:07\0"),
        },
        gps={
            1: Value(2, 2, b"N\0"),
            2: Value(5, 3, b"".join(n.to_bytes(4, "little") for n in (52, 1, 30, 1, 0, 1))),
        },
        interoperability={1: Value(2, 4, b"R98\0")},
    )
)


def profile(encoding):
    name = {Encoding.RGB: "srgb", Encoding.CMYK: "cmyk"}.get(encoding)
    return Profile.parse(profile_bytes(name)) if name else None


def spec_of(pixels, encoding, *, alpha=False, metadata=None):
    height, width = pixels.shape[:2]
    return RasterSpec(
        width_px=width,
        height_px=height,
        encoding=encoding,
        profile=profile(encoding),
        ppi=240.0,
        has_alpha=alpha,
        metadata=metadata or Metadata(EXIF, XMP, IPTC),
    )


def write(path, pixels, encoding, *, alpha=None, rows=7, metadata=None, **options):
    spec = spec_of(pixels, encoding, alpha=alpha is not None, metadata=metadata)
    with open_result(path, spec, Result(**options)) as writer:
        writer.write(iter(bands_of(pixels, rows, alpha)))
    return writer


@pytest.mark.parametrize("compression", ["none", "lzw", "deflate"])
@pytest.mark.parametrize("encoding", list(Encoding))
@pytest.mark.parametrize("with_alpha", [False, True])
@pytest.mark.parametrize("rows", [1, 7, 1000])
def test_a_16_bit_tiff_comes_back_bit_for_bit(tmp_path, compression, encoding, with_alpha, rows):
    pixels = picture(50, 61, CHANNELS[encoding])
    alpha = picture(50, 61, 1)[..., 0] if with_alpha else None
    path = tmp_path / "x.tif"
    write(path, pixels, encoding, alpha=alpha, rows=rows, format="tiff", compression=compression)
    opened, again, again_alpha = read(path, tmp_path)
    tolerance = 1 if encoding is Encoding.LAB else 0  # CIELAB has 256 codes per unit, not 257
    assert np.abs(again.astype(int) - pixels).max() <= tolerance
    assert (again_alpha is None) if alpha is None else (again_alpha == alpha).all()
    assert (opened.bits, opened.spec.ppi, opened.notes) == (16, 240.0, ())


@pytest.mark.parametrize("compression", ["none", "lzw", "deflate"])
@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("encoding", [Encoding.RGB, Encoding.GREY, Encoding.CMYK])
def test_libvips_and_libtiff_read_the_same_tiff(tmp_path, compression, bits, encoding):
    pixels = picture(300, 401, CHANNELS[encoding])
    path = tmp_path / "x.tif"
    write(path, pixels, encoding, format="tiff", bits=bits, compression=compression)
    seen = vips_pixels(path).reshape(pixels.shape).astype(int)
    if bits == 16:
        assert (seen == pixels).all()
    else:
        assert np.abs(seen * 257 - pixels).max() < 257
    image = vips_image(path)
    assert (image.width, image.height) == (401, 300)
    assert (image.xres * 25.4, image.yres * 25.4) == pytest.approx((240, 240))
    assert image.format == {8: "uchar", 16: "ushort"}[bits]
    tags = exiv2_tags(path)
    assert tags["Exif.Image.Compression"] == {"none": 1, "lzw": 5, "deflate": 8}[compression]
    assert tags.get("Exif.Image.Predictor", 1) == (1 if compression == "none" else 2)
    bits_of_samples = tags["Exif.Image.BitsPerSample"]
    assert np.array_equal(np.atleast_1d(bits_of_samples), [bits] * CHANNELS[encoding])


LAB = np.array([[[50.0, 20.0, -30.0], [100.0, 0.0, 0.0], [25.0, -100.0, 100.0]]])
LAB_PIXELS = np.rint((LAB + np.array([0, 128, 128])) * [655.35, 257, 257]).astype(np.uint16)


def test_libvips_sees_the_same_lab_colours_in_16_bits(tmp_path):
    write(tmp_path / "x.tif", LAB_PIXELS, Encoding.LAB, format="tiff", bits=16)
    image = pyvips.Image.new_from_file(str(tmp_path / "x.tif"))
    assert image.interpretation == "labs"
    assert np.abs(image.colourspace("lab").numpy() - LAB).max() <= 0.01


def test_pillow_sees_the_same_lab_colours_in_8_bits(tmp_path):
    write(tmp_path / "x.tif", LAB_PIXELS, Encoding.LAB, format="tiff", bits=8)
    with Image.open(tmp_path / "x.tif") as image:
        assert image.mode == "LAB"
        codes = np.asarray(image)
    assert np.abs(codes[..., 0] / 2.55 - LAB[..., 0]).max() <= 0.4
    assert np.abs(codes[..., 1:].view(np.int8) - LAB[..., 1:]).max() <= 1


@pytest.mark.parametrize("encoding", [Encoding.RGB, Encoding.GREY])
@pytest.mark.parametrize("with_alpha", [False, True])
@pytest.mark.parametrize("bits", [8, 16])
def test_a_png_comes_back_and_libvips_reads_the_same(tmp_path, encoding, with_alpha, bits):
    pixels = picture(50, 61, CHANNELS[encoding])
    alpha = picture(50, 61, 1)[..., 0] if with_alpha else None
    path = tmp_path / "x.png"
    write(path, pixels, encoding, alpha=alpha, format="png", bits=bits)
    opened, again, again_alpha = read(path, tmp_path)
    bound = 257 if bits == 8 else 1
    assert np.abs(again.astype(int) - pixels).max() < bound
    assert alpha is None or np.abs(again_alpha.astype(int) - alpha).max() < bound
    assert opened.spec.ppi == pytest.approx(240, abs=0.01)
    expected = np.concatenate([again, again_alpha[..., None]], -1) if with_alpha else again
    scale = 257 if bits == 8 else 1
    assert (vips_pixels(path).reshape(expected.shape).astype(int) * scale == expected).all()


@pytest.mark.parametrize("encoding", [Encoding.RGB, Encoding.GREY, Encoding.CMYK])
@pytest.mark.parametrize("subsampling", ["4:4:4", "4:2:2", "4:2:0"])
def test_a_jpeg_is_close_and_libvips_reads_the_same(tmp_path, encoding, subsampling):
    pixels = picture(64, 80, CHANNELS[encoding])
    path = tmp_path / "x.jpg"
    write(path, pixels, encoding, format="jpeg", quality=100, subsampling=subsampling)
    _, again, _ = read(path, tmp_path)
    if subsampling == "4:4:4" or encoding is not Encoding.RGB:
        assert np.abs(again.astype(int) - pixels).max() <= 6 * 257
    seen = vips_pixels(path).reshape(pixels.shape).astype(int)
    # libvips turns inverted CMYK over as we do
    assert np.abs(seen - again // 257).max() <= 1
    if encoding is Encoding.RGB:
        luma = {"4:4:4": (1, 1), "4:2:2": (2, 1), "4:2:0": (2, 2)}[subsampling]
        assert sampling_factors(path) == [luma, (1, 1), (1, 1)]


def sampling_factors(path):
    """Across and down, of every component, out of the frame header (ITU-T T.81, B.2.2)."""
    data, at = path.read_bytes(), 2
    while data[at + 1] not in {0xC0, 0xC1, 0xC2}:
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    components = data[at + 9]
    return [divmod(data[at + 11 + 3 * number], 16) for number in range(components)]


def test_quality_is_passed_on(tmp_path):
    pixels = picture(64, 80, 3)
    write(tmp_path / "low.jpg", pixels, Encoding.RGB, format="jpeg", quality=30)
    write(tmp_path / "high.jpg", pixels, Encoding.RGB, format="jpeg", quality=98)
    assert (tmp_path / "low.jpg").stat().st_size * 2 < (tmp_path / "high.jpg").stat().st_size


@needs_tool("exiftool")
def test_exiftool_calls_a_bigtiff_one(tmp_path, monkeypatch):
    monkeypatch.setattr("hotfolder.raster.tiff_write._CLASSIC_BYTES", 1000)
    write(tmp_path / "x.tif", picture(50, 61, 3), Encoding.RGB, format="tiff")
    assert exiftool(tmp_path / "x.tif")["File:FileType"] == "BTF"


FORMATS = {
    "tiff": {"format": "tiff"},
    "jpeg": {"format": "jpeg", "bits": 8},
    "png": {"format": "png"},
}


@pytest.mark.parametrize("kind", FORMATS)
def test_libexiv2_finds_the_profile_unchanged(tmp_path, kind):
    path = tmp_path / f"x.{kind}"
    write(path, picture(20, 30, 3), Encoding.RGB, **FORMATS[kind])
    assert exiv2_profile(path) == profile_bytes("srgb")


@pytest.mark.parametrize("kind", ["tiff", "jpeg"])
def test_a_profile_of_hundreds_of_kilobytes_is_embedded_unchanged(tmp_path, kind):
    path = tmp_path / f"x.{kind}"
    write(path, picture(20, 30, 4), Encoding.CMYK, **FORMATS[kind])
    assert exiv2_profile(path) == profile_bytes("cmyk")


@pytest.mark.parametrize("kind", FORMATS)
def test_libexiv2_reads_the_metadata_and_finds_nothing_to_warn_of(tmp_path, kind):
    path = tmp_path / f"x.{kind}"
    writer = write(path, picture(20, 30, 3), Encoding.RGB, **FORMATS[kind])
    found = exiv2_tags(path)
    assert found["Exif.Image.Artist"] == "A. N. Other"
    assert found["Exif.Image.Copyright"] == "2026 A. N. Other"
    assert found["Exif.Image.ImageDescription"] == "Reeds at low tide"
    assert found["Exif.Photo.ExposureTime"] == pytest.approx(1 / 250)
    assert found["Exif.Photo.DateTimeOriginal"] == "2026:03:04 05:06:07"
    assert found["Exif.GPSInfo.GPSLatitude"] == [52, 30, 0]
    assert found.get("Exif.Iop.InteroperabilityIndex") == (None if kind == "tiff" else "R98")
    assert found["Xmp.dc.creator"] == ["A. N. Other"]
    image = vips_image(path)
    assert image.get("xmp-data") == XMP
    assert image.xres * 25.4 == pytest.approx(240, abs=0.01)
    if kind == "png":
        assert writer.notes == ("A PNG cannot hold IPTC data; they were left out.",)
    else:
        assert found["Iptc.Application2.Byline"] == "A. N. Other"
        assert writer.notes == ()


def test_the_entries_of_an_exif_block_stand_in_ascending_order():
    """TIFF 6.0, section 2; libexiv2 and ExifTool do not mind, others may."""
    assert EXIF[:4] == b"II*\0"
    at = int.from_bytes(EXIF[4:8], "little")
    count = int.from_bytes(EXIF[at : at + 2], "little")
    places = range(at + 2, at + 2 + 12 * count, 12)
    tags = [int.from_bytes(EXIF[place : place + 2], "little") for place in places]
    assert len(tags) > 4
    assert tags == sorted(tags)


@needs_tool("exiftool")
@pytest.mark.parametrize("kind", FORMATS)
def test_exiftool_reads_the_metadata_and_finds_nothing_to_warn_of(tmp_path, kind):
    path = tmp_path / f"x.{kind}"
    write(path, picture(20, 30, 3), Encoding.RGB, **FORMATS[kind])
    found = exiftool(path)
    assert found["IFD0:Artist"] == "A. N. Other"
    assert found["IFD0:Copyright"] == "2026 A. N. Other"
    assert found["IFD0:ImageDescription"] == "Reeds at low tide"
    assert found["ExifIFD:ExposureTime"] == pytest.approx(1 / 250)
    assert found["ExifIFD:DateTimeOriginal"] == "2026:03:04 05:06:07"
    assert found["GPS:GPSLatitude"] == pytest.approx(52.5)
    assert found.get("InteropIFD:InteropIndex") == (None if kind == "tiff" else "R98")
    assert found["XMP-dc:Creator"] == "A. N. Other"
    assert exiftool_bytes(path, "XMP") == XMP
    if kind != "png":
        assert found["IPTC:By-line"] == "A. N. Other"
        resolution = found.get("IFD0:XResolution", found.get("JFIF:XResolution"))
        assert resolution == 240
    assert "ExifTool:Warning" not in found
    validated = exiftool(path, "-validate", "-warning", "-error", "-a")
    assert not any("Error" in key for key in validated), validated


def test_only_the_tags_that_describe_a_picture_get_into_a_tiff(tmp_path):
    path = tmp_path / "x.tif"
    write(path, picture(20, 30, 3), Encoding.RGB, format="tiff")
    with tifffile.TiffFile(path) as file:
        tags = {tag.code for tag in file.pages[0].tags}
    assert 65000 not in tags
    assert 305 not in tags  # no name of a program that nobody asked for


@pytest.mark.parametrize("kind", ["tiff", "jpeg"])
def test_the_metadata_come_back_through_our_own_reader(tmp_path, kind):
    path = tmp_path / f"x.{kind}"
    write(path, picture(20, 30, 3), Encoding.RGB, **FORMATS[kind])
    spec = read(path, tmp_path)[0].spec
    assert exif.parse(spec.metadata.exif).exif == exif.parse(EXIF).exif
    assert exif.parse(spec.metadata.exif).gps == exif.parse(EXIF).gps
    assert (spec.metadata.xmp, spec.metadata.iptc) == (XMP, IPTC)


def test_without_metadata_and_profile_nothing_is_made_up(tmp_path):
    pixels = picture(20, 30, 1)
    for kind, options in FORMATS.items():
        path = tmp_path / f"x.{kind}"
        write(path, pixels, Encoding.GREY, metadata=Metadata(xmp=b"<x/>"), **options)
        opened = read(path, tmp_path)[0]
        assert (opened.spec.profile, opened.spec.profile_problem) == (None, "")
        assert opened.spec.metadata == Metadata(xmp=b"<x/>")


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    height=st.integers(1, 40),
    width=st.integers(1, 40),
    rows=st.integers(1, 45),
    again_rows=st.integers(1, 45),
    bits=st.sampled_from([8, 16]),
    kind=st.sampled_from(["tiff", "png"]),
    compression=st.sampled_from(["none", "lzw", "deflate"]),
)
def test_any_size_survives_any_band_height(
    tmp_path, height, width, rows, again_rows, bits, kind, compression
):
    pixels = picture(height, width, 3)
    pixels = pixels // 257 * 257 if bits == 8 else pixels
    path = tmp_path / "x"
    write(path, pixels, Encoding.RGB, rows=rows, format=kind, bits=bits, compression=compression)
    assert (read(path, tmp_path, again_rows)[1] == pixels).all()


@pytest.mark.parametrize("kind", FORMATS)
def test_the_file_does_not_depend_on_the_band_height(tmp_path, kind):
    pixels = picture(300, 200, 3)
    options = {**FORMATS[kind], "bits": 8}
    for rows in (1, 64, 300):
        write(tmp_path / str(rows), pixels, Encoding.RGB, rows=rows, **options)
    contents = {(tmp_path / str(rows)).read_bytes() for rows in (1, 64, 300)}
    assert len(contents) == 1


@pytest.mark.parametrize("big", [False, True])
@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("metadata", [None, Metadata()])
@pytest.mark.parametrize("shape", [(1, 1), (61, 47), (700, 901)])  # an odd end; many strips
def test_a_tiff_hashed_on_the_way_is_the_one_that_tifffile_writes(
    tmp_path, monkeypatch, shape, metadata, bits, big
):
    monkeypatch.setattr("hotfolder.raster.tiff_write._STRIP_BYTES", 100_000)
    if big:
        monkeypatch.setattr("hotfolder.raster.tiff_write._CLASSIC_BYTES", 1)
    pixels, path = picture(*shape, 1), tmp_path / "x.tif"
    options = {"format": "tiff", "compression": "none", "bits": bits}
    digest = write(path, pixels, Encoding.GREY, metadata=metadata, **options).digest
    assert durable.sha256_of(path) == digest
    spec = spec_of(pixels, Encoding.GREY, metadata=metadata)
    other, by_library = tmp_path / "other.tif", TiffFormat(spec, Result(**options))
    strips = rebanded(bands_of(pixels, 7, None), by_library._rows)
    by_library._write_by_library(other, (by_library._encoded(each).tobytes() for each in strips))
    by_library._append_exif(other)
    assert other.read_bytes() == path.read_bytes()


def test_a_tiff_that_may_pass_4_gib_is_a_bigtiff_with_readable_metadata(tmp_path, monkeypatch):
    monkeypatch.setattr("hotfolder.raster.tiff_write._CLASSIC_BYTES", 1000)
    pixels = picture(50, 61, 3)
    path = tmp_path / "x.tif"
    write(path, pixels, Encoding.RGB, format="tiff")
    assert path.read_bytes()[:4] == b"II+\0"
    assert (vips_pixels(path) == pixels).all()
    assert vips_image(path).height == 50  # libtiff has nothing to warn of
    # libexiv2 does not read BigTIFF; tifffile reads what it did not write
    with tifffile.TiffFile(path) as file:
        tags = file.pages[0].tags
        assert tags[34665].value["ExposureTime"] == (1, 250)
        assert tags[34853].value["GPSLatitude"] == (52, 1, 30, 1, 0, 1)
    assert (read(path, tmp_path)[1] == pixels).all()


def test_a_result_that_is_a_bigtiff_is_said_or_refused(tmp_path, monkeypatch):
    pixels = picture(50, 61, 3)
    spec = spec_of(pixels, Encoding.RGB)
    with open_result(tmp_path / "x.tif", spec, Result()) as writer:
        writer.write(bands_of(pixels, 5))
    assert writer.notes == ()
    monkeypatch.setattr("hotfolder.raster.tiff_write._CLASSIC_BYTES", 1000)
    with open_result(tmp_path / "x.tif", spec, Result()) as writer:
        writer.write(bands_of(pixels, 5))
    assert writer.notes == (
        "The result may be larger than 4 GiB, so it is a BigTIFF, which not every program reads.",
    )
    open_result(tmp_path / "x.jpg", spec, Result(format="jpeg", bits=8, bigtiff="refuse"))
    with pytest.raises(Refuse) as refuse:
        open_result(tmp_path / "x.tif", spec, Result(bigtiff="refuse"))
    assert refuse.value.code == "bigtiff"
    assert "61 × 50 px" in refuse.value.message


def test_the_bands_are_consumed_to_their_very_end(tmp_path):
    ended = []

    def source(pixels):
        yield from bands_of(pixels, 5)
        ended.append(True)

    pixels = picture(20, 30, 3)
    for kind, options in FORMATS.items():
        ended.clear()
        spec = spec_of(pixels, Encoding.RGB)
        with open_result(tmp_path / kind, spec, Result(**options)) as writer:
            writer.write(source(pixels))
        assert ended == [True], kind


@pytest.mark.parametrize("kind", FORMATS)
def test_half_a_file_is_removed_when_a_stage_fails(tmp_path, kind):
    def source(pixels):
        yield from bands_of(pixels, 5)[:2]
        raise RuntimeError("a stage failed")

    pixels = picture(20, 30, 3)
    with (
        pytest.raises(RuntimeError, match="a stage failed"),
        open_result(tmp_path / "x", spec_of(pixels, Encoding.RGB), Result(**FORMATS[kind])) as out,
    ):
        out.write(source(pixels))
    assert not (tmp_path / "x").exists()


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("fault", ["missing", "repeated", "narrow"])
def test_bands_that_are_not_the_promised_picture_are_an_error(tmp_path, kind, fault):
    pixels = picture(20, 30, 3)
    bands = bands_of(pixels if fault != "narrow" else pixels[:, :-1].copy(), 5)
    bands = {"missing": bands[:-1], "repeated": [*bands, bands[-1]], "narrow": bands}[fault]
    with (
        pytest.raises(ValueError, match=r"rows of a picture of 20|expected row"),
        open_result(tmp_path / "x", spec_of(pixels, Encoding.RGB), Result(**FORMATS[kind])) as out,
    ):
        out.write(iter(bands))


@pytest.mark.parametrize(
    ("encoding", "alpha", "size", "kind", "code", "message"),
    [
        (
            Encoding.CMYK,
            False,
            (20, 30),
            "png",
            "cmyk-png",
            (
                "A PNG cannot hold CMYK colours. Set the destination's result to TIFF or JPEG, "
                "or give it an RGB profile."
            ),
        ),
        (
            Encoding.LAB,
            False,
            (20, 30),
            "png",
            "lab-result",
            (
                "A PNG cannot hold Lab colours. Let the destination convert the picture, "
                "or set its result to TIFF."
            ),
        ),
        (
            Encoding.LAB,
            False,
            (20, 30),
            "jpeg",
            "lab-result",
            (
                "A JPEG cannot hold Lab colours. Let the destination convert the picture, "
                "or set its result to TIFF."
            ),
        ),
        (
            Encoding.RGB,
            True,
            (20, 30),
            "jpeg",
            "jpeg-alpha",
            (
                "A JPEG cannot hold transparency. Flatten the picture, "
                "or set the destination's result to TIFF or PNG."
            ),
        ),
        (
            Encoding.RGB,
            False,
            (20, 70_000),
            "jpeg",
            "jpeg-too-large",
            (
                "The result would have 70000 x 20 pixels, but JPEG allows 65500 along a side. "
                "Set the destination's result to another format, as TIFF, or its size smaller."
            ),
        ),
    ],
)
def test_what_a_format_cannot_hold_is_refused_before_any_work(
    tmp_path, encoding, alpha, size, kind, code, message
):
    spec = RasterSpec(size[1], size[0], encoding, has_alpha=alpha)
    with pytest.raises(Refuse) as caught:
        open_result(tmp_path / "x", spec, Result(format=kind, bits=8))
    assert (caught.value.code, caught.value.message) == (code, message)
    assert not (tmp_path / "x").exists()


def test_metadata_too_long_for_a_jpeg_are_left_out_and_said(tmp_path):
    long = Metadata(
        exif=exif.build(exif.ExifDirectories(main={270: Value(2, 70_000, b"a" * 69_999 + b"\0")})),
        xmp=b"<x>" + b" " * 70_000 + b"</x>",
        iptc=b"\x1c\x02\x78\xff\xff",
    )
    long = Metadata(long.exif, long.xmp, b"\x1c\x02\x78\x7f\xff" + b"a" * 70_000)
    writer = write(
        tmp_path / "x.jpg", picture(20, 30, 3), Encoding.RGB, metadata=long, format="jpeg", bits=8
    )
    assert writer.notes == (
        "The Exif data are too long for a JPEG and were left out.",
        "The XMP data are too long for a JPEG and were left out.",
        "The IPTC data are too long for a JPEG and were left out.",
    )
    with Image.open(tmp_path / "x.jpg") as image:
        assert image.size == (30, 20)


@pytest.mark.parametrize("kind", FORMATS)
def test_a_disk_that_takes_no_more_is_an_error_of_the_disk_and_leaves_nothing(tmp_path, kind):
    pixels = picture(200, 300, 3)
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, before[1]))
    try:
        with pytest.raises(OSError, match="File too large"):
            write(tmp_path / "x", pixels, Encoding.RGB, **FORMATS[kind])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert not (tmp_path / "x").exists()


@pytest.mark.parametrize("form", ["tiff", "jpeg", "png"])
def test_no_result_is_written_through_a_mapping(tmp_path, monkeypatch, form):
    """On a full disk a page of a mapping that cannot be written ends the process."""

    def refused(*_args, **_options):
        raise AssertionError("a mapping of a file")

    monkeypatch.setattr(mmap, "mmap", refused)
    monkeypatch.setattr(np, "memmap", refused)
    with pytest.raises(AssertionError, match="mapping"):
        tifffile.memmap(tmp_path / "mapped.tif", shape=(8, 8), dtype=np.uint16)
    path = tmp_path / f"result.{form}"
    bits = 8 if form == "jpeg" else 16
    write(path, picture(40, 60, 3), Encoding.RGB, format=form, bits=bits)
    assert path.stat().st_size
