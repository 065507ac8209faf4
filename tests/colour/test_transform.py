"""Conversions: what is promised beside the colours, which tests/reference checks.

"Exact" is LittleCMS called here directly, with ``cmsFLAGS_NOOPTIMIZE``.
"""

from functools import cache

import imagecodecs
import numpy as np
import pytest

from hotfolder.colour import grid, slabs, spaces, transform
from hotfolder.colour.axis import lightness_axis
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.engine import to_lab
from hotfolder.colour.profile import Profile, ProfileError, lab_profile
from hotfolder.colour.transform import FEW_PIXELS, Precision, Transform
from hotfolder.disk import processes
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent
from hotfolder.model.rendering import Rendering
from hotfolder_demo import scenes
from reference.devices import (
    DISPLAY_P3,
    GREY,
    SRGB,
    WIDE_RGB,
    demo_printer,
    libvips,
    random_pixels,
)

CMYK = libvips("cmyk")
LAB = lab_profile()
PRINTERS = {
    "libvips": lambda: CMYK,
    "coated-book": lambda: demo_printer("coated-book", "2.4"),
    "matte-canvas": lambda: demo_printer("matte-canvas", "4.4"),
    "another screen": lambda: DISPLAY_P3,
}


@pytest.mark.parametrize("source", [SRGB, GREY, CMYK, LAB], ids=lambda p: p.space)
@pytest.mark.parametrize("destination", [WIDE_RGB, GREY, CMYK, LAB], ids=lambda p: p.space)
@pytest.mark.parametrize("precision", Precision)
def test_any_kind_of_colour_goes_to_any_other(source, destination, precision):
    pixels = random_pixels(source.encoding.channels, 12).reshape(3, 4, -1)
    out = Transform(source, destination, precision=precision).apply(pixels)
    assert (3, 4, destination.encoding.channels) == out.shape
    assert np.uint16 == out.dtype


@pytest.mark.parametrize("intent", Intent)
def test_separations_are_never_changed_between_equal_profiles(intent):
    pixels = random_pixels(4)
    conversion = Transform(CMYK, Profile.parse(CMYK.data), intent)
    np.testing.assert_array_equal(pixels, conversion.apply(pixels))
    assert "no pixel was changed" in conversion.notes[0]


@pytest.mark.parametrize("precision", Precision)
def test_rows_shared_out_among_cores_are_the_same_rows(precision, monkeypatch):
    pixels = random_pixels(3, 3000).reshape(50, 60, 3)
    conversion = Transform(SRGB, CMYK, precision=precision)
    expected = conversion.apply(pixels)
    monkeypatch.setattr(slabs, "PIXELS_PER_THREAD", 100)
    monkeypatch.setattr(processes, "cpu_count", lambda: 3)
    np.testing.assert_array_equal(expected, conversion.apply(pixels))


def test_what_is_given_is_left_alone():
    pixels = random_pixels(3, 100)
    kept = pixels.copy()
    pixels.setflags(write=False)
    Transform(SRGB, CMYK).apply(pixels)
    np.testing.assert_array_equal(kept, pixels)


def test_part_of_a_larger_array_is_read_right():
    pixels = random_pixels(3, 400).reshape(20, 20, 3)
    conversion = Transform(SRGB, CMYK)
    part = pixels[2:9, 3:11]
    expected = conversion.apply(np.ascontiguousarray(part))
    np.testing.assert_array_equal(expected, conversion.apply(part))


def test_absolute_colorimetric_never_compensates_for_black():
    asked = Transform(SRGB, CMYK, Intent.ABSOLUTE_COLORIMETRIC, black_point_compensation=True)
    assert not asked.compensates
    assert asked.flags & 0x2000 == 0


def test_perceptual_to_version_4_always_compensates_for_black():
    # Verified, not only stated: LittleCMS gives the same pixels with and without the flag.
    canvas = demo_printer("matte-canvas", "4.4")
    pixels = random_pixels(3, 500)
    without, with_it = (
        Transform(SRGB, canvas, Intent.PERCEPTUAL, black_point_compensation=on)
        for on in (False, True)
    )
    assert without.compensates
    assert with_it.compensates
    np.testing.assert_array_equal(without.apply(pixels), with_it.apply(pixels))


def test_a_missing_table_is_noted():
    canvas = demo_printer("matte-canvas", "4.4")
    at = canvas.data.index(b"B2A2", 128)
    lacking = Profile.parse(canvas.data[:at] + b"xxxx" + canvas.data[at + 4 :])
    (note,) = Transform(SRGB, lacking, Intent.SATURATION).notes
    assert "has no table for saturation; its perceptual table was used" in note
    assert canvas.description in note
    assert Transform(SRGB, lacking, Intent.RELATIVE_COLORIMETRIC).notes == ()


