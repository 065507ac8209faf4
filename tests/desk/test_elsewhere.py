"""A held picture is made for another destination instead: once, whoever asks how often."""

import re
import time

import pytest

from desk.conftest import job_called, seen_of, token_of
from faults.killing import Killer, choose, copied, in_a_child, run_here
from faults.serving import sweep
from hotfolder.desk.reading import read_story
from hotfolder.ending.elsewhere import send_elsewhere
from hotfolder.errors import SettingsError, StorageError
from hotfolder.overview.new_root import make_root
from whole.conftest import records, write_destination

pytestmark = pytest.mark.whole
DEADLINE_S = 120
SMALL = "small-canvas"


@pytest.fixture(autouse=True)
def try_here(monkeypatch):
    monkeypatch.setattr("hotfolder.work.trial.run_attempt", run_here)


@pytest.fixture
def two(root):
    """The root with a second destination, which holds nothing for its size."""
    write_destination(root, name=SMALL, title=("Fine-art canvas", "Small <canvas>"))
    make_root(root.path)
    return root


def job_of(root, name="mud.tif"):
    return next(each["job"] for each in records(root) if each["source"] == name)


def made_there(root):
    return [
        (each["source"], each["state"])
        for each in records(root, SMALL)
        if each["destination"] == SMALL
    ]


def send(root, job, **values):
    usual = {"give_up": False, "who": "Mara", "why": ""}
    return send_elsewhere(root, job, SMALL, **(usual | values))


def test_it_is_dropped_there_and_becomes_a_job_of_its_own(two):
    job = job_of(two)
    assert not send(two, job).was_given_up
    assert sweep(two) == []
    assert [("mud.tif", "delivered")] == made_there(two)
    assert read_story(two, job).can_be_decided


def test_it_is_discarded_here_when_that_is_asked_for(two):
    job = job_of(two)
    assert send(two, job, give_up=True, why="it is small").was_given_up
    assert sweep(two) == []
    assert [("mud.tif", "delivered")] == made_there(two)
    assert "made for Small <canvas> instead: it is small" in read_story(two, job).standing


def test_who_asks_again_drops_nothing_again(two):
    job = job_of(two)
    assert send(two, job).dropped
    assert send(two, job).dropped is None
    assert sweep(two) == []
    assert send(two, job).dropped is None
    assert send(two, job, give_up=True).dropped is None
    assert sweep(two) == []
    assert [("mud.tif", "delivered")] == made_there(two)
    assert not read_story(two, job).can_be_decided


def test_another_picture_of_the_same_name_is_left_alone(two):
    other = two.path / "in" / SMALL / "mud.tif"
    other.write_bytes(b"x")
    dropped = send(two, job_of(two)).dropped
    assert dropped != other
    assert b"x" == other.read_bytes()


def test_what_is_no_held_job_and_no_destination_is_refused(two):
    job = job_of(two)
    with pytest.raises(SettingsError, match="another destination"):
        send_elsewhere(two, job, "fine-art-canvas", give_up=True, who="", why="")
    with pytest.raises(SettingsError, match="another destination"):
        send_elsewhere(two, job, "../x", give_up=True, who="", why="")
    with pytest.raises(SettingsError, match="a held job"):
        send(two, job_of(two, "tide.tif"))
    path = two.destinations / f"{SMALL}.toml"
    path.write_text(f"{path.read_text()}\n[ticket]\n")
    with pytest.raises(SettingsError, match="works on tickets"):
        send(two, job)


def test_an_original_that_has_gone_is_not_sent(two):
    job = job_of(two)
    for path in (*two.path.glob(f"held/*/{job}/mud.tif"), *two.kept.glob(f"{job}/*")):
        path.unlink()
    with pytest.raises(StorageError, match="is not there any more"):
        send(two, job, give_up=True)
    assert read_story(two, job).can_be_decided


@pytest.mark.parametrize("after", [False, True], ids=["before", "after"])
def test_a_kill_at_any_act_leaves_one_there_when_it_is_asked_again(two, tmp_path, after):
    def count(root):
        killer = Killer(None, after=False)
        killer.install()
        send(root, job_of(root), give_up=True)
        return killer.acts

    acts, _ = in_a_child(lambda: count(copied(two, tmp_path / "counted")), DEADLINE_S)
    for number in choose(acts, 3, every=False):
        root = copied(two, tmp_path / f"{number}")

        def killed(root=root, number=number):
            killer = Killer(number, after=after)
            killer.install()
            send(root, job_of(root), give_up=True)

        in_a_child(killed, DEADLINE_S)
        assert sweep(root) == []
        job = job_of(root)
        if read_story(root, job).can_be_decided:
            send(root, job, give_up=True)
            assert sweep(root) == []
        assert [("mud.tif", "delivered")] == made_there(root)
        assert not read_story(root, job).can_be_decided


def test_the_page_offers_it_beside_the_picture_and_says_what_was_done(two, client):
    job = job_called(client, "mud.tif")
    page = client.get(f"/job/{job}").text
    data = {"token": token_of(page), "seen": seen_of(page), "for": SMALL, "show": "each"}
    at = client.post(f"/job/{job}/try", data=data).headers["location"]
    ends = time.monotonic() + DEADLINE_S
    while "data-poll" in (page := client.get(at).text):
        assert time.monotonic() < ends
        time.sleep(0.1)
    assert "For Small &lt;canvas&gt;" in page
    action = re.search(r'action="(/job/[^"]+/elsewhere/[^"]+)"', page)[1]
    data = {"token": token_of(page), "do": "give-up", "who": "Mara"}
    answer = client.post(action, data=data)
    assert "Dropped for Small &lt;canvas&gt;" in answer.text
    assert "This one is discarded." in answer.text
    assert 409 == client.post(action, data=data).status_code
    assert sweep(two) == []
    assert [("mud.tif", "delivered")] == made_there(two)
