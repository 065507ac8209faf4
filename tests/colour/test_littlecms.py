"""Conversions that are kept ready: the same codes as `imagecodecs` gives, which makes each anew."""

from concurrent.futures import ThreadPoolExecutor

import imagecodecs
import numpy as np
import pytest

from hotfolder.colour import littlecms
from hotfolder.colour.engine import BLACK_POINT_COMPENSATION, NO_GRID, call
from hotfolder.colour.profile import LITTLECMS_NAMES, lab_profile
from hotfolder.model.intent import Intent
from reference.devices import GREY, SRGB, WIDE_RGB, demo_printer, libvips, random_pixels

CMYK = libvips("cmyk")
LAB = lab_profile()
BOTH_WAYS = NO_GRID | BLACK_POINT_COMPENSATION


@pytest.fixture
def kept(monkeypatch):
    """Nothing kept so far; what is made is counted."""
    made = []

    def make(library, wanted, *profiles):
        made.append(wanted)
        return real(library, wanted, *profiles)

    real = littlecms._make
    monkeypatch.setattr(littlecms, "_make", make)
    monkeypatch.setattr(littlecms, "_kept", littlecms._Kept())
    return made


def by_imagecodecs(pixels, source, destination, intent, flags, made):
    return imagecodecs.cms_transform(
        pixels[..., 0] if source is GREY else pixels,
        source.data,
        destination.data,
        colorspace=LITTLECMS_NAMES[source.encoding],
        outcolorspace=LITTLECMS_NAMES[destination.encoding],
        outdtype=np.dtype(made).name,
        intent=intent.code,
        flags=flags,
    ).reshape(*pixels.shape[:2], -1)


def test_the_library_inside_imagecodecs_is_found():
    """On Linux; where it is not, all is as right, and slower."""
    assert littlecms._find_library() is not None


@pytest.mark.parametrize("flags", [0, NO_GRID, BOTH_WAYS])
@pytest.mark.parametrize("source", [SRGB, GREY, CMYK, LAB], ids=lambda each: each.space)
@pytest.mark.parametrize("destination", [WIDE_RGB, GREY, CMYK, LAB], ids=lambda each: each.space)
def test_codes_are_those_of_imagecodecs(kept, source, destination, flags):
    pixels = random_pixels(source.encoding.channels, 600).reshape(20, 30, -1)
    for intent in Intent:
        for made in (np.uint16, np.uint8):
            wanted = by_imagecodecs(pixels, source, destination, intent, flags, made)
            for _ in range(2):
                found = call(pixels, source, destination, intent, flags, made)
                np.testing.assert_array_equal(wanted, found)
    assert 2 * len(Intent) == len(kept)


@pytest.mark.parametrize("device", [SRGB, GREY, CMYK], ids=lambda each: each.space)
def test_colours_are_those_of_imagecodecs(kept, device):
    intent = Intent.RELATIVE_COLORIMETRIC
    pixels = random_pixels(device.encoding.channels, 600).reshape(20, 30, -1)
    lab = call(pixels, device, LAB, intent, NO_GRID, np.float64)
    np.testing.assert_array_equal(
        by_imagecodecs(pixels, device, LAB, intent, NO_GRID, np.float64), lab
    )
    np.testing.assert_array_equal(
        by_imagecodecs(lab, LAB, device, intent, NO_GRID, np.uint16),
        call(lab, LAB, device, intent, NO_GRID, np.uint16),
    )


def test_codes_are_the_same_where_the_library_is_not_to_be_found(kept, monkeypatch):
    pixels = random_pixels(3, 600).reshape(20, 30, -1)
    here = call(pixels, SRGB, CMYK, Intent.PERCEPTUAL, NO_GRID, np.uint16)
    monkeypatch.setattr(littlecms, "_find_library", lambda: None)
    np.testing.assert_array_equal(
        here, call(pixels, SRGB, CMYK, Intent.PERCEPTUAL, NO_GRID, np.uint16)
    )
    assert len(kept) == 1


def test_many_threads_use_one_conversion(kept):
    """Each has other pixels: what one thread converts leaves no trace in what another does."""
    printer = demo_printer("coated-book", "2.4")
    parts = random_pixels(3, 64_000).reshape(64, 20, 50, 3)

    def convert(part):
        return call(part, SRGB, printer, Intent.PERCEPTUAL, BOTH_WAYS, np.uint16)

    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(convert, parts))
    assert len(kept) == 1
    for part, made in zip(parts, found, strict=True):
        np.testing.assert_array_equal(
            by_imagecodecs(part, SRGB, printer, Intent.PERCEPTUAL, BOTH_WAYS, np.uint16), made
        )


def test_those_that_were_used_last_are_kept_and_no_more(kept, monkeypatch):
    monkeypatch.setattr(littlecms, "_MOST_KEPT", 2)
    pixels = random_pixels(3, 6).reshape(2, 3, -1)
    first, second, third, _ = Intent
    for intent in (first, second, first, third, first, second):
        call(pixels, SRGB, CMYK, intent, NO_GRID, np.uint16)
    assert [each.code for each in (first, second, third, second)] == [each.intent for each in kept]


def test_a_profile_that_cannot_be_read_is_answered_as_imagecodecs_answers_it(kept):
    """It is asked then: what is wrong is said once, by one library."""
    with pytest.raises(imagecodecs.CmsError):
        littlecms.transform(
            random_pixels(4, 4).reshape(2, 2, 4),
            ("0" * 64, b"mud"),
            (SRGB.sha256, SRGB.data),
            spaces=("cmyk", "rgb"),
            made="uint16",
            intent=0,
            flags=0,
        )
