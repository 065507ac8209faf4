"""A grey card: named by a person, or at the place where one lay beside a chart."""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from hotfolder import Neighbour, ReferenceShown
from hotfolder.testing import make_job, make_stage, run_stage
from hotfolder_stages.reference import Reference
from hotfolder_stages.reference.shoot import Shot
from stages import chart_scenes as scenes
from stages.driving import SRGB, spec_of

WARM = np.array([1.0, 0.82, 0.5])
"""Light of an evening, linear sRGB."""


def with_card(light=WARM, stops=0.0, fall=0.0, size=(400, 600), at=(0.4, 0.5)):
    """Linear sRGB: a brown wall, and on it a card that reflects 18 %."""
    rng = np.random.default_rng(3)
    height, width = size
    linear = np.ones((height, width, 3)) * [0.11, 0.07, 0.05]
    y, x = int(at[1] * height), int(at[0] * width)
    linear[y - 50 : y + 50, x - 60 : x + 60] = 0.18
    slope = 1 + fall * (np.arange(width) - x) / 120
    linear *= light * 2.0**stops * slope[None, :, None]
    linear *= 1 + rng.normal(0, 0.01, linear.shape)
    return encode(linear)


def encode(linear):
    return np.rint(scenes.encode(np.clip(linear, 0, 1)) * 65535).astype(np.uint16)


def run(pixels, *neighbours, folder, **settings):
    spec = spec_of(pixels, SRGB)
    job = replace(make_job(spec), folder=folder, all_neighbours={"reference": neighbours})
    done = run_stage(make_stage(Reference, settings), pixels, spec, job, rows=100)
    return done, job


@pytest.fixture
def look(tmp_path):
    return partial(run, folder=tmp_path)


@pytest.fixture
def card_in(look):
    return lambda *given, **settings: look(*given, **settings)[0].findings.get("card")


AT = "40%,50%"


@pytest.mark.parametrize("stops", [0.0, -1.5, 0.5])
def test_a_named_card_tells_the_exposure(stops, card_in):
    card = card_in(with_card(np.ones(3), stops), card_at=AT)
    assert stops == pytest.approx(card["exposure_stops"], abs=0.03)
    assert card["balance"]["chroma"] < 0.6
    assert not card["reflectance_measured"]
    assert "the person" in card["confirmed_by"]


def test_it_tells_the_colour_of_the_light(card_in):
    card = card_in(with_card(), card_at=AT)
    factors = WARM[1] / WARM
    assert factors == pytest.approx(card["balance"]["rgb_factors"], rel=0.01)
    assert card["balance"]["b"] > 10


@pytest.mark.parametrize("fall", [0.0, 0.2])
def test_it_tells_how_even_the_light_is(fall, card_in):
    card = card_in(with_card(np.ones(3), fall=fall), card_at=AT)
    assert 100 * fall == pytest.approx(card["unevenness_percent"], abs=3)


def test_no_card_is_looked_for(card_in):
    assert card_in(with_card()) is None


def test_what_is_black_or_clipped_is_no_card_and_that_is_said(look):
    done, job = look(np.zeros((200, 300, 3), np.uint16), card_at=AT)
    assert "card" not in done.findings
    assert ["card-not-read"] == [each.code for each in job.warnings]


def test_it_makes_the_picture_neutral_and_keeps_a_light_that_is_to_be_kept(look):
    pixels = with_card(stops=-1)
    neutral, _ = look(pixels, card_at=AT, correct="neutral")
    made = scenes.decode(neutral.pixels[200, 240] / 65535)
    assert [0.18] * 3 == pytest.approx(made, rel=0.06)
    assert "the grey card in it" == neutral.findings["corrected"]["by"]
    done, _ = look(pixels, card_at=AT, correct="keep the light")
    kept = scenes.decode(done.pixels[200, 240] / 65535)
    assert kept[0] / kept[2] == pytest.approx(WARM[0] / WARM[2], rel=0.06)
    assert 0.18 == pytest.approx(kept @ [0.2126, 0.7152, 0.0722], rel=0.08)


