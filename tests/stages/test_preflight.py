"""Preflight: what a file is, and whether it is good enough."""

from dataclasses import replace

import numpy as np
import pytest

from hotfolder import Band, Encoding, Hold, RasterSpec
from hotfolder.colour import to_lab
from hotfolder.colour.profile import lab_profile
from hotfolder.testing import make_stage, run_stage
from hotfolder_demo import profiles
from hotfolder_stages.preflight import Preflight
from hotfolder_stages.preflight.clipping import Clipped
from hotfolder_stages.sizing import Sizing
from stages.driving import GREY, SRGB, WIDE_RGB, job_of, spec_of

PIXELS = np.full((30, 40, 3), 20000, np.uint16)


def opened(values, spec, **job):
    stage = make_stage(Preflight, values)
    return stage, stage.open(spec, job_of(spec, **job))


def warned(stage):
    return [each.message for each in stage._job.warnings]


def held(values, spec, **job):
    with pytest.raises(Hold) as hold:
        opened(values, spec, **job)
    return hold.value


def test_it_says_what_the_file_is_and_changes_nothing():
    spec = spec_of(PIXELS, ppi=240.0)
    out, result, findings, _ = run_stage(
        make_stage(Preflight, {}), PIXELS, spec, job_of(spec, notes=("It has two pages.",))
    )
    np.testing.assert_array_equal(PIXELS, out)
    assert spec == result
    assert {
        "format": "TIFF",
        "bits": 16,
        "colour_space": "RGB",
        "width_px": 40,
        "height_px": 30,
        "megapixels": 0.0,
        "alpha": False,
        "pages": 1,
        "profile": SRGB.description,
        "profile_assumed": False,
        "profile_problem": "",
        "effective_ppi": 240.0,
        "clipped_share": {"highlights": 0.0, "shadows": 0.0, "any_channel": 0.0},
        "pixel_aspect": 1.0,
        "cut_share": 0.0,
        "notes": ["It has two pages."],
    } == findings


@pytest.mark.parametrize(
    ("alpha", "keeps_alpha", "said"),
    [
        (30000, False, ["100 % of the picture is transparent"]),
        (30000, True, []),
        (65535, False, []),
    ],
)
def test_transparency_that_the_result_has_not_is_told(alpha, keeps_alpha, said):
    spec = spec_of(PIXELS, has_alpha=True, ppi=240.0)
    stage, raster = opened({}, spec)
    stage.review(replace(raster, has_alpha=keeps_alpha))
    planes = np.full(PIXELS.shape[:2], alpha, np.uint16)
    list(stage.bands([Band(0, PIXELS, planes)]))
    stage.close()
    assert said == [each.partition(",")[0] for each in warned(stage)]


def test_a_picture_without_a_profile_is_held():
    hold = held({}, spec_of(PIXELS, None))
    assert (
        "no-profile",
        (
            "It carries no colour profile. Nobody can know which colours its numbers mean: save "
            "it again with its profile embedded."
        ),
    ) == (hold.code, hold.message)


def test_an_unusable_profile_is_named_in_the_hold():
    hold = held({}, spec_of(PIXELS, None, profile_problem="the profile in it is cut short"))
    assert hold.code == "profile-unusable"
    assert hold.message.startswith("The profile in it is cut short. Nobody can know")


