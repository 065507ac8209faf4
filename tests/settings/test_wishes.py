"""What a ticket or a release may ask for, whichever stage can do it."""

import pytest

from hotfolder import CaptionWish, IntentWish, LongEdgeWish, SizeWish, Stage, StageSettings
from hotfolder.batch.changes import RowError, plan_changes
from hotfolder.batch.ticket import read_ticket
from hotfolder.errors import StageError
from hotfolder.settings.changes import grant, who_grants
from hotfolder.settings.files import Intake, check_destination
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
