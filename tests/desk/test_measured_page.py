"""What was measured, at the desk: how each medium stands, and one of them with its pictures."""

from datetime import UTC, datetime

import pytest

from hotfolder_demo.measured_story import NAME, tell_story

pytestmark = pytest.mark.whole


def test_a_medium_that_was_never_measured_says_so(client):
    assert "never" in client.get("/measured").text
    page = client.get(f"/measured/{NAME}")
    assert 200 == page.status_code
    assert "Nothing was measured yet" in page.text
    assert 404 == client.get("/measured/nowhere").status_code


def test_a_medium_that_has_drifted_names_the_pictures_since(client, root):
    tell_story(root, datetime.now(UTC), to_its_end=False)
    assert "drifted" in client.get("/measured").text
    page = client.get(f"/measured/{NAME}").text
    assert "b* of the paper" in page
    assert "1 picture was delivered since" in page
    assert "tide.tif</a>" in page
    assert "style=" not in page  # its policy admits none