@pytest.mark.parametrize("problem", ["", "the profile in it is cut short."])
def test_a_profile_is_assumed_when_the_settings_say_so(tmp_path, problem):
    (tmp_path / "some.icc").write_bytes(profiles.srgb())
    values = {"no_profile": "assume", "assume_rgb": "some.icc"}
    stage, result = opened(
        values, spec_of(PIXELS, None, profile_problem=problem), profiles=tmp_path
    )
    assert (SRGB, True) == (result.profile, result.profile_assumed)
    assert stage.close()["profile_assumed"]
    assert warned(stage)[0].endswith(f"{SRGB.description} was assumed.")


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({}, "do not say what to assume for an RGB picture: set assume_rgb in [stage.preflight]"),
        (
            {"assume_rgb": "none.icc"},
            (
                "none.icc, which assume_rgb in the settings of wall names, cannot be read (No such "
                "file or directory): put it into profiles/."
            ),
        ),
        ({"assume_rgb": "broken.icc"}, "cannot be read (broken.icc has only 3 bytes"),
        (
            {"assume_rgb": "grey.icc"},
            (
                "The profile grey.icc, which assume_rgb names, is not for an RGB picture: name "
                "another one in the settings of wall."
            ),
        ),
    ],
)
def test_what_cannot_be_assumed_is_held_and_says_which_setting(tmp_path, values, said):
    (tmp_path / "grey.icc").write_bytes(profiles.grey_gamma22())
    (tmp_path / "broken.icc").write_bytes(b"abc")
    hold = held({"no_profile": "assume", **values}, spec_of(PIXELS, None), profiles=tmp_path)
    assert said in hold.message


GREY_PIXELS = PIXELS[..., :1]
USUAL_GREYS = [("Grey with the sRGB curve", "sRGB curve"), ("Grey with gamma 2.2", "gamma 2.2")]


def ways(hold):
    return [(each.says, each.settings) for each in hold.remedies]


def test_a_grey_picture_without_a_profile_has_ways_on_where_no_file_is_for_it(tmp_path):
    (tmp_path / "some.icc").write_bytes(profiles.srgb())
    hold = held({}, spec_of(GREY_PIXELS, None), profiles=tmp_path)
    assert [
        (
            f"take its numbers for {said.replace('Grey', 'grey')}, if that is what they are",
            {"no_profile": "assume", "assume_grey": name},
        )
        for said, name in USUAL_GREYS
    ] == ways(hold)


def test_a_way_on_that_needs_no_file_is_offered_once_and_last(tmp_path):
    (tmp_path / "Z.icc").write_bytes(profiles.grey_gamma22())
    hold = held({}, spec_of(GREY_PIXELS, None), profiles=tmp_path)
    named = [settings["assume_grey"] for _, settings in ways(hold)]
    assert ["Z.icc", "sRGB curve", "gamma 2.2"] == named
    hold = held({}, spec_of(PIXELS, None), profiles=tmp_path)
    assert ["sRGB"] == [settings["assume_rgb"] for _, settings in ways(hold)]
    (tmp_path / "some.icc").write_bytes(profiles.srgb())
    hold = held({}, spec_of(PIXELS, None), profiles=tmp_path)
    assert ["some.icc"] == [settings["assume_rgb"] for _, settings in ways(hold)]


def test_of_what_the_settings_name_nothing_else_is_offered(tmp_path):
    (tmp_path / "Z.icc").write_bytes(profiles.grey_gamma22())
    hold = held({"assume_grey": "gamma 1.8"}, spec_of(GREY_PIXELS, None), profiles=tmp_path)
    assert [{"no_profile": "assume"}] == [settings for _, settings in ways(hold)]
    assert "grey with gamma 1.8" in ways(hold)[0][0]


@pytest.mark.parametrize(
    ("named", "light"), [(USUAL_GREYS[0], 0.2140), (USUAL_GREYS[1], 0.2176)], ids=["srgb", "gamma"]
)
def test_a_grey_of_a_stated_curve_is_assumed(tmp_path, named, light):
    said, name = named
    values = {"no_profile": "assume", "assume_grey": name}
    stage, result = opened(values, spec_of(GREY_PIXELS, None), profiles=tmp_path)
    assert (Encoding.GREY, True) == (result.profile.encoding, result.profile_assumed)
    assert [f"It carries no colour profile. {said} was assumed."] == warned(stage)
    half = np.full((1, 1, 1), 32768, np.uint16)
    lightness = to_lab(result.profile, half)[0, 0, 0]
    assert 116 * light ** (1 / 3) - 16 == pytest.approx(lightness, abs=0.03)


