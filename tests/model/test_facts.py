"""What was measured of a job: facts, and what findings of before there were facts mean."""

import json
from dataclasses import replace

import pytest

from hotfolder.model.earlier_findings import find_facts
from hotfolder.model.facts import Column, Facts, number_in
from hotfolder.model.records import StageRecord, read_record, to_json, to_json_line
from hotfolder.stages.registry import load_registry
from model.test_records import record
from stages.test_registry import RECORDED


@pytest.mark.parametrize(
    ("found", "number"),
    [({"a": {"b": 3}}, 3.0), ({"a": {"b": True}}, None), ({"a": 1}, None), ({}, None)],
)
def test_what_a_stage_measured_is_a_number_or_nothing(found, number):
    assert number == number_in(found, "a", "b")


def test_facts_survive_a_round_trip():
    facts = Facts(
        share_lost=0.5, hues={"green": 1.0}, columns=(Column("drying", "Drying", "h", 6),)
    )
    made = record(facts=facts)
    assert made == read_record(to_json_line(made))
    assert read_record(to_json_line(made)).facts == facts


def test_findings_of_a_record_without_facts_mean_what_the_stages_say_of_them():
    settings = {"warn_below_ppi": None, "hold_below_ppi": 60}
    before = record(
        findings=RECORDED,
        stages=[StageRecord(stage="preflight", elapsed_s=0.1, settings=settings)],
    )
    registry, said = load_registry(), Facts()
    for stage, findings in RECORDED.items():
        said = said.joined_with(registry.facts_of(stage, findings, settings))
    # what was measured then is the share that is lost; the medium's own was not known
    found = RECORDED["gamut-check"]
    before.findings["gamut-check"] = {**found, "out_of_gamut_share": found["lost_share"]}
    assert find_facts(before) == replace(said, share_out_of_gamut=None)
    assert said.wanted_ppi == 60


def test_a_record_of_before_there_were_facts_is_read():
    document = {
        key: value for key, value in to_json(record(findings={})).items() if "facts" not in key
    }
    assert find_facts(read_record(json.dumps(document))) == Facts()


def test_facts_of_a_record_count_whatever_its_findings_are_called():
    made = record(findings=RECORDED, facts=Facts(share_lost=0.25))
    assert find_facts(made) == Facts(share_lost=0.25)
