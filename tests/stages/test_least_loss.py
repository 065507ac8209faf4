"""Choosing the way that loses least of one picture, of all that a medium allows."""

from importlib import resources
from pathlib import Path

import numpy as np
import pytest

import colour
from hotfolder import ScratchRows
from hotfolder.colour import transform
from hotfolder.colour.contrast import WINDOW_PX, din99, local_contrast
from hotfolder.colour.profile import lab_profile
from hotfolder.colour.rendering import find_reach
from hotfolder.colour.transform import Precision, Transform
from hotfolder.model.encoding import Encoding
from hotfolder.model.rendering import DETAIL, PERCEPTUAL, REFINED, RELATIVE
from hotfolder.testing import make_stage, run_stage
from hotfolder_demo.printer import Printer, read_recipe
from hotfolder_stages.gamut_check import GamutCheck
from hotfolder_stages.profile_conversion import ProfileConversion
from hotfolder_stages.profile_conversion import stage as stage_module
from hotfolder_stages.profile_conversion.least_loss import (
    Choice,
    Detail,
    choose,
    list_ways,
)
from hotfolder_stages.profile_conversion.reduction import Reduction, reduced
from reference.devices import GREY, SRGB, WIDE_RGB, demo_printer, random_pixels
from stages.driving import encode_lab, job_of, spec_of

pytestmark = pytest.mark.slow

CANVAS = demo_printer("matte-canvas", "4.4")
INTENTS = (RELATIVE, PERCEPTUAL)


def canvas_corner(name):
    """The canvas's richest colour of a hue, media-relative L*a*b*."""
    recipe = Path(str(resources.files("hotfolder_defaults"))) / "profiles" / "matte-canvas.toml"
    names = ["red", "yellow", "green", "cyan", "blue", "magenta"]
    return Printer(read_recipe(recipe)).solid.ring[names.index(name)]


def petals(name, width=300, height=200):
    """One hue at one lightness, in waves of chroma that all lie outside the canvas's gamut."""
    y, x = np.mgrid[:height, :width]
    lightness, a, b = canvas_corner(name)
    richness = 1.2 + 0.15 * np.sin(x / 6 + y / 11)
    return encode_lab(np.stack([np.full(x.shape, lightness), a * richness, b * richness], axis=-1))


def modest(width=300, height=200):
    """Soft colours that every printer has, with as much going on among them as petals have."""
    y, x = np.mgrid[:height, :width]
    wave = np.sin(x / 6 + y / 11)
    return encode_lab(np.stack([60 + 10 * wave, 12 * np.cos(x / 40), 12 * np.sin(y / 30)], axis=-1))


def chosen(pixels, source=None, destination=CANVAS, ways=INTENTS):
    size = (pixels.shape[1], pixels.shape[0])
    return choose(source or lab_profile(), destination, size, lambda a, b: pixels[a:b], ways)


@pytest.mark.parametrize("hue", ["yellow", "cyan", "magenta"])
def test_petals_that_would_become_one_flat_patch_are_kept_by_perceptual(hue):
    choice = chosen(petals(hue))
    assert choice.way == PERCEPTUAL
    assert choice.colour[RELATIVE] < choice.colour[PERCEPTUAL]
    assert choice.forms.kept[PERCEPTUAL] > choice.forms.kept[RELATIVE] + 0.15
    assert "Perceptual keeps detail in the" in choice.reason


def test_a_picture_whose_colours_fit_keeps_them():
    choice = chosen(modest())
    assert choice.way == RELATIVE
    assert choice.unfit_share == 0.0
    assert choice.score(RELATIVE) == choice.colour[RELATIVE] < 0.5
    assert choice.colour[PERCEPTUAL] > 2
    assert choice.reason.startswith("All the picture's colours fit")


def test_a_small_rich_thing_does_not_move_all_other_colours():
    pixels = modest()
    pixels[:12, :12] = petals("magenta")[:12, :12]
    choice = chosen(pixels)
    assert choice.way == RELATIVE
    assert 0 < choice.unfit_share < 0.01
    assert "weighs less" in choice.reason


def test_a_flat_patch_has_no_detail_to_lose():
    pixels = np.tile(petals("magenta")[:1, :1], (200, 300, 1))
    choice = chosen(pixels)
    assert choice.way == RELATIVE
    assert choice.unfit_share == 1.0
    assert choice.forms == Detail(0.0, {RELATIVE: 1.0, PERCEPTUAL: 1.0})


def test_what_relative_colorimetric_flattens_is_seen_as_flat():
    # Chroma beyond the richest yellow at one lightness becomes nearly one colour: whoever looks at
    # the two results sees stripes in one and hardly any in the other.
    stripes = petals("yellow")
    made = {
        way: Transform(CANVAS, lab_profile()).apply(
            Transform(lab_profile(), CANVAS, way.intent).apply(stripes)
        )
        for way in INTENTS
    }
    b = {intent: np.ptp(pixels[100, :, 2].astype(int)) / 257 for intent, pixels in made.items()}
    assert b[RELATIVE] < 3.5 < 7 < b[PERCEPTUAL]
    kept = chosen(stripes).forms.kept
    assert kept[RELATIVE] < 0.15
    assert kept[PERCEPTUAL] > 0.35


