"""The first bands of an original come while the stages open."""

import threading
import tomllib

import tifffile

from hotfolder import Hold, Stage, StageSettings
from hotfolder.settings.files import check_destination
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import Registry, load_registry
from hotfolder.work import pipeline
from hotfolder.work.order import Order
from raster.pictures import picture

INSTALLED = load_registry()
WAIT_S = 120


class Slow(Stage[StageSettings]):
    """Opens once the first band has been read."""

    name = "slow"
    read = threading.Event()

    def open(self, raster, job):
        assert self.read.wait(WAIT_S)
        return raster


class Holding(Slow):
    """Holds then."""

    name = "holding"

    def open(self, raster, job):
        super().open(raster, job)
        raise Hold("seen", "It was seen.")


REGISTRY = Registry({**INSTALLED.stages, "slow": Slow, "holding": Holding}, INSTALLED.owners)


def run(root, monkeypatch, stage, **more):
    Slow.read.clear()
    ended = []

    def told(bands):
        try:
            for band in bands:
                Slow.read.set()
                yield band
        finally:
            ended.append(True)

    monkeypatch.setattr(pipeline, "read_bands", told)
    path = root.destinations / "fine-art-canvas.toml"
    raw = {
        **tomllib.loads(path.read_text("utf-8")),
        "stages": [stage, "profile-conversion"],
        "stage": {},
        "result": {"format": "tiff", "bits": 16},
    }
    destination = check_destination(path, raw, REGISTRY, Intake())
    original, folder = root.path / "mud.tif", root.path / "attempt"
    folder.mkdir()
    icc = (root.profiles / "srgb.icc").read_bytes()
    tifffile.imwrite(original, picture(240, 360, 3), iccprofile=icc, photometric="rgb")
    size = original.stat().st_size
    order = Order("job", original, original.name, "0" * 64, size, folder, root.profiles, **more)
    return pipeline.run(order, destination, REGISTRY, lambda _doing, _share: None), ended


def test_the_original_is_read_while_a_stage_opens(root, monkeypatch):
    outcome, ended = run(root, monkeypatch, "slow")
    assert ("deliver", [True]) == (outcome.verdict, ended)


def test_reading_ends_when_a_stage_holds_as_it_opens(root, monkeypatch):
    outcome, ended = run(root, monkeypatch, "holding")
    assert ("hold", [True]) == (outcome.verdict, ended)
    assert "reader" not in {thread.name for thread in threading.enumerate()}


def test_nothing_is_read_where_pixels_are_not_wanted(root, monkeypatch):
    monkeypatch.setattr(Slow.read, "wait", lambda _s: True)
    outcome, ended = run(root, monkeypatch, "slow", only_foresees=True)
    assert ("deliver", []) == (outcome.verdict, ended)
