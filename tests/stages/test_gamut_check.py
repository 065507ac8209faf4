"""Stage gamut-check."""

import numpy as np
import pytest

from hotfolder.colour.profile import lab_profile
from hotfolder.colour.transform import Intent, Transform
from hotfolder.errors import Hold
from hotfolder.raster.model import Encoding
from hotfolder_stages.gamut_check import GamutCheck
from hotfolder_stages.gamut_check.loss import Route, black_luminance, compensated, losses
from hotfolder_stages.gamut_check.table import make_lookup
from hotfolder_stages.profile_conversion import ProfileConversion
from reference.devices import (
    DISPLAY_P3,
    GREY,
    SRGB,
    WIDE_RGB,
    demo_printer,
    libvips,
    random_pixels,
)
from stages.driving import job_of, run_stage, spec_of, stage_with

CMYK = libvips("cmyk")

COLOURS = (
    np.array(
        [
            (255, 0, 0),
            (0, 255, 0),
            (0, 0, 255),
            (0, 255, 255),
            (255, 0, 255),
            (255, 255, 0),
            (128, 128, 128),
            (194, 150, 130),
        ],
        dtype=np.uint16,
    )
    * 257
)


def checked(pixels, spec, destination, settings=None, conversion=None, **more):
    stage = stage_with(GamutCheck, settings or {})
    others = {} if conversion is None else {"profile-conversion": conversion}
    job = job_of(spec, profile=destination, settings=others)
    return run_stage(stage, pixels, spec, job, **more)


def picture(channels=3, height=100, width=200):
    return random_pixels(channels, height * width).reshape(height, width, channels)


@pytest.mark.parametrize(
    ("compensate", "expected"),
    # Computed apart from this code: LittleCMS without optimisation there and back, differences by
    # colour-science.
    [
        (False, [7.32, 20.82, 14.94, 16.99, 17.95, 6.04, 3.31, 0.15]),
        (True, [6.64, 20.81, 15.66, 17.09, 17.78, 5.95, 2.10, 0.88]),
    ],
)
def test_shift_of_known_colours(compensate, expected):
    route = Route(SRGB, CMYK, black_point_compensation=compensate)
    np.testing.assert_allclose(losses(route, COLOURS)[1], expected, atol=0.03)


def test_loss_does_not_depend_on_how_the_picture_will_be_converted():
    routes = [
        Route(SRGB, CMYK, intent, black_point_compensation=on)
        for intent in Intent
        for on in (False, True)
    ]
    first, *others = (losses(route, COLOURS)[0] for route in routes)
    for other in others:
        np.testing.assert_array_equal(first, other)


def test_a_weaker_black_alone_is_no_loss():
    greys = np.repeat(np.arange(0, 65536, 1285, dtype=np.uint16)[:, None], 3, axis=1)
    canvas = demo_printer("matte-canvas", "4.4")
    loss, shift = losses(Route(SRGB, canvas), greys)
    # Black itself comes out of the profile's table 0.9 L* lighter than its black point.
    assert loss.max() < 1.0
    assert loss.mean() < 0.3
    assert shift.max() > 10


def test_the_black_point_is_the_engines():
    # L* 14.42, as the engine's own destination black of this profile was recovered by inverting
    # its table, and confirmed by iccdev.
    lightness = 116 * np.cbrt(black_luminance(CMYK)) - 16
    assert lightness == pytest.approx(14.42, abs=0.01)
    assert black_luminance(SRGB) == pytest.approx(0, abs=1e-6)


def test_compensation_keeps_white_and_moves_black():
    lab = compensated(np.array([[100.0, 0, 0], [0, 0, 0]]), 0.0, 0.018034)
    np.testing.assert_allclose(lab, [[100, 0, 0], [14.42, 0, 0]], atol=0.01)


@pytest.mark.parametrize(
    ("source", "destination", "mean_error"),
    [
        (SRGB, CMYK, 0.05),
        (DISPLAY_P3, CMYK, 0.05),
        (WIDE_RGB, SRGB, 0.05),
        (SRGB, demo_printer("matte-canvas", "4.4"), 0.05),
        (SRGB, demo_printer("coated-book", "2.4"), 0.05),
        (GREY, CMYK, 0.001),
        # A grid of four inks is coarser: 21 points a side.
        (CMYK, SRGB, 0.1),
        (lab_profile(), CMYK, 0.1),
    ],
)
def test_the_table_agrees_with_every_pixel_computed(source, destination, mean_error):
    pixels = picture(source.encoding.channels)
    if source == lab_profile():  # most of its codes are no colours; a picture has none of those
        pixels = Transform(WIDE_RGB, source).apply(pixels)
    route = Route(source, destination)
    exact = np.stack(losses(route, pixels), axis=-1)
    table = make_lookup(route)(pixels)[..., :2] * (100 / 65535)
    assert (abs(table - exact).mean(axis=(0, 1)) <= mean_error).all()
    shares = [(values[..., 0] > 3.0).mean() for values in (exact, table)]
    assert shares[0] == pytest.approx(shares[1], abs=0.002)


