"""What a ticket or a release may ask for, whichever stage can do it."""

from pathlib import Path

import pytest

import hotfolder
from hotfolder import (
    CaptionWish,
    IntentWish,
    LongEdgeWish,
    RenderingWish,
    SizeWish,
    Stage,
    StageSettings,
    WhiteWish,
)
from hotfolder.batch.changes import RowError, plan_changes
from hotfolder.batch.ticket import read_ticket
from hotfolder.errors import StageError
from hotfolder.settings.changes import grant, who_grants, with_changes
from hotfolder.settings.files import check_destination
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import Registry, load_registry

INSTALLED = load_registry()


class FrameSettings(StageSettings):
    grants = (SizeWish, CaptionWish, IntentWish)
    frame_mm: float = 10

    def granting(self, wish):
        match wish:
            case SizeWish():
                return {"inner_mm": wish.width_mm - 2 * self.frame_mm}
            case CaptionWish():
                return {"caption": object()}
        return {}[wish]


class Frame(Stage[FrameSettings]):
    name = "frame"
    Settings = FrameSettings


REGISTRY = Registry({**INSTALLED.stages, "frame": Frame}, INSTALLED.owners)


def destination(root, *stages, settings=None):
    raw = {
        "stages": list(stages),
        "medium": {"profile": "srgb.icc", "surface": "screen", "viewing_distance": "50 cm"},
        "stage": settings or {},
    }
    return check_destination(root.destinations / "wall.toml", raw, REGISTRY, Intake())


@pytest.mark.parametrize(
    ("wish", "stage"),
    [
        (SizeWish(20.0), "sizing"),
        (LongEdgeWish("40 in"), "sizing"),
        (IntentWish("perceptual"), "profile-conversion"),
        (CaptionWish("Mud"), "tagging"),
        (WhiteWish((0.4, 0.3)), "reference"),
    ],
)
def test_what_stages_of_the_program_grant(root, wish, stage):
    assert who_grants(wish, INSTALLED) == [stage]
    with_it, without = destination(root, stage), destination(root, "preflight")
    assert [stage] == list(grant(wish, with_it))
    assert {} == grant(wish, without)


def test_a_strangers_stage_is_asked_as_any_other(root):
    there = destination(root, "frame", settings={"frame": {"frame_mm": 5}})
    assert {"frame": {"inner_mm": 90.0}} == grant(SizeWish(100.0), there)


@pytest.mark.parametrize("wish", [CaptionWish("Mud"), IntentWish("perceptual")])
def test_a_stage_that_fails_at_a_wish_is_named(root, wish):
    with pytest.raises(StageError, match=f"frame .*{wish.what}"):
        grant(wish, destination(root, "frame"))


def test_a_row_at_which_a_stage_fails_says_so(root):
    (placement,) = read_ticket(b"file,page,caption\nmud.tif,1,Mud\n").placements
    with pytest.raises(RowError, match="caption: the stage frame"):
        plan_changes(placement, destination(root, "frame"), REGISTRY)


CONVERSION = "profile-conversion"


@pytest.mark.parametrize(
    ("own", "name", "expected"),
    [
        ({"intent": "perceptual"}, "detail", ("relative colorimetric", "detail", False)),
        ({"rendering": "refined"}, "perceptual", ("perceptual", "intent", False)),
        ({}, "refined + depth", ("relative colorimetric", "refined", True)),
        ({"precision": "fast"}, "refined", ("relative colorimetric", "refined", False)),
        ({"black_point_compensation": False}, "relative + depth",
         ("relative colorimetric", "intent", True)),
        ({"intent": "least loss"}, "intent", ("least loss", "intent", False)),
        ({"rendering": "refined", "depth": True}, "intent",
         ("relative colorimetric", "intent", False)),
    ],
)  # fmt: skip
def test_a_rendering_can_be_asked_for_whatever_the_destination_says(root, own, name, expected):
    there = destination(root, CONVERSION, settings={CONVERSION: own})
    granted = grant(RenderingWish(name), there)
    made = destination(root, CONVERSION, settings={CONVERSION: {**own, **granted[CONVERSION]}})
    settings = made.stage_settings[CONVERSION]
    assert expected == (settings.intent, settings.rendering, settings.depth)


def test_an_intent_asked_for_takes_the_place_of_a_rendering(root):
    own = {"rendering": "detail", "depth": True}
    there = destination(root, CONVERSION, settings={CONVERSION: own})
    granted = grant(IntentWish("perceptual"), there)
    destination(root, CONVERSION, settings={CONVERSION: {**own, **granted[CONVERSION]}})


def test_a_row_may_ask_for_a_rendering(root):
    text = b"file,page,rendering,width\nmud.tif,1,detail + depth,10 cm\n"
    (placement,) = read_ticket(text).placements
    changes = plan_changes(placement, destination(root, "sizing", CONVERSION), REGISTRY)
    assert {"intent": "relative colorimetric", "rendering": "detail", "depth": True} == changes[
        CONVERSION
    ]
    assert "sizing" in changes


def test_a_destination_that_cannot_render_otherwise_says_so(root):
    (placement,) = read_ticket(b"file,page,rendering\nmud.tif,1,detail\n").placements
    with pytest.raises(RowError, match="no stage profile-conversion"):
        plan_changes(placement, destination(root, "sizing"), REGISTRY)


@pytest.mark.parametrize("text", ["40%,30%", "40 % ; 30 %", "40,0 %, 30,0", "４０%,30%"])
def test_a_row_may_say_what_is_white_however_it_is_written(root, text):
    rows = f'file;page;white\nsail.tif;1;"{text}"\n'.encode()
    (placement,) = read_ticket(rows).placements
    changes = plan_changes(placement, destination(root, "reference"), REGISTRY)
    assert {"reference": {"white_at": "40.0%,30.0%"}} == changes
    made = destination(root, "reference", settings=changes)
    assert (0.4, 0.3) == made.stage_settings["reference"].white_at


@pytest.mark.parametrize("text", ["the sail", "40", "140%,20%", "-4%,20%", "4e1%,2%"])
def test_what_is_no_place_in_a_picture_is_a_problem_of_its_row(text):
    read = read_ticket(f"file;page;white\nsail.tif;1;{text}\n".encode())
    assert () == read.placements
    assert "from the left and from the top" in str(read.problems[0])


def test_the_core_asks_for_what_is_white_without_naming_who_balances():
    core = Path(hotfolder.__file__).parent
    files = [each for each in core.rglob("*") if each.suffix in {".py", ".html", ".js"}]
    assert 200 < len(files)
    assert [] == [str(each) for each in files if "reference.white_at" in each.read_text("utf-8")]


def test_a_change_of_reading_is_in_its_own_table():
    raw = {"stages": ["preflight"], "reading": {"page": 2}}
    changed = with_changes(raw, {"reading": {"above_white": "cut"}, "preflight": {"x": 1}})
    assert {"page": 2, "above_white": "cut"} == changed["reading"]
    assert {"preflight": {"x": 1}} == changed["stage"]
    assert {"page": 2} == raw["reading"]
