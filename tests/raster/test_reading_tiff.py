"""Every kind of TIFF that a photographer's programs write, read to the right 16-bit numbers."""

from __future__ import annotations

import subprocess

import numpy as np
import pytest
import pyvips
import tifffile
from PIL import Image

from hotfolder.errors import Refuse
from hotfolder.model.encoding import Encoding
from hotfolder.raster.reading import ReadLimits, open_original
from raster.pictures import picture, profile_bytes, read, vips_pixels
from tools import needs_tool

LAYOUTS = {
    "one strip": {},
    "strips": {"rowsperstrip": 7},
    "tiles": {"tile": (32, 48)},
}
COMPRESSIONS = {
    "none": {},
    "lzw": {"compression": "lzw"},
    "lzw, predictor": {"compression": "lzw", "predictor": True},
    "deflate": {"compression": "adobe_deflate"},
    "deflate, predictor": {"compression": "adobe_deflate", "predictor": True},
    "old deflate": {"compression": 32946},
    "packbits": {"compression": "packbits"},
    "zstd": {"compression": "zstd"},
}


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("compression", COMPRESSIONS)
@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("planar", ["contig", "separate"])
def test_16_bit_rgb_is_read_as_written(tmp_path, layout, compression, order, planar):
    expected = picture(50, 61, 3)
    stored = np.moveaxis(expected, -1, 0) if planar == "separate" else expected
    tifffile.imwrite(
        tmp_path / "x.tif",
        stored,
        photometric="rgb",
        planarconfig=planar,
        byteorder=order,
        **LAYOUTS[layout],
        **COMPRESSIONS[compression],
    )
    opened, pixels, _ = read(tmp_path / "x.tif", tmp_path, rows=11)
    assert (pixels == expected).all()
    assert (opened.format, opened.bits, opened.pages) == ("TIFF", 16, 1)


@pytest.mark.parametrize("samples", [1, 3, 4])
@pytest.mark.parametrize("big", [False, True])
def test_8_bits_are_widened_and_bigtiff_is_read(tmp_path, samples, big):
    stored = picture(20, 30, samples, "uint8")
    kind = {1: "minisblack", 3: "rgb", 4: "separated"}[samples]
    stored = stored[..., 0] if samples == 1 else stored
    tifffile.imwrite(tmp_path / "x.tif", stored, photometric=kind, bigtiff=big)
    opened, pixels, _ = read(tmp_path / "x.tif", tmp_path)
    assert (pixels.squeeze() == stored.astype(np.uint16) * 257).all()
    assert opened.bits == 8
    assert opened.spec.encoding == {1: Encoding.GREY, 3: Encoding.RGB, 4: Encoding.CMYK}[samples]


@pytest.mark.parametrize("rows", [1, 3, 16, 50, 1000])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_the_pixels_do_not_depend_on_the_band_height(tmp_path, layout, rows):
    expected = picture(50, 61, 3)
    tifffile.imwrite(
        tmp_path / "x.tif", expected, photometric="rgb", compression="lzw", **LAYOUTS[layout]
    )
    _, pixels, _ = read(tmp_path / "x.tif", tmp_path, rows)
    assert (pixels == expected).all()


@pytest.mark.parametrize(
    ("options", "colours"),
    [
        ("[compression=lzw,predictor=horizontal]", 3),
        ("[tile,tile-width=32,tile-height=16,compression=deflate]", 4),
        ("[compression=none,bigtiff]", 1),
        ("[compression=packbits,subifd,pyramid]", 3),
    ],
)
def test_files_of_libvips_are_read_as_libvips_reads_them(tmp_path, options, colours):
    stored = picture(40, 50, colours)
    image = pyvips.Image.new_from_array(stored).copy(
        interpretation={1: "grey16", 3: "rgb16", 4: "cmyk"}[colours]
    )
    image.write_to_file(str(tmp_path / "x.tif") + options)
    _, pixels, _ = read(tmp_path / "x.tif", tmp_path)
    assert (pixels == vips_pixels(tmp_path / "x.tif").reshape(pixels.shape)).all()


