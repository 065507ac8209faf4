"""Depth: lightness laid onto a medium's range by a curve."""

import numpy as np
import pytest

from hotfolder.colour.black_point import black_luminance, compensated
from hotfolder.colour.depth import curve, deepened, lightness_of
from hotfolder.colour.encodings import D50_XYZ, xyz_to_lab
from hotfolder.colour.engine import to_lab
from hotfolder.colour.rendering import can_be_deepened
from hotfolder.colour.transform import Precision, Transform
from hotfolder.model.intent import Intent
from hotfolder.model.rendering import Rendering
from reference.devices import GREY, SRGB, WIDE_RGB, demo_printer, libvips

CANVAS = demo_printer("matte-canvas", "4.4")
CMYK = libvips("cmyk")


def luminance(lightness):
    return ((lightness + 16) / 116) ** 3


def greys(count=101):
    lab = np.zeros((count, 3))
    lab[:, 0] = np.linspace(0, 100, count)
    return lab


@pytest.mark.parametrize("black", [2.0, 7.5, 12, 19.9, 30])
def test_white_stays_black_becomes_black_and_order_is_kept(black):
    made = deepened(greys(), 0.0, luminance(black) if black > 8 else black / 903.2963)
    assert made[0, 0] == pytest.approx(black, abs=1e-6)
    assert made[-1, 0] == pytest.approx(100, abs=1e-9)
    assert np.diff(made[:, 0]).min() > 0
    np.testing.assert_allclose(made[:, 1:], 0, atol=1e-9)


def test_the_curve_is_the_normal_distribution_over_its_range():
    from scipy.stats import norm  # costs half a second

    L = np.linspace(0, 100, 21)
    expected = norm.cdf(L, 60.6, 34.5) - norm.cdf(0, 60.6, 34.5)
    expected /= norm.cdf(100, 60.6, 34.5) - norm.cdf(0, 60.6, 34.5)
    np.testing.assert_allclose(curve(L, 20.0), 100 * expected, atol=1e-9)
    np.testing.assert_allclose(curve(L, 0.0), L, atol=1e-9)


def test_middle_tones_keep_more_contrast_than_by_compensation():
    black = luminance(19.9)
    by_curve, by_light = deepened(greys(), 0, black)[:, 0], compensated(greys(), 0, black)[:, 0]
    middle = slice(35, 76)
    assert np.ptp(by_curve[middle]) > 1.05 * np.ptp(by_light[middle])
    assert by_curve[25] < by_light[25] + 1  # darks do not become lighter for it


def test_colours_keep_the_hue_and_chroma_of_compensation():
    lab = np.array([[50.0, 40, -20], [30, -20, 30]])
    black = luminance(19.9)
    np.testing.assert_array_equal(compensated(lab, 0, black)[:, 1:], deepened(lab, 0, black)[:, 1:])


def test_lightness_of_a_luminance():
    assert lightness_of(1.0) == pytest.approx(100)
    assert lightness_of(0.18) == pytest.approx(xyz_to_lab(0.18 * np.array(D50_XYZ))[0])


def test_a_picture_with_a_black_as_weak_is_left_alone():
    assert can_be_deepened(SRGB, CANVAS)
    assert not can_be_deepened(CANVAS, CANVAS)
    assert not can_be_deepened(SRGB, WIDE_RGB)
    plain = Transform(SRGB, WIDE_RGB, precision=Precision.EXACT)
    deep = Transform(SRGB, WIDE_RGB, precision=Precision.EXACT, depth=True)
    pixels = np.random.default_rng(1).integers(0, 65536, (10, 20, 3), np.uint16)
    np.testing.assert_array_equal(plain.apply(pixels), deep.apply(pixels))
    assert not deep.is_deepened
    assert "depth changes nothing" in deep.notes[-1]


@pytest.mark.parametrize("medium", [CANVAS, CMYK], ids=["canvas", "cmyk"])
@pytest.mark.parametrize("rendering", Rendering)
def test_greys_come_out_as_the_curve_says(rendering, medium):
    ramp = np.repeat(np.linspace(0, 65535, 40).astype(np.uint16)[None, :, None], 3, axis=-1)
    deep = Transform(SRGB, medium, precision=Precision.EXACT, rendering=rendering, depth=True)
    assert deep.is_deepened
    assert not deep.compensates
    made = to_lab(medium, deep.apply(ramp))[0, :, 0]
    blacks = black_luminance(SRGB), black_luminance(medium)
    expected = deepened(to_lab(SRGB, ramp), *blacks)[0, :, 0]
    # tables round, and miss black by one L*; that of libvips is up to four off in its greys
    assert np.abs(made - expected).mean() < (2.5 if rendering is Rendering.INTENT else 0.6)


def test_fine_keeps_its_promise_for_depth():
    pixels = np.random.default_rng(2).integers(0, 65536, (60, 50, 3), np.uint16)
    exact, fine = (
        Transform(SRGB, CANVAS, precision=each, depth=True) for each in Precision if each != "fast"
    )
    off = np.abs(to_lab(CANVAS, exact.apply(pixels)) - to_lab(CANVAS, fine.apply(pixels)))
    assert off.mean() < 0.05


@pytest.mark.parametrize(
    ("intent", "precision"),
    [(Intent.PERCEPTUAL, Precision.FINE), (Intent.RELATIVE_COLORIMETRIC, Precision.FAST)],
)
def test_depth_goes_with_relative_colorimetric(intent, precision):
    with pytest.raises(ValueError, match="depth does not go with"):
        Transform(SRGB, CANVAS, intent, precision=precision, depth=True)


def test_a_grey_medium_can_be_deepened_too():
    assert not can_be_deepened(SRGB, GREY)
