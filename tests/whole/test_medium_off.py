"""A medium that nobody has measured holds pictures; a person lets one pass, or measures a strip."""

import shutil
from datetime import UTC, datetime

import pytest

from faults.serving import sweep
from hotfolder_demo.measured_story import tell_story
from whole.conftest import drop, records, write_destination

pytestmark = pytest.mark.whole

_STAGES = ('"output-sharpening", "profile-conversion"', '"medium-check", "profile-conversion"')
_LIMITS = ("[stage.sizing]", '[stage.medium-check]\nverified_within = "30 d"\n[stage.sizing]')


def test_what_is_held_for_its_medium_passes_by_release_and_by_a_measured_strip(small):
    write_destination(small, stages=_STAGES, limits=_LIMITS)
    drop(small, "tide.tif")
    assert [] == sweep(small)
    (record,) = records(small)
    assert ["medium-not-verified"] == [each["code"] for each in record["reasons"]]
    held = small.path / "held" / "fine-art-canvas"
    (folder,) = (each for each in held.iterdir() if each.is_dir())
    why = (folder / "why.txt").read_text()
    assert "Never measured" in why
    assert "measured/fine-art-canvas/" in why

    shutil.move(folder, small.path / "release" / "fine-art-canvas" / folder.name)
    assert [] == sweep(small)
    assert ["held", "delivered"] == [each["state"] for each in records(small)]

    tell_story(small, datetime.now(UTC))
    drop(small, "mud.tif", seed=2)
    assert [] == sweep(small)
    last = records(small)[-1]
    assert ("mud.tif", "delivered") == (last["source"], last["state"])
    assert last["findings"]["medium-check"]["within"] == {"house": True}
