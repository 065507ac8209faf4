"""Stages strip-places and strip-sheet: what is chosen, how it lies, that no pixel is changed."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotfolder import Encoding, RasterSpec
from hotfolder.cli.looking import read_place
from hotfolder.errors import SettingsError
from hotfolder.testing import make_stage, run_stage
from hotfolder_stages.profile_conversion import ProfileConversion
from hotfolder_stages.test_strip import StripPlaces, StripSheet
from hotfolder_stages.test_strip.layout import BLOCK_PX, STEP_PX, Cell, cell, smallest
from hotfolder_stages.test_strip.lettering import draw, wrapped
from hotfolder_stages.test_strip.sheet import BLACK
from hotfolder_stages.test_strip.telling import LOST, NEUTRAL, telling
from reference.devices import SRGB, demo_printer
from stages.driving import job_of, spec_of

CANVAS = demo_printer("matte-canvas", "4.4")
SKIN = (194, 150, 130)
"""sRGB, 8 bits: a light skin of a 24-patch chart."""


def code(colour):
    return np.array(colour, dtype=np.uint16) * np.uint16(257)


def places(pixels, **values):
    spec = spec_of(pixels, SRGB, ppi=100.0)
    job = job_of(spec, profile=CANVAS, beside=[make_stage(ProfileConversion, {})])
    stage = make_stage(StripPlaces, values)
    out, _, findings, _ = run_stage(stage, pixels, spec, job, rows=37)
    np.testing.assert_array_equal(pixels, out)
    return findings["pieces"]


def sheet_of(pixels, pieces, spec=None, heading="mud", rows=29):
    spec = spec or spec_of(pixels, SRGB, ppi=100.0)
    stage = make_stage(StripSheet, {"pieces": pieces, "heading": heading})
    return run_stage(stage, pixels, spec, job_of(spec), rows=rows)


def scene():
    """Middle blue, with a loud green, a skin, a scale of greys and a dark corner with detail."""
    pixels = np.empty((900, 1200, 3), np.uint16)
    pixels[:] = code((90, 110, 160))
    pixels[80:200, 100:240] = code((0, 220, 40))
    pixels[80:220, 900:1100] = code(SKIN)
    pixels[600:800, 80:280] = (np.linspace(8000, 60000, 200)[:, None, None]).astype(np.uint16)
    checks = np.indices((220, 220)).sum(axis=0) // 20 % 2
    pixels[640:860, 900:1120] = (1500 + 2500 * checks[..., None]).astype(np.uint16)
    return pixels


def shown(pieces, why):
    """The piece that is there for a reason, as slices."""
    (piece,) = (each for each in pieces if why in each["why"])
    top, left = piece["top_px"], piece["left_px"]
    return slice(top, top + piece["height_px"]), slice(left, left + piece["width_px"])


def test_each_telling_thing_is_found_where_it_is():
    pixels = scene()
    pieces = places(pixels, worst=1)
    assert "colours lost" in pieces[0]["why"]
    for why, colour in [("colours lost", (0, 220, 40)), ("skin-like tones", SKIN)]:
        part = pixels[shown(pieces, why)]
        assert 0.3 < (part == code(colour)).all(axis=2).mean(), why
    greys = pixels[shown(pieces, "neutrals")]
    assert 0.5 < (np.ptp(greys.astype(int), axis=2) == 0).mean()
    dark = pixels[shown(pieces, "darkest detail")]
    assert 0.5 < (dark < 5000).all(axis=2).mean()


def test_a_plain_dark_is_no_detail():
    pixels = np.full((600, 800, 3), 2000, np.uint16)
    assert not any("darkest detail" in each["why"] for each in places(pixels))


def test_where_nothing_is_lost_what_moves_most_is_shown():
    pixels = np.full((600, 800, 3), 30000, np.uint16)
    pixels[:300] = code((120, 115, 110))
    assert "colours moved most" in places(pixels)[0]["why"]


@pytest.mark.parametrize(("height", "width"), [(1, 1), (5, 3000), (700, 9), (64, 64), (331, 517)])
def test_pieces_lie_within_pictures_of_any_shape(height, width):
    pixels = np.full((height, width, 3), 30000, np.uint16)
    pieces = places(pixels)
    assert pieces
    for each in pieces:
        assert each["left_px"] + each["width_px"] <= width
        assert each["top_px"] + each["height_px"] <= height
    out, _, findings, _ = sheet_of(pixels, [
        {key: value for key, value in each.items() if key != "why"} for each in pieces
    ])  # fmt: skip
    for each in findings["pieces"]:
        top, left = each["strip_top_px"], each["strip_left_px"]
        there = out[top : top + each["height_px"], left : left + each["width_px"]]
        assert (there == 30000).all()


@pytest.mark.parametrize("rows", [1, 29, 900])
def test_pixels_are_copied_and_do_not_depend_on_bands(rows):
    rng = np.random.default_rng(1)
    pixels = rng.integers(0, 65536, (900, 1200, 3), dtype=np.uint16)
    pieces = [
        {"left_px": 64, "top_px": 128, "width_px": 160, "height_px": 144, "label": "one"},
        {"left_px": 640, "top_px": 192, "width_px": 160, "height_px": 144, "label": "two"},
    ]
    out, result, findings, _ = sheet_of(pixels, pieces, rows=rows)
    assert (result.height_px, result.width_px, 3) == out.shape
    assert 100.0 == result.ppi
    for piece, found in zip(pieces, findings["pieces"], strict=True):
        rows_there = slice(piece["top_px"], piece["top_px"] + 144)
        columns_there = slice(piece["left_px"], piece["left_px"] + 160)
        top, left = found["strip_top_px"], found["strip_left_px"]
        np.testing.assert_array_equal(
            pixels[rows_there, columns_there], out[top : top + 144, left : left + 160]
        )
        # so that dither and blocks fall alike
        assert (top - piece["top_px"]) % STEP_PX == (left - piece["left_px"]) % STEP_PX == 0


@pytest.mark.parametrize(("encoding", "profile"), [("cmyk", None), ("grey", None)])
def test_labels_are_black_on_bare_ground(encoding, profile):
    channels = Encoding(encoding).channels
    pixels = np.full((600, 600, channels), 20000, np.uint16)
    spec = RasterSpec(600, 600, Encoding(encoding), profile, ppi=100.0)
    piece = {"left_px": 0, "top_px": 0, "width_px": 160, "height_px": 144, "label": "mud"}
    out = sheet_of(pixels, [piece], spec)[0]
    found = {tuple(pixel) for pixel in out.reshape(-1, channels).tolist()}
    bare = (0, 0, 0, 0) if encoding == "cmyk" else (65535,)
    assert {BLACK[Encoding(encoding)], bare, (20000,) * channels} <= found


@settings(max_examples=60)
@given(
    width=st.integers(1, 40000), height=st.integers(1, 40000), ppi=st.sampled_from([0, 40, 72, 100,
    150, 240, 300, 360, 720]), number=st.integers(1, 12),
)  # fmt: skip
def test_the_arrangement_is_the_smallest_and_nothing_overlaps(width, height, ppi, number):
    each = cell(width, height, float(ppi))
    assert 1 <= each.width_px <= min(width, each.pitch_px)
    assert each.height_px + each.label_px <= each.pitch_px
    assert each.width_px == width or each.width_px % BLOCK_PX == 0
    assert 0 == each.pitch_px % STEP_PX
    heads = dict.fromkeys(range(1, number + 1), 3 * each.text_px)
    found = smallest(number, each, heads, 10**9)
    assert found.columns * found.rows >= number
    places = [found.place(count, each.pitch_px) for count in range(number)]
    assert len(set(places)) == number
    assert max(left + each.width_px for left, _ in places) == found.width_px
    bottom = max(top + each.height_px + each.label_px for _, top in places)
    assert bottom == found.height_px
    for columns in heads:
        other = smallest(number, each, {**heads, columns: 10**6}, 10**9)
        assert found.width_px * found.height_px <= other.width_px * other.height_px


def test_words_are_broken_to_the_width_and_drawn_where_they_belong():
    lines = wrapped("reeds at low water on the estuary", 20, 120)
    assert 2 < len(lines)
    assert "reeds at low water on the estuary" == " ".join(lines)
    pixels = np.full((60, 200, 3), 65535, np.uint16)
    draw(pixels, "mud", 50, 10, 20, (0, 0, 0))
    rows, columns = np.nonzero((pixels < 30000).all(axis=2))
    assert 10 <= rows.min() < rows.max() < 37
    assert 50 <= columns.min() < columns.max() < 120


def two_blues_and_a_green():
    """Lab of a grey ground with three blues that are lost most, and one green that is lost less."""
    lab = np.zeros((400, 800, 3), np.float32)
    lab[..., 0] = 50
    loss = np.zeros((400, 800), np.float32)
    for left, blue in ((0, -90), (200, -92), (400, -88)):
        lab[:200, left : left + 150] = (30, 40, blue)
        loss[:200, left : left + 150] = 20
    lab[200:, 600:] = (60, -80, 60)
    loss[200:, 600:] = 8
    return lab, loss


def test_a_strip_never_shows_the_same_lost_colour_twice():
    lab, loss = two_blues_and_a_green()
    each = Cell(192, 160, 128, 12)
    found = telling(lab, loss, loss, 3.0, (800, 400), each, (0, 0, 800, 400), 4)
    lost = [piece for piece in found if LOST in piece.why]
    assert 1 == sum(piece.top_px + piece.height_px <= 200 for piece in lost)
    assert (True, True) == (lost[0].top_px < 200, lost[1].left_px >= 500)


def test_a_strip_shows_the_places_that_a_person_names_first():
    lab, loss = two_blues_and_a_green()
    each = Cell(192, 160, 128, 12)
    named = [((0.5, 0.75), "asked for"), ((1.0, 1.0), "the corner")]
    first, second = telling(lab, loss, loss, 3.0, (800, 400), each, (0, 0, 800, 400), 4, named)[:2]
    assert (True, True) == (
        first.left_px < 400 < first.left_px + 160, first.top_px < 300 < first.top_px + 128,
    )  # fmt: skip
    assert "asked for" == first.why[0]
    # the corner: as near as whole steps allow
    assert (True, True) == (second.left_px >= 576, second.top_px >= 256 - 63)


def test_no_piece_of_a_strip_lies_in_the_wrap_of_a_canvas():
    """Lost colours, greys and dark detail lie in the mirrored wrap; the face has them too."""
    lab = np.zeros((400, 800, 3), np.float32)
    lab[..., 0], lab[..., 1] = 50, 60
    loss = np.zeros((400, 800), np.float32)
    lab[:, :100] = (40, 0, 0)  # the best greys
    lab[:, 700:] = (10, 0, 0)  # the darkest
    lab[::2, 700:, 0] = 20
    loss[:100] = 40
    loss[100:130] = 10
    lab[150:300, 150:320, 1] = 2
    face = (100, 100, 600, 200)
    found = telling(lab, loss, loss, 3.0, (800, 400), Cell(192, 160, 128, 12), face, 4)
    assert {LOST, NEUTRAL} <= {why for piece in found for why in piece.why}
    for piece in found:
        assert 100 <= piece.left_px <= piece.left_px + piece.width_px <= 700, piece
        assert 100 <= piece.top_px <= piece.top_px + piece.height_px <= 300, piece


def test_a_face_that_is_smaller_than_a_piece_is_in_its_middle():
    lab, loss = two_blues_and_a_green()
    face = (380, 190, 40, 20)
    (piece,) = telling(lab, loss + 9, loss, 3.0, (800, 400), Cell(192, 160, 128, 12), face, 4)[:1]
    assert (320, 136) == (piece.left_px, piece.top_px)


@pytest.mark.parametrize("text", ["40%,30%", "40, 30", " 40 % , 30 % "])
def test_a_place_is_read_as_people_write_it(text):
    assert (0.4, 0.3) == pytest.approx(read_place(text))


@pytest.mark.parametrize("text", ["40%", "a,b", "140%,3%", "1,2,3", "nan,0"])
def test_what_is_no_place_is_said(text):
    with pytest.raises(SettingsError, match="from the left and from the top"):
        read_place(text)
