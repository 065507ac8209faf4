"""One browser for all tests, and pages that the stage proof-sheet made."""

from __future__ import annotations

from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from browser.sheets import CANVAS, NAME, patches
from hotfolder.testing import make_stage, run_stage
from hotfolder_stages.profile_conversion import ProfileConversion
from hotfolder_stages.proof_sheet import ProofSheet
from reference.devices import SRGB
from stages.driving import job_of, spec_of
from tools import path_of

BROWSER_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--force-color-profile=srgb",
    "--window-size=1200,900",
)


@pytest.fixture(scope="session")
def chromium(tmp_path_factory: pytest.TempPathFactory):
    """Chromium, as Debian packages it, without a network of its own to talk to."""
    browser, driver = path_of("chromium"), path_of("chromedriver")
    options = webdriver.ChromeOptions()
    options.binary_location = browser
    for flag in (*BROWSER_FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('browser')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    with webdriver.Chrome(options=options, service=Service(driver)) as running:
        yield running


@pytest.fixture(scope="session")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sheet of a picture of flat patches, for the canvas."""
    folder = tmp_path_factory.mktemp("sheet")
    pixels = patches()
    spec = spec_of(pixels, SRGB)
    job = job_of(
        spec,
        profile=CANVAS,
        folder=folder,
        name=NAME,
        beside=[make_stage(ProfileConversion, {})],
    )
    run_stage(make_stage(ProofSheet, {}), pixels, spec, job, rows=100)
    return folder / "sheet.html"


@pytest.fixture
def page(chromium: webdriver.Chrome, sheet: Path) -> webdriver.Chrome:
    """The sheet, opened anew on a desk."""
    open_page(chromium, sheet)
    return chromium


@pytest.fixture
def page_without_script(chromium: webdriver.Chrome, sheet: Path):
    """The sheet in a browser that runs no scripts."""
    chromium.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    open_page(chromium, sheet)
    yield chromium
    chromium.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


def open_page(chromium: webdriver.Chrome, sheet: Path) -> None:
    """Open a sheet after forgetting what the browser had to say of the one before."""
    chromium.get("about:blank")
    for log in ("browser", "performance"):
        chromium.get_log(log)
    chromium.get(sheet.as_uri())