def test_bands_pass_unchanged_and_findings_are_of_the_whole_picture():
    pixels = picture()
    spec = spec_of(pixels)
    out, result, findings, _ = checked(pixels, spec, CMYK, rows=33)
    np.testing.assert_array_equal(pixels, out)
    assert spec == result
    loss, shift = losses(Route(SRGB, CMYK), pixels)
    assert findings["tolerance_delta_e_00"] == 3.0
    assert findings["out_of_gamut_share"] == pytest.approx((loss > 3).mean(), abs=0.002)
    for key, values in (("delta_e_00", loss), ("shift_delta_e_00", shift)):
        found = findings[key]
        assert found["mean"] == pytest.approx(values.mean(), abs=0.05)
        assert found["p95"] == pytest.approx(np.percentile(values, 95), abs=0.2)
        assert found["p99"] == pytest.approx(np.percentile(values, 99), abs=0.2)
        assert found["max"] == pytest.approx(values.max(), abs=0.5)


def test_band_heights_do_not_matter():
    pixels = picture(height=40, width=30)
    findings = [checked(pixels, spec_of(pixels), CMYK, rows=rows)[2] for rows in (1, 7, 40)]
    assert findings[0] == findings[1] == findings[2]


def test_the_shift_is_that_of_the_intent_the_picture_will_be_converted_with():
    pixels = picture(height=20, width=20)
    conversion = stage_with(ProfileConversion, {"intent": "perceptual"}).settings
    findings = checked(pixels, spec_of(pixels), CMYK, conversion=conversion)[2]
    shift = losses(Route(SRGB, CMYK, Intent.PERCEPTUAL), pixels)[1]
    assert findings["shift_intent"] == "perceptual"
    assert findings["shift_delta_e_00"]["mean"] == pytest.approx(shift.mean(), abs=0.05)


def test_absolute_colorimetric_is_judged_in_absolute_colours():
    # A colour in gamut and lighter than no paper stays where it is.
    skin = COLOURS[-1:]
    assert losses(Route(SRGB, CMYK, Intent.ABSOLUTE_COLORIMETRIC), skin)[1][0] < 1.0


def test_a_picture_in_the_destinations_own_profile_loses_nothing():
    pixels = picture(4, 10, 10)
    findings = checked(pixels, spec_of(pixels, CMYK), CMYK)[2]
    assert findings["out_of_gamut_share"] == 0.0
    assert findings["shift_delta_e_00"]["max"] == 0.0


def test_clear_pixels_count_as_paper():
    pixels = np.tile(COLOURS[1], (10, 10, 1))
    alpha = np.zeros((10, 10), dtype=np.uint16)
    alpha[:1] = 65535
    out, _, findings, out_alpha = checked(
        pixels, spec_of(pixels, has_alpha=True), CMYK, alpha=alpha
    )
    assert findings["out_of_gamut_share"] == 0.1
    np.testing.assert_array_equal(pixels, out)
    np.testing.assert_array_equal(alpha, out_alpha)


def green_share(lost, of):
    """A picture of `of` rows, of which `lost` are a green that paper cannot make."""
    pixels = np.full((of, 10, 3), 50_000, dtype=np.uint16)
    pixels[:lost] = COLOURS[1]
    return pixels


def test_above_the_limit_the_job_is_held_with_its_findings():
    pixels = green_share(3, 50)
    with pytest.raises(Hold) as held:
        checked(pixels, spec_of(pixels), CMYK, {"hold_above": "5 %"})
    assert held.value.code == "gamut-loss"
    assert held.value.message == (
        "6 % of the picture cannot be made on this medium, saturated greens; the largest patch "
        "is at the top (6 % of the picture). Limit 5 %: release it as it is, or bring these "
        "colours down and drop it again."
    )
    assert held.value.findings["out_of_gamut_share"] == 0.06


@pytest.mark.parametrize("settings", [{"hold_above": "6 %"}, {"hold_above": "100 %"}, {}])
def test_at_the_limit_and_without_one_nothing_is_held(settings):
    pixels = green_share(3, 50)
    assert checked(pixels, spec_of(pixels), CMYK, settings)[2]["out_of_gamut_share"] == 0.06


def test_the_tolerance_decides_what_counts():
    pixels = green_share(3, 50)
    findings = checked(pixels, spec_of(pixels), CMYK, {"tolerance": 25})[2]
    assert findings["out_of_gamut_share"] == 0.0


def test_a_picture_without_a_profile_is_held():
    pixels = picture(height=2, width=2)
    with pytest.raises(Hold, match="has no colour profile") as held:
        checked(pixels, spec_of(pixels, None), CMYK)
    assert held.value.code == "no-profile"


def test_lab_pictures_are_checked_too():
    pixels = np.full((4, 4, 3), 32896, dtype=np.uint16)
    findings = checked(pixels, spec_of(pixels, None, encoding=Encoding.LAB), CMYK)[2]
    assert findings["out_of_gamut_share"] in (0.0, 1.0)
