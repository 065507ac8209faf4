"""What a destination needs is what its stages would find of such a picture."""

import math

import numpy as np
import pytest

from hotfolder import needed_ppi
from hotfolder.errors import SettingsError, StageError
from hotfolder.settings.files import check_destination
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry
from hotfolder.testing import make_job, make_spec, run_stage
from hotfolder.work.need import find_need, read_shape
from hotfolder_stages.sizing import Sizing, SizingSettings

FILE = {
    "stages": ["preflight", "sizing", "profile-conversion"],
    "medium": {"profile": "matte-canvas.icc", "surface": "canvas", "viewing_distance": "1.5 m"},
    "stage": {"sizing": {"long_edge": "24 in", "ppi": 150}},
}
REGISTRY = load_registry()


def need_of(root, tmp_path, sizing=None, cameras=(24,), **more):
    tables = {**FILE["stage"], **more.pop("stage", {})}
    if sizing is not None:
        tables["sizing"] = sizing
    tables = {name: table for name, table in tables.items() if table}
    raw = {**FILE, **more, "stage": tables}
    path = root.destinations / "fine-art-canvas.toml"
    destination = check_destination(path, raw, REGISTRY, Intake())
    return find_need(root, destination, tmp_path, cameras)


SIZES = [
    {"long_edge": "24 in", "ppi": 40},
    {"width": "40 cm", "height": "50 cm", "mode": "cover", "ppi": 30, "wrap": "4 cm"},
    {"width": "40 cm", "height": "50 cm", "mode": "exact", "ppi": 30},
    {"paper": "A3", "mode": "cover", "bleed": "3 mm", "native_ppi": [40, 80]},
    {"short_edge": "30 cm", "ppi": 30, "enlarge": False},
]
PLACE = {**SIZES[1], "ppi": 200}


@pytest.mark.parametrize("sizing", SIZES)
def test_so_many_pixels_are_what_the_stage_calls_enough(root, tmp_path, sizing):
    found = need_of(root, tmp_path, sizing)
    wide, tall = found.shape
    long, short = found.sharp.long_edge_px, found.sharp.short_edge_px
    pixels = np.zeros((short, long, 3) if wide >= tall else (long, short, 3), np.uint16)
    spec = make_spec(pixels)
    job = make_job(spec, "canvas", "1.5 m")
    stage = Sizing(SizingSettings.model_validate(sizing))
    said = run_stage(stage, pixels, spec, job, rows=400).findings
    if sizing.get("enlarge", True):
        assert needed_ppi(1500) == pytest.approx(said["effective_ppi"], rel=0.004)
    assert said["largest_sharp_mm"] == pytest.approx(found.size_mm, rel=0.03, abs=2)


def test_close_looking_needs_twice_as_many(root, tmp_path):
    found = need_of(root, tmp_path)
    assert 2 * found.sharp.long_edge_px == pytest.approx(found.sharp_close.long_edge_px, abs=2)
    assert math.ceil(needed_ppi(1500) * 24) == pytest.approx(found.sharp.long_edge_px, abs=1)


def test_what_the_destination_asks_for_is_told_apart(root, tmp_path):
    found = need_of(root, tmp_path, stage={"preflight": {"hold_below_ppi": 100}})
    assert (100.0, 2400) == (found.asked_for.ppi, found.asked_for.long_edge_px)
    assert need_of(root, tmp_path).asked_for is None
    few = need_of(root, tmp_path, cameras=[3], stage={"preflight": {"hold_below_ppi": 100}})
    assert few.cameras[0].whole.is_asked_for is False


def test_wrap_and_bleed_are_in_the_whole_size(root, tmp_path):
    found = need_of(root, tmp_path, PLACE)
    assert (400, 500) == pytest.approx(found.size_mm, abs=0.2)
    assert (480, 580) == pytest.approx(found.whole_mm, abs=0.2)
    assert found.sharp.long_edge_with_margins_px == pytest.approx(
        found.sharp.long_edge_px * 580 / 500, rel=0.01
    )