def test_nothing_goes_to_an_input_profile():
    data = CMYK.data
    for tag in (b"B2A0", b"B2A1"):
        place = data.index(tag, 128)
        data = data[:place] + tag.lower() + data[place + 4 :]
    with pytest.raises(ProfileError, match="describes an input device only"):
        Transform(SRGB, Profile.parse(data))


@cache
def painted():
    return scenes._painted(240)


STATED = {Precision.EXACT: (0, 0), Precision.FINE: (0.02, 0.75), Precision.FAST: (0.1, 2.5)}


def distance_from_exact(source, printer, precision, pixels, intent=Intent.RELATIVE_COLORIMETRIC):
    exact = imagecodecs.cms_transform(
        np.ascontiguousarray(pixels),
        source.data,
        printer.data,
        colorspace="rgb",
        outcolorspace=printer.encoding.value,
        intent=intent.code,
        flags=0x2000 | 0x100,
    )
    out = Transform(source, printer, intent, precision=precision).apply(pixels)
    return delta_e_00(to_lab(printer, exact), to_lab(printer, out))


@pytest.mark.slow
@pytest.mark.parametrize("precision", Precision)
@pytest.mark.parametrize("destination", PRINTERS)
@pytest.mark.parametrize("source", [SRGB, WIDE_RGB], ids=["srgb", "wide"])
def test_each_precision_keeps_its_distance_from_the_exact_conversion(
    source, destination, precision
):
    difference = distance_from_exact(
        source, PRINTERS[destination](), precision, random_pixels(3, 50_000)
    )
    mean, largest = STATED[precision]
    assert mean >= difference.mean()
    assert largest >= difference.max()


@pytest.mark.parametrize("destination", PRINTERS)
@pytest.mark.parametrize("scene", ["dawn", "rigging", "reeds", "vessels"])
def test_fine_keeps_its_distance_in_pictures(destination, scene):
    picture = scenes._wide_codes(painted()[scene])
    difference = distance_from_exact(WIDE_RGB, PRINTERS[destination](), Precision.FINE, picture)
    assert difference.mean() <= 0.02
    assert difference.max() <= 0.75


@pytest.mark.parametrize("rendering", [Rendering.INTENT, Rendering.REFINED])
@pytest.mark.parametrize("destination", ["coated-book", "matte-canvas"])
@pytest.mark.parametrize("noise", [200, 400])
def test_fine_is_farthest_off_where_a_picture_is_about_grey(destination, rendering, noise):
    """As a camera's noise makes of a grey wall: of no other pictures was it as much."""
    random = np.random.default_rng(noise)
    greys = random.integers(0, 65536, (100, 300, 1))
    pixels = np.clip(greys + random.normal(0, noise, (100, 300, 3)), 0, 65535).astype(np.uint16)
    printer = PRINTERS[destination]()
    for source in (SRGB, WIDE_RGB):
        exact, fine = (
            Transform(source, printer, precision=precision, rendering=rendering).apply(pixels)
            for precision in (Precision.EXACT, Precision.FINE)
        )
        difference = delta_e_00(to_lab(printer, exact), to_lab(printer, fine))
        assert 0.02 < difference.mean() <= 0.05
        assert difference.max() <= 0.75


LINEAR = Profile.parse(
    spaces.rgb_profile("Linear light", spaces.SRGB_PRIMARIES, spaces.Curve((1.0,)))
)


@pytest.mark.parametrize("destination", PRINTERS)
@pytest.mark.parametrize("darker", [1, 16])
def test_fine_keeps_its_distance_for_originals_that_are_linear_in_light(destination, darker):
    even = random_pixels(3, 20_000)
    pixels = Transform(SRGB, LINEAR, precision=Precision.EXACT).apply(even) // darker
    difference = distance_from_exact(LINEAR, PRINTERS[destination](), Precision.FINE, pixels)
    assert difference.mean() <= 0.02
    assert difference.max() <= 0.75


def test_an_axis_even_in_lightness_is_for_those_that_are_far_from_it():
    assert lightness_axis(SRGB) is None
    assert lightness_axis(WIDE_RGB) is None
    axis = lightness_axis(LINEAR)
    assert (axis.to_place[0], axis.to_place[-1]) == (0, 65535)
    # L* 50 is a luminance of 0.184
    assert int(axis.to_place[round(0.1842 * 65535)]) == pytest.approx(32768, abs=30)
    codes = np.arange(65536, dtype=np.uint16)
    back = axis.codes(axis.places(codes[:, None])).ravel().astype(int)
    assert np.abs(back - codes).max() <= 2


