"""What is white, said to the command ``release``."""

import pytest

from hotfolder.cli.release import release
from hotfolder.errors import SettingsError
from hotfolder.model.wishes import WhiteWish

JOB = "20261128-210000-0123abcd"


@pytest.fixture
def asked(monkeypatch):
    """What held jobs are asked to be released with."""
    found = []

    def note(_root, _job, _changes, wishes, **_who):
        found.extend(wishes)
        return {"balance": {"at": "here"}}

    monkeypatch.setattr("hotfolder.ending.decision.release_job", note)
    return found


def test_a_place_that_is_white_is_a_wish_of_its_own(asked, capsys):
    release([JOB], white_at="40 %, 30,5 %", why="the sail")
    assert [WhiteWish((0.4, 0.305))] == asked
    assert "released with balance.at" in capsys.readouterr().out


@pytest.mark.parametrize("text", ["the sail", "40", "40%,130%"])
def test_what_is_no_place_is_said_and_nothing_is_released(asked, text):
    with pytest.raises(SettingsError, match=r"--white-at.*from the left and from the top"):
        release([JOB], white_at=text)
    assert [] == asked
