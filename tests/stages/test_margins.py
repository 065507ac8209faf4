"""Paper, marks and words around a picture; the picture itself is not touched."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pydantic import ValidationError

from hotfolder import Area, Band, EditionNumber, Encoding, Refuse
from hotfolder.colour import white
from hotfolder.model.destination import Medium, Result
from hotfolder.raster.dither import Dither
from hotfolder.raster.reading import open_original
from hotfolder.raster.writing import open_result
from hotfolder.testing import cut, make_job, make_spec, make_stage, run_stage
from hotfolder_stages.margins import Margins, MarginsSettings

PPI = 254.0
"""Ten pixels a millimetre."""
MARKS = {"trim": "8 mm", "crop_marks": True, "mark_length": "4 mm", "mark_gap": "3 mm"}


def noise(rows=90, columns=140, channels=3):
    return np.random.default_rng(1).integers(0, 65536, (rows, columns, channels), np.uint16)


def dress(settings, pixels=None, job=None, **spec):
    pixels = noise() if pixels is None else pixels
    raster = replace(make_spec(pixels, ppi=PPI), **spec)
    job = job or make_job(raster, name="reeds.tif")
    return run_stage(make_stage(Margins, settings), pixels, raster, job=job), job


@pytest.mark.parametrize("channels", [1, 3, 4])
def test_the_picture_inside_is_bit_for_bit_what_came_and_white_is_bare_paper(channels):
    pixels = noise(channels=channels)
    done, _ = dress({"border": "2 mm", "border_below": "3 mm", "trim": "1 mm"}, pixels)
    assert (90 + 20 + 30 + 2 * 10, 140 + 2 * 30, channels) == done.pixels.shape
    assert (pixels == done.pixels[30:120, 30:170]).all()
    around = np.ones(done.pixels.shape[:2], bool)
    around[30:120, 30:170] = False
    assert (done.pixels[around] == white(done.spec.encoding)).all()


def test_the_height_of_bands_changes_nothing():
    settings = {**MARKS, "border": "6 mm", "caption": "{file}", "label": "{size} {medium}"}
    pixels = noise()
    raster = make_spec(pixels, ppi=PPI)
    made = []
    for rows in (1, 7, 90):
        stage = make_stage(Margins, settings)
        stage.open(raster, make_job(raster, name="reeds.tif"))
        made.append(np.concatenate([each.pixels for each in stage.bands(cut(pixels, rows))]))
    assert (made[0] == made[1]).all()
    assert (made[0] == made[2]).all()


def test_eight_bits_of_the_picture_are_those_without_the_stage(tmp_path):
    pixels = noise()
    done, _ = dress({"border": "2.3 mm", "trim": "1.4 mm"}, pixels)
    alone = Dither(140, 3).apply(pixels, 0)
    path = tmp_path / "sheet.tif"
    with open_result(path, done.spec, Result(bits=8)) as writer:
        writer.write([Band(0, done.pixels)])
    with open_original(path, name="sheet.tif", scratch=tmp_path) as opened:
        read = np.concatenate([each.pixels for each in opened.bands()])
    assert (alone == read[37:127, 37:177] // 257).all()
    assert {255} == set(np.unique(read[:37] // 257))


def test_crop_marks_stand_outside_the_trim_line_to_the_pixel():
    done, _ = dress({**MARKS, "border": "2 mm"})
    trim = done.findings["trim_at_px"]
    assert {"left_px": 80, "top_px": 80, "width_px": 180, "height_px": 130} == trim
    black = (done.pixels == 0).all(axis=2)
    black[100:190, 100:240] = False  # the picture
    found = np.argwhere(black)
    # each is one pixel wide, four millimetres long and three away
    columns, rows = {79, 260}, {79, 210}
    above, below = set(range(10, 50)), set(range(240, 280))
    left, right = set(range(10, 50)), set(range(290, 330))
    expected = {(row, column) for row in above | below for column in columns}
    expected |= {(row, column) for row in rows for column in left | right}
    assert expected == {tuple(each) for each in found.tolist()}


def test_marks_are_black_ink_alone_in_cmyk():
    pixels = np.full((90, 140, 4), 30000, np.uint16)
    done, _ = dress({**MARKS, "label": "{file}"}, pixels)
    outside = done.pixels.copy()
    outside[80:170, 80:220] = 0
    assert not outside[..., :3].any()
    assert 65535 == outside[..., 3].max()


def test_a_bleed_reaches_into_the_trim_margin_and_is_cut_at_the_trim_line():
    done, _ = dress(MARKS, front_px=(120, 70), bleed_px=10)
    assert (90 + 140, 140 + 140) == done.pixels.shape[:2]  # 8 mm less the bleed on each side
    assert {"left_px": 80, "top_px": 80, "width_px": 120, "height_px": 70} == done.findings[
        "trim_at_px"
    ]
    assert (noise() == done.pixels[70:160, 70:210]).all()


def test_fold_marks_stand_where_the_wrap_is_folded():
    done, _ = dress({**MARKS, "crop_marks": False, "fold_marks": True}, front_px=(100, 60))
    assert done.findings["fold_marks"] is True
    black = (done.pixels[:80] == 0).all(axis=2)
    assert {80 + 20 - 1, 80 + 20 + 100} == set(np.argwhere(black)[:, 1].tolist())
    black = (done.pixels[:, :80] == 0).all(axis=2)
    assert {80 + 15 - 1, 80 + 15 + 60} == set(np.argwhere(black)[:, 0].tolist())


def test_fold_marks_without_a_wrap_are_said_to_be_none():
    done, job = dress({**MARKS, "fold_marks": True})
    assert done.findings["fold_marks"] is False
    assert ["no-wrap"] == [each.code for each in job.warnings]


def test_words_stand_in_their_margins_and_say_what_they_are_told():
    pixels = noise(200, 900)
    done, job = dress(
        {**MARKS, "border": "6 mm", "caption": "{file} {edition}", "label": "{size} {medium}",
         "edition": "3/25"},
        pixels,
    )  # fmt: skip
    assert "reeds 3/25" == done.findings["caption"]
    assert "90 x 20 mm lustre" == done.findings["label"]
    assert () == job.warnings
    assert (pixels == done.pixels[140:340, 140:1040]).all()
    border, trimmed = done.pixels[341:399, 140:1040], done.pixels[431:470, 90:1090]
    assert border.min() < 10_000 < 60_000 < border.max()
    assert trimmed.min() < 10_000
    assert not (done.pixels % 257)[400:].any()  # 8 bits hold every step of letters


@pytest.mark.parametrize(("own", "shown"), [("", "reeds 3/25"), ("A/P", "reeds A/P")])
def test_the_number_of_a_print_is_the_one_told_unless_the_settings_say_one(own, shown):
    pixels = noise(200, 900)
    told = [EditionNumber(3, 25)]
    job = make_job(make_spec(pixels, ppi=PPI), name="reeds.tif", told=told)
    settings = {"border": "6 mm", "caption": "{file} {edition}", "edition": own}
    assert shown == dress(settings, pixels, job)[0].findings["caption"]


def test_words_without_room_are_cut_and_letters_without_a_shape_are_named():
    done, job = dress({"border": "6 mm", "caption": "潮 {file} and much more than there is room"})
    assert done.findings["caption"].startswith("? reeds")
    assert done.findings["caption"].endswith("…")
    assert ["letters-missing"] == [each.code for each in job.warnings]
    assert "潮" in job.warnings[0].message


def test_an_accent_that_the_font_lacks_is_left_out_and_said():
    done, job = dress({"border": "6 mm", "caption": "Crue d’été"}, noise(40, 900))
    assert done.findings["caption"].endswith("ete")
    assert "é" in job.warnings[0].message


def test_where_the_original_lies_and_what_is_looked_at_move_along():
    done, _ = dress({"border": "2 mm"})
    assert Area(20, 20, 140, 90) == done.spec.original_at
    assert (140, 90) == done.spec.looked_at_px
    assert PPI == done.spec.ppi


def test_alpha_of_the_paper_is_opaque():
    pixels, alpha = noise(4, 6), np.full((4, 6), 7, np.uint16)
    raster = make_spec(pixels, ppi=PPI, has_alpha=True)
    stage = make_stage(Margins, {"border": "0.1 mm"})
    stage.open(raster, make_job(raster))
    made = np.concatenate([each.alpha for each in stage.bands([Band(0, pixels, alpha)])])
    assert (made[1:5, 1:7] == 7).all()
    assert 65535 == made[0].min() == made[:, 0].min()


@pytest.mark.parametrize(
    ("settings", "spec", "code"),
    [
        ({"border": "2 mm"}, {"ppi": 0.0}, "no-ppi"),
        ({"border": "2 mm", "trim": "5 mm"}, {"bleed_px": 9}, "bleed-and-margins"),
        ({"trim": "0.5 mm"}, {"bleed_px": 9}, "bleed-and-margins"),
        ({**MARKS, "mark_gap": "0.1 mm"}, {"bleed_px": 79}, "bleed-and-margins"),
    ],
)
def test_a_picture_that_does_not_go_with_its_margins_is_refused(settings, spec, code):
    with pytest.raises(Refuse) as refused:
        dress(settings, **spec)
    assert code == refused.value.code


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"crop_marks": True}, "trim at least"),
        ({"caption": "{file}"}, "border_below at least"),
        ({"label": "{file}", "trim": "4 mm"}, "trim at least"),
        ({"caption": "{page}"}, "{edition}"),
        ({"border": "2 km"}, "mm"),
    ],
)
def test_settings_that_cannot_be_are_refused_in_words(settings, said):
    with pytest.raises(ValidationError, match=said.replace("{", r"\{")):
        MarginsSettings.model_validate(settings)


def test_check_doubts_margins_on_a_screen_and_margins_of_nothing():
    def medium(surface):
        said = {"profile": "x.icc", "surface": surface, "viewing_distance": "1 m"}
        return Medium.model_validate(said)

    wide = MarginsSettings.model_validate({"border": "2 mm", "edition": "1/2"})
    assert {"border"} == set(wide.doubts(medium("screen")))
    assert {"edition"} == set(wide.doubts(medium("canvas")))
    assert {"border"} == set(MarginsSettings().doubts(medium("canvas")))


def test_the_colour_of_marks_is_known_for_every_encoding():
    for encoding in Encoding:
        assert encoding.channels == len(white(encoding))
