"""Drift by a photograph: stated uncertainty holds, and what is unclear is said."""

from datetime import date

import numpy as np
import pytest

from hotfolder.measured.choosing import absolute_lab
from hotfolder.measured.photograph import (
    compare_strips,
    describe_grids,
    judge_photograph,
    list_photograph_grids,
)
from hotfolder.measured.table import NotUsable
from hotfolder.measured.verdict import followed
from hotfolder.model.standing import StripToLay
from hotfolder.raster.patch_block import PatchBlock
from hotfolder.settings.files import load_destination
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry
from hotfolder.stages.roles import PhotographFindings
from hotfolder.testing import make_job, make_spec, make_stage, run_stage
from hotfolder_stages.reference import StripPhotograph
from measuring import shots
from measuring.test_prediction import drift as move

RUNS = 8
KINDS = ("none", "paper", "tones", "clogged")


@pytest.fixture
def canvas(root):
    file = root.destinations / "fine-art-canvas.toml"
    return load_destination(file, load_registry(), Intake())


def print_two(profile, strip, kind, seed):
    """Colours of the first accepted print and of the new one, and the printer's hidden part."""
    rng = np.random.default_rng(seed)
    moved, paper = move(strip.device, kind, seed)
    labs = [absolute_lab(profile, each) for each in (strip.device, moved)]
    labs[1] = labs[1] + paper * (labs[1][:, :1] / 100) ** 2
    first = labs[0] + rng.normal(0, 0.8, 3)  # as it was accepted, and not as the profile says
    new = labs[1] + first - labs[0]
    return first, new, rng.normal(0, 0.15, (3, 4))


@pytest.mark.slow
def test_95_of_100_true_changes_lie_within_the_stated_uncertainty(canvas, strip):
    within, errors, sizes = {key: [] for key in KINDS}, [], []
    for kind in KINDS:
        for seed in range(RUNS):
            first, new, own = print_two(canvas.profile, strip, kind, 7000 + seed)
            rng = np.random.default_rng(9000 + seed)
            shot = shots.draw_shot(rng)
            found = shots.read_two(first, new, shot, rng, own, grid=seed % 3)
            said = compare_strips(found, strip, first)
            true_first, true_new = followed(first, strip), followed(new, strip)
            for key, each in said.drift.items():
                error = each.value - (true_new[key] - true_first[key])
                within[kind].append(abs(error) <= each.uncertainty)
                errors.append(error)
                sizes.append(each.uncertainty)
    shares = {kind: float(np.mean(each)) for kind, each in within.items()}
    assert np.mean(np.concatenate(list(within.values()))) >= 0.95
    assert min(shares.values()) >= 0.93, shares
    # not by saying that nothing is known
    assert np.median(sizes) < 1.5
    assert np.sqrt(np.mean(np.square(errors))) < 0.9  # of strips in one row, the light weighs most


def test_a_change_is_found_that_is_larger_than_its_uncertainty(canvas, strip):
    first, _, own = print_two(canvas.profile, strip, "none", 1)
    new = first + np.array([0, 0, 3.0]) * (first[:, :1] / 100) ** 2
    rng = np.random.default_rng(2)
    found = shots.read_two(first, new, shots.draw_shot(rng), rng, own)
    said = compare_strips(found, strip, first)
    assert said.drift["paper_b"].seen
    assert said.drift["paper_b"].value == pytest.approx(3.0, abs=1.2)
    assert "yellower" in said.words[0]
    assert "never how far the print is from its profile" in said.words[1]
    same = compare_strips(shots.read_two(first, first, shots.draw_shot(rng), rng, own), strip, None)
    assert not any(each.seen for each in same.drift.values())
    assert "no change can be told" in same.words[0]


def test_the_first_accepted_print_lies_above_in_whatever_order_they_were_found(canvas, strip):
    first, new, own = print_two(canvas.profile, strip, "paper", 3)
    shot = shots.draw_shot(np.random.default_rng(4))
    found, turned = (
        shots.read_two(first, new, shot, np.random.default_rng(5), own, turned=each)
        for each in (False, True)
    )
    assert compare_strips(found, strip, first).drift == compare_strips(turned, strip, first).drift


