"""What is white is shown, pointed at, looked at, decided, and recorded as a person's decision."""

import re
import time

import numpy as np
import pytest
import tifffile

from desk.conftest import job_called, seen_of, token_of
from faults.killing import run_here
from faults.serving import sweep
from hotfolder.desk.forms import Form
from hotfolder.desk.whites import read_white
from hotfolder.errors import SettingsError
from whole.conftest import records

DEADLINE_S = 120
WARM = (0.6, 0.45, 0.27)


@pytest.fixture(autouse=True)
def try_here(monkeypatch):
    """Trials in this process: what they come to is tested here, not that a worker starts."""
    monkeypatch.setattr("hotfolder.work.trial.run_attempt", run_here)


@pytest.fixture
def held(client, root):
    """The job of a sail in warm light before leaves, which its destination can balance."""
    file = root.destinations / "fine-art-canvas.toml"
    file.write_text(file.read_text().replace('["preflight"', '["preflight", "reference"'))
    leaves = np.random.default_rng(5).uniform(0.02, 0.2, (200, 300, 3)) * [0.3, 1.0, 0.2]
    leaves[40:160, 30:120] = WARM
    codes = np.where(leaves < 0.0031308, 12.92 * leaves, 1.055 * leaves ** (1 / 2.4) - 0.055)
    tifffile.imwrite(
        root.path / "in" / "fine-art-canvas" / "sail.tif",
        np.uint16(65535 * codes),
        photometric="rgb",
        iccprofile=(root.profiles / "srgb.icc").read_bytes(),
        metadata=None,
    )
    assert sweep(root) == []
    return job_called(client, "sail.tif")


def look(client, at, *, until, unless=""):
    """A page as soon as it says something, and something else no more."""
    ends = time.monotonic() + DEADLINE_S
    while until not in (page := client.get(at).text) or (unless and unless in page):
        assert time.monotonic() < ends, page
        time.sleep(0.05)
    return page


def ask(client, job, page, **fields):
    data = {"token": token_of(page), "seen": seen_of(page), **fields}
    return client.post(f"/job/{job}/try", data=data)


@pytest.mark.whole
def test_a_place_is_chosen_looked_at_and_recorded_as_a_decision(client, root, held):
    page = look(client, f"/job/{held}", until="is white or grey</strong>")
    where, shown = re.search(r'name="white" value="([^"]+)"><img src="([^"]+)"', page).groups()
    across, down = (float(each) for each in where.replace("%", "").split(","))
    assert 10 < across < 40
    assert 20 < down < 80
    assert client.get(shown).content.startswith(b"\xff\xd8")
    assert client.get(f"/job/{held}/white/came").content.startswith(b"\xff\xd8")
    assert 404 == client.get(f"/job/{held}/white/choice-99").status_code

    answer = ask(client, held, page, white=where)
    assert 303 == answer.status_code, answer.text
    at = answer.headers["location"]
    page = look(client, at, until="With the change", unless="being tried out")
    assert "recorded as your decision, and never as a measurement" in page
    data = {"token": token_of(page), "who": "Ada", "why": "the sail is white"}
    assert 303 == client.post(at, data=data).status_code
    assert sweep(root) == []

    last = records(root)[-1]
    assert ("delivered", "Ada", {"reference": {"white_at": where}}) == (
        last["state"], last["release"]["who"], last["release"]["changes"],
    )  # fmt: skip
    found = last["findings"]["reference"]
    assert "a person's decision, no measurement" == found["corrected"]["by"]
    assert [] == found["charts"]
    for at in (f"/job/{held}", f"/job/{held}/story"):
        said = client.get(at).text
        assert "by a person’s decision" in said, at
        assert "from the left and" in said


@pytest.mark.whole
def test_any_other_place_is_pointed_at_without_a_script(client, held):
    page = look(client, f"/job/{held}", until='type="image"')
    shown = re.search(r'name="shown" value="([^"]+)"', page)[1]
    width, height = (int(each) for each in shown.split("x"))
    half = {"white-320.x": "160", "white-320.y": str(round(160 * height / width))}
    answer = ask(client, held, page, shown=shown, **half)
    assert 303 == answer.status_code, answer.text
    page = look(client, answer.headers["location"], until="With the change")
    assert re.search(r"White is at 50 % from the left and (50|49|50\.\d) % from the top", page)


@pytest.mark.whole
def test_a_place_that_says_nothing_is_said_before_it_is_decided(client, root, held, monkeypatch):
    page = look(client, f"/job/{held}", until='type="image"')
    monkeypatch.setattr("hotfolder_stages.reference.stage.read_spot", lambda *_: None)
    at = ask(client, held, page, left="1", top="1").headers["location"]
    page = look(client, at, until="With the change", unless="being tried out")
    assert "black or clipped" in page


@pytest.mark.whole
def test_where_no_stage_balances_nothing_is_asked(client):
    assert "What is white in it?" not in client.get(f"/job/{job_called(client, 'mud.tif')}").text


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({"white": "40.0%,30.0%"}, (0.4, 0.3)),
        ({"left": "40", "top": "30,5 %"}, (0.4, 0.305)),
        ({"white-640.x": "64", "white-640.y": "240", "shown": "720x540"}, (0.1, 0.5)),
        ({"white-320.x": "320", "white-320.y": "0", "shown": "720x540"}, (1.0, 0.0)),
        ({}, None),
    ],
)
def test_a_place_is_read_however_it_was_said(fields, expected):
    found = read_white(Form({key: [value] for key, value in fields.items()}))
    assert expected == (found and pytest.approx(found.at))


@pytest.mark.parametrize(
    "fields",
    [
        {"white": "the sail"},
        {"left": "", "top": ""},
        {"left": "140", "top": "30"},
        # a key that is pressed on a picture
        {"white-640.x": "0", "white-640.y": "0", "shown": "720x540"},
        {"white-640.x": "700", "white-640.y": "10", "shown": "720x540"},
        {"white-640.x": "10", "white-640.y": "10", "shown": "720x0"},
        {"white-640.x": "10", "white-640.y": "10"},
        {"white-640.x": "nan", "white-640.y": "10", "shown": "720x540"},
    ],
)
def test_what_is_no_place_is_said(fields):
    with pytest.raises(SettingsError, match="allowed"):
        read_white(Form({key: [value] for key, value in fields.items()}))
