"""The demo printers: exact both ways, and exact about what they can print."""

from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

import colour
from hotfolder_demo.printer import Printer, Recipe, lab_to_xyz, read_recipe, xyz_to_lab
from hotfolder_demo.rendering import Rendering
from hotfolder_demo.solid import Solid

pytestmark = pytest.mark.slow

RECIPES = Path(str(resources.files("hotfolder_defaults"))) / "profiles"
NAMES = ["matte-canvas", "coated-book"]


@pytest.fixture(scope="module", params=NAMES)
def printer(request):
    return Printer(read_recipe(RECIPES / f"{request.param}.toml"))


@pytest.fixture
def rng():
    return np.random.default_rng(24)


def random_lab(rng, number=20_000):
    return rng.random((number, 3)) * [100, 256, 256] - [0, 128, 128]


def test_the_medium_is_white_without_ink_and_black_with_all_of_it(printer):
    recipe = printer.recipe
    ink = np.array([np.zeros(4), [2 / 3, 2 / 3, 2 / 3, 1]])
    device = ink if recipe.device == "CMYK" else np.array([[1.0, 1, 1], [0, 0, 0]])
    expected = [recipe.white, recipe.black]
    np.testing.assert_allclose(printer.absolute(printer.device_to_lab(device)), expected, atol=1e-9)


def test_full_colours_are_those_of_the_recipe(printer):
    recipe = printer.recipe
    light = np.array([[1.0, 0, 0], [1, 1, 0], [0, 1, 0], [0, 1, 1], [0, 0, 1], [1, 0, 1]])
    expected = [
        recipe.red, recipe.yellow, recipe.green, recipe.cyan, recipe.blue, recipe.magenta,
    ]  # fmt: skip
    device = printer.light_to_device(light)
    np.testing.assert_allclose(printer.absolute(printer.device_to_lab(device)), expected, atol=1e-9)


def test_what_a_device_prints_is_in_gamut(printer, rng):
    lab = printer.device_to_lab(rng.random((50_000, printer.channels)))
    assert printer.in_gamut(lab).all()
    assert printer.signed_distance(lab).max() < 1e-9


def test_the_inverse_prints_the_same_colour(printer, rng):
    lab = printer.device_to_lab(rng.random((50_000, printer.channels)))
    again = printer.device_to_lab(printer.lab_to_device(lab))
    np.testing.assert_allclose(again, lab, atol=1e-9)


def test_the_inverse_of_three_colorants_gives_the_same_device_values(rng):
    canvas = Printer(read_recipe(RECIPES / "matte-canvas.toml"))
    device = rng.random((50_000, 3))
    np.testing.assert_allclose(
        canvas.lab_to_device(canvas.device_to_lab(device)), device, atol=1e-9
    )


def test_in_gamut_means_that_the_round_trip_changes_nothing(printer, rng):
    lab = random_lab(rng)
    again = printer.device_to_lab(printer.lab_to_device(lab))
    kept = np.linalg.norm(again - lab, axis=1) < 1e-6
    np.testing.assert_array_equal(printer.in_gamut(lab), kept)
    assert 0.02 < kept.mean() < 0.2


def test_out_of_gamut_the_error_of_the_round_trip_is_the_signed_distance(printer, rng):
    lab = random_lab(rng)
    outside = lab[~printer.in_gamut(lab)]
    again = printer.device_to_lab(printer.lab_to_device(outside))
    np.testing.assert_allclose(
        np.linalg.norm(again - outside, axis=1), printer.signed_distance(outside), atol=1e-6
    )


def test_no_printable_colour_is_nearer_than_the_one_chosen(printer, rng):
    outside = random_lab(rng, 300)
    outside = outside[~printer.in_gamut(outside)]
    printable = printer.device_to_lab(rng.random((20_000, printer.channels)))
    nearest_seen = np.min(np.linalg.norm(outside[:, None] - printable[None], axis=2), axis=1)
    assert (printer.signed_distance(outside) <= nearest_seen + 1e-9).all()


def test_inside_the_signed_distance_is_room_in_every_direction(printer, rng):
    inside = random_lab(rng, 40_000)
    inside = inside[printer.in_gamut(inside)]
    direction = rng.standard_normal(inside.shape)
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    room = -printer.signed_distance(inside)[:, None]
    assert (room >= 0).all()
    assert printer.in_gamut(inside + 0.999 * room * direction).all()


def test_no_separation_exceeds_the_ink_limit(rng):
    book = Printer(read_recipe(RECIPES / "coated-book.toml"))
    dark = rng.random((200_000, 3)) ** 4
    dark[::3, 0] = 0
    dark[::5, 1] = 0
    light = np.concatenate([dark, rng.random((100_000, 3)), np.zeros((1, 3))])
    total = book.light_to_device(light).sum(axis=1)
    assert 3.0 == pytest.approx(total.max(), abs=1e-12)


