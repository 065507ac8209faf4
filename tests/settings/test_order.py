"""The order of stages: a wrong one is refused with a right one, and no other loses a measure."""

import json
import tomllib
from hashlib import sha256
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
import tifffile

import hotfolder_defaults
from hotfolder import (
    ConversionToCome,
    Message,
    Place,
    SharpeningToCome,
    Stage,
)
from hotfolder.errors import SettingsError
from hotfolder.settings.files import check_destination
from hotfolder.settings.order import find_misplaced, right_order
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry
from hotfolder.work.order import Order
from hotfolder.work.pipeline import run

pytestmark = pytest.mark.slow

DEFAULTS = Path(hotfolder_defaults.__file__).parent / "destinations"
RAW = {path.stem: tomllib.loads(path.read_text("utf-8")) for path in DEFAULTS.glob("*.toml")}
REGISTRY = load_registry()

LOOKERS = {"gamut-check", "neutral-check", "proof-sheet"}
BEHIND = {"profile-conversion", "ink-check", "page-balance", "tagging"}
MUST_STAND_BEFORE = {
    # what the file is, and how much of it is clipped, can only be seen in the original
    "preflight": {"sizing", "output-sharpening"} | LOOKERS | BEHIND,
    # shares of the picture are shares of what will hang, without what is cropped
    "sizing": {"output-sharpening"} | LOOKERS | BEHIND,
    # the sheet shows what is delivered, to the bit
    "output-sharpening": {"proof-sheet"} | BEHIND,
    # what is lost by a conversion cannot be seen behind it
    "gamut-check": BEHIND,
    "neutral-check": BEHIND,
    "proof-sheet": BEHIND,
    # before it there is no ink, and no page as it will be
    "profile-conversion": {"ink-check", "page-balance", "tagging"},
    "ink-check": {"tagging"},
    "page-balance": {"tagging"},
    "tagging": set(),
}
"""What a person knows of the trade, written down apart from the stages."""


def is_wrong(stages):
    return any(
        later in MUST_STAND_BEFORE and earlier in MUST_STAND_BEFORE[later]
        for earlier, later in combinations(stages, 2)
    )


def swaps():
    for name, raw in sorted(RAW.items()):
        for one, other in combinations(range(len(raw["stages"])), 2):
            stages = list(raw["stages"])
            stages[one], stages[other] = stages[other], stages[one]
            yield pytest.param(name, stages, id=f"{name}: {stages[other]} with {stages[one]}")


def check(root, name, stages):
    sizing = {"long_edge": "40 mm", "ppi": 150}  # small, so that a test takes no time
    raw = {**RAW[name], "stages": stages, "stage": {**RAW[name]["stage"], "sizing": sizing}}
    return check_destination(root.destinations / f"{name}.toml", raw, REGISTRY, Intake())


def test_the_table_of_this_test_knows_every_stage_of_the_defaults():
    used = {stage for raw in RAW.values() for stage in raw["stages"]}
    assert used == set(MUST_STAND_BEFORE)
    assert not any(is_wrong(raw["stages"]) for raw in RAW.values())


@pytest.mark.parametrize(("name", "stages"), list(swaps()))
def test_every_wrong_order_of_two_stages_is_refused_with_a_right_one(root, name, stages):
    if not is_wrong(stages):
        check(root, name, stages)
        return
    with pytest.raises(SettingsError) as error:
        check(root, name, stages)
    for problem in error.value.problems:
        assert problem.file.endswith(f"{name}.toml")
        index = int(problem.key.removeprefix("stages.")) - 1
        assert problem.got.startswith(f"{stages[index]!r} comes after ")
        order = json.loads(problem.allowed.partition("stages = ")[2])
        assert sorted(stages) == sorted(order)
        assert not is_wrong(order)
        check(root, name, order)


def loud(folder):
    """A picture with greens that no print has; the right half is grey."""
    pixels = np.full((240, 320, 3), 30000, np.uint16)
    pixels[:, :160] = (2000, 62000, 3000)
    path = folder / "loud.tif"
    icc = (folder / "root" / "profiles" / "srgb.icc").read_bytes()
    resolution = {"resolution": (300, 300), "resolutionunit": "INCH"}
    tifffile.imwrite(path, pixels, photometric="rgb", iccprofile=icc, metadata=None, **resolution)
    return path