NAMED = spec_of(PIXELS, SRGB, profile_assumed=True)  # as the reader hands on an Exif "sRGB"


def test_a_picture_that_names_its_colour_space_is_taken_at_its_word():
    stage, result = opened({}, NAMED)
    assert NAMED == result
    assert warned(stage) == [
        "It carries no colour profile. As it names its colour space, sRGB was assumed."
    ]


def test_or_not_when_the_settings_say_so(tmp_path):
    assert held({"trust_colour_space": False}, NAMED).code == "no-profile"
    (tmp_path / "wide.icc").write_bytes(WIDE_RGB.data)
    values = {
        "trust_colour_space": False,
        "no_profile": "assume",
        "assume_rgb": "wide.icc",
    }
    stage, result = opened(values, NAMED, profiles=tmp_path)
    assert (WIDE_RGB, True) == (result.profile, result.profile_assumed)
    assert warned(stage)[0].endswith(f"{WIDE_RGB.description} was assumed.")


def test_lab_needs_no_profile():
    spec = spec_of(PIXELS, None, encoding=Encoding.LAB)
    _, result = opened({}, spec)
    assert (lab_profile(), True) == (result.profile, result.profile_assumed)


# 4000 x 3000 px enlarged twice to 8000 x 6000 at 160 ppi: 50 x 37.5 in, 1270 x 952.5 mm, with
# 80 pixels of its own per inch. At 100 ppi it may be 40 x 30 in, 1016 x 762 mm.
LARGE = RasterSpec(8000, 6000, Encoding.RGB, SRGB, ppi=160.0, enlargement=2.0)


def test_too_few_pixels_are_held_with_the_largest_size_that_passes():
    stage, _ = opened({"hold_below_ppi": 100, "warn_below_ppi": 200}, LARGE)
    with pytest.raises(Hold) as hold:
        stage.review(LARGE)
    assert hold.value.code == "too-few-pixels"
    assert hold.value.message == (
        "At 1270 × 952 mm (50 × 37.5 in) the picture has 80 pixels of its own per inch; the limit "
        "of wall is 100. The largest size that passes is 1016 × 762 mm (40 × 30 in)."
    )


def test_a_warning_is_a_sentence():
    stage, _ = opened({"hold_below_ppi": 80, "warn_below_ppi": 80.5}, LARGE)
    stage.review(LARGE)
    findings = stage.close()
    assert 80.0 == findings["effective_ppi"]
    assert "wall wants 80.5 or more." in warned(stage)[0]


def judged(spec, sizing, limit):
    """What preflight makes of a picture that sizing is to bring to a size."""
    stage, raster = opened({"hold_below_ppi": limit}, spec)
    stage.review(make_stage(Sizing, sizing).open(raster, job_of(raster)))


# 600 x 400 mm with 38 mm folded around the bars is 676 x 476 mm of canvas, 3992 x 2811 px at
# 150 ppi (worked by hand). Of 1800 px on 600 mm, 76 come to an inch; at 100 it is 18 x 12 in.
def test_the_size_that_is_spoken_of_is_that_of_the_front_without_its_wrap():
    spec = RasterSpec(1800, 1200, Encoding.RGB, SRGB)
    sizing = {"long_edge": "600 mm", "ppi": 150, "wrap": "38 mm"}
    with pytest.raises(Hold) as hold:
        judged(spec, sizing, 100)
    assert hold.value.message == (
        "At 600 × 400 mm (23.6 × 15.7 in) the picture has 76 pixels of its own per inch; the "
        "limit of wall is 100. The largest size that passes is 457 × 304 mm (18 × 12 in)."
    )
    judged(spec, {**sizing, "long_edge": "457 mm"}, 100)


