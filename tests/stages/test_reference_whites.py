"""Places that could be white: what is found, what is shown, that nothing is measured."""

import numpy as np
import pytest

from hotfolder import Hold
from hotfolder.stages.roles import WhitesFindings
from hotfolder.testing import make_job, make_stage, run_stage
from hotfolder_stages.reference import NeutralPlaces
from reference.devices import demo_printer
from stages import chart_scenes as scenes
from stages.driving import SRGB, spec_of

WARM, COOL = np.array([0.6, 0.45, 0.27]), np.array([0.3, 0.36, 0.45])


def picture():
    """Leaves, with a wall in warm light on the left and one in cool light on the right."""
    rng = np.random.default_rng(4)
    linear = rng.uniform(0.02, 0.2, (400, 600, 3)) * [0.3, 1.0, 0.2]
    linear[100:300, 60:240] = WARM
    linear[150:280, 400:540] = COOL
    return np.rint(scenes.encode(linear) * 65535).astype(np.uint16)


def show(folder, pixels, profile=SRGB, **settings):
    spec = spec_of(pixels, profile)
    job = make_job(spec, folder=folder, name="<b>mud</b>.tif")
    stage = make_stage(NeutralPlaces, settings)
    done = run_stage(stage, pixels, spec, job)
    assert np.array_equal(pixels, done.pixels)
    page = folder / "neutral.html"
    found, text = WhitesFindings.model_validate(done.findings), page.read_text("utf-8")
    assert 'width="{}" height="{}"'.format(*found.picture_px) in text
    return found.choices, job, text


def test_each_light_is_a_choice_and_read_where_it_is_even(tmp_path):
    choices, _, _ = show(tmp_path, picture())
    first, second = choices
    (x, y), u = first.places[0], second.places[0][0]
    assert 0.1 < x < 0.4
    assert 0.25 < y < 0.75
    assert 0.66 < u < 0.9
    assert first.light.cct_k < 5003 < second.light.cct_k
    assert 0.15 == pytest.approx(first.share, abs=0.03)


def test_a_place_that_is_pointed_at_comes_first(tmp_path):
    choices, _, page = show(tmp_path, picture(), at=["78%,50%"])
    assert ("78.0%,50.0%", None) == (choices[0].white_at, choices[0].share)
    assert "<code>78.0%,50.0%</code>" in page
    assert "never as a measurement" in page
    assert "<b>mud" not in page


def test_what_is_black_is_said_to_say_nothing(tmp_path):
    pixels = picture()
    pixels[:50, :50] = 0
    choices, job, page = show(tmp_path, pixels, at=["3%,3%"])
    assert 2 == len(choices)
    assert ["no-white"] == [each.code for each in job.warnings]
    assert "black or clipped" in page


def test_where_nothing_could_be_white_that_is_said(tmp_path):
    choices, _, page = show(tmp_path, np.full((60, 60, 3), [3000, 60000, 2000], np.uint16))
    assert () == choices
    assert "point at a place yourself" in page


def test_the_picture_is_shown_as_it_would_become(tmp_path):
    choices, _, page = show(tmp_path, picture())
    assert 1 + len(choices) == page.count("data:image/jpeg")


def test_without_a_profile_it_is_taken_for_srgb_and_that_is_said(tmp_path):
    _, job, page = show(tmp_path, picture(), None)
    assert ["profile-assumed"] == [each.code for each in job.warnings]
    assert "taken for sRGB" in page


def test_what_no_place_can_balance_is_held(tmp_path):
    with pytest.raises(Hold, match="curves and a matrix"):
        show(tmp_path, picture(), demo_printer("matte-canvas", "4.4"))
