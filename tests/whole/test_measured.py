"""A control strip is made, measured, given back, and the verdict is read: as a user does it."""

import json

import numpy as np
import pytest

from hotfolder.measured.control_strip import ControlStrip
from measuring import files

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