def test_ink_beyond_the_limit_makes_nothing_darker():
    book = Printer(read_recipe(RECIPES / "coated-book.toml"))
    expected = book.device_to_lab([[2 / 3, 2 / 3, 2 / 3, 1]])
    np.testing.assert_allclose(book.device_to_lab([[1, 1, 1, 1]]), expected, atol=1e-12)


def test_grey_is_black_ink_and_a_little_colour():
    book = Printer(read_recipe(RECIPES / "coated-book.toml"))
    grey = book.lab_to_device([[55.0, 0.0, 0.0]])[0]
    assert grey[3] > 0.3
    assert np.ptp(grey[:3]) < 0.1


@given(share=st.floats(0, 1), gain=st.floats(0, 0.25), scatter=st.floats(1, 10))
def test_dot_gain_has_an_inverse_whatever_its_size(share, gain, scatter):
    recipe = read_recipe(RECIPES / "matte-canvas.toml")
    printer = Printer(recipe.model_copy(update={"dot_gain": gain, "scatter": scatter}))
    # At 25 % gain the curve ends flat, so that its inverse loses half of the digits there.
    assert share == pytest.approx(float(printer.ink_share(printer.ink_strength(share))), abs=2e-7)


def test_absolute_colours_are_those_that_an_instrument_sees(printer):
    expected = printer.recipe.white
    np.testing.assert_allclose(printer.absolute([[100.0, 0, 0]])[0], expected, atol=1e-9)
    lab = np.array([[40.0, 20, -30]])
    np.testing.assert_allclose(printer.relative(printer.absolute(lab)), lab, atol=1e-9)


def test_lab_and_xyz_agree_with_colour_science(rng):
    white = np.array([0.9642, 1.0, 0.8249])
    xy = white[:2] / white.sum()
    xyz = rng.random((1000, 3)) * white
    xyz[:200] *= 0.01
    expected = colour.XYZ_to_Lab(xyz, xy)
    # The white here is that of profiles, in fixed point: it differs by 7e-6 at most.
    np.testing.assert_allclose(xyz_to_lab(xyz), expected, atol=2e-3)
    np.testing.assert_allclose(lab_to_xyz(xyz_to_lab(xyz)), xyz, atol=1e-12)


def test_colours_that_do_not_run_once_around_the_axis_are_refused(printer):
    ring = printer.solid.ring[[0, 2, 1, 3, 4, 5]]
    with pytest.raises(ValueError, match="once around the axis"):
        Solid(printer.solid.white, printer.solid.black, ring)


def test_a_recipe_with_an_unknown_key_is_refused():
    recipe = read_recipe(RECIPES / "coated-book.toml").model_dump()
    with pytest.raises(ValidationError, match="gloss"):
        Recipe.model_validate({**recipe, "gloss": 1})


def test_the_perceptual_rendering_fits_everything_into_the_gamut(printer, rng):
    rendering = Rendering(printer.solid, 0.0)
    assert printer.in_gamut(rendering.to_medium(random_lab(rng))).all()


def test_the_perceptual_rendering_keeps_white_and_brings_black_to_black(printer):
    rendering = Rendering(printer.solid, 3.1373)
    expected = np.stack([printer.solid.white, printer.solid.black])
    neutral = np.array([[100.0, 0, 0], [3.1373, 0, 0]])
    np.testing.assert_allclose(rendering.to_medium(neutral), expected, atol=1e-9)


def test_the_perceptual_rendering_can_be_undone(printer, rng):
    rendering = Rendering(printer.solid, 3.1373)
    lab = printer.device_to_lab(rng.random((20_000, printer.channels)))
    source = rendering.from_medium(lab)
    possible = (source[:, 0] > 3.1373) & (source[:, 0] < 100)
    assert possible.mean() > 0.9
    np.testing.assert_allclose(rendering.to_medium(source)[possible], lab[possible], atol=1e-5)


def test_the_perceptual_rendering_keeps_a_bright_yellow_yellow(printer):
    yellow = np.array([[97.61, -15.75, 93.39]])  # sRGB 255 255 0, D50
    rendered = Rendering(printer.solid, 0.0).to_medium(yellow)[0]
    assert np.hypot(*rendered[1:]) > 0.5 * np.hypot(*printer.solid.ring[1, 1:])


def test_the_perceptual_rendering_leaves_differences_between_colours_that_do_not_fit(printer):
    rendering = Rendering(printer.solid, 0.0)
    reds = printer.solid.ring[0] * [[1, 1.1, 1.1], [1, 1.2, 1.2], [1, 1.3, 1.3]]
    clipped = printer.solid.nearest(reds)
    rendered = rendering.to_medium(reds)
    steps = np.linalg.norm(np.diff(rendered, axis=0), axis=1)
    assert (steps > 0.5).all()
    assert np.linalg.norm(rendered - clipped, axis=1).min() > 1