def test_din99_agrees_with_colour_science():
    lab = np.random.default_rng(1).random((1000, 3)) * [100, 200, 200] - [0, 100, 100]
    # The tolerance is that of their constant 105.509 of L99, which the standard prints as 105.51.
    np.testing.assert_allclose(din99(lab), colour.models.Lab_to_DIN99(lab), atol=1.1e-3)
    np.testing.assert_array_equal(din99(np.zeros((1, 3))), [[0, 0, 0]])


def test_local_contrast_of_a_flat_field_is_nothing_and_of_a_ramp_is_that_of_its_window():
    flat = np.full((1, 20, 30, 3), 50.0)
    assert local_contrast(flat).max() < 1e-6
    ramp = np.zeros((1, 20, 30, 3))
    ramp[..., 0] = 50 + 0.01 * np.arange(30)
    # A ramp of step s over n places has the standard deviation s sqrt((n² - 1) / 12); the slope
    # of L99 is 105.51 · 0.0158 / (1 + 0.0158 L*).
    slope = 105.51 * 0.0158 / (1 + 0.0158 * 50.15)
    expected = 0.01 * slope * np.sqrt((WINDOW_PX**2 - 1) / 12)
    assert local_contrast(ramp)[0, 10, 15] == pytest.approx(expected, rel=1e-3)


def test_the_score_is_colour_and_what_is_lost_of_detail():
    forms = Detail(0.5, {RELATIVE: 0.2, PERCEPTUAL: 0.9})
    texture = Detail(0.1, {RELATIVE: 0.4, PERCEPTUAL: 1.0})
    colours = {RELATIVE: 1.0, PERCEPTUAL: 3.0}
    choice = Choice(RELATIVE, "", 0.3, colours, forms, None)
    assert choice.score(RELATIVE) == pytest.approx(1 + 20 * 0.5 * 0.8)
    choice = Choice(RELATIVE, "", 0.3, colours, forms, texture)
    assert choice.score(RELATIVE) == pytest.approx(1 + 20 * (0.5 * 0.8 + 0.1 * 0.6) / 2)
    assert choice.score(PERCEPTUAL) == pytest.approx(3 + 20 * 0.5 * 0.1 / 2)


@pytest.mark.slow
@pytest.mark.parametrize(("width", "height"), [(1100, 40), (40, 1100), (1500, 1000)])
def test_large_pictures_are_judged_reduced_and_in_tiles_and_come_to_the_same(width, height):
    choice = chosen(petals("magenta", width, height))
    assert choice.way == PERCEPTUAL
    assert choice.texture is not None
    assert choice.texture.share > 0.9
    assert choice.texture.kept[PERCEPTUAL] > choice.texture.kept[RELATIVE] + 0.15


def test_texture_counts_by_its_share_of_the_whole_picture():
    pixels = modest(1200, 800)
    pixels[:, :300] = petals("magenta", 300, 800)
    texture = chosen(pixels).texture
    # A quarter of the picture; its waves have about as much contrast in DIN99 as the rest.
    assert 0.03 < texture.share < 0.4


def test_reduced_is_the_mean_of_blocks():
    pixels = random_pixels(3, 10 * 13).reshape(10, 13, 3)
    expected = pixels[:9, :12].reshape(3, 3, 4, 3, 3).mean(axis=(1, 3))
    out = reduced((13, 10), lambda a, b: pixels[a:b], 3)
    np.testing.assert_array_equal(np.rint(expected), out)
    assert out.dtype == np.uint16


@pytest.mark.parametrize("size", [(13, 10), (40, 7), (7, 40), (300, 200)])
@pytest.mark.parametrize(("factor", "every"), [(1, 3), (3, 1), (3, 2), (5, 4)])
@pytest.mark.parametrize("rows", [1, 4, 200])
def test_a_reduction_keeps_one_of_so_many_pixels_whatever_the_bands(size, factor, every, rows):
    width, height = size
    pixels = random_pixels(3, height * width).reshape(height, width, 3)
    reduction = Reduction(size, factor, every)
    for top in range(0, height, rows):
        reduction.add(top, pixels[top : top + rows])
    whole = reduced(size, lambda a, b: pixels[a:b], factor)
    np.testing.assert_array_equal(reduction.copy(), whole[::every, ::every])


def converted(pixels, tmp_path, destination=CANVAS, rows=7, **spec):
    stage = make_stage(ProfileConversion, {"intent": "least loss"})
    given = spec_of(pixels, **({"profile": None, "encoding": Encoding.LAB} | spec))
    job = job_of(given, profile=destination, folder=tmp_path)
    return run_stage(stage, pixels, given, job, rows=rows)


