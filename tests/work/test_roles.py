"""What stages in a role say is believed only as far as the role goes."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from hotfolder.errors import PluginError, StageError
from hotfolder.model.standing import MediumStanding
from hotfolder.stages.registry import Registry, load_registry
from hotfolder.stages.roles import Role, StripFindings
from hotfolder.work.trial import Trial, read_findings, with_stage

PIECE = {"left_px": 1, "top_px": 2, "width_px": 3, "height_px": 4}
LAID = {**PIECE, "label": "mud", "strip_left_px": 0, "strip_top_px": 9}


def trial(**findings):
    return Trial(None, "deliver", SimpleNamespace(findings=findings), "", Path(), MediumStanding())


def test_findings_of_a_role_are_read_and_the_rest_is_the_stages_own():
    found = {"pieces": [LAID], "picture_px": [30, 20], "shown_share": 0.5, "strip_mm": None}
    read = read_findings(trial(cutter=found), "cutter", StripFindings)
    assert "mud" == read.pieces[0].label
    assert (30, 20) == read.picture_px
    assert read_findings(trial(), "cutter", StripFindings) is None


def test_findings_that_do_not_fit_name_the_stage_and_the_key():
    found = {"pieces": [PIECE], "picture_px": [30, 20], "shown_share": 0.5}
    with pytest.raises(StageError, match=r"the stage cutter .* role: pieces\.0\.label: "):
        read_findings(trial(cutter=found), "cutter", StripFindings)


def test_a_stage_of_the_destination_goes_before_others_in_its_role():
    ours = load_registry()
    (first,) = (name for name, stage in ours.stages.items() if stage.role is Role.SHEET)
    both = Registry({**ours.stages, "zz": ours.stages[first]})
    assert first == both.name_in_role(Role.SHEET)
    assert "zz" == both.name_in_role(Role.SHEET, ("zz",))
    with pytest.raises(PluginError, match="no stage shows what will become of the picture"):
        Registry().name_in_role(Role.SHEET)


def test_a_strip_is_cut_from_the_picture_without_the_paper_around_it():
    ours = load_registry()
    stages = ("sizing", "profile-conversion", "margins", "tagging")
    file = SimpleNamespace(stage={"margins": {"border": "2 cm"}})
    classes = {name: ours.stages[name] for name in stages}
    destination = SimpleNamespace(stages=classes, file=file, raw={})
    bare = with_stage(destination, "strip-places", {}, bare=True)
    assert ["sizing", "strip-places", "profile-conversion", "tagging"] == bare["stages"]
    assert {"strip-places": {}} == bare["stage"]
    whole = with_stage(destination, "strip-places", {})
    assert "margins" in whole["stages"]
