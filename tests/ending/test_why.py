"""``why.txt``: what it advises is true of this job."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from hotfolder.ending.release import put_worse_first
from hotfolder.ending.why import leave_out_name, say_why
from hotfolder.model.records import Reason, Release, ResultRecord, WayOn
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


def test_a_file_that_is_named_is_not_named_again():
    said = "letter.txt: The file is a text, by its content. Drop a picture."
    assert (
        leave_out_name(said, "in/letter.txt")
        == "The file is a text, by its content. Drop a picture."
    )
    assert leave_out_name(said, "other.txt") == said


@pytest.mark.parametrize(
    ("codes", "said"),
    [
        ("new", "but the reason that follows is new."),
        ("new more", "but the reasons that follow are worse than you were told, or new."),
        ("told more", "but the first reason that follows is worse than you were told."),
        (
            "told new more",
            "but the first 2 reasons that follow are worse than you were told, or new.",
        ),
    ],
)
def test_what_a_change_made_worse_is_said_once_and_stands_first(codes, said):
    def reason(code, excess):
        return Reason(stage="s", code=code, message=f"It is {code}. Or so.", excess=excess)

    release = Release(
        who="An", why="", at=datetime(2026, 1, 5, tzinfo=UTC),
        waived=(reason("told", 2.0), reason("more", 1.0)),
    )  # fmt: skip
    reasons = put_worse_first([reason(each, 2.0) for each in codes.split()], release)
    assert said in reasons[0].message
    assert "It is" not in reasons[0].message
    worse = [each for each in codes.split() if each != "told"]
    assert worse == [each.code for each in reasons[1 : len(worse) + 1]]
    assert len(codes.split()) + 1 == len(reasons)
