"""Two results of one picture at the desk: both are named and shown, and let go together."""

import re
from pathlib import Path

import pytest

from desk.conftest import job_called, seen_of, token_of
from faults.serving import sweep
from whole.conftest import drop, records

BOTH = '[stage.reference]\ncorrect = "both"\nwhite_at = "50%,50%"\n[stage.preflight]'


@pytest.mark.whole
def test_a_pair_is_shown_and_let_go_together(client, root):
    file = root.destinations / "fine-art-canvas.toml"
    text = file.read_text().replace('["preflight"', '["preflight", "reference"')
    file.write_text(text.replace("[stage.preflight]", BOTH))
    drop(root, "sail.tif", seed=5)
    assert sweep(root) == []
    job = job_called(client, "sail.tif")
    page = client.get(f"/job/{job}").text
    assert "2 results of one size, delivered together: light kept, which is shown here" in page
    assert "Made, light kept" in page
    assert "Made, neutral" in page
    (at,) = re.findall(rf'href="(/job/{job}/page/\d)"', page)
    assert f'<a href="{at}">Proof sheet: neutral</a>' in page
    answer = client.get(at)
    assert 200 == answer.status_code
    assert "sandbox" in answer.headers["content-security-policy"]
    assert 'data-view="finished"' in answer.text
    assert 404 == client.get(f"/job/{job}/page/2").status_code

    data = {"token": token_of(page), "seen": seen_of(page), "do": "release"}
    assert 303 == client.post(f"/job/{job}/decide", data=data).status_code
    assert sweep(root) == []
    last = records(root)[-1]
    names = [Path(each["path"]) for each in last["results"]]
    assert ["sail light kept.tif", "sail neutral.tif"] == [each.name for each in names]
    assert all(each.is_file() for each in names)
    page = client.get(f"/job/{job}").text
    assert "sail neutral.tif" in page
    assert client.get(f"/job/{job}/result/2").content == names[1].read_bytes()
    assert "Result, neutral" in client.get(f"/job/{job}/story").text
