"""Sizing: the size that is asked for, in every way people say it, and what pixels allow."""

import pytest
from pydantic import ValidationError

from hotfolder import Encoding, Hold, LongEdgeWish, RasterSpec, largest_mm, needed_ppi
from hotfolder_stages.sizing import Sizing
from hotfolder_stages.sizing.enough import choose_ppi
from hotfolder_stages.sizing.geometry import Box, plan
from hotfolder_stages.sizing.papers import SIZES_MM
from hotfolder_stages.sizing.request import SizingSettings, request
from stages.driving import job_of


def asked(width_px, height_px, file_ppi=300.0, distance_mm=350.0, **values):
    raster = RasterSpec(width_px, height_px, Encoding.RGB, ppi=file_ppi)
    return request(SizingSettings.model_validate(values), raster, distance_mm)


def size(made):
    return made.width_px, made.height_px


# ISO 216:2007; px = round(mm / 25.4 * ppi), computed by hand.
@pytest.mark.parametrize(
    ("paper", "ppi", "px"),
    [
        ("A4", 300, (2480, 3508)),
        ("A3", 300, (3508, 4961)),
        ("A2", 150, (2480, 3508)),
        ("A0", 100, (3311, 4681)),
        ("B2", 300, (5906, 8350)),
        ("B5", 300, (2079, 2953)),
    ],
)
def test_a_paper_has_the_size_of_iso_216(paper, ppi, px):
    assert px == size(asked(400, 600, paper=paper, ppi=ppi, mode="cover"))


