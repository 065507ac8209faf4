"""``why.txt``: what it advises is true of this job."""

from __future__ import annotations

from hotfolder.ending.why import say_why
from hotfolder.model.records import Reason, ResultRecord, WayOn
from model.test_records import record


def result():
    return ResultRecord(
        path="/r/held/fine-art-canvas/j/result/mud.tif", sha256="1" * 64, bytes=9, format="TIFF",
        width_px=3, height_px=2, bits=16, colour_space="RGB", ppi=240.0, profile=None,
    )  # fmt: skip


def test_a_job_with_a_result_can_be_released_as_it_is():
    said = say_why(record(results=(result(),)))
    assert "release it as it is" in said
    assert "hotfolder release 20260102-030405-00aa11bb\n" in said


def test_a_job_without_a_result_cannot_be_released_as_it_is():
    said = say_why(record())
    assert "- release it as it is" not in said
    assert "no result was made" in said


def test_no_size_is_advised_whatever_the_reason():
    """A picture held for too few pixels was delivered larger still, by the advice."""
    for each in (record(), record(results=(result(),))):
        assert "long-edge" not in say_why(each)


def test_what_a_setting_answers_can_be_set_for_every_picture():
    way = WayOn(says="take its numbers for sRGB", options=("--set", "preflight.no_profile=assume"))
    reason = Reason(stage="preflight", code="no-profile", message="No profile.", ways_on=(way,))
    assert "set it in destinations/fine-art-canvas.toml" in say_why(record(reasons=(reason,)))
    assert "for every picture" not in say_why(record())
