"""Stage gamut-check: what is lost of a picture as it is delivered, what is to blame, and a hold."""

import numpy as np
import pytest

from hotfolder.colour.black_point import black_luminance, compensated
from hotfolder.colour.detail import REACH_HUES, REACH_LIGHTNESSES, Reach
from hotfolder.colour.difference import delta_e_00, delta_e_00_parts
from hotfolder.colour.engine import to_lab
from hotfolder.colour.loss import (
    Noise,
    Route,
    before_and_after,
    losses,
    medium_losses,
    round_trip_noise,
    shift_parts,
    wanted,
)
from hotfolder.colour.transform import Precision, Transform
from hotfolder.errors import Hold
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent
from hotfolder.model.rendering import Rendering, Way
from hotfolder.stages.messages import ReachMeasured
from hotfolder.testing import cut, make_stage, run_stage
from hotfolder_stages.gamut_check import GamutCheck
from hotfolder_stages.gamut_check import stage as stage_module
from hotfolder_stages.profile_conversion import ProfileConversion
from reference.devices import (
    SRGB,
    random_pixels,
)
from stages.driving import job_of, spec_of
from stages.gamut_pictures import CANVAS, CMYK, COLOURS, checked, green_share, picture

pytestmark = pytest.mark.slow


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


def test_loss_is_what_the_picture_as_delivered_is_off_what_it_asks_for():
    for intent in Intent:
        for on in (False, True):
            route = Route(SRGB, CMYK, intent, black_point_compensation=on)
            frame = (
                intent
                if intent is Intent.ABSOLUTE_COLORIMETRIC
                else Intent("relative colorimetric")
            )
            asked = to_lab(SRGB, COLOURS, frame)
            if on and intent is not Intent.ABSOLUTE_COLORIMETRIC:
                asked = compensated(asked, 0.0, black_luminance(CMYK))
            made = Transform(
                SRGB, CMYK, intent, black_point_compensation=on, precision=Precision.EXACT
            ).apply(COLOURS[None])
            expected = delta_e_00(asked, to_lab(CMYK, made[0], frame))
            np.testing.assert_allclose(losses(route, COLOURS)[0], expected, atol=1e-6)


@pytest.mark.slow
def test_what_is_refined_is_looked_at_as_it_will_be_delivered():
    pixels = picture() // 2 + 16384
    conversions = [
        make_stage(ProfileConversion, {"rendering": rendering.value}) for rendering in Rendering
    ]
    by_table, refined, _ = (
        checked(pixels, spec_of(pixels), CMYK, conversion=each)[2] for each in conversions
    )
    delivered = Transform(SRGB, CMYK, precision=Precision.EXACT, rendering=Rendering.REFINED).apply(
        pixels
    )
    asked = wanted(Route(SRGB, CMYK), pixels)
    loss = delta_e_00(asked, to_lab(CMYK, delivered))
    assert refined["delta_e_00"]["mean"] == pytest.approx(loss.mean(), abs=0.05)
    assert refined["delta_e_00"]["mean"] < 0.7 * by_table["delta_e_00"]["mean"]
    assert refined["shift_delta_e_00"]["mean"] != by_table["shift_delta_e_00"]["mean"]


def test_a_weaker_black_alone_is_no_loss():
    greys = np.repeat(np.arange(0, 65536, 1285, dtype=np.uint16)[:, None], 3, axis=1)
    canvas = CANVAS
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


def test_the_shift_is_that_of_the_intent_the_picture_will_be_converted_with():
    pixels = picture(height=20, width=20)
    conversion = make_stage(ProfileConversion, {"intent": "perceptual"})
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


DARKS = np.repeat(np.arange(0, 40) * 200, 30).astype(np.uint16).reshape(30, 40, 1)


def test_shadows_below_the_black_are_lost_unless_they_are_compensated_for():
    pixels = np.repeat(DARKS, 3, axis=-1)
    conversions = [
        make_stage(ProfileConversion, {"black_point_compensation": on}) for on in (True, False)
    ]
    compensated_for, crushed = (
        checked(pixels, spec_of(pixels), CMYK, conversion=each)[2] for each in conversions
    )
    assert compensated_for["lost_share"] == compensated_for["crushed_shadows_share"] == 0
    expected = (losses(Route(SRGB, CMYK, black_point_compensation=False), pixels)[0] > 3).mean()
    assert crushed["lost_share"] == pytest.approx(expected, abs=1e-6)
    assert crushed["lost_share"] > 0.5
    assert crushed["out_of_gamut_share"] > 0.5
    assert crushed["lost_in_words"] == "shadows darker than the black that comes out"
    (note,) = crushed["notes"]
    assert note.endswith("where shadows become one: black point compensation is off.")


