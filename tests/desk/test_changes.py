"""A change is looked at before it is decided; what it makes worse needs a yes of its own."""

import time

import pytest

from desk.conftest import job_called, seen_of, token_of
from faults.killing import run_here
from faults.serving import sweep
from whole.conftest import records

pytestmark = pytest.mark.whole
DEADLINE_S = 120


@pytest.fixture(autouse=True)
def try_here(monkeypatch):
    """Trials in this process: what they come to is tested here, not that a worker starts."""
    monkeypatch.setattr("hotfolder.work.trial.run_attempt", run_here)


def ask(client, job, **fields):
    page = client.get(f"/job/{job}").text
    data = {"token": token_of(page), "seen": seen_of(page), **fields}
    return client.post(f"/job/{job}/try", data=data)


def tried(client, answer):
    """The page of a trial, when it is done."""
    assert 303 == answer.status_code, answer.text
    at = answer.headers["location"]
    ends = time.monotonic() + DEADLINE_S
    while "being tried out" in (page := client.get(at).text):
        assert time.monotonic() < ends
        time.sleep(0.1)
    return at, page


def test_a_change_is_shown_before_it_is_made_and_then_delivered(client, root):
    job = job_called(client, "mud.tif")
    at, page = tried(client, ask(client, job, long_edge="4 cm"))
    assert "no more than it is held for now" in page
    assert 'name="accept"' not in page
    picture = client.get(f"{at}/view/medium")
    assert picture.content.startswith(b"\xff\xd8")
    assert ["held"] == [each["state"] for each in records(root) if each["job"] == job]
    answer = client.post(at, data={"token": token_of(page), "who": "Mara", "why": "small"})
    assert (303, f"/job/{job}") == (answer.status_code, answer.headers["location"])
    assert sweep(root) == []
    last = records(root)[-1]
    # 4 cm at 100 ppi: round(40 / 25.4 * 100) = 157
    assert ("delivered", 157, "small", False) == (
        last["state"], last["results"][0]["width_px"], last["release"]["why"],
        last["release"]["accept"],
    )  # fmt: skip
    assert 409 == client.post(at, data={"token": token_of(page)}).status_code


def test_what_a_change_makes_worse_needs_a_yes_of_its_own(client, root):
    job = job_called(client, "mud.tif")
    at, page = tried(client, ask(client, job, long_edge="60 cm"))
    assert "not been told of before" in page
    assert 'name="accept"' in page
    refused = client.post(at, data={"token": token_of(page)})
    assert (409, True) == (refused.status_code, "another yes" in refused.text)
    assert sweep(root) == []
    assert "held" == records(root)[-1]["state"]
    assert 303 == client.post(at, data={"token": token_of(page), "accept": "yes"}).status_code
    assert sweep(root) == []
    last = records(root)[-1]
    assert ("delivered", False, 1) == (
        last["state"], last["release"]["accept"], len(last["release"]["accepted"])
    )  # fmt: skip


def test_a_yes_counts_for_what_was_shown_and_for_nothing_worse(client, root):
    job = job_called(client, "mud.tif")
    at, page = tried(client, ask(client, job, long_edge="60 cm"))
    assert 303 == client.post(at, data={"token": token_of(page), "accept": "yes"}).status_code
    # what the picture would be held for has grown since it was shown
    file = root.destinations / "fine-art-canvas.toml"
    file.write_text(file.read_text().replace("hold_below_ppi = 5000", "hold_below_ppi = 9000"))
    assert sweep(root) == []
    last = records(root)[-1]
    assert ("held", "made-worse") == (last["state"], last["reasons"][0]["code"])


def test_a_change_that_is_not_right_is_said_and_nothing_is_tried(client):
    job = job_called(client, "mud.tif")
    for fields in (
        {"long_edge": "a lot"},
        {"setting": "sizing.nonsense = 1"},
        {"setting": "x"},
        {},
    ):
        answer = ask(client, job, **fields)
        assert (409, True) == (answer.status_code, "not right" in answer.text), fields


def test_a_way_on_that_answers_the_reason_is_offered_and_makes_a_picture(client, root):
    job = job_called(client, "&lt;b&gt;bare.tif")
    assert "take its numbers for sRGB" in client.get(f"/job/{job}").text
    _, page = tried(client, ask(client, job, way="0"))
    assert "/view/medium" in page


def test_a_trial_of_one_job_is_none_of_another(client):
    job = job_called(client, "mud.tif")
    at, _ = tried(client, ask(client, job, long_edge="4 cm"))
    other = job_called(client, "&lt;b&gt;bare.tif")
    assert 404 == client.get(at.replace(job, other)).status_code


def test_a_trial_knows_of_other_pictures_what_the_work_will_know(client, root, monkeypatch):
    file = root.destinations / "fine-art-canvas.toml"
    file.write_text(file.read_text().replace('["preflight"', '["preflight", "reference"'))
    orders = []
    # nor what could be white, as the page of a job asks for
    monkeypatch.setattr("hotfolder.desk.whites.Errand", lambda _name, _act: None)

    def note(attempt, stop):
        if not attempt.order.only_shows:  # as the counter asks for of what has no picture
            orders.append(attempt.order)
        return run_here(attempt, stop)

    monkeypatch.setattr("hotfolder.work.trial.run_attempt", note)
    tried(client, ask(client, job_called(client, "mud.tif"), long_edge="4 cm"))
    assert ["reference"] == list(orders[0].neighbours)
