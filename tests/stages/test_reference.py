"""The stage ``reference``: pixels pass, and what it says of charts in scenes of known making."""

import json
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from hotfolder.colour import Precision, Transform, lab_profile
from hotfolder.settings.order import find_misplaced
from hotfolder.stages.registry import load_registry
from hotfolder.testing import cut, make_stage, run_stage
from hotfolder_stages.reference import Reference
from hotfolder_stages.reference.reduced import LONG_EDGE_PX, ReducedCopy
from reference.devices import demo_printer, libvips
from stages import chart_scenes as scenes
from stages.driving import GREY, SRGB, WIDE_RGB, spec_of

pytestmark = pytest.mark.slow


@lru_cache(maxsize=16)
def scene(seed, case, **more):
    return scenes.scene(seed, case, 768, **more)


def codes_of(made):
    return made.codes.astype(np.uint16) * np.uint16(257)


def findings(pixels, profile=SRGB, rows=100, alpha=None, **settings):
    spec = replace(spec_of(pixels, profile), has_alpha=alpha is not None)
    stage = make_stage(Reference, settings)
    made, _, found, _ = run_stage(stage, pixels, spec, rows=rows, alpha=alpha)
    assert np.array_equal(pixels, made)
    json.dumps(found, allow_nan=False)
    return found


def chart_in(*given, **more):
    (chart,) = findings(*given, **more)["charts"]
    return chart


def miss(chart, made):
    """How far the worst centre is off, in distances of patches."""
    return np.abs(np.array(chart["centres_px"]) - made.centres).max() / made.pitch_px


def test_a_chart_is_found_and_its_patches_are_listed_in_reading_order():
    made = scene(1, "turned")
    chart = chart_in(codes_of(made))
    assert (24, 2) == np.array(chart["centres_px"]).shape
    assert miss(chart, made) < 0.05


def test_a_picture_without_a_chart_has_an_empty_list():
    assert [] == findings(codes_of(scene(1, "turned"))[:200, :300].copy())["charts"]


def test_findings_do_not_depend_on_bands():
    pixels = codes_of(scene(2, "tilted"))
    assert findings(pixels, rows=7) == findings(pixels, rows=512)


ENCODINGS = {
    "wide RGB": WIDE_RGB,
    "RGB by tables": demo_printer("matte-canvas", "4.4"),
    "Lab": lab_profile(),
    "CMYK": libvips("cmyk"),
}


@pytest.mark.parametrize("profile", ENCODINGS.values(), ids=ENCODINGS.keys())
def test_a_chart_is_found_in_every_encoding_that_has_colours(profile):
    made = scene(3, "tilted")
    transform = Transform(SRGB, profile, black_point_compensation=False, precision=Precision.FAST)
    pixels = transform.apply(codes_of(made))
    chart = chart_in(np.ascontiguousarray(pixels), profile)
    same = chart_in(codes_of(made))
    assert miss(chart, made) < 0.05
    assert same["exposure_stops"] == pytest.approx(chart["exposure_stops"], abs=0.15)
    assert same["balance"]["b"] == pytest.approx(chart["balance"]["b"], abs=1.5)
    assert chart["residual"]["leave_one_out"] < 4


def test_in_a_grey_picture_nothing_is_looked_for_and_that_is_said():
    found = findings(codes_of(scene(1, "turned"))[..., 1:2].copy(), GREY)
    assert [] == found["charts"]
    assert "grey" in found["not_looked"]


def test_what_is_transparent_is_paper():
    made = scene(1, "turned")
    alpha = np.zeros(made.codes.shape[:2], np.uint16)
    assert [] == findings(codes_of(made), alpha=alpha)["charts"]


@pytest.mark.parametrize("shape", [(1, 1, 3), (2, 300, 3), (300, 1, 3)])
def test_pictures_of_a_pixel_pass(shape):
    assert [] == findings(np.full(shape, 30000, np.uint16))["charts"]


