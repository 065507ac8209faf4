"""The audit's page in a real browser: loads nothing, fits a narrow window, prints whole."""

import base64
import io
import json
import sqlite3
from contextlib import closing

import pytest
from PIL import Image
from selenium.webdriver.common.by import By

from audit.generated import fill
from browser.conftest import open_page
from hotfolder.audit.books import open_books
from hotfolder.audit.choices import Sort
from hotfolder.audit.question import Question
from hotfolder.audit.report import write_report
from hotfolder.ledger.packing import teach
from hotfolder.settings.root import Root


@pytest.fixture(scope="module")
def audit_page(tmp_path_factory):
    folder = tmp_path_factory.mktemp("audit")
    root = Root(folder)
    root.destinations.mkdir()
    fill(root.ledger, 600)
    picture = io.BytesIO()
    Image.new("RGB", (60, 40), (200, 120, 40)).save(picture, "JPEG")
    (folder / "small.jpg").write_bytes(picture.getvalue())
    with closing(sqlite3.connect(root.ledger)) as db, db:
        teach(db)
        small = {"kind": "thumbnail", "path": str(folder / "small.jpg")}
        attached = json.dumps([{**small, "sha256": "0" * 64, "bytes": 1}])
        db.execute(
            "UPDATE jobs SET record = json_set(unpack(record), '$.attachments', json(?)) WHERE id ="
            " (SELECT job FROM records ORDER BY share_lost DESC LIMIT 1)",
            (attached,),
        )
    with open_books(root) as db:
        write_report(db, root, Question(sort=Sort.LOST, limit=5), folder / "audit.html")
    return folder / "audit.html"


def test_the_page_loads_from_a_file_without_a_complaint_and_without_a_network(chromium, audit_page):
    open_page(chromium, audit_page)
    assert chromium.get_log("browser") == []
    asked = [
        message["params"]["request"]["url"]
        for entry in chromium.get_log("performance")
        if (message := json.loads(entry["message"])["message"])["method"]
        == "Network.requestWillBeSent"
    ]
    assert all(url.startswith(("file:", "data:")) for url in asked), asked


def test_it_shows_pictures_most_lost_first_and_a_plot_per_destination(chromium, audit_page):
    open_page(chromium, audit_page)
    assert len(chromium.find_elements(By.CSS_SELECTOR, "svg[role=img][aria-label]")) == 3
    shares = [
        float(each.text.split()[0]) for each in chromium.find_elements(By.CSS_SELECTOR, "b.lost")
    ]
    assert len(shares) == 5
    assert shares == sorted(shares, reverse=True)
    (image,) = chromium.find_elements(By.CSS_SELECTOR, "li img")
    assert chromium.execute_script("return arguments[0].naturalWidth", image) == 60
    verdicts = [each.text for each in chromium.find_elements(By.CSS_SELECTOR, "td b")]
    assert "more is lost" in verdicts


def test_a_narrow_window_needs_no_scrolling_sideways(chromium, audit_page):
    size = {"width": 380, "height": 800, "deviceScaleFactor": 1, "mobile": False}
    chromium.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    try:
        open_page(chromium, audit_page)
        width = chromium.execute_script("return document.documentElement.scrollWidth")
    finally:
        chromium.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    assert width <= 380


def test_on_paper_nothing_is_cut_off_at_the_side(chromium, audit_page):
    open_page(chromium, audit_page)
    chromium.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    size = {"width": 688, "height": 1000, "deviceScaleFactor": 1, "mobile": False}
    chromium.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)  # 182 mm at 96 per inch
    try:
        widths = chromium.execute_script(
            "return [...document.querySelectorAll('table, svg')].map("
            "each => each.getBoundingClientRect().right)"
        )
        page = chromium.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})["data"]
    finally:
        chromium.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
        chromium.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    assert max(widths) <= 688
    assert base64.b64decode(page).startswith(b"%PDF")
