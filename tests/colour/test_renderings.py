"""The parts of our own renderings, each by itself; tests/reference compares with a plain search."""

import numpy as np
import pytest

import colour
from hotfolder.colour.black_point import black_luminance, scale_black
from hotfolder.colour.detail import KNEE, Reach, bring_in, reach_of
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.encodings import lab_to_xyz, xyz_to_lab
from hotfolder.colour.gamut_boundary import boundary_of
from hotfolder.colour.grid import Grid
from hotfolder.colour.inversion import invert
from hotfolder.colour.measurement_model import measurement_model
from hotfolder.colour.medium import by_table, medium_loss
from hotfolder.colour.oklab import lab_to_oklab, oklab_to_lab
from hotfolder.colour.profile import ProfileError, lab_profile
from hotfolder.colour.rendering import Detail, Refined, separate
from hotfolder.colour.transform import to_lab
from hotfolder.model.encoding import Encoding
from reference.devices import GREY, SRGB, demo_printer, libvips, random_pixels

CMYK = libvips("cmyk")


def canvas():
    return demo_printer("matte-canvas", "4.4")


def random_lab(count=500):
    generator = np.random.default_rng(2)
    return generator.uniform([5, -60, -60], [95, 60, 60], (count, 3))


def test_oklab_is_that_of_colour_science():
    lab = random_lab()
    xyz = colour.chromatic_adaptation(
        lab_to_xyz(lab),
        np.array([0.9642, 1.0, 0.8249]),
        np.array([0.95047, 1.0, 1.08883]),
        method="Von Kries",
        transform="Bradford",
    )
    np.testing.assert_allclose(lab_to_oklab(lab), colour.XYZ_to_Oklab(xyz), atol=1e-6)
    np.testing.assert_allclose(oklab_to_lab(lab_to_oklab(lab)), lab, atol=1e-9)


def test_scaling_black_keeps_white_and_takes_black_to_black():
    white, black = np.array([100.0, 0, 0]), xyz_to_lab(np.array([0.9642, 1, 0.8249]) * 0.01)
    scaled = scale_black(np.stack([white, black]), 0.01, 0.04)
    np.testing.assert_allclose(scaled[0], white, atol=1e-9)
    np.testing.assert_allclose(lab_to_xyz(scaled[1])[1], 0.04, atol=1e-12)
    assert black_luminance(SRGB) == pytest.approx(0, abs=1e-4)


@pytest.mark.parametrize("profile", [SRGB, GREY, CMYK], ids=lambda p: p.description)
def test_colours_that_a_device_made_are_found_again(profile):
    model = measurement_model(profile)
    device = np.random.default_rng(1).uniform(0.2, 0.8, (300, model.channels))
    lab = model.lab(device)
    found = invert(model, lab, device + 0.02, tie=0, damping=1, steps=12)
    assert delta_e_00(lab, model.lab(found)).max() < 0.05


def test_a_tie_without_end_keeps_the_start_and_the_cap_brings_it_down():
    model = measurement_model(CMYK)
    start = np.random.default_rng(1).uniform(0, 1, (300, 4))
    target = random_lab(300)
    np.testing.assert_allclose(invert(model, target, start, tie=1e9), start, atol=1e-4)
    capped = invert(model, target, start, cap=1.5, tie=1e9)
    assert capped.sum(axis=1).max() <= 1.5 + 1e-9
    assert capped.min() >= 0


def test_what_comes_out_depends_on_the_colour_alone():
    model = measurement_model(CMYK)
    target = random_lab(5000)
    start = by_table(CMYK, target) / 65535
    caps = start.sum(axis=1)
    together = invert(model, target, start, cap=caps)
    backwards = invert(model, target[::-1], start[::-1], cap=caps[::-1])[::-1]
    np.testing.assert_array_equal(together, backwards)


