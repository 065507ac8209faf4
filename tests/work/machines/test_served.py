"""A root that is served with other machines: books, records and stories."""

from __future__ import annotations

import pytest

from faults.conftest import loaded, quick  # noqa: F401
from faults.killing import check_books, dropped_hashes
from faults.serving import sweep
from hotfolder.audit.story import describe_story, tell_story
from hotfolder.daemon import loop
from hotfolder.ledger.reading import open_reader
from hotfolder.work.machines.elsewhere import Elsewhere
from whole.conftest import drop, records

from .conftest import NearLine

pytestmark = pytest.mark.slow


@pytest.fixture
def with_machines(table, monkeypatch):
    def with_machines(*machines):
        def open_places(root, _table, run, number, wake):
            places = Elsewhere(table, NearLine(*machines), run, number, root.plugins, wake)
            assert places.wait_for_machines(10)
            return places

        monkeypatch.setattr(loop, "open_places", open_places)

    return with_machines


def test_the_record_and_the_story_say_which_machine_made_it(quick, near, with_machines):  # noqa: F811
    with_machines(near("lighthouse"))
    drop(quick, "mud.tif", size=24)
    dropped = dropped_hashes(quick.path / "in/fine-art-canvas")
    assert [] == sweep(quick)
    check_books(quick, dropped)
    (record,) = records(quick)
    assert "lighthouse" == record["machine"]
    with open_reader(quick.ledger) as reader:
        said = describe_story(tell_story(reader.db, quick, quick.path / record["original_kept"]))
    assert any(line.endswith(", on lighthouse") for line in said)


def test_a_lie_costs_no_attempt_and_each_file_ends_once(quick, near, with_machines):  # noqa: F811
    liar = near("liar")
    liar.lies["hotfolder_fetch"] = lambda true: true[:-1] + b"0"
    with_machines(liar)
    for number in range(3):
        drop(quick, f"{number}.tif", seed=number, size=24)
    dropped = dropped_hashes(quick.path / "in/fine-art-canvas")
    assert [] == sweep(quick)
    check_books(quick, dropped)
    assert {1} == {record["attempts"] for record in records(quick)}
    assert "liar" not in {record["machine"] for record in records(quick)}


def test_a_stage_that_fails_twice_in_the_same_way_elsewhere_is_tried_no_third_time(
    quick,  # noqa: F811
    near,
    with_machines,
):
    plugin = quick.plugins / "broken.py"
    plugin.parent.mkdir(exist_ok=True)
    plugin.write_text(
        "from hotfolder import Stage\n"
        "class Broken(Stage):\n"
        "    name = 'broken'\n"
        "    def open(self, raster, job):\n"
        "        raise ValueError('no')\n"
    )
    one, two = near("one"), near("two")
    for each in (one, two):
        each.tries._plugins = quick.plugins
    file = quick.destinations / "fine-art-canvas.toml"
    file.write_text(file.read_text().replace('stages = ["', 'stages = ["broken", "'))
    from hotfolder.stages.registry import load_registry
    from hotfolder.work.machines.build import hash_stages

    for each in (one, two):
        each.stages = hash_stages(load_registry(quick.plugins))
    with_machines(one, two)
    drop(quick, "mud.tif", size=24)
    assert [] == sweep(quick)
    (record,) = records(quick)
    assert ("held", 2) == (record["state"], record["attempts"])
    assert "stage-failed" == record["reasons"][0]["code"]
    assert 1 == one.asked.count("hotfolder_begin") == two.asked.count("hotfolder_begin")