def test_whites_beyond_the_paper_are_lost_when_they_are_asked_for():
    pixels, canvas = np.full((20, 20, 3), 65535, np.uint16), CANVAS
    conversion = make_stage(ProfileConversion, {"intent": "absolute colorimetric"})
    settings = {"hold_above": "5 %", "tolerance": 1.0}
    with pytest.raises(Hold, match="whites become one: absolute colorimetric keeps") as held:
        checked(pixels, spec_of(pixels), canvas, settings, conversion)
    findings = held.value.findings
    assert findings["lost_share"] == findings["clipped_whites_share"] == 1
    assert findings["out_of_gamut_share"] == 1
    assert checked(pixels, spec_of(pixels), canvas, {"tolerance": 1.0})[2]["lost_share"] == 0


def test_what_an_intent_moves_on_purpose_is_told_and_does_not_hold():
    colours = random_pixels(3, 500)[0]
    kept = losses(Route(SRGB, CMYK), colours)[0] < 2
    moved = losses(Route(SRGB, CMYK, Intent.PERCEPTUAL), colours)[0] > 3.5
    pixels = np.tile(colours[kept & moved][0], (20, 20, 1))
    conversion = make_stage(ProfileConversion, {"intent": "perceptual"})
    findings = checked(pixels, spec_of(pixels), CMYK, {"hold_above": "5 %"}, conversion)[2]
    assert findings["lost_share"] == findings["lost_by_cause"]["intent"] == 1
    assert findings["out_of_gamut_share"] == findings["counted_for_hold_share"] == 0
    assert "does not count for a limit" in findings["notes"][0]


FAR = Reach(np.full((REACH_HUES, REACH_LIGHTNESSES), 3.0))
"""Of a picture that goes far beyond any medium at all hues."""


@pytest.mark.parametrize(
    ("medium", "way"),
    [(CMYK, Way.named("detail")), (CANVAS, Way.named("refined + depth"))],
)
def test_what_a_rendering_moves_on_purpose_is_told_and_does_not_hold(medium, way):
    greys = np.repeat(np.arange(0, 65536, 2570, dtype=np.uint16)[:, None], 3, axis=1)
    colours = np.concatenate([greys, random_pixels(3, 4000)[0]])
    reach = FAR if way.rendering is Rendering.DETAIL else None
    route = Route(SRGB, medium, rendering=way.rendering, depth=way.depth, reach=reach)
    tolerance = max(2.0, round_trip_noise(medium).p99)
    moved = colours[losses(route, colours)[0] > tolerance + 0.2]
    can = moved[medium_losses(route, moved, enough=tolerance - 0.3) < tolerance - 0.3]
    pixels = np.tile(can[0], (20, 20, 1))
    conversion = make_stage(ProfileConversion, dict(way.settings))
    settings = {"hold_above": "0 %", "tolerance": tolerance}
    told = [ReachMeasured(reach)] if reach else []
    findings = checked(pixels, spec_of(pixels), medium, settings, conversion, told=told)[2]
    assert findings["lost_share"] == findings["lost_by_cause"]["intent"] == 1
    assert findings["out_of_gamut_share"] == findings["counted_for_hold_share"] == 0
    (note,) = findings["notes"]
    assert note == (
        f"The rendering {way} moves 100 % of the picture farther than the tolerance on purpose; "
        f"that does not count for a limit."
    )


def test_depth_asks_nothing_else_of_a_picture():
    greys = np.repeat(np.arange(0, 65536, 2570, dtype=np.uint16)[:, None], 3, axis=1)
    plain, deep = (Route(SRGB, CANVAS, depth=depth) for depth in (False, True))
    np.testing.assert_array_equal(wanted(plain, greys), wanted(deep, greys))
    assert losses(deep, greys)[0].max() > losses(plain, greys)[0].max() + 1


