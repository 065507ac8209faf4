"""The page that compares destinations, in a real browser."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from selenium.webdriver.common.by import By

from browser.conftest import open_page
from browser.sheets import NAME, contrasts, patches, width_in_a_window_of
from hotfolder.settings.root import Root
from hotfolder.stages.roles import Rectangle
from hotfolder.testing import make_stage, run_stage
from hotfolder.work import comparison
from hotfolder.work.comparison import Candidate, ranked
from hotfolder_stages.profile_conversion import ProfileConversion
from hotfolder_stages.proof_sheet import ProofSheet
from reference.devices import SRGB, demo_printer
from stages.driving import job_of, spec_of


@pytest.fixture(scope="session")
def compared(tmp_path_factory):
    """Two media side by side, and one that made nothing."""
    found = [Candidate("shut", "Shut", None, "refused", ("It is no picture.",))]
    for name in ("matte-canvas", "coated-book"):
        folder = tmp_path_factory.mktemp(name)
        pixels = patches()
        spec = spec_of(pixels, SRGB)
        beside = [make_stage(ProfileConversion, {})]
        job = job_of(spec, profile=demo_printer(name, "4.4"), folder=folder, beside=beside)
        said = run_stage(make_stage(ProofSheet, {}), pixels, spec, job, rows=100)[2]
        found.append(
            Candidate(
                destination=name,
                title=name,
                rank=None,
                end="delivered",
                reasons=(),
                lost_share=said["lost_share_of_reduced"],
                lost_words=said["lost_in_words"],
                tolerance=said["tolerance_delta_e_00"],
                moved=said["moved_delta_e_00"]["mean"],
                moved_p95=said["moved_delta_e_00"]["p95"],
                black=said["medium_black_lightness"],
                white=tuple(said["medium_white_srgb"]),
                size_px=(400, 200),
                places=tuple(Rectangle(**each) for each in said["places"]),
                sheet=folder / "sheet.html",
            )
        )
    path = tmp_path_factory.mktemp("compared") / "page.html"
    path.write_text(comparison.page(NAME, ranked(found), Root(Path("desk"))), encoding="utf-8")
    return path


@pytest.fixture
def page(chromium, compared):
    open_page(chromium, compared)
    return chromium


def test_it_loads_alone_without_a_complaint(page, compared):
    assert [] == page.get_log("browser")
    messages = [json.loads(entry["message"])["message"] for entry in page.get_log("performance")]
    asked = [
        message["params"]["request"]["url"]
        for message in messages
        if message["method"] == "Network.requestWillBeSent"
    ]
    assert [] == [url[:80] for url in asked if url != compared.as_uri() and url[:5] != "data:"]
    assert NAME == page.find_element(By.TAG_NAME, "h1").text
    images = page.find_elements(By.TAG_NAME, "img")
    assert [] == [image for image in images if len(image.get_attribute("alt") or "") < 10]


def test_the_two_looks_can_be_switched_for_all_media_at_once(page):
    def shown(kind):
        found = page.find_elements(By.CSS_SELECTOR, f".beside img.{kind}")
        return {image.is_displayed() for image in found}

    assert ({True}, {False}) == (shown("medium"), shown("adapted"))
    page.find_element(By.ID, "look-adapted").click()
    assert ({False}, {True}) == (shown("medium"), shown("adapted"))


def test_each_medium_has_its_own_white_below_it(page):
    whites = {
        each.value_of_css_property("background-color")
        for each in page.find_elements(By.CSS_SELECTOR, ".beside .chip")
    }
    assert 2 == len(whites)


@pytest.mark.parametrize("width", [320, 800, 1600])
def test_nothing_is_wider_than_the_window(page, width):
    assert width >= width_in_a_window_of(page, width)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_has_contrast(page, scheme):
    ratios = contrasts(page, scheme)
    assert len(ratios) > 20
    assert [] == [each for each in ratios if each[0] < 4.5]