# A4 with 3 mm to be cut off is 216 x 303 mm. 1240 px across fill that at 146 to an inch; at 200
# they fill 157.5 mm, of which the bleed, 36 px rounded up, is 3.05 mm on each side.
def test_the_size_that_is_spoken_of_is_trimmed_and_what_is_said_to_pass_passes():
    spec = RasterSpec(1240, 1754, Encoding.RGB, SRGB)
    sizing = {"width": "210 mm", "height": "297 mm", "mode": "cover", "ppi": 300, "bleed": "3 mm"}
    with pytest.raises(Hold) as hold:
        judged(spec, sizing, 200)
    assert hold.value.message == (
        "At 210 × 297 mm (8.3 × 11.7 in) the picture has 146 pixels of its own per inch; the "
        "limit of wall is 200. The largest size that passes is 151 × 214 mm (5.9 × 8.4 in)."
    )
    judged(spec, {**sizing, "width": "151 mm", "height": "214 mm"}, 200)
    with pytest.raises(Hold):
        judged(spec, {**sizing, "width": "152 mm", "height": "215 mm"}, 200)


def test_without_a_size_there_is_a_warning_instead_of_a_judgement():
    spec = spec_of(PIXELS, ppi=0.0)
    stage, _ = opened({"hold_below_ppi": 100}, spec)
    stage.review(spec)
    findings = stage.close()
    assert findings["effective_ppi"] is None
    assert warned(stage)[0].startswith("Neither the file nor the settings say how large")


def test_what_is_white_or_black_is_counted_and_apart_from_it_single_channels():
    pixels = PIXELS.copy()
    pixels[:3] = 65535  # a tenth is white
    pixels[27:] = 0  # a tenth is black
    pixels[10:13, :, 0] = 65535  # a tenth is a light red
    pixels[13:16, :, 2] = 0  # a tenth is a saturated yellow
    _, _, findings, _ = run_stage(make_stage(Preflight, {}), pixels, spec_of(pixels), rows=4)
    assert {"highlights": 0.1, "shadows": 0.1, "any_channel": 0.4} == findings["clipped_share"]


def test_a_channel_without_ink_is_not_clipped():
    pixels = np.full((10, 10, 4), 20000, np.uint16)
    pixels[..., 3] = 0
    pixels[0] = 0
    pixels[1, :, 3] = 65535
    assert Clipped(100, 10, 10, 20) == Clipped().plus(Band(0, pixels), Encoding.CMYK)


def test_in_lab_only_lightness_is_clipped():
    pixels = np.full((10, 10, 3), 0, np.uint16)
    pixels[..., 0] = 30000
    pixels[0, :, 0] = 65535
    assert Clipped(100, 10, 0, 10) == Clipped().plus(Band(0, pixels), Encoding.LAB)


def test_transparent_pixels_are_not_counted():
    pixels = PIXELS.copy()
    pixels[:15] = 0
    alpha = np.full((30, 40), 65535, np.uint16)
    alpha[:15] = 0
    _, _, findings, _ = run_stage(
        make_stage(Preflight, {}), pixels, spec_of(pixels, has_alpha=True), alpha=alpha
    )
    assert 0.0 == findings["clipped_share"]["shadows"]


def test_saturated_colours_are_no_reason_to_hold():
    pixels = PIXELS.copy()
    pixels[..., 2] = 0
    run_stage(make_stage(Preflight, {"hold_above_clipped": "0 %"}), pixels, spec_of(pixels))


def test_too_much_clipping_is_held_with_its_numbers():
    pixels = np.full((30, 40, 1), 20000, np.uint16)
    pixels[:9] = 65535
    stage = make_stage(Preflight, {"hold_above_clipped": "5 %"})
    with pytest.raises(Hold) as hold:
        run_stage(stage, pixels, spec_of(pixels, GREY))
    assert hold.value.message == (
        "30 % of the picture is pure white or pure black and has no detail (white 30 %, black "
        "0 %); 5 % is allowed. Recover it in the original, or release the picture if that is how "
        "it should look."
    )
    assert 0.3 == hold.value.findings["clipped_share"]["highlights"]


