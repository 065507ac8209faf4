"""What a correction does to pixels: true colours, or the light kept; none by a doubtful chart."""

from dataclasses import replace

import numpy as np
import pytest
from pydantic import ValidationError

from hotfolder import Hold, RasterSpec, ReferenceShown
from hotfolder.colour import D50_XYZ, delta_e_00, xyz_to_lab
from hotfolder.testing import make_job, make_stage, run_stage
from hotfolder_stages.reference import Reference, ReferenceSettings
from hotfolder_stages.reference.chart import reference_xyz
from hotfolder_stages.reference.correcting import (
    Corrector,
    RecordedCorrection,
    matrix_for_white,
    read_correction,
)
from hotfolder_stages.reference.fit import colour_errors, fit_chart
from hotfolder_stages.reference.light import light_of
from hotfolder_stages.reference.reduced import Space
from stages import chart_scenes as scenes
from stages.driving import GREY, SRGB, spec_of
from stages.test_reference_fit import TO_XYZ, shot

pytestmark = pytest.mark.slow

SPACE = Space(SRGB, TO_XYZ)
WARM = {"light_name": "A", "balanced_for": "D65"}


def scene(seed=4, case="turned", **more):
    made = scenes.scene(seed, case, 768, **{"size": 0.45, **more})
    return made, made.codes.astype(np.uint16) * np.uint16(257)


def corrected(pixels, tmp_path, spec=None, rows=100, alpha=None, **settings):
    spec = spec or spec_of(pixels, SRGB)
    job = make_job(spec, folder=tmp_path)
    done = run_stage(make_stage(Reference, settings), pixels, spec, job, rows=rows, alpha=alpha)
    return done, job


def patches_of(pixels, made):
    """XYZ of the patches' middles."""
    x, y = np.rint(made.centres).astype(int).T
    r = max(1, int(made.pitch_px * 0.12))
    pieces = [
        pixels[down - r : down + r, across - r : across + r]
        for across, down in zip(x, y, strict=True)
    ]
    codes = np.array([np.median(piece, axis=(0, 1)) for piece in pieces])
    return scenes.decode(codes / 65535) @ TO_XYZ.T


@pytest.mark.parametrize(("light", "good"), [({"light_name": "D50"}, 2.0), (WARM, 5.0)])
def test_neutral_brings_the_chart_to_its_true_colours(tmp_path, light, good):
    """In a warm light the file has cut off some patches, which nothing brings back."""
    made, pixels = scene(**light)
    before = colour_errors(patches_of(pixels, made), reference_xyz()).mean()
    done, _ = corrected(pixels, tmp_path, correct="neutral")
    after = colour_errors(patches_of(done.pixels, made), reference_xyz()).mean()
    assert after < good
    assert after < 0.4 * before
    assert "neutral" == done.findings["corrected"]["how"]
    assert not list(tmp_path.iterdir())


def test_kept_light_stays_on_greys_and_exposure_is_set_right(tmp_path):
    made, pixels = scene(**WARM)
    done, _ = corrected(pixels, tmp_path, correct="keep the light")
    light = done.findings["charts"][0]["light"]
    white = np.array([light["x"], light["y"], 1 - light["x"] - light["y"]]) / light["y"]
    grey = patches_of(done.pixels, made)[20]
    wanted = white * reference_xyz()[20, 1]
    assert delta_e_00(xyz_to_lab(wanted), xyz_to_lab(grey)) < 1.5
    assert xyz_to_lab(grey)[2] > 15


