"""Facts of a job: what its stages say that their findings mean, and a stage that fails at it."""

import math
import tomllib
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest
import tifffile

import hotfolder_defaults
from hotfolder import Column, Facts, Stage
from hotfolder.settings.files import check_destination
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import Registry, load_registry
from hotfolder.work.order import Order
from hotfolder.work.pipeline import run

CANVAS = Path(hotfolder_defaults.__file__).parent / "destinations" / "fine-art-canvas.toml"
INSTALLED = load_registry()


class Dry(Stage):
    name = "dry"

    def close(self):
        return {"hours": 6}

    @classmethod
    def hotfolder_facts(cls, findings, settings):
        return Facts(columns=(Column("drying", "Drying", "h", findings["hours"]),))


class Wrong(Dry):
    @classmethod
    def hotfolder_facts(cls, findings, settings):
        return findings["days"]


class NoNumber(Dry):
    @classmethod
    def hotfolder_facts(cls, findings, settings):
        return Facts(cast_chroma=math.nan)


class OddCell(Dry):
    @classmethod
    def hotfolder_facts(cls, findings, settings):
        return Facts(columns=(Column("drying", "Drying", "h", object()),))


def outcome(root, stage):
    registry = Registry({**INSTALLED.stages, "dry": stage}, INSTALLED.owners)
    raw = {
        **tomllib.loads(CANVAS.read_text("utf-8")),
        "stages": ["gamut-check", "dry", "profile-conversion"],
        "stage": {},
    }
    path = root.destinations / "fine-art-canvas.toml"
    original = root.path.parent / "mud.tif"
    pixels = np.full((40, 60, 3), (2000, 62000, 3000), np.uint16)
    icc = (root.profiles / "srgb.icc").read_bytes()
    tifffile.imwrite(original, pixels, photometric="rgb", iccprofile=icc, metadata=None)
    data = original.read_bytes()
    folder = root.path.parent / "attempt"
    folder.mkdir()
    order = Order(
        job="job-1",
        original=original,
        name=original.name,
        sha256=sha256(data).hexdigest(),
        bytes=len(data),
        folder=folder,
        profiles=root.profiles,
    )
    destination = check_destination(path, raw, registry, Intake())
    return run(order, destination, registry, lambda *_: None).work


def test_stages_say_what_their_findings_mean(root):
    work = outcome(root, Dry)
    found = work.findings["gamut-check"]
    assert work.facts.share_lost == found["lost_share"] > 0.5
    assert work.facts.share_out_of_gamut == found["out_of_gamut_share"] > 0.5
    assert work.facts.columns == (Column("drying", "Drying", "h", 6),)
    assert {} == work.facts_left_out


@pytest.mark.parametrize(
    ("stage", "said"),
    [
        (Wrong, "cannot say what its findings mean: KeyError: 'days'"),
        (NoNumber, "facts that a record cannot hold: cast_chroma"),
        (OddCell, "facts that a record cannot hold: columns.0.value"),
    ],
)
def test_a_stage_that_fails_at_its_facts_costs_nothing_but_them(root, stage, said):
    work = outcome(root, stage)
    assert said in work.facts_left_out["dry"]
    assert work.facts.share_lost > 0.5
    assert work.facts.columns == ()
    assert work.findings["dry"] == {"hours": 6}
    assert work.results
