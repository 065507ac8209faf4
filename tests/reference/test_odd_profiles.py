"""Odd and broken profiles, one by one: a clear reason for each, and never a crash.

Most are made from the demo's profiles and from those inside libvips by changing a few bytes at
places that ICC.1:2022 names: header 7.2, tag table 7.3, tag types 10.
"""

import contextlib
import struct
from datetime import UTC, datetime

import numpy as np
import pytest
import tifffile

from hotfolder.colour import icc_encode as icc
from hotfolder.colour.profile import MAX_BYTES, Profile, ProfileError
from hotfolder.colour.tone import tone_of
from hotfolder.colour.transform import Precision, Transform
from hotfolder.errors import SettingsError
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent
from reference.chain import deliver
from reference.devices import DISPLAY_P3, GREY, SRGB, demo_printer, libvips, random_pixels

pytestmark = pytest.mark.slow

WHEN = datetime(2000, 1, 1, tzinfo=UTC)
BOOK, CANVAS = demo_printer("coated-book", "2.4"), demo_printer("matte-canvas", "4.4")
LAYOUTS = {Encoding.RGB: "rgb", Encoding.GREY: "minisblack", Encoding.CMYK: "separated"}


def changed(profile, offset, new):
    data = profile.data
    return data[:offset] + new + data[offset + len(new) :]


def in_tag(profile, name, offset, new):
    return changed(profile, profile.tags[name][0] + offset, new)


def entry(profile, name):
    """Where the tag table speaks of a tag: signature, offset, size."""
    return profile.data.index(name.encode(), 132)


def u32(*values):
    return struct.pack(f">{len(values)}I", *values)


def without(profile, *names):
    data = profile.data
    for name in names:
        at = data.index(name.encode(), 132)
        data = data[:at] + b"~" + data[at + 1 :]
    return data


def table_only(device_class, space, pcs, inputs):
    """A profile of any class with a table from its space to its PCS."""
    grid = np.stack(np.meshgrid(*[[0, 1]] * inputs, indexing="ij"), axis=-1)[..., :3]
    table = icc.lut16([[0, 1]] * inputs, grid, [[0, 1]] * 3)
    header = icc.Header("2.4", device_class, space, pcs, WHEN)
    return icc.encode_profile(header, {"wtpt": icc.xyz(icc.D50_XYZ), "A2B0": table})


def grey_with(curve):
    header = icc.Header("4.4", "mntr", "GRAY", "XYZ ", WHEN)
    return icc.encode_profile(header, {"wtpt": icc.xyz(icc.D50_XYZ), "kTRC": curve})


def black_matrix():
    data = SRGB.data
    for name in ("rXYZ", "gXYZ", "bXYZ"):
        at = SRGB.tags[name][0] + 8
        data = data[:at] + bytes(12) + data[at + 12 :]
    return data