def test_rgb_without_a_profile_is_measured_as_srgb_and_that_is_said():
    pixels = codes_of(scene(1, "turned"))
    found = findings(pixels, None)
    assert "sRGB" == found.pop("profile_assumed")
    assert findings(pixels)["charts"][0]["centres_px"] == found["charts"][0]["centres_px"]


def test_inks_without_a_profile_are_not_looked_at_and_that_is_said():
    found = findings(np.zeros((60, 60, 4), np.uint16), None)
    assert [] == found["charts"]
    assert "no colour profile" in found["not_looked"]


def test_a_profile_that_was_assumed_for_the_picture_is_named():
    pixels = codes_of(scene(1, "turned"))
    spec = spec_of(pixels, WIDE_RGB, profile_assumed=True)
    found = run_stage(make_stage(Reference, {}), pixels, spec, rows=100).findings
    assert WIDE_RGB.description == found["profile_assumed"]


@pytest.mark.parametrize("other", ["sizing", "output-sharpening", "profile-conversion", "tagging"])
def test_settings_with_it_behind_what_changes_the_picture_are_refused(other):
    stages = load_registry().stages
    (found,) = find_misplaced([other, "reference"], stages)
    assert ("reference", other) == (found.name, found.behind)
    assert [] == find_misplaced(["reference", other], stages)


def test_it_may_stand_on_either_side_of_preflight():
    stages = load_registry().stages
    assert [] == find_misplaced(["preflight", "reference"], stages)
    assert [] == find_misplaced(["reference", "preflight"], stages)