@needs_tool("tiffcp")
def test_files_of_libtiffs_tools_are_read_the_same(tmp_path):
    stored = picture(40, 50, 3, "uint8")
    tifffile.imwrite(tmp_path / "a.tif", stored, photometric="rgb")
    for options in (
        ["-p", "separate", "-c", "lzw:2"],
        ["-t", "-w", "16", "-l", "16", "-c", "zip"],
        ["-B", "-r", "3"],
        ["-f", "lsb2msb", "-c", "packbits"],
        ["-f", "lsb2msb"],
    ):
        target = tmp_path / "b.tif"
        subprocess.run(["tiffcp", *options, tmp_path / "a.tif", target], check=True)
        assert (read(target, tmp_path)[1] == stored.astype(np.uint16) * 257).all(), options


def test_min_is_white_is_turned_over(tmp_path):
    stored = picture(20, 30, 1)[..., 0]
    tifffile.imwrite(tmp_path / "x.tif", stored, photometric="miniswhite")
    _, pixels, _ = read(tmp_path / "x.tif", tmp_path)
    assert (pixels[..., 0] == 65535 - stored).all()


@pytest.mark.parametrize("compression", [None, "packbits"])
def test_1_bit_is_black_and_white(tmp_path, compression):
    stored = picture(20, 37, 1)[..., 0] > 30_000
    tifffile.imwrite(tmp_path / "x.tif", stored, photometric="minisblack", compression=compression)
    opened, pixels, _ = read(tmp_path / "x.tif", tmp_path)
    assert (pixels[..., 0] == np.where(stored, 65535, 0)).all()
    assert opened.bits == 1


def test_fax_compression_of_pillow_is_read(tmp_path):
    stored = picture(20, 37, 1)[..., 0] > 30_000
    for compression in ("group3", "group4", "tiff_ccitt"):
        Image.fromarray(stored).save(tmp_path / "x.tif", compression=compression)
        _, pixels, _ = read(tmp_path / "x.tif", tmp_path)
        assert (pixels[..., 0] == np.where(stored, 65535, 0)).all(), compression


def test_12_bits_are_scaled_to_the_whole_range(tmp_path):
    stored = picture(8, 10, 1)[..., 0] >> 4
    tifffile.imwrite(tmp_path / "x.tif", stored, photometric="minisblack", bitspersample=12)
    _, pixels, _ = read(tmp_path / "x.tif", tmp_path)
    assert (pixels[..., 0] == np.rint(stored / 4095 * 65535)).all()


def test_32_bit_integers_are_rounded_to_16(tmp_path):
    stored = np.array([[0, 65536, 32768, 2**32 - 1]], np.uint32)
    tifffile.imwrite(tmp_path / "x.tif", stored, photometric="minisblack")
    _, pixels, _ = read(tmp_path / "x.tif", tmp_path)
    assert pixels[0, :, 0].tolist() == [0, 1, 0, 65535]


@pytest.mark.parametrize("dtype", ["float16", "float32", "float64"])
@pytest.mark.parametrize("predictor", [None, 3])
def test_floats_are_0_to_1_and_what_lies_outside_is_clipped_and_said(tmp_path, dtype, predictor):
    stored = np.array([[[0.0, 0.5, 1.0], [-0.25, 1.5, np.nan], [0.25, 0.75, 1.0]]], dtype)
    compression = "zstd" if predictor else None
    tifffile.imwrite(
        tmp_path / "x.tif",
        stored,
        photometric="rgb",
        planarconfig="contig",
        predictor=predictor,
        compression=compression,
    )
    opened, pixels, _ = read(tmp_path / "x.tif", tmp_path)
    assert pixels[0].tolist() == [[0, 32768, 65535], [0, 65535, 0], [16384, 49151, 65535]]
    assert opened.notes == (
        "22.2 % of the floating-point values lie outside 0 to 1 and were clipped.",
        "1 values are not numbers and were taken as black.",
    )


def test_floats_inside_0_to_1_need_no_note(tmp_path):
    tifffile.imwrite(tmp_path / "x.tif", np.full((5, 5, 3), 0.5, np.float32), photometric="rgb")
    assert read(tmp_path / "x.tif", tmp_path)[0].notes == ()


def test_a_palette_becomes_its_colours(tmp_path):
    index = (picture(20, 30, 1, "uint8")[..., 0]) % 16
    colours = picture(16, 16, 3)[0].T  # (3, 16)
    colours = np.pad(colours, ((0, 0), (0, 240)))
    tifffile.imwrite(tmp_path / "x.tif", index, photometric="palette", colormap=colours)
    opened, pixels, _ = read(tmp_path / "x.tif", tmp_path)
    assert (pixels == colours.T[index]).all()
    assert opened.spec.encoding is Encoding.RGB


