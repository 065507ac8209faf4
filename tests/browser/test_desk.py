"""A whole decision at the desk, in a browser: dropped, held, compared, changed, delivered."""

from __future__ import annotations

import subprocess
import sys
import threading

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from desk.conftest import hold_all
from faults.serving import serving
from hotfolder.settings.root import Root
from tools import needs_tool
from whole.conftest import drop, records, write_destination

pytestmark = [pytest.mark.whole, needs_tool("chromium"), needs_tool("chromedriver")]
DEADLINE_S = 90


@pytest.fixture
def desk(root: Root):
    """The first address of a desk, and its root, in which a daemon works."""
    for file in root.destinations.glob("*.toml"):
        if file.stem != "fine-art-canvas":
            file.unlink()
    write_destination(root)
    hold_all(root)
    process = subprocess.Popen(
        [sys.executable, "-m", "hotfolder", "desk", root.path, "--no-browser", "--port", "0"],
        stdout=subprocess.PIPE,
        text=True,
    )
    late = threading.Timer(300, process.kill)
    late.start()
    try:
        lines = iter(process.stdout.readline, "")
        address = next(line.strip() for line in lines if line.startswith("http"))
        with serving(root):
            yield address, root
    finally:
        late.cancel()
        process.terminate()
        process.wait()
        process.stdout.close()


def wait_for(browser: webdriver.Chrome, said: str) -> None:
    """Until the page says it; by itself, for nothing here loads it again."""

    def is_said(_browser: webdriver.Chrome) -> bool:
        return said in browser.execute_script("return document.body.innerText")

    WebDriverWait(browser, DEADLINE_S, ignored_exceptions=[Exception]).until(is_said, said)


def click(browser: webdriver.Chrome, text: str) -> None:
    of_text = f"//*[self::a or self::button][normalize-space()='{text}']"
    browser.find_element(By.XPATH, of_text).click()


def test_a_picture_is_dropped_held_compared_changed_and_delivered(desk, chromium, tmp_path):
    address, root = desk
    picture = drop(root, "reeds.tif", seed=5).rename(tmp_path / "reeds.tif")
    chromium.get_log("browser")
    chromium.get(address)
    assert "key=" not in chromium.current_url
    wait_for(chromium, "No picture waits for you")

    click(chromium, "Drop files")
    chromium.find_element(By.NAME, "files").send_keys(str(picture))
    click(chromium, "Drop them")
    wait_for(chromium, "reeds.tif: dropped")

    click(chromium, "The counter")
    wait_for(chromium, "One picture waits for you")  # the page learns of it by itself
    click(chromium, "reeds.tif")
    finished, printed = (
        chromium.find_element(By.CSS_SELECTOR, f".pair figure:nth-of-type({number}) img")
        for number in (1, 2)
    )
    assert finished.size == printed.size
    assert chromium.execute_script("return arguments[0].naturalWidth > 0", printed)

    chromium.find_element(By.NAME, "long_edge").send_keys("4 cm")
    click(chromium, "Show all of it as one change")
    wait_for(chromium, "no more than it is held for now")
    chromium.find_element(By.NAME, "why").send_keys("a small one will do")
    click(chromium, "Let it go with this change")

    def is_delivered(_browser: webdriver.Chrome) -> bool:
        chromium.refresh()
        return "It was delivered" in chromium.page_source

    WebDriverWait(chromium, DEADLINE_S).until(is_delivered)
    last = records(root)[-1]
    assert ("delivered", 157) == (last["state"], last["results"][0]["width_px"])
    assert [] == [each for each in chromium.get_log("browser") if each["level"] == "SEVERE"]