@pytest.mark.parametrize("settings", [{"rendering": "detail"}, {"intent": "least loss"}])
def test_what_is_measured_is_what_is_delivered(settings, tmp_path):
    """With a picture's own reach, and with what is chosen after the check has looked."""
    pixels = np.sort(picture(height=90, width=120), axis=1)
    spec = spec_of(pixels)
    convert, look = make_stage(ProfileConversion, settings), make_stage(GamutCheck, {})
    job = job_of(spec, profile=CMYK, beside=[convert], folder=tmp_path)
    look.announce(job)
    convert.open(look.open(spec, job), job)
    made = np.concatenate([band.pixels for band in convert.bands(look.bands(cut(pixels, 30)))])
    findings = look.close()
    assert not any("chooses" in note for note in findings["notes"])
    lab = to_lab(CMYK, made)
    loss = delta_e_00(wanted(Route(SRGB, CMYK), pixels), lab)
    shift = delta_e_00(to_lab(SRGB, pixels), lab)
    assert findings["lost_share"] == pytest.approx((loss > 3).mean(), abs=0.003)
    for name, off in (("delta_e_00", loss), ("shift_delta_e_00", shift)):
        assert findings[name]["mean"] == pytest.approx(off.mean(), abs=0.02)
        assert findings[name]["p95"] == pytest.approx(np.percentile(off, 95), abs=0.1)
    assert findings["shift_parts_delta_e_00"]["chroma"]["mean"] == pytest.approx(
        abs(delta_e_00_parts(to_lab(SRGB, pixels), lab).chroma).mean(), abs=0.1
    )


def colours_that_the_table_loses(count):
    """Colours that CMYK can make, and its table does not."""
    pixels = random_pixels(3, 4000)[0]
    pixels = pixels[losses(Route(SRGB, CMYK), pixels)[0] > 3]
    can = medium_losses(Route(SRGB, CMYK), pixels, enough=2.5) < 2.5
    assert can.sum() >= count
    return pixels[can][:count]


def test_what_only_the_table_loses_is_said_to_be_the_profiles():
    pixels = np.repeat(colours_that_the_table_loses(20)[:, None], 20, axis=1)
    with pytest.raises(Hold, match="profile's table will not make 100 % of the pic") as held:
        checked(pixels, spec_of(pixels), CMYK, {"hold_above": "5 %"})
    findings = held.value.findings
    assert (findings["out_of_gamut_share"], findings["lost_share"]) == (0, 1)
    back = round(100 * (1 - findings["lost_share_if_refined"]))
    assert back >= 75
    assert f'though this paper could: rendering "refined" brings back {back}' in held.value.message


@pytest.mark.parametrize("can_be_made", [True, False])
def test_refined_is_advised_where_the_picture_passes_with_it(can_be_made):
    pixels = green_share(3, 50)
    if can_be_made:
        pixels = np.repeat(colours_that_the_table_loses(20)[:, None], 20, axis=1)
    conversion = make_stage(ProfileConversion, {})
    with pytest.raises(Hold) as held:
        checked(pixels, spec_of(pixels), CMYK, {"hold_above": "5 %"}, conversion)
    advised = [each.options("gamut-check") for each in held.value.remedies]
    assert advised == ([("--rendering", "refined")] if can_be_made else [])
    with pytest.raises(Hold) as held:  # with no conversion there is none to change
        checked(pixels, spec_of(pixels), CMYK, {"hold_above": "5 %"})
    assert held.value.remedies == ()


def test_a_limit_of_ink_is_a_limit_of_what_can_be_made():
    black, route = np.zeros((1, 3), np.uint16), Route(SRGB, CMYK)
    far = [medium_losses(route, black, enough=3.0, ink_limit=limit)[0] for limit in (4.0, 1.0)]
    assert far[0] < 3 < far[1]


@pytest.mark.parametrize("off_by", [-0.02, 0.02])
def test_a_flat_area_near_the_tolerance_is_settled_exactly(off_by):
    pixels = random_pixels(3, 60)[0]
    loss = losses(Route(SRGB, CMYK), pixels)[0]
    noise = round_trip_noise(CMYK).p99
    for pixel, exact in zip(pixels[loss > noise + 0.1], loss[loss > noise + 0.1], strict=True):
        flat = np.tile(pixel, (8, 8, 1))
        findings = checked(flat, spec_of(flat), CMYK, {"tolerance": float(exact + off_by)})[2]
        assert findings["lost_share"] == (1 if off_by < 0 else 0)
        assert (findings["largest_region"] is not None) == (off_by < 0)