def test_a_palette_of_pillow_is_read_as_pillow_reads_it(tmp_path):
    image = Image.fromarray(picture(20, 31, 3, "uint8")).quantize(16)
    image.save(tmp_path / "x.tif")  # Pillow shifts its 8 bits
    _, pixels, _ = read(tmp_path / "x.tif", tmp_path)
    assert (pixels == np.asarray(image.convert("RGB")).astype(np.uint16) * 257).all()


def test_cielab_is_read_as_the_codes_of_an_icc_profile(tmp_path):
    # L* 50, a* 20, b* -30; TIFF 6.0 section 23 (L* of 100, signed a* and b*), ICC.1:2022 table 12
    expected = [round(50 * 655.35), 32896 + 20 * 257, 32896 - 30 * 257]
    eight = np.array([[[127, 20, 256 - 30]]], np.uint8)
    sixteen = np.array([[[32768, 20 * 256, 65536 - 30 * 256]]], np.uint16)
    for stored, lightness in ((eight, 127 * 257), (sixteen, 32768)):
        tifffile.imwrite(tmp_path / "x.tif", stored, photometric="cielab", planarconfig="contig")
        opened, pixels, _ = read(tmp_path / "x.tif", tmp_path)
        assert opened.spec.encoding is Encoding.LAB
        assert pixels[0, 0].tolist() == [lightness, *expected[1:]]


def test_icclab_is_read_as_the_codes_of_an_icc_profile(tmp_path):
    # 16 bits as version 2 of ICC profiles has it: 65280 is L* 100, 32768 is 0
    stored = np.array([[[65280, 32768, 32768 + 256]], [[0, 0, 65535]]], np.uint16)
    tifffile.imwrite(tmp_path / "x.tif", stored, photometric="icclab", planarconfig="contig")
    _, pixels, _ = read(tmp_path / "x.tif", tmp_path)
    assert pixels[:, 0].tolist() == [[65535, 32896, 33153], [0, 0, 65535]]


def test_lab_of_libvips_is_read_as_the_same_colours(tmp_path):
    lab = np.array([[[50.0, 20.0, -30.0], [100.0, 0.0, 0.0], [0.0, -100.0, 100.0]]], np.float32)
    image = pyvips.Image.new_from_array(lab).copy(interpretation="lab")
    image.colourspace("labs").write_to_file(str(tmp_path / "x.tif"))
    _, pixels, _ = read(tmp_path / "x.tif", tmp_path)
    back = pixels.astype(float) / [655.35, 257, 257] - [0, 128, 128]
    assert np.abs(back - lab).max() < 0.01


def test_lab_floats_are_lab(tmp_path):
    stored = np.array([[[50.0, 20.0, -30.0]]], np.float32)
    tifffile.imwrite(tmp_path / "x.tif", stored, photometric="cielab", planarconfig="contig")
    _, pixels, _ = read(tmp_path / "x.tif", tmp_path)
    assert pixels[0, 0].tolist() == [32768, 32896 + 20 * 257, 32896 - 30 * 257]


def test_unassociated_alpha_comes_along(tmp_path):
    stored = picture(20, 30, 4)
    tifffile.imwrite(tmp_path / "x.tif", stored, photometric="rgb", extrasamples=["unassalpha"])
    _, pixels, alpha = read(tmp_path / "x.tif", tmp_path, 7)
    assert (pixels == stored[..., :3]).all()
    assert (alpha == stored[..., 3]).all()


@pytest.mark.parametrize("dtype", ["uint8", "uint16", "float32"])
def test_associated_alpha_is_divided_out(tmp_path, dtype):
    colour, opacity = np.array([0.2, 0.5, 1.0]), np.array([[0.0], [0.5], [1.0]])
    scale = 1.0 if dtype == "float32" else np.iinfo(dtype).max
    values = np.concatenate([colour * opacity, opacity], axis=-1)[np.newaxis] * scale
    stored = (values if dtype == "float32" else np.rint(values)).astype(dtype)
    tifffile.imwrite(tmp_path / "x.tif", stored, photometric="rgb", extrasamples=["assocalpha"])
    _, pixels, alpha = read(tmp_path / "x.tif", tmp_path)
    step = 65535 / (255 if dtype == "uint8" else 65535)
    assert np.abs(alpha[0] - [0, 32768, 65535]).max() <= step
    assert np.abs(pixels[0, 1:] - colour * 65535).max() <= 2 * step
    assert pixels[0, 0].tolist() == [0, 0, 0]


