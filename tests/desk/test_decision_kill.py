"""Kill -9 of the desk or the daemon at acts of a decision: it happened once or not at all.

The acts are counted as in `faults.killing`. `--every-act` tries each of them, before and after;
without it a sample. The page says which it was, and a decision that has not happened can be made.
"""

from __future__ import annotations

import json
import shutil

import pytest
from starlette.testclient import TestClient

from desk.conftest import HOME, PORT, come_in, job_called, seen_of, token_of
from faults.killing import Killer, below, choose, copied, in_a_child, sweep_in_child
from faults.serving import sweep
from hotfolder.desk.access import Access
from hotfolder.desk.app import Desk
from hotfolder.desk.reading import read_story
from hotfolder.ending.decision import discard_job, release_job
from whole.conftest import records

pytestmark = pytest.mark.whole
SAMPLE = 3
DEADLINE_S = 120
DECISIONS = ("release", "discard")


def decide_at_desk(root, do, number=None, *, after=False):
    """Decide about the held picture on the page; what was done at it, and the acts before."""
    access = Access("http", PORT, ("127.0.0.1", "localhost"))
    client = TestClient(Desk(root, access).app, base_url=HOME, follow_redirects=False)
    come_in(client, access)
    job = job_called(client, "mud.tif")
    page = client.get(f"/job/{job}").text
    killer = Killer(number, after=after)
    killer.install()
    data = {"token": token_of(page), "seen": seen_of(page), "do": do, "who": "Mara"}
    assert 303 == client.post(f"/job/{job}/decide", data=data).status_code
    return killer.acts


def job_of(root):
    (job,) = {each["job"] for each in records(root) if each["source"] == "mud.tif"}
    return job


def check_once(root, do):
    """What has been decided is done once and said; or nothing is, and it can be decided still."""
    job = job_of(root)
    story = read_story(root, job)
    ends = ["discarded" if each["discarded"] else each["state"]
            for each in records(root) if each["job"] == job]  # fmt: skip
    out = [path.name for path in below(root.path / "out") if path.name.startswith("mud")]
    assert [] == list(root.spool.iterdir())
    if ends == ["held"]:
        assert story.can_be_decided
        assert "waits for you" in story.standing
        assert [] == out
        return False
    done, said = ("delivered", "was delivered") if do == "release" else ("discarded", "discarded")
    assert ["held", done] == ends
    assert said in story.standing
    assert "Mara" in story.standing
    assert (["mud.tif"] if do == "release" else []) == out
    assert [] == [path for path in below(root.path / "held") if path.name == "mud.tif"]
    assert not story.can_be_decided
    return True


@pytest.mark.parametrize("after", [False, True], ids=["before", "after"])
@pytest.mark.parametrize("do", DECISIONS)
def test_a_desk_killed_at_any_act_of_a_decision_has_made_it_once_or_not_at_all(
    root, tmp_path, do, after, every_act
):
    counted = copied(root, tmp_path / "counted")
    acts, _ = in_a_child(lambda: decide_at_desk(counted, do), DEADLINE_S)
    assert acts
    assert sweep(counted) == []
    assert check_once(counted, do)
    for number in choose(acts, min(SAMPLE, len(acts)), every=every_act, turn=int(after)):
        killed = copied(root, tmp_path / f"killed-{number}")
        said, _ = in_a_child(
            lambda killed=killed, number=number: decide_at_desk(killed, do, number, after=after),
            DEADLINE_S,
        )
        assert said is None, f"act {number} was not reached"
        assert sweep(killed) == []
        if not check_once(killed, do):
            in_a_child(lambda killed=killed: decide_at_desk(killed, do), DEADLINE_S)
            assert sweep(killed) == []
            assert check_once(killed, do), f"not done after a kill at {number}, {acts[number - 1]}"
        shutil.rmtree(killed.path)


@pytest.mark.parametrize("after", [False, True], ids=["before", "after"])
@pytest.mark.parametrize("do", DECISIONS)
def test_a_daemon_killed_at_any_act_of_a_decision_does_it_once(
    root, tmp_path, do, after, every_act
):
    decide = {"release": lambda job: release_job(root, job, [], who="Mara", why=""),
              "discard": lambda job: discard_job(root, job, who="Mara", why="")}  # fmt: skip
    decide[do](job_of(root))
    acts = sweep_in_child(copied(root, tmp_path / "counted"))
    assert acts is not None
    for number in choose(acts, SAMPLE, every=every_act, turn=int(after)):
        killed = copied(root, tmp_path / f"killed-{number}")
        assert sweep_in_child(killed, number, after=after) is None, f"act {number} is not reached"
        story = read_story(killed, job_of(killed))
        assert not story.can_be_decided, (acts[number - 1], story.standing)
        assert sweep(killed) == [], f"no end after a kill at act {number}, {acts[number - 1]}"
        assert check_once(killed, do), json.dumps(acts[:number])
        shutil.rmtree(killed.path)