def findings_of(root, name, stages, folder):
    destination = check(root, name, stages)
    original = loud(root.path.parent)
    folder.mkdir()
    data = original.read_bytes()
    order = Order(
        job="job-1",
        original=original,
        name=original.name,
        sha256=sha256(data).hexdigest(),
        bytes=len(data),
        folder=folder,
        profiles=root.profiles,
    )
    return run(order, destination, REGISTRY, lambda *_: None).work.findings


def measures(findings):
    """What a wrong order would spoil, of each stage that ran."""
    taken = {"clipped": findings["preflight"]["clipped_share"]}
    gamut = findings["gamut-check"]
    taken["lost"] = round(gamut["lost_share"], 1)
    if "neutral-check" in findings:
        taken["black and white"] = findings["neutral-check"]["monochrome"]
    if "proof-sheet" in findings:
        taken["lost on the sheet"] = round(findings["proof-sheet"]["lost_share_of_reduced"], 1)
    if "ink-check" in findings:
        taken["ink"] = findings["ink-check"]["max_percent"]
        taken["lightness"] = findings["page-balance"]["mean_lightness"]
    return taken


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(RAW))
def test_no_order_that_is_accepted_delivers_a_measure_that_was_not_taken(root, name, tmp_path):
    stages = RAW[name]["stages"]
    expected = measures(findings_of(root, name, stages, tmp_path / "right"))
    assert expected["lost"] > 0.3 or name == "web-gallery"
    accepted = [p.values[1] for p in swaps() if p.values[0] == name and not is_wrong(p.values[1])]
    assert accepted
    for number, order in enumerate(accepted):
        assert expected == measures(findings_of(root, name, order, tmp_path / str(number))), order


def test_a_stage_below_the_conversion_that_must_see_what_it_loses_is_named(root):
    stages = ["preflight", "sizing", "profile-conversion", "gamut-check", "tagging"]
    raw = {key: value for key, value in RAW["fine-art-canvas"].items() if key != "stage"}
    with pytest.raises(SettingsError) as error:
        check_destination(
            root.destinations / "wall.toml", {**raw, "stages": stages}, REGISTRY, Intake()
        )
    (problem,) = error.value.problems
    assert str(problem).endswith(
        "wall.toml: stages.4: 'gamut-check' comes after 'profile-conversion'; allowed: "
        "gamut-check works on the finished picture, before it is converted; a right order is "
        'stages = ["preflight", "sizing", "gamut-check", "profile-conversion", "tagging"]'
    )


# stages of an outsider


def stage(title, **declared):
    return type(title, (Stage,), {"name": title, **declared})


class Toned(Message):
    """An outsider's own message."""


def test_a_stage_that_declares_nothing_stands_anywhere_but_behind_the_last():
    stages = {"free": stage("free"), "end": stage("end", place=Place.LAST)}
    assert [] == find_misplaced(["free", "end"], stages)
    (found,) = find_misplaced(["end", "free"], stages)
    assert (1, "free", "end", "end works on what will be written") == (
        found.index,
        found.name,
        found.behind,
        found.why.partition(",")[0],
    )


def test_a_message_binds_whoever_tells_it():
    stages = {
        "toner": stage("toner", place=Place.FINISHED, tells=(Toned,)),
        "looker": stage("looker", place=Place.FINISHED, comes_after=(Toned, SharpeningToCome)),
    }
    (found,) = find_misplaced(["looker", "toner"], stages)
    assert ("toner", "looker needs what toner does") == (found.name, found.why)
    assert ["toner", "looker"] == right_order(["looker", "toner"], stages)
    assert [] == find_misplaced(["looker"], stages)


def test_what_stands_right_stays_where_it_is():
    stages = {
        "a": stage("a", place=Place.CONVERTED, tells=(ConversionToCome,)),
        "b": stage("b"),
        "c": stage("c", place=Place.FINISHED),
        "d": stage("d", place=Place.FINISHED),
    }
    assert ["b", "c", "d", "a"] == right_order(["a", "b", "c", "d"], stages)


def test_stages_that_contradict_each_other_have_no_order():
    stages = {
        "one": stage("one", tells=(Toned,), comes_after=(ConversionToCome,)),
        "two": stage("two", tells=(ConversionToCome,), comes_after=(Toned,)),
    }
    assert right_order(["one", "two"], stages) is None
