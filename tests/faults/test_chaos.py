"""The chaos run in short, and books that see what is planted in them."""

from __future__ import annotations

import random
import tempfile
from pathlib import Path

import pytest

from faults.chaos import balance, chaos, live
from faults.chaotic.crowd import Crowd
from faults.chaotic.place import PARTS, Place

KILLS = 8
SEED = 1


@pytest.fixture
def folder():
    """A folder into which another user may look as well; pytest's own are closed."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        yield Path(name)


def test_a_few_kills_in_a_crowd_lose_nothing_and_do_nothing_twice(folder, record_property):
    try:
        found = chaos(KILLS, SEED, folder, lambda _: None)
    finally:
        Place(folder, frozenset(PARTS)).unmount()
    record_property("left_out", found["left_out"])
    assert [] == found["wrong"]
    assert KILLS == found["kills"]


@pytest.fixture
def desk(folder):
    """A desk at rest without mounts, at which a few files have ended."""
    place = Place(folder, frozenset())
    place.make()
    crowd = Crowd(place, random.Random(SEED))
    while len(crowd.arrived) < 3:
        crowd.drops()
    live(place, crowd, crowd.rng)
    wrong, ends = balance(place, crowd)
    assert [] == wrong
    assert ends["delivered"]
    yield place, crowd
    place.kill()


def originals(place):
    return sorted((place.root.path / "originals").rglob("*.tif"))


def results(place):
    return sorted((place.root.path / "out").rglob("*.tif"))


def lose_an_original(place):
    originals(place)[0].unlink()


def change_an_original(place):
    originals(place)[0].write_bytes(b"another")


def deliver_twice(place):
    result = results(place)[0]
    result.with_name("again.tif").write_bytes(result.read_bytes())


def leave_a_hidden_result(place):
    result = results(place)[0]
    result.rename(result.with_name(".hotfolder-20260131-235959-0123abcd-result-1"))


def cut_the_log(place):
    log = next(Path(place.root.path / "out").glob("*/log.jsonl"))
    log.write_bytes(b"".join(log.read_bytes().splitlines(keepends=True)[:-1]))


@pytest.mark.parametrize(
    ("plant", "reason"),
    [
        (lose_an_original, "is lost"),
        (change_an_original, "is lost"),
        (deliver_twice, "should be there 1 times"),
        (leave_a_hidden_result, "temporary names are left"),
        (cut_the_log, "log and ledger disagree"),
    ],
)
def test_the_books_see_what_is_planted(desk, plant, reason):
    place, crowd = desk
    plant(place)
    wrong, _ = balance(place, crowd)
    assert any(reason in each for each in wrong), wrong
