"""The page about a display: its pictures, what is written down, and where it stands later."""

import io

import numpy as np
import pytest
from PIL import Image, ImageCms

from desk.conftest import job_called, token_of
from hotfolder.desk.display_answers import read_answers
from hotfolder.desk.display_pictures import make_pictures

ANSWER = {
    "display": "left one", "gamut": "p3", "profiles": "true", "dark": "3", "middle": "2",
    "light": "4",
}  # fmt: skip


@pytest.fixture
def token(client):
    return token_of(client.get("/display").text)


def _as_shown(data):
    """A picture as a program shows it on sRGB that honours profiles."""
    image = Image.open(io.BytesIO(data))
    if "icc_profile" not in image.info:
        return np.asarray(image).astype(int)
    profile = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
    return np.asarray(
        ImageCms.profileToProfile(image, profile, ImageCms.createProfile("sRGB"))
    ).astype(int)


@pytest.mark.parametrize(("name", "apart"), [("profile.png", 1), ("profile.jpg", 8)])
def test_pictures_are_alike_where_profiles_are_honoured_and_not_else(name, apart):
    pictures = make_pictures()
    plain = _as_shown(pictures["plain.png"])
    assert np.abs(_as_shown(pictures[name]) - plain).mean() <= apart / 4
    assert np.quantile(np.abs(_as_shown(pictures[name]) - plain), 0.99) <= apart
    ignored = np.asarray(Image.open(io.BytesIO(pictures[name]))).astype(int)
    assert np.abs(ignored - plain).mean() > 40


def test_the_page_keeps_the_policy_and_gives_its_pictures(client):
    answer = client.get("/display")
    assert 200 == answer.status_code
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert "style=" not in answer.text
    assert "Nothing yet" in answer.text
    for name, kind in (("plain.png", "image/png"), ("profile.jpg", "image/jpeg")):
        picture = client.get(f"/display/{name}")
        assert (200, kind) == (picture.status_code, picture.headers["content-type"])
    assert 404 == client.get("/display/other.png").status_code


def test_what_was_answered_stands_on_pages_of_pictures(client, root, token):
    waiting = job_called(client, "mud.tif")
    page = client.get(f"/job/{waiting}").text
    assert "by eye" not in page
    assert 303 == client.post("/display/answer", data={**ANSWER, "token": token}).status_code
    said = "embedded profiles honoured; fields told from their ground: 3 of 4 in the dark"
    assert said in client.get("/display").text
    page = client.get(f"/job/{waiting}").text
    assert said in page
    assert "left one&#34;, by eye, on " in page
    second = {**ANSWER, "profiles": "false", "token": token}
    assert 303 == client.post("/display/answer", data=second).status_code
    (latest,) = read_answers(root)
    assert not latest.profiles
    assert "NOT honoured" in client.get("/display").text


@pytest.mark.parametrize(
    "wrong", [{"dark": "5"}, {"display": ""}, {"gamut": "all"}, {"profiles": ""}, {"light": "x"}]
)
def test_an_answer_that_is_none_is_not_written(client, root, token, wrong):
    answer = client.post("/display/answer", data={**ANSWER, **wrong, "token": token})
    assert 400 == answer.status_code
    assert "Nothing was written" in answer.text
    assert not (root.displays).exists()


def test_a_torn_line_is_left_out_and_mended(client, root, token):
    (root.displays).write_bytes(b'{"version": 1, "display": "ri')
    assert [] == read_answers(root)
    assert "Nothing yet" in client.get("/display").text
    assert 303 == client.post("/display/answer", data={**ANSWER, "token": token}).status_code
    assert ["left one"] == [each.display for each in read_answers(root)]
