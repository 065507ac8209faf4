"""A control strip is made, measured, given back, and the verdict is read: as a user does it."""

import json
from datetime import UTC, datetime

import numpy as np
import pytest

from faults.serving import sweep
from hotfolder.measured.control_strip import ControlStrip
from hotfolder_demo.measured_story import tell_story
from measuring import files
from whole.conftest import drop

pytestmark = pytest.mark.whole

NAME = "fine-art-canvas"


def test_a_strip_is_made_measured_and_judged(root, hotfolder, tmp_path):
    said = hotfolder("strip", "--control", root.path, "--for", NAME, "--json", cwd=tmp_path)
    assert said.returncode == 0, said.stderr
    made = json.loads(said.stdout)
    assert (tmp_path / f"{NAME} control strip {made['id']}.tif").stat().st_size > 0
    assert 24 == len(made["patches"])
    assert all({"device", "lab"} <= set(each) for each in made["patches"])
    keys = set(ControlStrip.model_fields)
    strip = ControlStrip.model_validate({key: made[key] for key in keys})
    nothing = hotfolder("measured", root.path, "--for", NAME)
    assert (nothing.returncode, "Nothing was measured" in nothing.stdout) == (3, True)

    lab = strip.lab + np.random.default_rng(1).normal(0, 0.3, strip.lab.shape)
    (root.measured / NAME / "good.txt").write_text(files.cgats(strip, lab))
    (root.measured / NAME / "bad.txt").write_text(files.cgats(strip, lab).replace("A2 ", ""))
    assert hotfolder("sweep", root.path).returncode == 0
    verdict = json.loads(hotfolder("measured", root.path, "--for", NAME, "--json").stdout)
    assert 0 < verdict["mean_delta_e_00"] < 1
    assert {"house": True} == verdict["within"]
    assert not any(each["alarm"] for each in verdict["drift"].values())
    assert ["bad.txt"] == [each["file"] for each in verdict["refused"]]
    assert "line 10" in verdict["refused"][0]["reason"]
    assert (None, []) == (verdict["viewing"], verdict["under_lamps"])  # neither set nor spectra
    words = hotfolder("measured", root.path, "--for", NAME).stdout
    assert "Within the limits of set house" in words
    assert "conform" not in words
    assert "bad.txt" in hotfolder("status", root.path).stdout


def test_a_new_batch_that_a_person_announces_begins_a_new_chart(root, hotfolder):
    strip = ControlStrip.model_validate(
        {
            key: value
            for key, value in json.loads(
                hotfolder(
                    "strip", "--control", root.path, "--for", NAME, "--json", cwd=root.path
                ).stdout
            ).items()
            if key in ControlStrip.model_fields
        }
    )
    folder = root.measured / NAME
    (folder / "1.txt").write_text(files.cgats(strip, strip.lab))
    assert hotfolder("sweep", root.path).returncode == 0
    other = strip.lab + np.array([-2.0, 1.0, -9.0]) * (strip.lab[:, :1] / 94) ** 2
    (folder / "2.txt").write_text(files.cgats(strip, other))
    assert hotfolder("sweep", root.path).returncode == 0
    before = json.loads(hotfolder("measured", root.path, "--for", NAME, "--json").stdout)
    assert (1, "1.txt", ["2.txt"]) == (
        before["chart"], before["file"], [each["file"] for each in before["refused"]],
    )  # fmt: skip
    assert "another medium" in before["refused"][0]["reason"]

    said = hotfolder("measured", root.path, "--for", NAME, "--new-batch")
    assert (0, True) == (said.returncode, "begins a new chart" in said.stdout)
    for name in ("3.txt", "4.txt"):  # the word holds for one strip
        (folder / name).write_text(files.cgats(strip, other))
        assert hotfolder("sweep", root.path).returncode == 0
    after = json.loads(hotfolder("measured", root.path, "--for", NAME, "--json").stdout)
    assert (2, "4.txt") == (after["chart"], after["file"])
    assert after["from_first"]["mean_delta_e_00"] == 0.0


def test_audit_names_what_was_delivered_while_the_medium_was_off(small, hotfolder):
    drop(small, "before.tif")
    assert [] == sweep(small)
    tell_story(small, datetime.now(UTC), to_its_end=False)
    drop(small, "after.tif", seed=2)
    assert [] == sweep(small)
    found = json.loads(hotfolder("audit", small.path, "--medium-off", "--json").stdout)
    names = [each["name"] for each in found["records"]]
    assert "after.tif" in names
    said = json.loads(hotfolder("measured", small.path, "--for", NAME, "--json").stdout)
    assert names == [each["name"] for each in said["concerned"]]
    assert "made while their medium was off" in json.dumps(found["question"])
    calm = hotfolder("audit", small.path, "--medium-off", "--until", "2020", "--json")
    assert [] == json.loads(calm.stdout)["records"]