@pytest.mark.slow(cases=1)
@pytest.mark.parametrize("intent", [Intent.PERCEPTUAL, Intent.ABSOLUTE_COLORIMETRIC])
def test_fine_keeps_its_distance_in_other_intents(intent):
    for destination in ("coated-book", "matte-canvas"):
        difference = distance_from_exact(
            SRGB, PRINTERS[destination](), Precision.FINE, random_pixels(3, 50_000), intent
        )
        assert difference.mean() <= 0.02
        assert difference.max() <= 0.75


@pytest.mark.slow(cases=1)
@pytest.mark.parametrize("destination", PRINTERS)
def test_fine_states_how_far_it_is(destination, monkeypatch):
    """Of the parts of the space that were used, by colours that took no part in making them."""
    monkeypatch.setattr(transform, "_grid_of", transform._grid_of.__wrapped__)
    printer = PRINTERS[destination]()
    conversion = Transform(WIDE_RGB, printer)
    conversion.apply(random_pixels(3, 400_000))
    assert 2 * 32**3 == conversion.bound.colours
    difference = distance_from_exact(
        WIDE_RGB, printer, Precision.FINE, random_pixels(3, 50_000, seed=77)
    )
    assert conversion.bound.mean == pytest.approx(difference.mean(), rel=0.15)
    assert conversion.bound.largest == pytest.approx(difference.max(), rel=0.7)
    assert conversion.bound.exact_share < 0.1


def test_blocks_that_miss_too_much_are_converted_exactly(monkeypatch):
    """A bound that nothing keeps makes every block exact, and the bound says so."""
    monkeypatch.setattr(grid, "WANTED_MAX", {Encoding.RGB: -1.0})
    monkeypatch.setattr(transform, "_grid_of", transform._grid_of.__wrapped__)
    pixels = random_pixels(3, 5_000)
    conversion = Transform(WIDE_RGB, CMYK)
    np.testing.assert_array_equal(
        Transform(WIDE_RGB, CMYK, precision=Precision.EXACT).apply(pixels),
        conversion.apply(pixels),
    )
    assert (1.0, 0.0) == (conversion.bound.exact_share, conversion.bound.largest)


@pytest.mark.parametrize("destination", PRINTERS)
def test_neutrals_are_exact_in_fine(destination):
    greys = np.repeat(np.arange(65536, dtype=np.uint16), 3).reshape(256, 256, 3)
    exact, fine = (
        Transform(SRGB, PRINTERS[destination](), precision=precision).apply(greys)
        for precision in (Precision.EXACT, Precision.FINE)
    )
    np.testing.assert_array_equal(exact, fine)


def test_a_grey_picture_is_exact_at_every_precision():
    pixels = np.arange(65536, dtype=np.uint16).reshape(256, 256, 1)
    exact = Transform(GREY, CMYK, precision=Precision.EXACT).apply(pixels)
    fast = Transform(GREY, CMYK, precision=Precision.FAST).apply(pixels)
    np.testing.assert_array_equal(exact, fast)


@pytest.mark.parametrize("destination", ["srgb", "coated-book"])
def test_four_inks_and_lab_keep_their_distance_in_fine(destination):
    to = SRGB if destination == "srgb" else demo_printer("coated-book", "2.4")
    picture = scenes._wide_codes(painted()["vessels"])
    for source in (CMYK, LAB):
        pixels = Transform(WIDE_RGB, source, precision=Precision.EXACT).apply(picture)
        exact, fine = (
            Transform(source, to, precision=precision).apply(pixels)
            for precision in (Precision.EXACT, Precision.FINE)
        )
        difference = delta_e_00(to_lab(to, exact), to_lab(to, fine))
        assert difference.mean() <= 0.02
        assert difference.max() <= 0.75


def test_four_inks_are_as_stated_in_fast():
    pixels = random_pixels(4)
    exact, fast = (
        Transform(CMYK, SRGB, precision=precision).apply(pixels)
        for precision in (Precision.EXACT, Precision.FAST)
    )
    difference = delta_e_00(to_lab(SRGB, exact), to_lab(SRGB, fast))
    assert difference.mean() <= 0.3
    assert difference.max() <= 5


def test_few_pixels_are_converted_exactly_and_the_bound_says_so():
    few = Transform(WIDE_RGB, CMYK, pixels=FEW_PIXELS - 1)
    many = Transform(WIDE_RGB, CMYK, pixels=FEW_PIXELS)
    for conversion in (few, many):
        conversion.apply(random_pixels(3))
    assert (0.0, 1.0) == (few.bound.largest, few.bound.exact_share)
    assert 0.0 < many.bound.largest