def test_extra_channels_without_a_meaning_are_left_out_and_said(tmp_path):
    stored = picture(20, 30, 6)
    tifffile.imwrite(
        tmp_path / "x.tif",
        stored,
        photometric="separated",
        planarconfig="contig",
        extrasamples=["unspecified", "unspecified"],
    )
    opened, pixels, alpha = read(tmp_path / "x.tif", tmp_path)
    assert (pixels == stored[..., :4]).all()
    assert alpha is None
    assert opened.notes == (
        (
            "The file has 2 extra channels (a mask or a spot colour); "
            "only the picture itself was taken."
        ),
    )


@pytest.mark.parametrize("subsampling", [(1, 1), (2, 2)])
@pytest.mark.parametrize("layout", [{"rowsperstrip": 16}, {"tile": (32, 32)}])
def test_jpeg_in_tiff_is_read_as_libvips_reads_it(tmp_path, subsampling, layout):
    tifffile.imwrite(
        tmp_path / "x.tif",
        picture(70, 90, 3, "uint8"),
        photometric="rgb",
        compression="jpeg",
        subsampling=subsampling,
        **layout,
    )
    _, pixels, _ = read(tmp_path / "x.tif", tmp_path)
    assert np.abs(pixels // 257 - vips_pixels(tmp_path / "x.tif").astype(int)).max() <= 2


def test_jpeg_in_tiff_of_libvips_with_its_tables_is_read(tmp_path):
    expected = picture(64, 64, 3, "uint8")
    for colours, kind in ((expected, "srgb"), (expected[..., :1], "b-w")):
        image = pyvips.Image.new_from_array(colours).copy(interpretation=kind)
        image.write_to_file(str(tmp_path / "x.tif") + "[compression=jpeg,Q=95,tile]")
        _, pixels, _ = read(tmp_path / "x.tif", tmp_path)
        written = vips_pixels(tmp_path / "x.tif").reshape(pixels.shape)
        assert np.abs(pixels // 257 - written.astype(int)).max() <= 2


def test_of_several_pictures_the_first_is_taken_and_said(tmp_path):
    first = picture(20, 30, 3)
    with tifffile.TiffWriter(tmp_path / "x.tif") as file:
        for stored in (first, picture(10, 10, 3), picture(11, 11, 3)):
            file.write(stored, photometric="rgb")
    opened, pixels, _ = read(tmp_path / "x.tif", tmp_path)
    assert (pixels == first).all()
    assert opened.pages == 3
    assert opened.notes == ("The file holds 3 pictures; the first one was taken.",)


def test_a_thumbnail_is_neither_taken_nor_counted(tmp_path):
    full = picture(20, 30, 3)
    with tifffile.TiffWriter(tmp_path / "x.tif") as file:
        file.write(picture(4, 6, 3), photometric="rgb", subfiletype=1)
        file.write(full, photometric="rgb")
    opened, pixels, _ = read(tmp_path / "x.tif", tmp_path)
    assert (pixels == full).all()
    assert (opened.pages, opened.notes) == (1, ())


@pytest.mark.parametrize(
    ("unit", "value", "expected"),
    [
        ("inch", 300, 300.0),
        ("centimeter", 100, 254.0),
        ("none", 300, 0.0),
        ("inch", 0.5, 0.0),
        ("inch", 20_000, 0.0),
    ],
)
def test_resolution_is_pixels_per_inch_or_unknown(tmp_path, unit, value, expected):
    tifffile.imwrite(
        tmp_path / "x.tif",
        picture(5, 5, 3),
        photometric="rgb",
        resolution=(value, value),
        resolutionunit=unit,
    )
    assert read(tmp_path / "x.tif", tmp_path)[0].spec.ppi == pytest.approx(expected)


def test_the_embedded_profile_comes_along(tmp_path):
    icc = profile_bytes("srgb")
    tifffile.imwrite(tmp_path / "x.tif", picture(5, 5, 3), photometric="rgb", iccprofile=icc)
    spec = read(tmp_path / "x.tif", tmp_path)[0].spec
    assert spec.profile is not None
    assert (spec.profile.data, spec.profile_problem) == (icc, "")


def test_a_profile_for_other_colours_is_a_problem_that_names_both(tmp_path):
    icc = profile_bytes("cmyk")
    tifffile.imwrite(tmp_path / "x.tif", picture(5, 5, 3), photometric="rgb", iccprofile=icc)
    spec = read(tmp_path / "x.tif", tmp_path)[0].spec
    assert spec.profile is None
    assert spec.profile_problem == "The embedded profile is for CMYK, but the picture is RGB."


def test_a_broken_profile_is_a_problem_with_a_reason(tmp_path):
    icc = profile_bytes("srgb")[:200]
    tifffile.imwrite(tmp_path / "x.tif", picture(5, 5, 3), photometric="rgb", iccprofile=icc)
    spec = read(tmp_path / "x.tif", tmp_path)[0].spec
    assert spec.profile is None
    assert spec.profile_problem == (
        "The embedded profile was cut off: it has 200 of the 480 bytes that it announces."
    )


def refusal(path, scratch, **limits):
    with (
        pytest.raises(Refuse) as caught,
        open_original(path, name="fen.tif", scratch=scratch, limits=ReadLimits(**limits)) as opened,
    ):
        list(opened.bands())
    return caught.value.code, caught.value.message


@pytest.mark.parametrize(
    ("options", "how"),
    [
        (
            {"photometric": "logl"},
            "in a kind of colour other than RGB, grey, CMYK, Lab or a palette",
        ),
        (
            {"photometric": "minisblack", "compression": "lerc"},
            "with a compression that is not meant for delivery",
        ),
        ({"photometric": "minisblack", "dtype": "int16"}, "as signed or complex numbers"),
        ({"photometric": "minisblack", "dtype": "uint64"}, "with 64 bits per channel"),
    ],
)
def test_what_no_photographer_delivers_is_refused_with_the_reason(tmp_path, options, how):
    dtype = options.pop("dtype", "uint16")
    tifffile.imwrite(tmp_path / "x.tif", picture(8, 8, 1)[..., 0].astype(dtype), **options)
    assert refusal(tmp_path / "x.tif", tmp_path) == (
        "unsupported",
        (
            f"fen.tif: The TIFF is stored {how}, which cannot be read here. "
            "Save it as RGB, grey, CMYK or Lab with 8 or 16 bits per channel and drop it again."
        ),
    )


def test_a_raw_file_of_a_camera_is_refused(tmp_path):
    tifffile.imwrite(
        tmp_path / "x.tif",
        picture(8, 8, 3),
        photometric="rgb",
        extratags=[(50706, 1, 4, bytes([1, 4, 0, 0]), True)],
    )
    assert refusal(tmp_path / "x.tif", tmp_path) == (
        "unsupported",
        (
            "fen.tif: The file is a camera's raw file or holds only a preview. "
            "Develop it first, export it as a TIFF and drop that."
        ),
    )


def test_more_pixels_than_the_limit_are_refused_by_arithmetic(tmp_path):
    tifffile.imwrite(tmp_path / "x.tif", picture(10, 10, 3), photometric="rgb")
    assert refusal(tmp_path / "x.tif", tmp_path, max_pixels=99) == (
        "too-large",
        (
            "fen.tif: The file says that it holds 10 x 10 pixels; the limit is 0 megapixels. "
            "Check that it was exported properly."
        ),
    )


def test_a_claim_that_no_file_of_this_size_can_keep_is_refused(tmp_path):
    flat = np.zeros((400, 400), np.uint8)
    tifffile.imwrite(tmp_path / "x.tif", flat, photometric="minisblack", compression="zstd")
    size = (tmp_path / "x.tif").stat().st_size
    assert refusal(tmp_path / "x.tif", tmp_path, max_ratio=100, ratio_free_bytes=1000) == (
        "too-large",
        (
            f"fen.tif: The file claims 400 x 400 pixels but has only {size} bytes, "
            "which no real picture has. Check that it was exported properly."
        ),
    )


def test_one_segment_that_needs_too_much_memory_is_refused(tmp_path):
    tifffile.imwrite(tmp_path / "x.tif", picture(99, 99, 3), photometric="rgb", compression="lzw")
    code, message = refusal(tmp_path / "x.tif", tmp_path, max_whole_bytes=1000)
    assert code == "too-large"
    assert message.startswith("fen.tif: One strip or tile of the TIFF needs 0.0 GiB of memory")
