"""Charts are found where they are, and nowhere else."""

import subprocess
import sys

import numpy as np
import pytest

from hotfolder_stages.reference.chart import FINDING_COLOURS, KEYS, NAMES, reference_xyz
from hotfolder_stages.reference.finder import ENOUGH_OF_A_WHOLE, find_charts
from hotfolder_stages.reference.geometry import fit_homography, project
from hotfolder_stages.reference.likeness import likeness
from stages import chart_decoys as decoys
from stages import chart_scenes as scenes

pytestmark = pytest.mark.slow

LIGHT = scenes.decode(np.arange(256) / 255).astype(np.float32)


def planes_of(codes):
    return np.ascontiguousarray(LIGHT[codes].transpose(2, 0, 1))


def misses(scene):
    """How far each found chart's worst centre is off, in distances of patches."""
    return [
        np.linalg.norm(chart.centres - scene.centres, axis=1).max() / scene.pitch_px
        for chart in find_charts(planes_of(scene.codes))
    ]


def width_for(case):
    # a chart of 3 % of a picture has 92 pixels in the copy that is searched
    return 1536 if case == "small" else 768


def made(seed, case, **more):
    if case == "small":
        more.setdefault("size", 0.055 + 0.03 * (seed % 3) / 2)
    return scenes.scene(seed, case, width_for(case), **more)


@pytest.mark.parametrize("case", scenes.CASES)
def test_a_chart_is_found_and_read_in_its_order(case):
    found = misses(made(1, case))
    assert 1 == len(found)
    assert found[0] < 0.12


@pytest.mark.slow
@pytest.mark.parametrize("case", scenes.CASES)
def test_of_many_scenes_nearly_all_are_found_and_none_wrongly(case, every_act):
    seeds = range(100, 120 if every_act else 102)
    found = [misses(made(seed, case)) for seed in seeds]
    right = sum(any(miss < 0.3 for miss in each) for each in found)
    wrong = sum(miss >= 0.3 for each in found for miss in each)
    assert (True, 0) == (right >= 0.95 * len(seeds) - 0.6, wrong), f"{right} of {len(found)}"


@pytest.mark.parametrize("kind", decoys.KINDS, ids=lambda kind: kind.__name__)
def test_what_only_looks_like_a_chart_is_none(kind):
    for seed in range(3):
        picture = decoys.decoy(kind, seed)
        assert [] == find_charts(np.ascontiguousarray(picture.transpose(2, 0, 1), np.float32))


def test_two_charts_are_both_found_best_first():
    one, other = made(3, "turned", size=0.3), made(4, "gleam", size=0.4)
    both = np.concatenate([one.codes, other.codes], axis=1)
    found = find_charts(planes_of(both))
    truths = [one.centres, other.centres + np.array([one.codes.shape[1], 0])]
    near = [
        min(range(2), key=lambda k: np.linalg.norm(chart.centres - truths[k])) for chart in found
    ]
    assert [0, 1] == sorted(near)
    assert found[0].score >= found[1].score


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_turned_picture_has_the_chart_turned(turns):
    scene = made(5, "tilted")
    (upright,) = find_charts(planes_of(scene.codes))
    (turned,) = find_charts(planes_of(np.rot90(scene.codes, turns).copy()))
    x, y = upright.centres.T
    height, width, _ = scene.codes.shape
    for _ in range(turns):
        x, y, height, width = y, width - 1 - x, width, height
    assert np.stack([x, y], 1) == pytest.approx(turned.centres, abs=0.05 * scene.pitch_px)


@pytest.mark.parametrize("shape", [(1, 1), (3, 500), (40, 40)])
def test_tiny_pictures_have_none(shape):
    rng = np.random.default_rng(1)
    assert [] == find_charts(rng.uniform(0, 1, (3, *shape)).astype(np.float32))


def test_a_black_picture_has_none():
    assert [] == find_charts(np.zeros((3, 300, 400), np.float32))


def test_the_colours_that_charts_are_found_by_are_those_of_colour_science():
    linear = scenes.to_srgb(reference_xyz())
    assert np.maximum(linear, 0) == pytest.approx(FINDING_COLOURS, abs=0.006)


def test_the_values_are_those_of_the_spectra():
    # the library's values and spectra of the same charts; spectra at 10 nm, 400 to 700 nm
    expected = scenes.xyz_under("D50", scenes.PATCHES)
    assert expected == pytest.approx(reference_xyz(), abs=0.004)


def test_patches_have_the_names_of_colour_science_as_far_as_these_agree():
    import colour

    names = list(colour.CCS_COLOURCHECKERS[KEYS[0]].data)
    assert names[:18] == list(NAMES[:18])
    assert len(NAMES) == 24


@pytest.mark.parametrize("light", scenes.LIGHTS)
def test_likeness_does_not_depend_on_light_or_exposure(light):
    seen = scenes.photographed(scenes.PATCHES, light, 0, "D65", 0.05)
    assert likeness(seen, FINDING_COLOURS).score > 0.95


def test_likeness_leaves_covered_patches_out_and_says_which():
    seen = scenes.photographed(scenes.PATCHES)
    seen[[9, 17]] = [0.45, 0.25, 0.16]
    found = likeness(seen, FINDING_COLOURS)
    assert {9, 17} <= set(found.outliers)
    assert found.score > 0.97


def test_other_orders_of_the_patches_and_other_colours_are_far_from_likely():
    rng = np.random.default_rng(1)
    patches = scenes.photographed(scenes.PATCHES)
    others = [patches[rng.permutation(24)] for _ in range(1000)]
    others += list(rng.uniform(0.02, 0.9, (1000, 24, 3)) ** 1.5)
    likely = max(likeness(each, FINDING_COLOURS).score for each in others)
    assert likely < ENOUGH_OF_A_WHOLE - 0.08


def test_a_homography_is_found_from_exact_points():
    rng = np.random.default_rng(2)
    truth = np.array([[30, 4, 100], [-6, 28, 50], [0.01, -0.02, 1]])
    points = rng.uniform(0, 6, (12, 2))
    found = fit_homography(points, project(truth, points))
    assert truth == pytest.approx(found, rel=1e-6, abs=1e-6)


def test_points_in_one_place_determine_none():
    with pytest.raises(np.linalg.LinAlgError):
        fit_homography(np.zeros((5, 2)), np.full((5, 2), np.nan))


@pytest.mark.slow
def test_a_picture_without_a_chart_does_not_wait_for_the_colour_library():
    code = (
        "import sys, numpy as np\n"
        "from hotfolder_stages.reference import Reference\n"
        "from hotfolder_stages.reference.finder import ENOUGH_OF_A_WHOLE, find_charts\n"
        "find_charts(np.random.default_rng(1).uniform(0, 1, (3, 200, 300)).astype('f4'))\n"
        "print('colour' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "False" == done.stdout.strip()