@pytest.mark.parametrize("profile", [canvas(), CMYK], ids=["canvas", "cmyk"])
def test_the_boundary_can_be_made_and_no_more(profile):
    boundary = boundary_of(profile)
    hues, rows = np.meshgrid(np.arange(0, 360, 30), np.arange(8, 60, 6), indexing="ij")
    steps = np.linspace(boundary.darkest, boundary.lightest, boundary.chroma.shape[1])

    def colours(more):
        chroma = boundary.chroma[hues, rows] + more
        angle = np.radians(hues)
        parts = [steps[rows], chroma * np.cos(angle), chroma * np.sin(angle)]
        return oklab_to_lab(np.stack(parts, axis=-1).reshape(-1, 3))

    assert medium_loss(profile, colours(0)).max() < 0.5
    assert medium_loss(profile, colours(0.03)).min() > 0.2


def test_a_picture_that_fits_is_not_moved():
    boundary = boundary_of(canvas())
    lab = np.random.default_rng(3).uniform([40, -15, -15], [75, 15, 15], (2000, 3))
    reach = reach_of(boundary, lab)
    assert (reach.table == 1).all()
    np.testing.assert_allclose(bring_in(boundary, reach, lab), lab, atol=1e-9)


def test_what_does_not_fit_keeps_its_hue_and_its_order():
    boundary = boundary_of(canvas())
    reach = Reach(np.full((72, 16), 1.8))
    away = np.linspace(0.01, 0.4, 300)
    for hue in np.radians(np.arange(0, 360, 40)):
        oklab = np.stack([np.full(300, 0.6), away * np.cos(hue), away * np.sin(hue)], axis=-1)
        made = lab_to_oklab(bring_in(boundary, reach, oklab_to_lab(oklab)))
        chroma = np.hypot(made[:, 1], made[:, 2])
        turned = np.arctan2(made[:, 2], made[:, 1]) - hue
        np.testing.assert_allclose(np.sin(turned), 0, atol=1e-6)
        assert (np.diff(chroma) > -1e-9).all()
        assert np.abs(np.diff(chroma)).max() < 0.003
        moved = np.abs(made - oklab).max(axis=1) > 1e-9
        assert not moved[away < KNEE * chroma.max() * 0.5].any()
        assert moved[-1]
        assert medium_loss(canvas(), oklab_to_lab(made)).max() < 0.5


def test_white_and_black_stay_where_the_picture_goes_far():
    boundary = boundary_of(CMYK)
    lab = random_lab(5000) * [1, 1.5, 1.5]
    reach = reach_of(boundary, lab)
    assert reach.table.max() > 1.5
    white = np.array([[100.0, 0, 0]])
    np.testing.assert_allclose(bring_in(boundary, reach, white), white, atol=0.5)


def test_a_grid_can_stand_for_a_rendering():
    pixels = random_pixels(3, 2000)
    refined = Refined(SRGB, canvas())
    exact = refined.convert(pixels[0])
    grid = Grid(
        lambda part: refined.convert(part[0])[None],
        lambda one, other: delta_e_00(to_lab(canvas(), one), to_lab(canvas(), other)),
        Encoding.RGB,
        3,
    )
    off = delta_e_00(to_lab(canvas(), exact), to_lab(canvas(), grid.apply(pixels)[0]))
    assert off.mean() < 0.02
    assert off.max() < 0.75


def test_what_has_no_device_or_no_hues_is_refused():
    with pytest.raises(ValueError, match="Lab is no device"):
        measurement_model(lab_profile())
    with pytest.raises(ValueError, match="no hues"):
        boundary_of(GREY)
    with pytest.raises(ProfileError, match="input device only"):
        by_table(input_only(), random_lab(3))


def input_only():
    tags = {name: place for name, place in CMYK.tags.items() if not name.startswith("B2A")}
    return type(CMYK)(CMYK.data, "0" * 64, "A scanner", "2.4", "scnr", "CMYK", "Lab ", None, tags)


def test_every_rendering_is_one_of_codes():
    pixels = random_pixels(3, 500)[0]
    for made in (
        Refined(SRGB, GREY).convert(pixels),
        Refined(SRGB, CMYK).convert(pixels),
        Detail.of(SRGB, CMYK, pixels).convert(pixels),
        separate(SRGB, random_lab(20)),
    ):
        assert np.uint16 == made.dtype
