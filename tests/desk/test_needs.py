"""What a destination needs before the shoot, at the desk."""

import re

import pytest

pytestmark = pytest.mark.whole


def test_the_page_says_what_the_command_says(client, root, hotfolder):
    page = client.get("/need?megapixels=24&shape=3:2").text
    said = hotfolder("need", root.path, "--megapixels", "24").stdout
    (size,) = re.findall(r"Size: (\d+ × \d+ mm)", said)
    (sharp,) = re.findall(r"sharp from there: (\d+ px)", said)
    assert size in page
    assert sharp in page
    assert "24 million" in page
    assert 'href="/need"' in client.get("/").text


@pytest.mark.parametrize("query", ["megapixels=many", "megapixels=nan", "shape=x", "shape=0:1"])
def test_what_is_no_camera_is_said(client, query):
    answer = client.get(f"/need?{query}")
    assert 400 == answer.status_code
    assert 'role="alert"' in answer.text
