"""For which other pictures a reference holds."""

import pytest

from hotfolder import Neighbour
from hotfolder_stages.reference.shoot import Shot, find_carried
from hotfolder_stages.reference.telling import describe_reference

SHOT = Shot(
    camera="Invented Estuary 1",
    taken="2026-11-28T18:00:00",
    white_balance="1/None",
    exposure_stops=-3.0,
    profile_sha256="a" * 64,
)
CHART = {"exposure_stops": 0.5}


def neighbour(name="chart.jpg", chart=CHART, delivered=True, **other):
    shot = SHOT.model_copy(update=other)
    said = {
        "gives": chart is not None,
        "shot": shot.model_dump(mode="json"),
        "alike": shot.alike,
        "at": shot.at_s,
        "nearer_than": 7200.0,
        "chart": chart,
    }
    return Neighbour(name, name, delivered, said)


def served(apart_s, **other):
    """A picture that another's reference was carried over to."""
    made = neighbour("served", chart=None, **other)
    made.said.update(served_by="another job", nearer_than=apart_s)
    return made


def test_the_nearest_in_time_holds():
    far, near = (
        neighbour("far", taken="2026-11-28T17:00:00"),
        neighbour("near", taken="2026-11-28T18:20:00", exposure_stops=-2.0),
    )
    for order in ([far, near], [near, far]):
        found, reason = find_carried(SHOT, order, 7200)
        assert ("near", 1200, -1.0, "") == (
            found.neighbour.name, found.apart_s, found.exposure_differs_stops, reason
        )  # fmt: skip


@pytest.mark.parametrize(
    ("other", "reason"),
    [
        ({"camera": "Invented Estuary 2"}, "another camera"),
        ({"camera": ""}, "does not say its camera"),
        ({"profile_sha256": "b" * 64}, "another profile"),
        ({"white_balance": "0/None"}, "another white balance"),
        ({"taken": ""}, "does not say when"),
        ({"taken": "2026-11-28T21:00:00"}, "180 minutes apart"),
    ],
)
def test_why_one_does_not_hold_is_said(other, reason):
    found, said = find_carried(SHOT, [neighbour(**other)], 7200)
    assert found is None
    assert reason in said
    assert not neighbour(chart=None, **other).misses(neighbour().said)


def test_what_is_no_finding_of_ours_is_left_out():
    odd = Neighbour("x", "x", delivered=True, said={"shot": "mud", "gives": True})
    assert (None, "There is no reference in this shoot so far.") == find_carried(SHOT, [odd], 9)


def test_of_two_that_are_as_near_it_is_the_same_one_in_any_order():
    before, after = (neighbour(f"{m}", taken=f"2026-11-28T{m}") for m in ("17:50:00", "18:10:00"))
    names = {
        find_carried(SHOT, order, 7200)[0].neighbour.name
        for order in ([before, after], [after, before])
    }
    assert len(names) == 1


def test_only_pictures_without_a_reference_of_their_own_miss_one():
    chart = neighbour("chart").said
    assert not neighbour("a").misses(chart)
    assert neighbour("b", chart=None).misses(chart)
    assert not neighbour("c", chart=None, delivered=False).misses(chart)


def test_without_exposure_data_nothing_is_said_of_a_difference():
    found, _ = find_carried(SHOT, [neighbour(exposure_stops=None)], 9)
    assert found.exposure_differs_stops is None


@pytest.mark.parametrize(("apart_s", "misses"), [(60.0, False), (360.0, True), (300.0, False)])
def test_a_picture_misses_one_that_was_taken_nearer_to_it_than_what_it_had(apart_s, misses):
    chart = neighbour("chart", taken="2026-11-28T18:05:00").said
    assert misses is served(apart_s).misses(chart)


def test_a_picture_of_another_camera_misses_no_nearer_one():
    assert not served(360.0, camera="Invented Estuary 2").misses(neighbour("chart").said)


@pytest.mark.parametrize(
    ("said", "misses"),
    [
        ({}, True),
        ({"at": None}, True),
        ({"nearer_than": "mud"}, False),
        ({"nearer_than": 9}, False),
    ],
)
def test_of_a_picture_that_does_not_say_what_is_better_only_having_none_counts(said, misses):
    other = Neighbour("x", "x", delivered=True, said={"gives": False, **said})
    assert misses is other.misses(neighbour("chart").said)


def test_only_what_had_nothing_and_got_nothing_went_without():
    served = neighbour(chart=None)
    served.said["served_by"] = "another job"
    assert not served.went_without
    assert not neighbour().went_without
    assert not neighbour(chart=None, delivered=False).went_without
    assert neighbour(chart=None).went_without


@pytest.mark.parametrize(
    ("gain", "said"),
    [
        (1.0, "The picture is 0.7 stops too dark."),
        (2.0, "The picture is 1.7 stops too dark."),
        (0.25, "The picture is 1.3 stops too light."),
    ],
)
def test_the_exposure_of_a_frame_is_its_own_and_not_that_of_the_frame_with_the_chart(gain, said):
    assert said in describe_reference({"exposure_stops": -0.7}, gain)
