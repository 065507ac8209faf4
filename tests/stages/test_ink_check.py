"""Total area coverage of CMYK results, at every pixel."""

import io

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from hotfolder import Band, Hold
from hotfolder.colour.transform import Transform
from hotfolder.model.destination import Result
from hotfolder.raster.writing import open_result
from hotfolder.testing import make_stage, run_stage
from hotfolder_stages.ink_check import SLACK_PERCENT, InkCheck
from reference.devices import demo_printer, libvips, random_pixels
from stages.driving import SRGB, job_of, spec_of

BOOK = demo_printer("coated-book", "2.4")


def ink(*percent):
    return np.rint(np.array(percent) * 655.35).astype(np.uint16)


def check(pixels, rows=7, **values):
    stage = make_stage(InkCheck, values)
    out, _, findings, _ = run_stage(stage, pixels, spec_of(pixels, BOOK), rows=rows)
    np.testing.assert_array_equal(pixels, out)
    return findings


def sheet():
    """20 x 30 px with 100 % ink everywhere."""
    return np.tile(ink(25, 25, 25, 25), (20, 30, 1))


@pytest.mark.parametrize("rows", [1, 7, 20])
def test_the_maximum_is_found_with_its_place(rows):
    pixels = sheet()
    pixels[13, 21] = ink(100, 90, 80, 70)
    pixels[17, 2] = ink(100, 90, 80, 70)  # the same again, further down
    findings = check(pixels, rows)
    assert {
        "measured": True,
        "limit_percent": 300.0,
        "slack_percent": 0.784,
        "bits": 16,
        "max_percent": 340.0,
        "max_at_px": {"x": 21, "y": 13},
        # two of 600 pixels have 240 % more
        "mean_percent": 100.8,
        "above_limit_share": round(2 / 600, 6),
    } == findings


@pytest.mark.parametrize("rows", [7, 64])
def test_a_result_of_8_bits_is_measured_as_it_is_written(rows, tmp_path):
    # 299 %: every ink lies between two codes of 8 bits
    pixels = np.tile(ink(74.6, 74.9, 74.7, 74.8), (64, 70, 1))
    spec = spec_of(pixels, BOOK)
    settings = Result(format="tiff", bits=8, compression="none")
    job = job_of(spec, profile=BOOK, result=settings)
    findings = run_stage(make_stage(InkCheck, {"limit_percent": 299}), pixels, spec, job, rows)[2]
    path = tmp_path / "result.tif"
    with open_result(path, spec, settings) as writer:
        writer.write([Band(0, pixels)])
    total = tifffile.imread(path).astype(int).sum(axis=-1) / 2.55
    assert total.max() > 299.5
    assert findings["bits"] == 8
    assert findings["max_percent"] == pytest.approx(total.max(), abs=0.005)
    assert findings["mean_percent"] == pytest.approx(total.mean(), abs=0.005)
    place = findings["max_at_px"]
    assert total[place["y"], place["x"]] == total.max()
    # what dither alone does to a separation at the limit is no excess
    assert findings["above_limit_share"] == 0


def test_a_single_pixel_in_many_is_found():
    pixels = np.zeros((1000, 1200, 4), np.uint16)
    pixels[999, 1199] = 65535
    findings = check(pixels, rows=300)
    assert (400.0, {"x": 1199, "y": 999}) == (findings["max_percent"], findings["max_at_px"])
    assert round(1 / 1_200_000, 6) == findings["above_limit_share"]


def test_rounding_is_no_excess_and_more_than_rounding_is():
    # 8 bits: the sum of four inks may come out 4 * 0.5 / 255 = 0.784 % too high
    pixels = sheet()
    pixels[0, 0] = ink(100, 100, 100, 0.78)
    assert 0.0 == check(pixels)["above_limit_share"]
    pixels = sheet()
    pixels[0, 0] = ink(100, 100, 100, 0.80)
    assert round(1 / 600, 6) == check(pixels)["above_limit_share"]


def test_the_sum_is_numpys_over_random_separations():
    pixels = random_pixels(4, 30_000).reshape(100, 300, 4)
    total = pixels.astype(np.float64).sum(axis=-1) / 655.35
    findings = check(pixels, limit_percent=240)
    assert round((total > 240 + SLACK_PERCENT).mean(), 6) == findings["above_limit_share"]
    assert total.max() == pytest.approx(findings["max_percent"], abs=0.005)
    assert total.mean() == pytest.approx(findings["mean_percent"], abs=0.005)


def test_too_much_ink_is_held_with_place_and_numbers():
    pixels = sheet()
    pixels[3:5, 10:13] = ink(90, 90, 90, 90)
    with pytest.raises(Hold) as hold:
        check(pixels, limit_percent=320, hold_above_share="0.1 %")
    assert ("too-much-ink", 0.01) == (hold.value.code, hold.value.findings["above_limit_share"])
    assert hold.value.message == (
        "1 % of the picture gets more ink than the limit of 320 % (allowed: 0.1 %); the most is "
        "360 %, 10 px from the left and 3 px from the top. Use a profile that is made for this "
        "limit, or release the picture if the printer says that this paper takes it."
    )


def test_a_share_at_what_is_allowed_passes():
    pixels = sheet()
    pixels[3:5, 10:13] = ink(90, 90, 90, 90)
    assert 0.01 == check(pixels, limit_percent=320, hold_above_share="1 %")["above_limit_share"]


def test_a_single_pixel_is_never_called_nothing():
    pixels = np.zeros((1000, 1200, 4), np.uint16)
    pixels[5, 6] = 65535
    with pytest.raises(Hold, match=r"^less than 0\.001 % of the picture .* \(allowed: 0 %\)"):
        check(pixels, rows=1000, hold_above_share="0 %")


def test_a_result_without_inks_has_nothing_to_measure_and_says_so():
    pixels = np.zeros((4, 4, 3), np.uint16)
    stage = make_stage(InkCheck, {"hold_above_share": "0 %"})
    *_, findings, _ = run_stage(stage, pixels, spec_of(pixels, SRGB))
    assert {
        "measured": False,
        "note": (
            "The result is not made of cyan, magenta, yellow and black ink; nothing to measure."
        ),
    } == findings


def test_what_the_demo_paper_gets_stays_within_the_300_percent_that_it_was_made_for():
    pixels = Transform(SRGB, BOOK).apply(random_pixels(3).reshape(100, 100, 3))
    findings = check(pixels, hold_above_share="0 %")
    assert 270 < findings["max_percent"] < 300 + SLACK_PERCENT


def test_the_littlecms_inside_pillow_lays_on_as_much_ink():
    source, printer = SRGB, libvips("cmyk")
    colours = (random_pixels(3) >> 8).astype(np.uint8)
    conversion = ImageCms.buildTransform(
        io.BytesIO(source.data),
        io.BytesIO(printer.data),
        "RGB",
        "CMYK",
        ImageCms.Intent.RELATIVE_COLORIMETRIC,
        ImageCms.Flags.NOOPTIMIZE | ImageCms.Flags.BLACKPOINTCOMPENSATION,
    )
    image = Image.frombytes("RGB", (colours.shape[1], 1), colours.tobytes())
    theirs = np.asarray(ImageCms.applyTransform(image, conversion)).sum(axis=-1) / 2.55
    pixels = Transform(source, printer).apply(colours.astype(np.uint16) * 257)
    findings = check(pixels.reshape(100, 100, 4))
    # 8 bits in four inks
    assert theirs.max() == pytest.approx(findings["max_percent"], abs=SLACK_PERCENT)
    assert theirs.mean() == pytest.approx(findings["mean_percent"], abs=0.1)
