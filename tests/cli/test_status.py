"""What waits for a person, in the words of the command ``status``."""

import pytest

from hotfolder.cli import status

NO_PROFILE = "It carries no colour profile."


def held(number, why=NO_PROFILE, **more):
    job = f"20261201-0000{number:02}"
    way = f"hotfolder release {job} /room --set preflight.no_profile=assume  (take it for sRGB)"
    return {
        "destination": "canvas",
        "file": f"mud-{number}.tif",
        "what": "held",
        "why": why,
        "since": "2026-12-01T14:52:00Z",
        "who": "you",
        "job": job,
        "share": None,
        "ways_on": [way],
        "columns": [],
        **more,
    }


@pytest.fixture
def printed(capsys):
    def lines(waiting):
        said = {"root": "/room", "waiting": waiting, "destinations": {}, "batches": []}
        status._print_yours({**said, "notify": []})
        return capsys.readouterr().out.splitlines()

    return lines


def test_what_is_held_for_the_same_reason_is_said_once_and_released_by_one_command(printed):
    lines = printed([held(1), held(2, "It is too small."), held(3)])
    assert lines.count(f"      {NO_PROFILE}") == 1
    assert "  held: canvas: 2 pictures, for one reason" in lines
    (command,) = (line for line in lines if "000001" in line and "release" in line)
    assert command.split()[:5] == [
        "hotfolder",
        "release",
        "20261201-000001",
        "20261201-000003",
        "/room",
    ]
    for file in ("mud-1.tif (20261201-000001), since", "mud-3.tif (20261201-000003), since"):
        assert any(file in line for line in lines)


@pytest.mark.parametrize(
    "other",
    [
        {"why": "Another reason."},
        {"destination": "book"},
        {"ways_on": []},
        {"what": "stopped"},
    ],
    ids=str,
)
def test_what_differs_in_anything_but_name_and_time_stands_alone(printed, other):
    lines = printed([held(1), held(2, **other)])
    assert not any("for one reason" in line for line in lines)
    assert sum("since" in line for line in lines) == 2


def test_of_many_as_many_are_named_as_one_command_releases(printed):
    lines = printed([held(number) for number in range(1, 31)])
    (command,) = (line for line in lines if "hotfolder release" in line)
    assert command.count("20261201-") == status._MOST_SHOWN
    assert "      and 10 more, after these; --json has all" in lines
