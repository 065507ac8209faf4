"""Settings of a stage are said as a person writes them, and only those that are not as usual."""

from hotfolder.stages.in_words import describe_settings
from hotfolder.stages.registry import load_registry


def said(stage, **settings):
    model = load_registry().stages[stage].Settings
    whole = model.model_validate(settings).model_dump(mode="json")
    return describe_settings(model, whole)


def test_a_length_has_its_unit_and_what_is_usual_is_left_out():
    assert ["long edge 24 in", "ppi 150"] == said("sizing", long_edge="24 in", ppi=150)


def test_a_share_is_said_in_percent():
    assert ["hold above 10 %"] == said("gamut-check", hold_above="10 %")
    assert ["hold above share 0.1 %"] == said("ink-check", hold_above_share="0.1 %")


def test_nothing_is_said_of_a_stage_that_is_as_usual():
    assert [] == said("tagging")


def test_all_is_said_of_a_stage_that_is_not_there_any_more():
    found = describe_settings(None, {"how_much": 1.5, "deep": True, "off": None})
    assert ["how much 1.5", "deep yes"] == found