@pytest.mark.parametrize("rows", [7, 200])
@pytest.mark.parametrize(("picture", "way"), [(petals("cyan"), DETAIL), (modest(), REFINED)])
def test_the_stage_converts_in_the_way_that_loses_least(picture, way, rows, tmp_path, monkeypatch):
    monkeypatch.setattr(stage_module, "PIXELS_PER_CALL", 9_000)
    monkeypatch.setattr(transform, "FEW_PIXELS", 0)
    out, _, findings, _ = converted(picture, tmp_path, rows=rows)
    reach = find_reach(lab_profile(), CANVAS, picture) if way is DETAIL else None
    made = Transform(lab_profile(), CANVAS, way.intent, rendering=way.rendering, reach=reach)
    np.testing.assert_array_equal(made.apply(picture), out)
    assert (findings["intent"], findings["rendering"]) == (way.intent.value, way.rendering.value)
    told = findings["least_loss"]
    assert told["chosen"] == str(way)
    scores = {name: each["score"] for name, each in told["scores"].items()}
    assert set(scores) == {"relative colorimetric", "perceptual", "refined", "detail"}
    assert min(scores, key=scores.get) == str(way)
    assert f"{scores[str(way)]:.2f} against" in told["reason"]
    assert list(tmp_path.iterdir()) == []  # the scratch file is gone


def test_clear_pixels_are_judged_as_paper(tmp_path):
    pixels = petals("cyan")
    stage = make_stage(ProfileConversion, {"intent": "least loss"})
    spec = spec_of(pixels, None, encoding=Encoding.LAB, has_alpha=True)
    alpha = np.zeros(pixels.shape[:2], dtype=np.uint16)
    job = job_of(spec, profile=CANVAS, folder=tmp_path)
    findings = run_stage(stage, pixels, spec, job, alpha=alpha)[2]
    assert findings["intent"] == "relative colorimetric"
    assert findings["least_loss"]["unfit_share"] == 0.0


def test_a_profile_that_allows_one_way_needs_no_comparison(tmp_path):
    pixels = random_pixels(3, 200).reshape(10, 20, 3)
    out, _, findings, _ = converted(pixels, tmp_path, GREY, profile=WIDE_RGB, encoding=Encoding.RGB)
    expected = Transform(WIDE_RGB, GREY, pixels=10 * 20)
    np.testing.assert_array_equal(expected.apply(pixels), out)
    assert findings["least_loss"]["reason"] == (
        "The destination's profile allows nothing else to compare."
    )


def test_what_a_destination_allows_is_what_its_profile_and_precision_do():
    assert list_ways(CANVAS, Precision.FINE) == (RELATIVE, PERCEPTUAL, REFINED, DETAIL)
    assert list_ways(CANVAS, Precision.FAST) == (RELATIVE, PERCEPTUAL)
    assert list_ways(SRGB, Precision.FINE) == (RELATIVE, DETAIL)
    assert list_ways(GREY, Precision.FINE) == (RELATIVE,)


def test_other_intents_say_nothing_of_it(tmp_path):
    pixels = random_pixels(3, 200).reshape(10, 20, 3)
    stage = make_stage(ProfileConversion, {"intent": "perceptual"})
    assert (
        run_stage(stage, pixels, spec_of(pixels), job_of(spec_of(pixels), profile=CANVAS))[2][
            "least_loss"
        ]
        is None
    )


def test_the_gamut_check_says_so_when_nothing_has_been_chosen():
    pixels = random_pixels(3, 200).reshape(10, 20, 3)
    conversion = make_stage(ProfileConversion, {"intent": "least loss"})
    spec = spec_of(pixels)
    job = job_of(spec, profile=CANVAS, beside=[conversion])
    findings = run_stage(make_stage(GamutCheck, {}), pixels, spec, job)[2]
    assert findings["shift_intent"] == "relative colorimetric"
    (note,) = findings["notes"]
    assert note == (
        "The conversion chooses its rendering after this stage, and has not; all is said of "
        "relative colorimetric."
    )


def test_scratch_rows_come_back_in_any_order(tmp_path):
    pixels = random_pixels(4, 60).reshape(10, 6, 4)
    with ScratchRows(tmp_path / "rows", 6, 4) as scratch:
        scratch.append(pixels[:3])
        np.testing.assert_array_equal(scratch.read(1, 3), pixels[1:3])
        scratch.append(pixels[3:])
        assert scratch.rows == 10
        np.testing.assert_array_equal(scratch.read(2, 9), pixels[2:9])
        assert [top for top, _ in scratch.pieces(4)] == [0, 4, 8]
        np.testing.assert_array_equal(np.concatenate([p for _, p in scratch.pieces(4)]), pixels)
    assert list(tmp_path.iterdir()) == []
