"""A worker keeps what depends on profiles alone; whether it can changes nothing of its job."""

import tomllib
from hashlib import sha256
from types import SimpleNamespace

import numpy as np
import pytest
import tifffile

from hotfolder.colour.gamut_boundary import boundary_of
from hotfolder.colour.kept_points import keep_in
from hotfolder.colour.loss import round_trip_noise
from hotfolder.colour.loss_table import _lookup_of
from hotfolder.colour.measurement_model import _read_model
from hotfolder.colour.transform import _grid_of
from hotfolder.daemon.jobs import Work
from hotfolder.model.answer import Answer
from hotfolder.model.records import WorkRecord
from hotfolder.settings.files import check_destination
from hotfolder.settings.root import Root
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry
from hotfolder.work.pipeline import Order, run


@pytest.fixture
def studio(root):
    u, v = np.meshgrid(np.linspace(0, 1, 900), np.linspace(0, 1, 600))
    grain = np.random.default_rng(1).normal(0, 0.01, (600, 900, 3))
    pixels = np.clip(np.stack([u, v, 1 - u * v], axis=-1) + grain, 0, 1) * 65535
    icc = (root.profiles / "srgb.icc").read_bytes()
    tifffile.imwrite(
        root.path / "tide.tif",
        pixels.astype(np.uint16),
        photometric="rgb",
        iccprofile=icc,
        metadata=None,
    )
    yield root
    keep_in(None)


def work_on(root, tmp_path, rendering, points):
    for each in (_grid_of, _lookup_of, boundary_of, _read_model, round_trip_noise):
        each.cache_clear()
    registry = load_registry()
    path = root.destinations / "book-pages.toml"
    raw = {
        **tomllib.loads(path.read_text("utf-8")),
        # what is sharpened has other colours than what was looked at before
        "stages": ["gamut-check", "output-sharpening", "profile-conversion"],
        "stage": {
            "profile-conversion": {"intent": "relative colorimetric", "rendering": rendering}
        },
        "result": {"format": "tiff", "bits": 16, "compression": "none"},
    }
    raw.pop("ticket", None)
    destination = check_destination(path, raw, registry, Intake())
    folder = tmp_path / f"{len(list(tmp_path.iterdir()))}"
    folder.mkdir()
    original = root.path / "tide.tif"
    data = original.read_bytes()
    order = Order(
        "j", original, original.name, sha256(data).hexdigest(), len(data), folder, root.profiles,
        points=points,
    )  # fmt: skip
    outcome = run(order, destination, registry, lambda *_: None)
    (result,) = outcome.work.results
    return result.sha256, outcome.work.findings, outcome.not_kept


@pytest.mark.slow(cases=1)
@pytest.mark.parametrize("rendering", ["intent", "refined", "detail"])
def test_result_and_record_are_the_same_without_points_cold_and_warm(studio, tmp_path, rendering):
    points = studio.points_folder(10**8)
    without = work_on(studio, tmp_path, rendering, None)
    assert without == work_on(studio, tmp_path, rendering, points)
    assert any(studio.points.iterdir())
    assert without == work_on(studio, tmp_path, rendering, points)


def test_what_cannot_be_kept_is_said_and_the_picture_is_made(studio, tmp_path):
    (tmp_path / "in the way").write_text("a file")
    other = Root(tmp_path)
    points = other.points_folder(10**8)
    assert points is not None
    _, _, not_kept = work_on(studio, tmp_path, "intent", points)  # .hotfolder is not there
    assert "No such file" in not_kept
    _, _, kept = work_on(studio, tmp_path, "intent", studio.points_folder(10**8))
    assert "" == kept


def test_nothing_is_kept_when_there_is_to_be_no_room_for_it(studio):
    assert studio.points_folder(0) is None


def test_the_daemon_says_it_of_the_destination_until_it_is_over():
    work = Work(*[SimpleNamespace()] * 5)
    for reason in ("points: No space left on device",) * 2:
        work._note_unkept(
            "canvas", Answer(verdict="deliver", work=WorkRecord.model_construct(), not_kept=reason)
        )
        (said,) = work.remarks("canvas")
        assert "cannot be kept: points: No space left on device" in said
    assert [] == work.remarks("book")
    work._note_unkept("canvas", Answer(verdict="deliver", work=WorkRecord.model_construct()))
    assert [] == work.remarks("canvas")
