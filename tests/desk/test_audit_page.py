"""The audit at the desk: the command's filters in an address, links from bars, stories."""

import re
from datetime import UTC, datetime
from functools import partial
from html import unescape
from itertools import pairwise

import pytest

from desk.conftest import job_called
from hotfolder.audit import plot
from hotfolder.audit.plot import place_trend
from hotfolder.audit.trends import Bucket, Trend
from hotfolder.desk.audit_page import _link_span
from hotfolder.pages.frame import load_template
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
    bar = re.search(r'<a href="([^"]+since=[^"]+)"', page)[1]
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


def test_dots_and_bars_of_a_plot_are_links_to_their_time():
    at = [datetime(2026, 11, day, tzinfo=UTC) for day in (2, 9, 16, 23)]
    buckets = tuple(Bucket(a, b, 4, 0.1, 0.25) for a, b in pairwise(at))
    trend = {"destination": "a & b", "unit": "week", "pictures": 12, "changes": [],
             "plot": place_trend(Trend("a & b", "week", buckets, (), 0))}  # fmt: skip
    drawn = load_template("hotfolder.pages", "audit_parts.html").module.drawing(
        trend, plot, partial(_link_span, {"sort": "name"})
    )
    links = [unescape(each) for each in re.findall(r'<a href="([^"]+)"', drawn)]
    assert 6 == len(links)
    assert links[0].startswith("/audit?destination=a+%26+b&since=2026-11-02T")


def test_totals_lead_to_their_pictures(client):
    page = client.get("/audit?state=delivered").text
    month = re.search(r'<td class="key"><a href="([^"]+during[^"]+)"', page)[1]
    assert ["tide.tif"] == names(client.get(unescape(month)).text)
