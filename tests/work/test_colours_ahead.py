"""Who tells a large picture's colours ahead of its bands, and when nobody does."""

from __future__ import annotations

import tomllib
from hashlib import sha256

import numpy as np
import pytest
import tifffile

from hotfolder import Band, Stage, StageSettings
from hotfolder.colour.profile import Profile
from hotfolder.colour.rendering import find_reach
from hotfolder.settings.files import check_destination
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import Registry, load_registry
from hotfolder.work.order import Order
from hotfolder.work.pipeline import run
from hotfolder_stages.profile_conversion import stage as conversion
from raster.pictures import picture

pytestmark = pytest.mark.slow

INSTALLED = load_registry()


class Halving(Stage[StageSettings]):
    """Changes colours, and says nothing of it."""

    name = "halving"

    def bands(self, bands):
        for band in bands:
            yield Band(band.top, band.pixels // 2, band.alpha)


class Looking(Stage[StageSettings]):
    """Changes nothing, and does not say so in its settings."""

    name = "looking"
    keeps_colours = True


REGISTRY = Registry({**INSTALLED.stages, "halving": Halving, "looking": Looking}, INSTALLED.owners)
PIXELS = picture(240, 360, 3)


@pytest.fixture
def waited(monkeypatch):
    """Whether the bands of a picture wait, which is now too large for memory."""
    made = []

    class Counted(conversion.ScratchRows):
        def __init__(self, *args, **more):
            made.append(args)
            super().__init__(*args, **more)

    monkeypatch.setattr(conversion, "_IN_MEMORY_BYTES", 0)
    monkeypatch.setattr(conversion, "ScratchRows", Counted)
    return lambda: bool(made)


def deliver(root, stages, pixels=PIXELS, *, tables=(), **options):
    path = root.destinations / "fine-art-canvas.toml"
    raw = {
        **tomllib.loads(path.read_text("utf-8")),
        "stages": [*stages, "profile-conversion"],
        "stage": {"profile-conversion": {"rendering": "detail"}, **dict(tables)},
        "result": {"format": "tiff", "bits": 16},
    }
    destination = check_destination(path, raw, REGISTRY, Intake())
    original, folder = root.path / "mud.tif", root.path / "attempt"
    folder.mkdir(exist_ok=True)
    if not original.exists():
        icc = (root.profiles / "srgb.icc").read_bytes()
        tifffile.imwrite(
            original, pixels, iccprofile=icc, photometric="rgb", metadata=None, **options
        )
    data = original.read_bytes()
    order = Order(
        "1", original, "mud.tif", sha256(data).hexdigest(), len(data), folder, root.profiles
    )
    return run(order, destination, REGISTRY, lambda *_: None)


def reach_of(root, pixels):
    source, canvas = (
        Profile.parse((root.profiles / name).read_bytes())
        for name in ("srgb.icc", "matte-canvas.icc")
    )
    return find_reach(source, canvas, pixels).sha256


def said(outcome):
    return outcome.work.findings["profile-conversion"]["reach"]["sha256"]


@pytest.mark.parametrize("stages", [[], ["preflight", "output-sharpening"], ["looking"]], ids=str)
def test_stages_that_keep_colours_let_them_be_looked_at_ahead(root, waited, stages):
    outcome = deliver(root, stages)
    assert "deliver" == outcome.verdict
    assert not waited()
    assert reach_of(root, PIXELS) == said(outcome)


def test_behind_a_stage_that_may_change_them_the_bands_wait(root, waited):
    outcome = deliver(root, ["halving"])
    assert waited()
    assert reach_of(root, PIXELS // 2) == said(outcome)


def test_a_picture_on_its_side_waits(root, waited):
    deliver(root, [], extratags=[(274, 3, 1, 6, True)])
    assert waited()


def test_what_is_cut_off_is_not_looked_at(root, waited):
    """The right half of the picture has all that the canvas cannot make."""
    pixels = np.array(PIXELS)
    pixels[:, :180] = pixels[:, :180, 1:2]
    size = {"width": "90 px", "height": "120 px", "ppi": 300, "mode": "cover"}
    reaches = {}
    for anchor in ("left", "right"):
        outcome = deliver(
            root, ["sizing"], pixels, tables={"sizing": {**size, "anchor": anchor}}.items()
        )
        reaches[anchor] = said(outcome)
    assert not waited()
    assert reach_of(root, pixels[:, :180]) == reaches["left"]
    assert reach_of(root, pixels[:, 180:]) == reaches["right"]


def test_damage_that_is_met_ahead_is_the_originals(root, waited):
    deliver(root, [], compression="deflate", rowsperstrip=24)
    original = root.path / "mud.tif"
    with tifffile.TiffFile(original) as file:
        at = file.pages[0].dataoffsets[-1]
    data = bytearray(original.read_bytes())
    data[at : at + 40] = b"\xff" * 40
    original.write_bytes(data)
    outcome = deliver(root, [])
    assert "refuse" == outcome.verdict
    assert ["reading"] == [reason.stage for reason in outcome.work.reasons]
    assert not waited()
