"""The audit at the desk: the command's filters in an address, links from bars, stories."""

import re
from html import unescape

import pytest

from desk.conftest import job_called
from whole.conftest import records

pytestmark = pytest.mark.whole


def names(page):
    return re.findall(r'<h3><a href="/job/[\w-]+/story">([^<]+)</a></h3>', page)


def test_filters_are_those_of_the_command_and_stand_in_the_address(client):
    page = client.get("/audit").text
    assert {"tide.tif", "mud.tif", "&lt;b&gt;bare.tif"} == set(names(page))
    held = client.get("/audit?state=held&name=m*").text
    assert ["mud.tif"] == names(held)
    assert "All pictures, that are held, named m*" in held
    assert 'href="/audit?state=held&amp;name=m%2A"' in held
    assert [] == names(client.get("/audit?during=2020").text)


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("during=someday", "someday"),
        ("lost_above=much", "5 %"),
        ("state=lost", "delivered, held"),
        ("delta_e_above=nan", "a number"),
        ("destination=nowhere", "fine-art-canvas"),
        ("sort=%3Cb%3E", "&lt;b&gt;"),
    ],
)
def test_what_is_not_understood_is_said_and_the_form_stays(client, query, said):
    answer = client.get(f"/audit?{query}")
    assert 400 == answer.status_code
    assert said in answer.text
    assert "<b>" not in answer.text
    assert 'action="/audit"' in answer.text


def test_a_bar_leads_to_its_pictures_and_a_picture_to_its_story(client, root):
    page = client.get("/audit").text
    bar = re.search(r'<a href="([^"]+)" aria-label="[^"]+"><rect class="held"', page)[1]
    there = client.get(unescape(bar))
    assert 200 == there.status_code
    assert {"tide.tif", "mud.tif", "&lt;b&gt;bare.tif"} == set(names(there.text))
    job = job_called(client, "mud.tif")
    story = client.get(f"/job/{job}/story").text
    assert "The story of mud.tif" in story
    assert "preflight" in story
    assert next(each for each in records(root) if each["job"] == job)["reasons"][0]["message"] in (
        unescape(story)
    )
    assert 404 == client.get("/job/20260101-000000-00000000/story").status_code


def test_totals_lead_to_their_pictures(client):
    page = client.get("/audit?state=delivered").text
    month = re.search(r'<td class="key"><a href="([^"]+during[^"]+)"', page)[1]
    assert ["tide.tif"] == names(client.get(unescape(month)).text)