def test_each_paper_is_half_of_the_one_before():
    """ISO 216, clause 3: halved, and rounded down to whole millimetres."""
    for series in "AB":
        for number in range(10):
            short, long = SIZES_MM[f"{series}{number}"]
            assert (long // 2, short) == SIZES_MM[f"{series}{number + 1}"]


@pytest.mark.parametrize(
    ("picture", "paper", "px"),
    [
        ((600, 400), "A4", (3508, 2480)),
        ((400, 600), "A4", (2480, 3508)),
        ((400, 600), "A4 landscape", (3508, 2480)),
        ((600, 400), "a4 portrait", (2480, 3508)),
    ],
)
def test_a_paper_lies_as_the_picture_does_unless_it_says_how(picture, paper, px):
    assert px == size(asked(*picture, paper=paper, ppi=300, mode="exact"))


def test_width_and_height_turn_for_upright_pictures_when_the_settings_say_so():
    box = {"width": "300 px", "height": "200 px", "mode": "cover"}
    assert (300, 200) == size(asked(400, 600, **box))
    assert (200, 300) == size(asked(400, 600, turn=True, **box))
    assert (300, 200) == size(asked(600, 400, turn=True, **box))


@pytest.mark.parametrize(
    ("file_ppi", "values", "px", "ppi"),
    [
        (300, {}, (600, 400), 300),
        (300, {"ppi": 150}, (300, 200), 150),
        (0, {"ppi": 150}, (600, 400), 150),
        (0, {}, (600, 400), 72),
    ],
)
def test_without_a_size_the_picture_keeps_the_one_it_says_it_has(file_ppi, values, px, ppi):
    made = asked(600, 400, file_ppi, **values)
    assert (px, ppi) == (size(made), made.ppi)


@pytest.mark.parametrize(
    ("anchor", "left", "top"),
    [
        ("centre", 75, 0),
        ("left", 0, 0),
        ("right", 150, 0),
        ("top", 75, 0),
        ("top right", 150, 0),
    ],
)
def test_a_crop_keeps_the_part_at_its_anchor(anchor, left, top):
    made = plan(600, 400, Box(300, 300), "cover", enlarge=True, anchor=anchor)
    assert (left, top) == (made.crop_left_px, made.crop_top_px)
    upright = plan(400, 600, Box(300, 300), "cover", enlarge=True, anchor="bottom left")
    assert (0, 150) == (upright.crop_left_px, upright.crop_top_px)


def test_a_bleed_is_rounded_up_on_each_side_and_the_trim_is_the_size_asked_for():
    """3 mm at 300 ppi is 35.43 px: 36. A4 is 2480 × 3508."""
    made = asked(4000, 6000, paper="A4", ppi=300, mode="cover", bleed="3 mm")
    assert ((2480 + 72, 3508 + 72), 36) == (size(made), made.bleed_px)
    whole = asked(4000, 6000, paper="A4", ppi=254, mode="cover", bleed="3 mm")
    assert 30 == whole.bleed_px  # exactly, no more


def test_a_picture_that_fits_inside_fills_its_bleed_too():
    made = asked(6000, 4000, long_edge="297 mm", ppi=300, bleed="3 mm")
    assert (3508 + 72, 2339 + 72) == size(made)
    assert made.front.scaled_width_px >= 3580
    assert made.front.scaled_height_px >= 2411
    assert not made.front.border


def test_a_border_goes_on_into_the_bleed():
    made = asked(600, 400, paper="A4", ppi=300, mode="exact", bleed="3 mm")
    assert (3580, 2552) == size(made)
    assert (3508, 2339) == (made.front.kept_width_px, made.front.kept_height_px)
    assert (36, 36) == (made.front.border.left, made.front.border.right)


# Canvas in mm and its pixels, computed from the whole size: width + 2 * wrap.
@pytest.mark.parametrize(
    ("front", "wrap", "ppi", "px"),
    [
        ((600, 400), 38, 150, (3992, 2811)),
        ((600, 400), 50, 150, (4134, 2953)),
        ((900, 600), 45, 180, (7016, 4890)),
    ],
)
def test_a_wrapped_canvas_has_the_pixels_of_its_whole_size(front, wrap, ppi, px):
    made = asked(6000, 4000, long_edge=f"{front[0]} mm", ppi=ppi, wrap=f"{wrap} mm")
    assert px == size(made)
    assert abs(made.wrap.left - made.wrap.right) <= 1
    assert abs(made.wrap.top - made.wrap.bottom) <= 1


def test_a_mirrored_wrap_wider_than_the_picture_is_held():
    with pytest.raises(Hold) as hold:
        asked(600, 100, long_edge="60 mm", ppi=300, wrap="40 mm")
    assert "wrap-too-wide" == hold.value.code
    assert "A wrap of 40 mm is wider than the picture, which is only 709 × 118 px" in (
        hold.value.message
    )
    assert asked(600, 100, long_edge="60 mm", ppi=300, wrap="40 mm", wrap_edges="plain").wrap


# One minute of arc: 3437.75 / inches of distance (acuity of 1.0); trade tables round these.
@pytest.mark.parametrize(
    ("distance_mm", "ppi"),
    [(254, 343.8), (300, 291.1), (500, 174.6), (1000, 87.3), (2000, 43.7), (10000, 8.7)],
)
def test_the_distance_says_what_the_eye_needs(distance_mm, ppi):
    assert ppi == pytest.approx(needed_ppi(distance_mm), abs=0.05)


@pytest.mark.parametrize(
    ("has_ppi", "distance_mm", "chosen"),
    [
        (100, 350, 180),  # the picture has no more
        (180, 350, 180),
        (181, 350, 360),
        (720, 350, 720),  # close looking at 350 mm sees 499
        (720, 600, 360),  # 291
        (720, 3000, 180),  # 58
        (2000, 0, 720),
    ],
)
def test_a_printers_own_resolution_is_the_lowest_that_loses_nothing(has_ppi, distance_mm, chosen):
    assert chosen == choose_ppi([360, 180, 720], has_ppi, distance_mm)


def test_the_resolution_is_chosen_for_the_size_asked_for():
    """6000 px on 600 mm are 254 ppi, on 900 mm 169."""
    values = {"native_ppi": [180, 360]}
    assert 360 == asked(6000, 4000, long_edge="600 mm", **values).ppi
    assert 180 == asked(6000, 4000, long_edge="900 mm", **values).ppi
    with pytest.raises(ValidationError):
        SizingSettings.model_validate({"long_edge": "1 m", "native_ppi": []})


def test_the_largest_sharp_size_is_rounded_down():
    assert [508.0, 338.6] == largest_mm(6000, 4000, 300)


def test_findings_say_what_the_pixels_allow():
    """6000 × 4000 px on 600 mm: 254 ppi; 1.5 m need 58.2; at that, 2618 × 1745 mm."""
    raster = RasterSpec(6000, 4000, Encoding.RGB, ppi=300.0)
    stage = Sizing(SizingSettings.model_validate({"long_edge": "600 mm", "ppi": 300}))
    stage.open(raster, job_of(raster, "canvas", "1.5 m"))
    found = stage.close()
    assert (1.1812, 254.0, 58.2, 116.4) == (
        found["enlargement"],
        found["effective_ppi"],
        found["needed_ppi"],
        found["needed_ppi_close"],
    )
    assert [2617.9, 1745.3] == pytest.approx(found["largest_sharp_mm"], abs=0.3)
    assert {"left": 0, "top": 0, "width": 7087, "height": 4725} == found["trim_px"]


@pytest.mark.parametrize(
    ("length", "sides"),
    [
        ("8 1/2 in", ("215.9 mm", "107.95 mm")),
        ("8.5 in", ("8.5 in", "4.25 in")),
        ("8½in", ("215.9 mm", "107.95 mm")),
    ],
)
def test_a_long_edge_in_fractions_of_an_inch_keeps_the_shape(length, sides):
    settings = SizingSettings.model_validate({"width": "40 cm", "height": "20 cm", "ppi": 300})
    granted = settings.granting(LongEdgeWish(length))
    assert sides == (granted["width"], granted["height"])
    alone = SizingSettings.model_validate({"long_edge": "1 m", "ppi": 300})
    assert length == alone.granting(LongEdgeWish(length))["long_edge"]


def test_a_side_may_be_written_as_inches_are():
    made = SizingSettings.model_validate({"long_edge": "8 1/2 in", "ppi": 300})
    assert made.long_edge.value == pytest.approx(215.9)