@pytest.mark.parametrize("camera", [0, 1])
@pytest.mark.parametrize(("name", "balance"), [("A", "D65"), ("A", "D50"), ("LED-B3", "D65")])
def test_a_sunset_keeps_its_warmth(camera, name, balance):
    """Within 1 ΔE00 of the light's own colour, for a white surface that took no part."""
    rng = np.random.default_rng(5)

    def taken(surfaces):
        linear = scenes.photographed(surfaces, name, camera, balance, 0.3)
        linear = linear * (1 + rng.normal(0, 0.005, linear.shape))
        return scenes.decode(np.rint(scenes.encode(linear) * 65535) / 65535)

    patches, usable = taken(scenes.PATCHES), np.ones(24, bool)
    light = light_of(patches @ TO_XYZ.T, reference_xyz(), usable)
    correction = fit_chart(patches, reference_xyz(), usable).best.correction
    recorded = RecordedCorrection(kind=correction.kind, matrix=correction.matrix.tolist())
    # so dark that nothing of it is cut off
    own = taken(np.ones((400, 31)) * 0.45)
    codes = np.rint(scenes.encode(own) * 65535).astype(np.uint16)[None]
    made = Corrector(recorded, SPACE, light.white).linear(codes)[0].mean(axis=0) @ TO_XYZ.T
    assert delta_e_00(xyz_to_lab(light.white * 0.45), xyz_to_lab(made)) < 1
    assert xyz_to_lab(made)[2] > 5


def test_pixels_are_corrected_as_the_fit_says():
    rng = np.random.default_rng(7)
    fits = fit_chart(shot(scenes.PATCHES, "A", 0, rng), reference_xyz(), np.ones(24, bool))
    correction = fits.best.correction
    recorded = RecordedCorrection(kind=correction.kind, matrix=correction.matrix.tolist())
    others = shot(scenes.other_surfaces(), "A", 0, rng, exposure=0.5)
    codes = np.rint(scenes.encode(others) * 65535).astype(np.uint16)[None]
    made = Corrector(recorded, SPACE).linear(codes)[0] @ TO_XYZ.T
    assert correction.apply(others) == pytest.approx(made, abs=2e-4)


def test_a_record_with_a_curve_undoes_the_look():
    rng = np.random.default_rng(7)
    light = shot(scenes.PATCHES, "D65", 0, rng, look=True, exposure=0.6)
    fits = fit_chart(light, reference_xyz(), (scenes.encode(light) < 0.99).all(axis=1))
    correction = fits.best.correction
    assert fits.has_curve
    curve = {"from": [each.tolist() for each in correction.curve.measured],
             "to": [each.tolist() for each in correction.curve.wanted]}  # fmt: skip
    recorded = read_correction(
        {"kind": correction.kind, "matrix": correction.matrix.tolist(), "curve": curve, "more": 1}
    )
    codes = np.rint(scenes.encode(light) * 65535).astype(np.uint16)[None]
    made = Corrector(recorded, SPACE).linear(codes)[0] @ TO_XYZ.T
    assert correction.apply(light)[:20] == pytest.approx(made[:20], abs=3e-3)


@pytest.mark.parametrize(
    "found", [None, {}, {"kind": "matrix", "matrix": [[1]]}, {"kind": "x"}, "mud", {"matrix": 1}]
)
def test_what_is_no_correction_is_none(found):
    assert read_correction(found) is None


def test_the_result_does_not_depend_on_bands(tmp_path):
    _, pixels = scene()
    one, _ = corrected(pixels, tmp_path, rows=13, correct="neutral")
    other, _ = corrected(pixels, tmp_path, rows=500, correct="neutral")
    assert np.array_equal(one.pixels, other.pixels)


def test_what_was_applied_is_recorded_so_that_it_can_be_done_again(tmp_path):
    _, pixels = scene()
    done, _ = corrected(pixels, tmp_path, correct="neutral")
    said = done.findings["corrected"]
    matrix = np.array(said["matrix_to_linear_rgb"])
    light = scenes.decode(pixels[300:301, 300:340] / 65535)[0]
    r, g, b = light.T
    terms = np.stack([r, g, b, np.sqrt(r * g), np.sqrt(g * b), np.sqrt(r * b)])[: matrix.shape[1]]
    again = scenes.encode((matrix @ terms).T)
    assert again == pytest.approx(done.pixels[300, 300:340] / 65535, abs=5e-4)
    assert 0 <= said["cut_off_share"] < 0.5


def test_alpha_passes_as_it_is(tmp_path):
    _, pixels = scene()
    alpha = np.full(pixels.shape[:2], 65535, np.uint16)
    alpha[:40] = 7
    spec = replace(spec_of(pixels, SRGB), has_alpha=True)
    done, _ = corrected(pixels, tmp_path, spec, alpha=alpha, correct="neutral")
    assert np.array_equal(alpha, done.alpha)
    assert not np.array_equal(pixels, done.pixels)