def test_a_place_of_fixed_shape_crops_a_camera_that_is_turned_as_it_is(root, tmp_path):
    found = need_of(root, tmp_path, PLACE)
    assert found.shape_is_fixed
    (camera,) = found.cameras
    assert (4000, 6000) == (camera.whole.width_px, camera.whole.height_px)
    assert 1 - (4000 * 5000) / (4000 * 6000) == pytest.approx(camera.whole.cropped_share, abs=0.001)
    assert 0.8 == pytest.approx(camera.in_shape.width_px / camera.in_shape.height_px, abs=0.001)
    assert 0 == camera.in_shape.cropped_share
    assert camera.whole.effective_ppi == pytest.approx(camera.in_shape.effective_ppi, rel=0.001)


def test_with_a_border_the_uncropped_picture_is_smaller_and_sharper(root, tmp_path):
    (camera,) = need_of(root, tmp_path, SIZES[2]).cameras
    assert 0 == camera.whole.cropped_share
    assert camera.whole.effective_ppi > 1.15 * camera.in_shape.effective_ppi


def test_how_far_a_picture_may_be_cropped(root, tmp_path):
    found = need_of(root, tmp_path, cameras=[24, 0.5])
    big, small = (camera.whole for camera in found.cameras)
    assert found.sharp.long_edge_px / 6000 == pytest.approx(big.may_be_cropped_to, abs=0.002)
    assert (True, True) == (big.is_sharp, big.is_sharp_close)
    assert (False, False) == (small.is_sharp, small.is_sharp_close)
    assert small.may_be_cropped_to > 1


def test_a_screen_needs_its_own_pixels_and_no_size_in_millimetres(root, tmp_path):
    medium = {"profile": "srgb.icc", "surface": "screen", "viewing_distance": "50 cm"}
    found = need_of(root, tmp_path, {"long_edge": "2048 px"}, [24, 2], medium=medium)
    assert (2048, 1366) == (found.sharp.long_edge_px, found.sharp.short_edge_px)
    assert (None, None) == (found.size_mm, found.sharp_close)
    assert [True, False] == [camera.whole.is_sharp for camera in found.cameras]


def test_without_a_size_it_is_said_and_the_fineness_is_told(root, tmp_path):
    found = need_of(
        root, tmp_path, stages=["preflight", "profile-conversion"], stage={"sizing": {}}
    )
    assert (None, None) == (found.sharp, found.size_mm)
    assert round(needed_ppi(1500), 1) == found.needed_ppi
    assert "No size is set" in found.reasons[0]


def test_a_shape_that_is_none_is_refused():
    assert (4, 5) == read_shape("4:5")
    for text in ("3", "3:0", "a:b", "3:2:1"):
        with pytest.raises(SettingsError, match="--shape"):
            read_shape(text)


def test_a_stage_that_fails_is_named(root, tmp_path, monkeypatch):
    monkeypatch.setattr(Sizing, "open", lambda *_: 1 / 0)
    with pytest.raises(StageError, match="sizing"):
        need_of(root, tmp_path)


def test_the_paper_around_a_picture_is_in_what_it_takes_and_costs(root, tmp_path):
    medium = {**FILE["medium"], "cost_per_square_metre": "100 EUR"}
    stages = ["preflight", "sizing", "profile-conversion", "margins", "tagging"]
    margins = {"border": "3 cm", "trim": "1 cm"}
    found = need_of(root, tmp_path, PLACE, medium=medium, stages=stages, stage={"margins": margins})
    assert (480, 580) == pytest.approx(found.whole_mm, abs=0.2)
    assert (560, 660) == pytest.approx(found.sheet_mm, abs=0.4)
    assert 100 * 0.56 * 0.66 == pytest.approx(found.material_cost.amount, abs=0.1)
    bare = need_of(root, tmp_path, PLACE)
    assert bare.sheet_mm == bare.whole_mm
    assert bare.material_cost is None
    assert bare.sharp == found.sharp  # paper needs no pixels