def test_a_share_at_the_limit_passes():
    pixels = np.full((30, 40, 1), 20000, np.uint16)
    pixels[:3] = 65535
    run_stage(make_stage(Preflight, {"hold_above_clipped": "10 %"}), pixels, spec_of(pixels, GREY))


def test_pixels_that_are_not_square_are_held():
    spec = spec_of(PIXELS, ppi=200.0)
    stage, _ = opened({}, spec, pixel_aspect=0.5)
    with pytest.raises(Hold) as hold:
        stage.review(spec)
    assert ("pixels-not-square", True) == (hold.value.code, "0.5 times as wide" in str(hold.value))
    assert "Resample" in hold.value.message
    stage.close()


@pytest.mark.parametrize("aspect", [1.0, 1.009, 1 / 1.009])
def test_pixels_that_are_nearly_square_pass(aspect):
    spec = spec_of(PIXELS, ppi=200.0)
    stage, _ = opened({}, spec, pixel_aspect=aspect)
    stage.review(spec)


def test_every_reason_of_a_review_is_said():
    spec = spec_of(PIXELS, ppi=50.0)
    stage, _ = opened({"hold_below_ppi": 100}, spec, pixel_aspect=2.0)
    with pytest.raises(Hold) as hold:
        stage.review(spec)
    assert "2 times as wide" in hold.value.message
    (also,) = hold.value.also
    assert ("too-few-pixels", 2.0) == (also.code, also.excess)
    assert "50 pixels of its own per inch" in also.message


def test_values_that_are_cut_are_held_above_a_share():
    spec = spec_of(PIXELS)
    stage, _ = opened({}, spec, cut_share=0.02)
    with pytest.raises(Hold) as hold:
        stage.close()
    assert ("values-cut", 0.02) == (hold.value.code, hold.value.findings["cut_share"])
    assert hold.value.message.startswith("2 % of the picture's floating-point values")


@pytest.mark.parametrize(("above", "ways"), [(0.0, []), (0.01, ["scale", "cut"])])
def test_what_is_above_white_can_be_scaled_or_cut(above, ways):
    stage, _ = opened({}, spec_of(PIXELS), cut_share=0.02, cut_above=above)
    with pytest.raises(Hold) as hold:
        stage.close()
    assert [("--set", f"reading.above_white={way}") for way in ways] == [
        each.options("preflight") for each in hold.value.remedies
    ]


@pytest.mark.parametrize(
    ("values", "share"), [({}, 0.01), ({}, 0.0), ({"hold_above_cut": "3 %"}, 0.02)]
)
def test_up_to_that_share_they_pass_and_are_recorded(values, share):
    spec = spec_of(PIXELS)
    stage, _ = opened(values, spec, cut_share=share)
    assert stage.close()["cut_share"] == share


def test_clipped_and_cut_are_said_together():
    pixels = np.full((30, 40, 1), 65535, np.uint16)
    stage = make_stage(Preflight, {"hold_above_clipped": "5 %"})
    spec = spec_of(pixels, GREY)
    with pytest.raises(Hold) as hold:
        run_stage(stage, pixels, spec, job_of(spec, cut_share=0.5))
    assert "floating-point" in hold.value.message
    (also,) = hold.value.also
    assert ("clipped", 20) == (also.code, pytest.approx(also.excess))
    assert "pure white" in also.message


def test_a_screen_has_inches_of_its_own_and_nobody_says_how_many_pixels_per_inch():
    spec = spec_of(PIXELS, ppi=240.0)
    stage = make_stage(Preflight, {})
    stage.open(spec, job_of(spec, "screen"))
    stage.review(spec)
    assert stage.close()["effective_ppi"] is None