def test_what_does_not_show_two_strips_is_refused_with_a_reason(canvas, strip):
    first, new, own = print_two(canvas.profile, strip, "none", 6)
    rng = np.random.default_rng(6)
    found = shots.read_two(first, new, shots.draw_shot(rng), rng, own)
    with pytest.raises(NotUsable, match=r"must show two strips .* one can be seen"):
        compare_strips(found.model_copy(update={"seen": found.seen[:1]}), strip, None)
    with pytest.raises(NotUsable, match="none can be seen"):
        compare_strips(PhotographFindings(marks=0, seen=()), strip, None)
    dark = [each.model_copy(update={"cut": True}) for each in found.seen[0].patches]
    cut = found.seen[0].model_copy(update={"patches": tuple(dark)})
    with pytest.raises(NotUsable, match="a little darker"):
        compare_strips(found.model_copy(update={"seen": (cut, found.seen[1])}), strip, None)


def read(codes, strip):
    """What the stage finds in a photograph."""
    pixels = codes.astype(np.uint16) * 257
    spec = make_spec(pixels)
    stage = make_stage(StripPhotograph, {"grids": describe_grids(len(strip.patches))})
    found = run_stage(stage, pixels, spec, job=make_job(spec), rows=200)
    assert (pixels == found.pixels).all()
    return PhotographFindings.model_validate(found.findings)


@pytest.mark.slow(cases=1)
@pytest.mark.parametrize("seed", range(2))
def test_two_sheets_are_found_and_compared_in_a_picture(canvas, strip, seed):
    first, new, own = print_two(canvas.profile, strip, "paper", 50 + seed)
    rng = np.random.default_rng(60 + seed)
    shot = shots.draw_shot(rng)
    sheets = [
        shots.print_sheet(strip, canvas, date(2026, 11, 28), lab, shot, own) for lab in (first, new)
    ]
    found = read(shots.photograph(sheets, shot, rng), strip)
    assert found.marks >= 8  # squares of the codes may be among them
    said = judge_photograph(
        found, name="two.jpg", kept="", sha256="0" * 64, strip=strip, earlier=[]
    )
    change = {
        key: after - followed(first, strip)[key] for key, after in followed(new, strip).items()
    }
    missed = {
        key: (each.value, change[key], each.uncertainty)
        for key, each in said.drift.items()
        if abs(each.value - change[key]) > each.uncertainty
    }
    assert len(missed) <= 1, missed
    assert said.against is None


@pytest.mark.slow
@pytest.mark.parametrize("columns", [24, 12])
def test_two_blocks_from_a_margin_are_found_in_a_picture(canvas, strip, columns):
    first, new, own = print_two(canvas.profile, strip, "paper", 80)
    rng = np.random.default_rng(81)
    shot = shots.draw_shot(rng)
    laid = StripToLay(
        strip.id, tuple(each.name for each in strip.patches),
        tuple(each.device for each in strip.patches), "2026-11-28", says="strip", words=strip.id,
    )  # fmt: skip
    room = {24: (4000, 4000), 12: (1200, 4000)}[columns]
    block = PatchBlock.fit(laid, room, 8.0, 130)
    assert columns == block.columns
    drawn = block.draw(canvas.profile.encoding)
    blocks = [shots.print_codes(drawn, strip, lab, shot, own) for lab in (first, new)]
    found = read(shots.photograph(blocks, shot, rng, size=(1100, 2200), tilt=0.02), strip)
    said = compare_strips(found, strip, first)
    before, after = followed(first, strip), followed(new, strip)
    missed = [
        key
        for key, each in said.drift.items()
        if abs(each.value - (after[key] - before[key])) > each.uncertainty
    ]
    assert len(missed) <= 1, missed


def test_a_picture_without_strips_has_no_marks(strip):
    rng = np.random.default_rng(8)
    from stages import chart_scenes

    codes = np.rint(
        chart_scenes.encode(np.clip(chart_scenes.background(rng, 600, 800), 0, 1)) * 255
    )
    found = read(codes, strip)
    with pytest.raises(NotUsable):
        compare_strips(found, strip, None)


def test_grids_of_sheet_and_blocks_keep_patches_between_their_marks():
    for grid in list_photograph_grids(24):
        middles = np.concatenate([grid.find_middles(), grid.find_paper()])
        assert middles.min() > -0.2
        assert middles.max() < 1.2