def test_above_the_limit_the_job_is_held_with_its_findings():
    pixels = green_share(3, 50)
    with pytest.raises(Hold) as held:
        checked(pixels, spec_of(pixels), CMYK, {"hold_above": "5 %"})
    assert held.value.code == "gamut-loss"
    assert held.value.message == (
        "This paper cannot make 6 % of the picture, saturated greens; the largest patch is at the "
        "top (6 % of the picture). Limit 5 %: release it as it is, or bring these colours down "
        "and drop it again."
    )
    assert held.value.findings["out_of_gamut_share"] == 0.06


def test_a_patch_that_is_the_whole_picture_is_given_no_place():
    pixels = green_share(50, 50)
    with pytest.raises(Hold) as held:
        checked(pixels, spec_of(pixels), CMYK, {"hold_above": "5 %"})
    assert held.value.message.startswith(
        "This paper cannot make 100 % of the picture, saturated greens; they lie all over the "
        "picture. Limit 5 %"
    )


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


def test_the_parts_of_a_shift_in_a_flat_picture():
    pixels = np.tile(COLOURS[1], (40, 30, 1))
    findings = checked(pixels, spec_of(pixels), CMYK)[2]
    before, after = before_and_after(Route(SRGB, CMYK), pixels[:1, :1])
    parts = delta_e_00_parts(before, after)
    for name in ("lightness", "chroma", "hue"):
        expected = getattr(parts, name).item()
        told = findings["shift_parts_delta_e_00"][name]
        # A cell is judged by its middle.
        assert told["mean_signed"] == pytest.approx(expected, abs=0.5)
        assert told["mean"] == told["max"] == pytest.approx(abs(told["mean_signed"]), abs=0.002)


def test_the_parts_make_the_whole():
    pixels = random_pixels(3, 25_000)[0]  # more than one thread's share
    parts = shift_parts(Route(SRGB, CMYK), pixels)
    np.testing.assert_allclose(parts.total, losses(Route(SRGB, CMYK), pixels)[1], atol=1e-9)


def test_what_is_not_above_the_profiles_own_noise_is_not_lost(monkeypatch):
    monkeypatch.setattr(stage_module, "round_trip_noise", lambda profile: Noise(5.0, 15.0, 25.0))
    pixels = green_share(3, 50)  # lost by 20.8
    spec = spec_of(pixels)
    job = job_of(spec, profile=CMYK)
    findings = run_stage(make_stage(GamutCheck, {}), pixels, spec, job)[2]
    assert findings["round_trip_noise_delta_e_00"] == {"mean": 5.0, "p95": 15.0, "p99": 25.0}
    assert findings["tolerance_delta_e_00"] == 3.0
    assert findings["effective_tolerance_delta_e_00"] == 25.0
    assert findings["out_of_gamut_share"] == 0.0
    (note,) = findings["notes"]
    assert note == (
        "The destination's profile is itself uncertain by 25.0 ΔE00, so only what is lost by "
        "more than that is counted, not by more than 3."
    )
    assert [(each.code, each.message) for each in job.warnings] == [("uncertain-profile", note)]
    settings = make_stage(GamutCheck, {}).settings
    (key,) = doubts = settings.doubts_about(CMYK)
    assert key == "tolerance"
    assert doubts[key].startswith("is 3 ΔE00 and cannot be kept: the profile's own tables are 25.0")
    monkeypatch.setattr(stage_module, "round_trip_noise", lambda profile: Noise(0.5, 1.5, 2.5))
    assert settings.doubts_about(CMYK) == {}


@pytest.mark.parametrize(
    ("moved", "words"),
    [
        (0.7526, "mostly greens; the rendering moves 75.3 % of the picture on purpose"),
        (0.0, "mostly greens"),
    ],
)
def test_what_is_moved_on_purpose_is_told_beside_what_is_lost(moved, words):
    found = {"lost_in_words": "mostly greens", "lost_by_cause": {"medium": 0.1, "intent": moved}}
    assert words == GamutCheck.hotfolder_facts(found, {}).lost_in_words