@pytest.mark.parametrize(
    ("width", "height", "factor"), [(3072, 100, 1), (3073, 100, 2), (6000, 4000, 2), (100, 9217, 4)]
)
def test_the_copy_is_bounded(width, height, factor):
    copy = ReducedCopy(
        replace(spec_of(np.zeros((1, 1, 3), np.uint16)), width_px=width, height_px=height)
    )
    assert (factor, (3, height // factor, width // factor)) == (copy.factor, copy.codes.shape)
    assert max(copy.codes.shape) <= LONG_EDGE_PX


def test_the_copy_has_the_means_of_squares_and_their_places():
    rng = np.random.default_rng(1)
    pixels = rng.integers(0, 65536, (11, 6200, 3), dtype=np.uint16)
    copy = ReducedCopy(spec_of(pixels))
    for band in cut(pixels, 4):
        copy.add(band)
    assert 3 == copy.factor
    squares = pixels[:9, : 2066 * 3].reshape(3, 3, 2066, 3, 3).mean(axis=(1, 3))
    assert np.abs(squares.transpose(2, 0, 1) - copy.codes).max() <= 0.5
    assert [1.0, 4.0] == copy.to_picture(np.array([0.0, 1.0])).tolist()


def shown(case="turned", seed=6, **more):
    """A scene with little else to say, and its chart's findings."""
    made = scenes.scene(seed, case, 768, size=0.4, **more)
    return made, chart_in(codes_of(made))


@pytest.mark.parametrize("seed", [6, 7, 8])
def test_exposure_is_told(seed):
    made, chart = shown(seed=seed)
    # of the light on the middle of the chart; its fall-off to the edges is at most 6 %
    grey = made.linear[20, 1]
    truth = np.log2(grey / 0.3593)  # Y of middle light grey, colour-science
    assert truth == pytest.approx(chart["exposure_stops"], abs=0.12)


def test_a_balanced_picture_is_said_to_be_balanced():
    _, chart = shown(light_name="D50")
    assert chart["balance"]["chroma"] < 1.5
    assert 5003 == pytest.approx(chart["light"]["cct_k"], rel=0.02)
    assert [1, 1, 1] == pytest.approx(chart["balance"]["rgb_factors"], abs=0.05)


def test_a_warm_light_is_told_and_by_what_the_channels_would_be_grey():
    made = scene(4, "turned", light_name="A", balanced_for="D65")
    chart = chart_in(codes_of(made))
    assert 2200 < chart["light"]["cct_k"] < 3300
    assert chart["balance"]["b"] > 20
    grey = made.linear[20]
    assert grey[1] / grey == pytest.approx(chart["balance"]["rgb_factors"], rel=0.06)


def test_all_greys_are_listed_with_their_own_cast():
    _, chart = shown()
    assert 6 == len(chart["greys"])
    assert all(grey["own_cast"] < 4 for grey in chart["greys"])
    lightness = [grey["lightness"] for grey in chart["greys"]]
    assert sorted(lightness, reverse=True) == lightness


def test_the_residual_is_that_of_a_camera():
    _, chart = shown()
    assert chart["residual"]["mean"] <= chart["residual"]["leave_one_out"] < 3
    assert chart["residual"]["worst"] >= chart["residual"]["mean"]
    assert (False, False) == (chart["curve_suspected"], chart["wrong_profile_suspected"])


def test_a_look_is_suspected_and_its_curve_recorded():
    _, chart = shown("look")
    assert chart["curve_suspected"]
    assert chart["residual"]["leave_one_out"] < 0.75 * chart["residual"]["without_curve"]
    assert 3 == len(chart["correction"]["curve"]["from"])


def test_linear_data_that_are_taken_for_srgb_have_a_wrong_profile():
    made = scenes.scene(6, "turned", 768, size=0.4)
    linear = np.rint(scenes.decode(made.codes / 255) * 65535).astype(np.uint16)
    chart = chart_in(linear)
    assert chart["wrong_profile_suspected"]
    assert chart["residual"]["without_curve"] > 6


def test_clipped_patches_are_named_and_left_out():
    made = scenes.scene(6, "turned", 768, size=0.4)
    light = scenes.decode(made.codes / 255)
    light *= 1.3 / light[tuple(np.rint(made.centres[18]).astype(int)[::-1])].max()
    chart = chart_in(np.rint(scenes.encode(light) * 65535).astype(np.uint16))
    assert "white" in chart["patches_clipped"]
    assert "middle dark grey" not in chart["patches_clipped"]
    assert "white" not in [grey["patch"] for grey in chart["greys"]]
    assert chart["patches_used"] == 24 - len(chart["patches_clipped"])


def test_a_patch_under_a_finger_is_named_and_left_out():
    made = scenes.scene(6, "turned", 768, size=0.5)
    pixels = codes_of(made)
    x, y = np.rint(made.centres[16]).astype(int)
    r = int(0.55 * made.pitch_px)
    pixels[y - r : y + r, x - r : x + r] = np.array([177, 135, 111], np.uint16) * np.uint16(257)
    chart = chart_in(pixels)
    assert "magenta" in chart["patches_covered"]
    assert chart["residual"]["leave_one_out"] < 3


def test_a_shadow_over_half_the_chart_is_told_and_no_profile_suspected():
    chart = chart_in(codes_of(scene(5, "half lit")))
    assert chart["too_uneven"]
    assert chart["unevenness_percent"] > 40
    assert (None, None) == (chart["curve_suspected"], chart["wrong_profile_suspected"])


def test_the_correction_can_be_applied_from_its_record():
    made, chart = shown()
    matrix = np.array(chart["correction"]["matrix"])
    grey = made.linear[20:21]
    r, g, b = grey[0]
    terms = [r, g, b, np.sqrt(r * g), np.sqrt(g * b), np.sqrt(r * b)]
    xyz = matrix @ (terms if matrix.shape[1] == 6 else grey[0])
    assert 0.3593 == pytest.approx(xyz[1], rel=0.05)


def test_the_values_of_a_chart_can_be_chosen():
    pixels = codes_of(scene(1, "turned"))
    one, other = chart_in(pixels), chart_in(pixels, chart_values="cca2014")
    assert one["centres_px"] == other["centres_px"]
    assert one["residual"] != other["residual"]