def test_burnt_out_places_get_no_colour(tmp_path):
    _, pixels = scene(**WARM)
    pixels[:30, :30] = 65535
    done, _ = corrected(pixels, tmp_path, correct="neutral")
    assert np.ptp(done.pixels[5, 5].astype(int)) < 600


def untouched(pixels, tmp_path, spec=None, why="", **settings):
    done, job = corrected(pixels, tmp_path, spec, **{"correct": "neutral", **settings})
    assert np.array_equal(pixels, done.pixels)
    assert why in done.findings["not_corrected"]
    (warning,) = job.warnings
    assert ("not-corrected", done.findings["not_corrected"]) == (
        warning.code,
        warning.message.removeprefix("Its colours were not corrected. "),
    )


def test_by_default_nothing_is_done(tmp_path):
    _, pixels = scene()
    done, job = corrected(pixels, tmp_path)
    assert np.array_equal(pixels, done.pixels)
    assert not job.warnings
    assert not {"corrected", "not_corrected"} & set(done.findings)


def test_a_chart_that_says_the_profile_is_wrong_corrects_nothing(tmp_path):
    made = scenes.scene(6, "turned", 768, size=0.4)
    linear = np.rint(scenes.decode(made.codes / 255) * 65535).astype(np.uint16)
    untouched(linear, tmp_path, why="profile is wrong")


def test_a_chart_half_in_the_shade_corrects_nothing(tmp_path):
    _, pixels = scene(5, "half lit")
    untouched(pixels, tmp_path, why="uneven")


def test_without_a_reference_nothing_is_corrected(tmp_path):
    _, pixels = scene()
    untouched(pixels[:200, :200].copy(), tmp_path, why="no reference in it")


@pytest.mark.parametrize("profile", [None, GREY])
def test_what_has_no_linear_rgb_of_its_own_is_not_corrected(tmp_path, profile):
    _, pixels = scene()
    pixels = pixels if profile is None else pixels[..., 1:2].copy()
    done, _ = corrected(pixels, tmp_path, spec_of(pixels, profile), correct="neutral")
    assert np.array_equal(pixels, done.pixels)
    said = done.findings["not_corrected" if profile is None else "not_looked"]
    assert said.startswith("It carries no profile" if profile is None else "The picture is grey")


def test_a_person_says_what_is_white(tmp_path):
    made, pixels = scene(**WARM)
    height, width, _ = pixels.shape
    x, y = made.centres[20]
    at = f"{100 * (x + 0.5) / width:.2f}%,{100 * (y + 0.5) / height:.2f}%"
    done, _ = corrected(pixels, tmp_path, white_at=at)
    before, after = (patches_of(each, made)[20] for each in (pixels, done.pixels))
    assert np.hypot(*xyz_to_lab(before)[1:]) > 15
    assert np.hypot(*xyz_to_lab(after)[1:]) < 1
    assert before[1] == pytest.approx(after[1], rel=0.02)
    assert "decision" in done.findings["corrected"]["by"]


def test_a_place_that_is_black_or_clipped_is_no_white(tmp_path):
    _, pixels = scene()
    pixels[:60, :60] = 65535
    untouched(pixels, tmp_path, why="black or clipped", white_at=["1 %", "1 %"])


@pytest.mark.parametrize("text", ["40", "a,b", "40%,200%", "40%,-3%", 7, ["1 %"]])
def test_a_place_that_is_none_is_refused(text):
    with pytest.raises(ValidationError, match="white_at"):
        ReferenceSettings.model_validate({"white_at": text})


def test_a_place_can_be_written_as_commands_do():
    for given in ("40%,30%", " 40 % , 30 %", ["40 %", "30 %"]):
        assert (0.4, 0.3) == ReferenceSettings.model_validate({"white_at": given}).white_at


def test_white_that_is_named_keeps_its_luminance():
    seen = np.array([0.5, 0.45, 0.2])
    made = np.array(matrix_for_white(seen, SPACE).matrix) @ np.linalg.solve(TO_XYZ, seen)
    assert np.array(D50_XYZ) * 0.45 == pytest.approx(made, rel=1e-6)


