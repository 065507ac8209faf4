"""What stages tell each other and leave for people goes through the job, declared."""

import numpy as np
import pytest

from hotfolder import (
    ConversionToCome,
    Intent,
    IntentChosen,
    LossTolerance,
    Message,
    Stage,
    StageError,
)
from hotfolder.testing import make_job, make_spec
from stages.driving import SRGB

SPEC = make_spec(np.zeros((4, 4, 3), np.uint16))


class Teller(Stage):
    name = "teller"
    tells = (LossTolerance,)


class Other(Stage):
    name = "other"


@pytest.fixture
def job(tmp_path):
    return make_job(SPEC, profile=SRGB, folder=tmp_path)


def test_what_one_stage_tells_every_stage_of_the_job_knows(job):
    assert job.given_to(Other).told(LossTolerance) is None
    job.given_to(Teller).tell(LossTolerance(2.0))
    assert LossTolerance(2.0) == job.given_to(Other).told(LossTolerance)
    job.given_to(Teller).tell(LossTolerance(3.0))
    assert 3.0 == job.told(LossTolerance).delta_e_00


def test_another_job_knows_nothing_of_it(job, tmp_path):
    job.given_to(Teller).tell(LossTolerance(2.0))
    assert make_job(SPEC, folder=tmp_path).told(LossTolerance) is None


def test_a_stage_tells_only_what_it_declares(job):
    with pytest.raises(StageError, match="the stage other told LossTolerance, which it does not"):
        job.given_to(Other).tell(LossTolerance(2.0))


def test_a_message_of_a_stages_own_can_be_told(job):
    class Mud(Message):
        pass

    class Digger(Stage):
        name = "digger"
        tells = (Mud,)

    job.given_to(Digger).tell(Mud())
    assert isinstance(job.told(Mud), Mud)
    assert job.told(IntentChosen) is None


def test_who_waits_for_a_message_is_called_when_it_is_told_next_and_once(job):
    heard = []
    job.given_to(Teller).tell(LossTolerance(1.0))
    job.when_told(LossTolerance, lambda: heard.append(job.told(LossTolerance).delta_e_00))
    assert [] == heard
    for each in (2.0, 3.0):
        job.given_to(Teller).tell(LossTolerance(each))
    assert [2.0] == heard


@pytest.mark.parametrize(
    ("intents", "is_open", "expected"),
    [
        ((Intent.PERCEPTUAL,), False, Intent.PERCEPTUAL),
        ((Intent.RELATIVE_COLORIMETRIC, Intent.PERCEPTUAL), True, Intent.RELATIVE_COLORIMETRIC),
    ],
)
def test_which_intent_to_reckon_with(intents, is_open, expected):
    told = ConversionToCome(intents)
    assert (is_open, expected) == (told.is_open, told.expected_intent)


def test_what_is_attached_carries_the_stages_name(job, tmp_path):
    path = job.given_to(Teller).attach("ink by channel.csv", "Ink by channel")
    assert tmp_path / "ink by channel.csv" == path
    (found,) = job.attachments
    assert ("teller", "Ink by channel", "other") == (found.stage, found.title, found.kind)


@pytest.mark.parametrize(
    "name",
    [
        "",
        ".hidden",
        "../x",
        "a/b",
        "a\nb",
        "answer.json",
        "result.tif",
        "x" * 65,
        "trail.",
        "mud\0",
    ],
)
def test_a_name_that_cannot_be_used_is_the_stages_fault(job, name):
    with pytest.raises(StageError, match="the stage teller cannot attach"):
        job.given_to(Teller).attach(name, "Mud")


def test_two_stages_cannot_attach_one_name(job):
    job.given_to(Teller).attach("notes.txt", "Notes")
    job.given_to(Teller).attach("notes.txt", "Notes again")
    with pytest.raises(StageError, match=r"cannot attach 'notes.txt': teller has that name"):
        job.given_to(Other).attach("notes.txt", "Notes")
