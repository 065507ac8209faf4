"""From device values to light and back, against LittleCMS and the standards' formulas."""

import struct

import imagecodecs
import numpy as np
import pytest
import pyvips

from hotfolder.colour import icc_encode as icc
from hotfolder.colour.profile import Profile, lab_profile
from hotfolder.colour.tone import is_srgb, luminance_of, tone_of
from hotfolder_demo import profiles as made

CODES = np.arange(65536, dtype=np.uint16)
SRGB = Profile.parse(made.srgb())
WIDE = Profile.parse(made.adobe_rgb_compatible())


def grey_profile(curve, version="4.4"):
    """A grey profile with a curve of the tag's own making."""
    header = icc.Header(version, "mntr", "GRAY", "XYZ ", made.CREATED)
    name = icc.localized_text("Grey") if version == "4.4" else icc.text_description("Grey")
    rights = icc.localized_text("None") if version == "4.4" else icc.text("None")
    tags = {"desc": name, "cprt": rights, "wtpt": icc.xyz(icc.D50_XYZ), "kTRC": curve}
    return Profile.parse(icc.encode_profile(header, tags))


CURVES = {
    "identity": icc.curve(),
    "gamma of version 2": b"curv" + struct.pack(">IIH", 0, 1, round(1.8 * 256)),
    "samples": icc.curve(np.linspace(0, 1, 33) ** 2.4),
    "type 0": icc.parametric_curve([2.2]),
    "type 1": icc.parametric_curve([2.4, 1 / 1.1, 0.1 / 1.1]),
    "type 2": icc.parametric_curve([2.4, 0.85, 0.05, 0.03]),
    "type 3": icc.parametric_curve([2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045]),
    "type 4": icc.parametric_curve([2.4, 0.94, 0.05, 0.08, 0.04, 0.01, 0.0]),
}


@pytest.mark.parametrize("kind", CURVES)
def test_every_kind_of_curve_means_what_littlecms_reads_in_it(kind):
    """Through LittleCMS to L*, which rounds to 0.0015; relative luminance to 2e-4."""
    profile = grey_profile(CURVES[kind])
    some = CODES[::257]
    lab = imagecodecs.cms_transform(
        some[None],
        profile.data,
        lab_profile().data,
        colorspace="gray",
        outcolorspace="lab",
        intent=1,
        flags=0x100,
    )
    expected = luminance_of(lab[0, :, 0] / 655.35)
    np.testing.assert_allclose(tone_of(profile).curves[0].decode(some), expected, atol=2e-4)


def test_srgb_means_its_standards_formula():
    """IEC 61966-2-1, 5.2; the profile holds its parameters to 1/65536."""
    values = CODES / 65535
    expected = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    for curve in tone_of(SRGB).curves:
        np.testing.assert_allclose(curve.decode(CODES), expected, atol=2e-5)


@pytest.mark.parametrize("profile", [SRGB, WIDE], ids=["srgb", "wide"])
def test_every_code_comes_back_from_light(profile):
    curve = tone_of(profile).curves[0]
    np.testing.assert_array_equal(CODES, curve.encode(curve.decode(CODES)))


def test_light_out_of_range_is_clipped():
    curve = tone_of(SRGB).curves[0]
    assert [0, 65535] == curve.encode(np.array([-0.1, 1.2], np.float32)).tolist()


def test_a_profile_of_tables_gives_its_neutral_axis(profiles):
    canvas = Profile.load(profiles / "matte-canvas.icc")
    tone = tone_of(canvas)
    light = tone.curves[0].decode(CODES)
    assert (0.0, 1.0) == (light[0], light[-1])
    assert (np.diff(light) >= 0).all()
    assert ("the profile's neutral axis", None) == (tone.origin, tone.matrix)


def test_cmyk_and_lab_have_no_light_per_channel(profiles):
    for profile in (Profile.load(profiles / "coated-book.icc"), lab_profile()):
        with pytest.raises(ValueError, match="no curves from code to light"):
            tone_of(profile)


def test_srgb_is_told_by_its_numbers():
    assert is_srgb(SRGB)
    others = (made.adobe_rgb_compatible(), made.display_p3(), made.grey_gamma22())
    assert [False] * 3 == [is_srgb(Profile.parse(each)) for each in others]


def test_the_srgb_that_libvips_ships_is_srgb():
    """Second opinion: a profile that somebody else made."""
    assert is_srgb(Profile.parse(pyvips.Image.profile_load("srgb")))