BROKEN = {
    "nothing": (b"", "has only 0 bytes: it was cut off, or is not a profile"),
    "a few bytes": (SRGB.data[:100], "has only 100 bytes: it was cut off"),
    "another file": (b"\xff\xd8\xff\xe0JFIF" + bytes(500), "its mark 'acsp' is missing"),
    "a wrong mark": (changed(SRGB, 36, b"pcsa"), "is not an ICC profile"),
    "cut in the tag table": (
        SRGB.data[:200],
        f"was cut off: it has 200 of the {len(SRGB.data)} bytes that it announces",
    ),
    "cut in a table": (BOOK.data[: len(BOOK.data) // 2], "was cut off: it has"),
    "cut by one byte": (BOOK.data[:-1], "was cut off: it has"),
    "a size of nothing": (changed(SRGB, 0, u32(0)), "is damaged: it announces a size of 0 bytes"),
    "a size before the end": (changed(SRGB, 0, u32(250)), "is damaged: it"),
    "a size beyond the end": (changed(SRGB, 0, u32(2**32 - 1)), "of the 4294967295 bytes"),
    "longer than any": (SRGB.data + bytes(MAX_BYTES), "has more than 64 MiB"),
    "version 5": (changed(SRGB, 8, b"\5\0"), "has ICC version 5.0; versions 2 and 4 can be used"),
    "version 1": (changed(SRGB, 8, b"\1\x20"), "has ICC version 1.2"),
    "version 0": (changed(SRGB, 8, b"\0\0"), "has ICC version 0.0"),
    "abstract": (table_only("abst", "Lab ", "Lab ", 3), "is an abstract profile, which changes"),
    "device link": (table_only("link", "RGB ", "Lab ", 3), "is a device-link profile, which joins"),
    "named colours": (changed(SRGB, 12, b"nmcl"), "is a named-colour profile, which lists"),
    "an unknown class": (changed(SRGB, 12, b"abcd"), "is of the unknown class 'abcd'"),
    "six inks": (changed(BOOK, 16, b"6CLR"), "is for colours of the kind '6CLR'"),
    "HSV": (changed(SRGB, 16, b"HSV "), "is for colours of the kind 'HSV'"),
    "no PCS": (changed(SRGB, 20, b"RGB "), "connects to 'RGB ' instead of XYZ or Lab"),
    "CMYK called RGB": (changed(BOOK, 16, b"RGB "), "cannot be used: LittleCMS says"),
    "RGB called CMYK": (changed(CANVAS, 16, b"CMYK"), "cannot be used: LittleCMS says"),
    "curves called CMYK": (changed(SRGB, 16, b"CMYK"), "is incomplete: it has no A2B0"),
    "Lab tables called XYZ": (
        changed(BOOK, 20, b"XYZ "),
        "every input value comes out equally light",
    ),
    "no tags": (changed(SRGB, 128, u32(0)), "is damaged: it announces 0 tags"),
    "101 tags": (changed(BOOK, 128, u32(101)), "is damaged: it announces 101 tags"),
    "4 billion tags": (changed(SRGB, 128, u32(2**32 - 1)), "it announces 4294967295 tags"),
    "a tag beyond the end": (
        changed(SRGB, entry(SRGB, "rTRC") + 4, u32(len(SRGB.data))),
        "its tag 'rTRC' lies outside it",
    ),
    "a tag whose end wraps around": (
        changed(SRGB, entry(SRGB, "rTRC") + 4, u32(2**32 - 8, 16)),
        "its tag 'rTRC' lies outside it",
    ),
    "a tag over the header": (
        changed(SRGB, entry(SRGB, "rTRC") + 4, u32(0)),
        "its tag 'rTRC' lies outside it",
    ),
    "a tag of no size": (
        changed(SRGB, entry(SRGB, "rTRC") + 8, u32(0)),
        "its tag 'rTRC' is empty",
    ),
    "the same tag twice": (
        changed(SRGB, entry(SRGB, "gTRC"), b"rTRC"),
        "it has the tag 'rTRC' twice",
    ),
    "no red": (without(SRGB, "rXYZ", "rTRC"), "is incomplete: it has no rTRC, rXYZ"),
    "no way to colours": (without(BOOK, "A2B0"), "is incomplete: it has no A2B0"),
    "no grey curve": (without(GREY, "kTRC"), "is incomplete: it has no kTRC"),
    "a table that is a text": (in_tag(BOOK, "A2B1", 0, b"text"), "cannot be used: LittleCMS says"),
    "a table for three inks": (in_tag(BOOK, "A2B1", 8, b"\3"), "cannot be used: LittleCMS says"),
    "a table without points": (in_tag(BOOK, "A2B1", 10, b"\0"), "cannot be used: LittleCMS says"),
    "a table of 255**4": (in_tag(BOOK, "A2B1", 10, b"\xff"), "cannot be used: LittleCMS says"),
    "a curve that is a text": (in_tag(GREY, "kTRC", 0, b"text"), "'kTRC' is not a curve"),
    "a curve without end": (
        grey_with(b"curv" + bytes(4) + u32(2**32 - 1)),
        "its curve 'kTRC' is cut off",
    ),
    "a curve cut off": (grey_with(icc.curve([0, 0.3, 1])[:-2]), "its curve 'kTRC' is cut off"),
    "a curve of type 9": (in_tag(GREY, "kTRC", 8, b"\0\x09"), "its curve 'kTRC' is cut off"),
    "a curve of exponent 0": (
        grey_with(icc.parametric_curve([0.0])),
        "its curve 'kTRC' has the exponent 0",
    ),
    "a curve upside down": (
        grey_with(icc.parametric_curve([-2.2])),
        "its curve 'kTRC' has the exponent -2.2",
    ),
    "red that is no colour": (in_tag(SRGB, "rXYZ", 0, b"text"), "its tag 'rXYZ' is not a colour"),
    "all black": (black_matrix(), "every input value comes out equally light"),
    "a black white": (in_tag(CANVAS, "wtpt", 8, bytes(12)), "its white is 0 0 0 in XYZ"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_what_is_wrong_is_said(name):
    data, said = BROKEN[name]
    with pytest.raises(ProfileError, match=r"^(has|is|was|cannot|gives)") as error:
        Profile.parse(data)
    assert said in str(error.value)


def original(path, icc_data, encoding=Encoding.RGB):
    stored = random_pixels(encoding.channels, 64).reshape(8, 8, encoding.channels)
    tifffile.imwrite(
        path,
        stored.squeeze(),
        photometric=LAYOUTS[encoding],
        iccprofile=icc_data,
        metadata=None,
    )
    return path


CHAIN_CASES = [name for name in BROKEN if name not in {"nothing", "longer than any"}]


@pytest.mark.parametrize("name", CHAIN_CASES)
def test_a_picture_with_it_is_held_for_that_reason(name, tmp_path):
    data, said = BROKEN[name]
    outcome, pixels = deliver(original(tmp_path / "mud", data), SRGB, tmp_path)
    assert ("hold", None) == (outcome.verdict, pixels)
    (reason,) = outcome.work.reasons
    assert ("preflight", "profile-unusable") == (reason.stage, reason.code)
    assert reason.message.startswith("The embedded profile ")
    assert said in reason.message
    assert reason.message.endswith("save it again with its profile embedded.")


def test_a_picture_with_a_profile_longer_than_any_is_held(tmp_path):
    data = SRGB.data + bytes(17 * 2**20)
    outcome, _ = deliver(original(tmp_path / "mud", data), SRGB, tmp_path)
    (reason,) = outcome.work.reasons
    assert reason.message.startswith("The embedded profile is too long")


@pytest.mark.parametrize("name", CHAIN_CASES)
def test_a_destination_with_it_is_a_mistake_in_the_settings(name, tmp_path):
    data, said = BROKEN[name]
    with pytest.raises(SettingsError) as error:
        deliver(original(tmp_path / "mud", SRGB.data), Fake(data), tmp_path)
    (problem,) = error.value.problems
    assert ("medium.profile", "'medium.icc'") == (problem.key, problem.got)
    assert problem.allowed.startswith("a profile that can be used; medium.icc ")
    assert said in problem.allowed


class Fake:
    """Bytes in place of a profile that cannot be made."""

    def __init__(self, data):
        self.data = data


@pytest.mark.parametrize(
    ("profile", "picture", "said"),
    [
        (GREY, Encoding.RGB, "is for grey, but the picture is RGB."),
        (BOOK, Encoding.RGB, "is for CMYK, but the picture is RGB."),
        (SRGB, Encoding.CMYK, "is for RGB, but the picture is CMYK."),
        (CANVAS, Encoding.GREY, "is for RGB, but the picture is grey."),
    ],
)
def test_a_profile_for_another_kind_of_colour_is_named(profile, picture, said, tmp_path):
    outcome, _ = deliver(original(tmp_path / "mud", profile.data, picture), SRGB, tmp_path)
    (reason,) = outcome.work.reasons
    assert reason.message.startswith(f"The embedded profile {said}")


def test_settings_may_assume_another_in_place_of_a_broken_one(tmp_path):
    data, said = BROKEN["device link"]
    outcome, pixels = deliver(
        original(tmp_path / "mud", data),
        SRGB,
        tmp_path,
        preflight={"no_profile": "assume", "assume_rgb": "medium.icc"},
    )
    assert ("deliver", (8, 8, 3)) == (outcome.verdict, pixels.shape)
    assert outcome.work.original.profile.assumed
    (warning,) = outcome.work.warnings
    assert said in warning.message
    assert warning.message.endswith("sRGB was assumed.")


def test_a_scanner_is_no_destination(tmp_path):
    scanner = Profile.parse(table_only("scnr", "RGB ", "Lab ", 3))
    outcome, _ = deliver(original(tmp_path / "mud", SRGB.data), scanner, tmp_path)
    (reason,) = outcome.work.reasons
    assert reason.code == "profiles-do-not-join"
    assert "describes an input device only; nothing can be converted to it" in reason.message


@pytest.mark.parametrize("intent", ["saturation", "relative colorimetric", "perceptual"])
@pytest.mark.parametrize("printer", [BOOK, CANVAS], ids=["version 2", "version 4"])
def test_a_missing_intent_falls_back_to_the_perceptual_table_and_says_so(intent, printer, tmp_path):
    short = Profile.parse(without(printer, "B2A1", "B2A2", "A2B1", "A2B2"))
    conversion = {"intent": intent, "precision": "exact", "black_point_compensation": False}
    outcome, pixels = deliver(
        original(tmp_path / "mud", SRGB.data), short, tmp_path, profile_conversion=conversion
    )
    assert "deliver" == outcome.verdict
    notes = outcome.work.findings["profile-conversion"]["notes"]
    if intent == "perceptual":
        assert notes == []
    else:
        said = f"The profile {printer.description} has no table for {intent}; "
        assert notes == [said + "its perceptual table was used."]
    # ICC.1:2022, 9.2.1: the perceptual table stands for the ones that are missing
    stored = random_pixels(3, 64).reshape(8, 8, 3)
    whole = Transform(
        SRGB,
        printer,
        Intent.PERCEPTUAL,
        black_point_compensation=False,
        precision=Precision.EXACT,
    )
    if intent == "perceptual" or printer is BOOK:
        np.testing.assert_array_equal(whole.apply(stored), pixels)


def test_a_wrong_table_for_one_intent_spoils_only_that_intent(tmp_path):
    broken = Profile.parse(in_tag(BOOK, "B2A0", 0, b"text"))
    path = original(tmp_path / "mud", SRGB.data)
    good, _ = deliver(path, broken, tmp_path, profile_conversion={"precision": "exact"})
    assert "deliver" == good.verdict
    bad, _ = deliver(path, broken, tmp_path, profile_conversion={"intent": "perceptual"})
    (reason,) = bad.work.reasons
    assert ("hold", "profiles-do-not-join") == (bad.verdict, reason.code)
    assert "cannot be joined" in reason.message
    assert reason.message.endswith(
        "Give the picture or the destination another profile, and drop it again."
    )


def test_tags_that_share_their_data_are_normal():
    # 7.3.1: two entries may point to the same data
    assert SRGB.tags["rTRC"] == SRGB.tags["gTRC"]
    at = entry(SRGB, "gXYZ")
    shared = changed(SRGB, at + 4, u32(*SRGB.tags["rXYZ"]))
    assert Profile.parse(shared).tags["gXYZ"] == SRGB.tags["rXYZ"]


def test_bytes_behind_the_announced_end_do_not_matter():
    assert "sRGB" == Profile.parse(SRGB.data + b"\0" * 7).description


def test_a_white_is_not_needed_for_relative_colours():
    dark = Profile.parse(without(SRGB, "wtpt"))
    assert dark.media_white_xyz is None
    pixels = random_pixels(3, 50)
    there = Transform(dark, GREY, precision=Precision.EXACT)
    np.testing.assert_array_equal(
        Transform(SRGB, GREY, precision=Precision.EXACT).apply(pixels), there.apply(pixels)
    )


FUZZED = {
    "sRGB": SRGB,
    "P3": DISPLAY_P3,
    "grey": GREY,
    "canvas": CANVAS,
    "book": BOOK,
    "sRGB of libvips": libvips("srgb"),
    "CMYK of libvips": libvips("cmyk"),
}


@pytest.mark.parametrize("name", FUZZED)
def test_flipped_bytes_end_in_a_reason_or_in_colours(name):
    """Seeded, so that what fails once fails again; most flips go where the structure is."""
    data = FUZZED[name].data
    random = np.random.default_rng(list(name.encode()))
    parsed = 0
    for _ in range(60):
        flipped = bytearray(data)
        for _ in range(random.integers(1, 5)):
            reach = min(len(data), 700) if random.random() < 0.75 else len(data)
            flipped[random.integers(reach)] = random.integers(256)
        try:
            profile = Profile.parse(bytes(flipped))
        except ProfileError:
            continue
        parsed += 1
        convert_both_ways(profile, Intent(random.choice(list(Intent))))
        if profile.encoding in (Encoding.RGB, Encoding.GREY):
            assert all(np.isfinite(curve.to_light).all() for curve in tone_of(profile).curves)
    assert parsed  # or nothing was tested


def convert_both_ways(profile, intent):
    for source, destination in ((profile, SRGB), (SRGB, profile)):
        pixels = random_pixels(source.encoding.channels, 20)
        with contextlib.suppress(ProfileError):
            out = Transform(source, destination, intent, precision=Precision.EXACT).apply(pixels)
            assert (1, 20, destination.encoding.channels) == out.shape