def test_beside_a_chart_a_card_is_measured_by_it_and_other_frames_know_its_place(look):
    made = scenes.scene(6, "turned", 768, size=0.4, light_name="D50")
    pixels = made.codes.astype(np.uint16) * np.uint16(257)
    height, width = pixels.shape[:2]
    corner = 0.1 if made.centres[:, 0].mean() > width / 2 else 0.9
    x, y = int(corner * width), height // 2
    pixels[y - 40 : y + 40, x - 40 : x + 40] = encode(np.full((80, 80, 3), 0.15))
    at = f"{100 * (x + 0.5) / width}%,{100 * (y + 0.5) / height}%"
    found = look(pixels, card_at=at)[0].findings
    assert found["charts"]
    assert found["card"]["reflectance_measured"]
    known = found["shoot"]["card"]
    assert found["card"]["reflectance"] == pytest.approx(known["xyz"][1], abs=1e-3)


def holding(known):
    """A frame of the same shoot with a chart, and a card beside it."""
    shot = SHOT.model_dump(mode="json")
    said = {"gives": True, "shot": shot, "chart": {}, "card": known}
    return Neighbour("j", "chart.jpg", delivered=True, said=said)


SHOT = Shot(camera="Estuary 1", taken="2026-11-28T18:00:00", profile_sha256="a" * 64)
KNOWN = {"at": [0.4, 0.5], "xyz": [0.144, 0.15, 0.124], "rgb": (0.18 * WARM).tolist()}


def test_at_its_place_beside_a_chart_a_card_is_known_in_another_frame(shot_like, card_in):
    card = card_in(with_card(stops=-1), holding(KNOWN))
    assert "chart.jpg" in card["confirmed_by"]
    assert 0.15 == card["reflectance"]
    assert -1 + np.log2(0.18 / 0.15) == pytest.approx(
        card["exposure_stops"] - np.log2(WARM @ [0.2126, 0.7152, 0.0722]), abs=0.05
    )


def test_where_it_lay_and_something_else_is_now_no_card_is_seen(shot_like, card_in):
    moved = with_card(at=(0.75, 0.5))
    moved[180:220, 220:260] = np.array([12000, 40000, 9000], np.uint16)
    assert card_in(moved, holding(KNOWN)) is None


@pytest.fixture
def shot_like(monkeypatch):
    """Pictures of one camera, taken at one time: what a file without Exif does not say."""
    monkeypatch.setattr("hotfolder_stages.reference.stage.read_shot", lambda _: SHOT)


@pytest.mark.parametrize(
    ("turns", "words"),
    [
        (0, "right to the left"),
        (1, "top to the bottom"),
        (2, "left to the right"),
        (3, "bottom to the top"),
    ],
)
def test_where_the_light_on_a_card_falls_off_is_said_in_stops_and_shown(look, turns, words):
    """One stop over 120 pixels, of which the card is read within its edges."""
    linear = scenes.decode(with_card(np.ones(3)) / 65535)
    ramp = 2.0 ** ((np.arange(600) - 240) / 120)
    pixels = np.rot90(encode(linear * ramp[None, :, None]), turns).copy()
    at = {0: "40%,50%", 1: "50%,60%", 2: "60%,50%", 3: "50%,40%"}[turns]
    done, job = look(pixels, card_at=at)
    even = done.findings["card"]["evenness"]
    left, top, right, bottom = even["area"]
    height, width = pixels.shape[:2]
    long_px = (right - left) * width if turns % 2 == 0 else (bottom - top) * height
    # what is too light or too dark beside the place is not taken for the card
    assert even["stops"] == pytest.approx((long_px - 1) / 120, abs=0.04)
    assert 0.5 < even["stops"] < 1
    told = job.told(ReferenceShown)
    assert any(f"stops along the line, from the {words}." in each for each in told.sentences)
    box, line = told.outlines
    assert ((left, top), (right, bottom)) == (box[0], box[2])
    assert [list(each) for each in line] == [even["lightest"], even["darkest"]]


def test_on_an_even_card_no_line_is_drawn(look):
    done, job = look(with_card(np.ones(3)), card_at=AT)
    assert done.findings["card"]["evenness"]["stops"] < 0.04
    assert 1 == len(job.told(ReferenceShown).outlines)