@pytest.mark.parametrize(
    ("limit", "code"),
    [("hold_above_cast", "chart-cast"), ("hold_above_exposure", "chart-exposure")],
)
def test_a_chart_that_strays_holds_the_picture(tmp_path, limit, code):
    _, pixels = scene(**WARM)
    with pytest.raises(Hold) as held:
        corrected(pixels, tmp_path, **{limit: 0.05})
    assert code == held.value.code
    assert held.value.excess > 1
    assert held.value.findings["charts"]
    assert "correct" in held.value.remedies[0].settings
    assert corrected(pixels, tmp_path, **{limit: 90})


def test_a_residual_holds_the_picture(tmp_path):
    _, pixels = scene()
    with pytest.raises(Hold, match="residual"):
        corrected(pixels, tmp_path, hold_above_residual=0.1)


def test_results_depend_on_what_is_corrected_and_not_on_holding():
    settings = ReferenceSettings.model_validate
    assert settings({"hold_above_cast": 3}).looks_only()
    assert not settings({"correct": "neutral"}).looks_only()
    assert not settings({"white_at": "4%,5%"}).looks_only()


def test_the_profile_of_the_picture_stays(tmp_path):
    _, pixels = scene()
    done, _ = corrected(pixels, tmp_path, correct="neutral")
    assert isinstance(done.spec, RasterSpec)
    assert SRGB == done.spec.profile


NEAR_WHITES = np.linspace(0.5, 0.96, 200)
"""Of the largest code: below what counts as burnt."""


def corrector_of(done):
    """What keeps the light, as the picture's record has it."""
    found = done.findings["charts"][0]
    light = found["light"]
    white = np.array([light["x"], light["y"], 1 - light["x"] - light["y"]]) / light["y"]
    return Corrector(read_correction(found["correction"]), SPACE, white)


@pytest.mark.parametrize("dimmed", [0.35, 0.6])
def test_kept_light_clips_no_near_white_and_keeps_them_apart(tmp_path, dimmed):
    """A warm light's white has more red than the profile holds: whites are rolled off."""
    _, pixels = scene(**WARM)
    pixels = np.rint(scenes.encode(dimmed * scenes.decode(pixels / 65535)) * 65535)
    pixels = pixels.astype(np.uint16)
    done, job = corrected(pixels, tmp_path, correct="keep the light")
    assert done.findings["corrected"]["rolled_off"]["most"] > 1.2
    assert any("keep the light’s colour" in each for each in job.told(ReferenceShown).sentences)
    corrector = corrector_of(done)
    # whites in this light, and others near them, up to where their strongest channel is burnt
    white = np.linalg.solve(TO_XYZ, corrector.light)
    before = Corrector(corrector.recorded, SPACE, corrector.light)
    before.most = 1.0
    for tint in ([1, 1, 1], [1, 0.96, 0.9], [0.9, 1, 1]):
        colour = white * tint / (white * tint).max()
        linear = scenes.decode(NEAR_WHITES)[:, None] * colour
        ramp = np.rint(scenes.encode(linear) * 65535).astype(np.uint16)
        assert 65535 == before.apply(ramp[None]).max()  # it was clipped
        made = corrector.apply(ramp[None])[0].astype(int)
        assert made.max() < 65535
        assert (np.diff(made[:, 0]) > 0).all()
        assert (np.diff(made.sum(axis=1)) > 0).all()
        light = corrector.linear(ramp[None])[0]
        chroma = light / light.sum(axis=1, keepdims=True)
        assert np.ptp(chroma, axis=0).max() < 0.01  # the light's colour, up to white
    assert 0 == corrector.beyond


def test_below_the_whites_kept_light_is_as_the_fit_says(tmp_path):
    _, pixels = scene(**WARM)
    corrector = corrector_of(corrected(pixels, tmp_path, correct="keep the light")[0])
    dark = (pixels // 2)[::7, ::7]
    assert np.array_equal(corrector._linear(dark), corrector.linear(dark))


def test_a_light_that_is_not_kept_is_not_rolled_off(tmp_path):
    done, _ = corrected(scene(light_name="D50")[1], tmp_path, correct="neutral")
    assert done.findings["corrected"]["rolled_off"] is None
