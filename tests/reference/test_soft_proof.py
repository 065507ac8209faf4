"""Soft proof against LittleCMS's own proofing transform, as Pillow calls it, bit for bit.

Pillow's transforms have 8 bits and their destination leg is inside, unrounded to 8 bits, so both
legs are asked for at 16 bits here, and the result is rounded once.
"""

import io

import numpy as np
import pytest
from PIL import Image, ImageCms

from hotfolder.colour.profile import Profile, ProfileError
from hotfolder.colour.proofing import look_of, soft_proof
from hotfolder.colour.transform import Precision, Transform
from hotfolder.model.intent import Intent
from reference.devices import DISPLAY_P3, GREY, SRGB, WIDE_RGB, demo_printer, libvips, random_pixels

PRINTERS = {
    "canvas": lambda: demo_printer("matte-canvas", "4.4"),
    "book": lambda: demo_printer("coated-book", "2.4"),
    "measured": lambda: libvips("cmyk"),
}
PAPER = {"rgb": 65535, "cmyk": 0}


def by_pillow(eight, source, printer, display, show, compensate, intent):
    flags = ImageCms.Flags.SOFTPROOFING | ImageCms.Flags.NOOPTIMIZE
    if compensate:
        flags |= ImageCms.Flags.BLACKPOINTCOMPENSATION
    seen = {
        "medium": ImageCms.Intent.ABSOLUTE_COLORIMETRIC,
        "adapted": ImageCms.Intent.RELATIVE_COLORIMETRIC,
    }[show]
    conversion = ImageCms.buildProofTransform(
        io.BytesIO(source.data),
        io.BytesIO(display.data),
        io.BytesIO(printer.data),
        "RGB",
        "RGB",
        ImageCms.Intent(intent.code),
        seen,
        flags,
    )
    image = Image.frombytes("RGB", (eight.shape[1], eight.shape[0]), eight.tobytes())
    return np.asarray(ImageCms.applyTransform(image, conversion))


@pytest.mark.parametrize("compensate", [False, True])
@pytest.mark.parametrize("show", ["medium", "adapted"])
@pytest.mark.parametrize("printer", PRINTERS)
@pytest.mark.parametrize("display", [SRGB, DISPLAY_P3], ids=["srgb", "p3"])
def test_two_legs_equal_the_proofing_transform_bit_for_bit(printer, display, show, compensate):
    there = PRINTERS[printer]()
    eight = (random_pixels(3) >> 8).astype(np.uint8)
    delivered = Transform(
        WIDE_RGB, there, black_point_compensation=compensate, precision=Precision.EXACT
    ).apply(eight.astype(np.uint16) * 257)
    theirs = by_pillow(
        eight, WIDE_RGB, there, display, show, compensate, Intent.RELATIVE_COLORIMETRIC
    )
    np.testing.assert_array_equal(theirs, soft_proof(delivered, there, display, show).to_8_bits())


@pytest.mark.parametrize("intent", [Intent.PERCEPTUAL, Intent.SATURATION])
def test_the_other_intents_on_the_way_there_are_in_the_delivered_pixels(intent):
    # Into version 2 tables: for version 4, LittleCMS compensates on its own.
    there = demo_printer("coated-book", "2.4")
    eight = (random_pixels(3) >> 8).astype(np.uint8)
    delivered = Transform(
        SRGB, there, intent, black_point_compensation=False, precision=Precision.EXACT
    ).apply(eight.astype(np.uint16) * 257)
    theirs = by_pillow(eight, SRGB, there, SRGB, "medium", False, intent)
    np.testing.assert_array_equal(theirs, soft_proof(delivered, there, SRGB).to_8_bits())


def test_black_point_compensation_on_the_way_back_would_not_be_equal():
    there = libvips("cmyk")
    eight = (random_pixels(3) >> 8).astype(np.uint8)
    delivered = Transform(SRGB, there, precision=Precision.EXACT).apply(
        eight.astype(np.uint16) * 257
    )
    back = Transform(there, SRGB, precision=Precision.EXACT).apply(delivered)
    theirs = by_pillow(eight, SRGB, there, SRGB, "adapted", True, Intent.RELATIVE_COLORIMETRIC)
    assert abs(np.rint(back / 257) - theirs).max() > 20


def test_the_medium_shows_its_white_and_the_adapted_eye_does_not():
    # libvips' profile says X 0.88199, Y 0.91226, Z 0.76295 of its paper: in closed form, through
    # IEC 61966-2-1, 245.2, 244.7, 246.6 of 255.
    there = libvips("cmyk")
    paper = np.zeros((1, 1, 4), dtype=np.uint16)
    medium, adapted = (
        soft_proof(paper, there, SRGB, show).to_8_bits()[0, 0] for show in ("medium", "adapted")
    )
    np.testing.assert_allclose(medium, [245.2, 244.7, 246.6], atol=1)
    np.testing.assert_array_equal(adapted, [255, 255, 255])


@pytest.mark.parametrize("show", ["medium", "adapted"])
def test_a_weak_black_is_seen_as_weak(show):
    # The canvas' black is far from the display's; in either look it must not become 0.
    canvas = demo_printer("matte-canvas", "4.4")
    black = np.zeros((1, 1, 3), dtype=np.uint16)
    assert soft_proof(black, canvas, SRGB, show).to_8_bits().min() > 25


def test_the_record_can_say_how_it_was_made():
    look = soft_proof(random_pixels(4, 10), libvips("cmyk"), SRGB, "medium").look
    assert look == look_of(SRGB, "medium")
    assert (look.intent, look.flags, look.display) == (Intent.ABSOLUTE_COLORIMETRIC, 0x100, "sRGB")


def test_grey_is_proofed_too():
    out = soft_proof(random_pixels(1, 10), GREY, SRGB, "adapted").pixels
    assert out.shape == (1, 10, 3)
    assert out.dtype == np.uint16


def test_a_display_is_rgb():
    with pytest.raises(ProfileError, match="is not for an RGB display"):
        soft_proof(random_pixels(3, 10), SRGB, Profile.parse(libvips("cmyk").data))
