"""The parts of refined, each by itself; tests/reference compares it with a plain search."""

import numpy as np
import pytest

from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.inversion import invert
from hotfolder.colour.measurement_model import measurement_model
from hotfolder.colour.medium import by_table
from hotfolder.colour.profile import ProfileError, lab_profile
from reference.devices import GREY, SRGB, demo_printer, libvips

CMYK = libvips("cmyk")


def canvas():
    return demo_printer("matte-canvas", "4.4")


def random_lab(count=500):
    generator = np.random.default_rng(2)
    return generator.uniform([5, -60, -60], [95, 60, 60], (count, 3))


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


def test_what_has_no_device_is_refused():
    with pytest.raises(ValueError, match="Lab is no device"):
        measurement_model(lab_profile())
    with pytest.raises(ProfileError, match="input device only"):
        by_table(input_only(), random_lab(3))


def input_only():
    tags = {name: place for name, place in CMYK.tags.items() if not name.startswith("B2A")}
    return type(CMYK)(CMYK.data, "0" * 64, "A scanner", "2.4", "scnr", "CMYK", "Lab ", None, tags)
