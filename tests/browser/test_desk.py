"""A whole decision at the desk, in a browser: dropped, held, compared, changed, delivered."""

from __future__ import annotations

import contextlib
import re
import shutil
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from browser.conftest import BROWSER_FLAGS
from desk.conftest import worked
from faults.serving import serving
from hotfolder.desk.pictures import read_numbers
from hotfolder.ledger.reading import open_reader
from hotfolder.settings.root import Root
from tools import needs_tool, path_of, read_axe
from whole.conftest import drop, records

__all__ = ["worked"]
pytestmark = [pytest.mark.whole, needs_tool("chromium"), needs_tool("chromedriver")]
DEADLINE_S = 120


@contextlib.contextmanager
def desk_of(made: Root, path: Path):
    """The first address of a desk for a copy of a root, and that root."""
    root = Root(Path(shutil.copytree(made.path, path)))
    process = subprocess.Popen(
        [sys.executable, "-m", "hotfolder", "desk", root.path, "--no-browser", "--port", "0"],
        stdout=subprocess.PIPE,
        text=True,
    )
    late = threading.Timer(300, process.kill)
    late.start()
    try:
        lines = iter(process.stdout.readline, "")
        yield next(line.strip() for line in lines if line.startswith("http")), root
    finally:
        late.cancel()
        process.terminate()
        process.wait()
        process.stdout.close()


@pytest.fixture
def opened(worked: Root, tmp_path: Path):
    """The first address of a desk, and its root, where two pictures wait and nothing works."""
    with desk_of(worked, tmp_path / "root") as made:
        yield made


@pytest.fixture
def desk(opened):
    """The same, and a daemon works in the root."""
    with serving(opened[1]):
        yield opened


def wait_for(browser: webdriver.Chrome, said: str, *, there: bool = True) -> None:
    """Until the page says it, or not any more; by itself, for nothing here loads it again."""

    def is_said(_browser: webdriver.Chrome) -> bool:
        return (said in browser.execute_script("return document.body.innerText")) is there

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
    wait_for(chromium, "2 pictures wait for you")

    click(chromium, "Drop files")
    sidecar = picture.with_suffix(".xmp")
    sidecar.write_text("<x/>")
    chromium.find_element(By.NAME, "files").send_keys(f"{picture}\n{sidecar}")
    click(chromium, "Drop them")
    wait_for(chromium, "reeds.tif: dropped")
    lines = chromium.find_elements(By.CSS_SELECTOR, ".coming li")
    assert ["reeds.xmp: dropped", "reeds.tif: dropped"] == [each.text for each in lines]

    click(chromium, "The counter")
    wait_for(chromium, "3 pictures wait for you")  # the page learns of it by itself
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
    assert "sidecar" in [each["kind"] for each in last["attachments"]]
    assert [] == [each for each in chromium.get_log("browser") if each["level"] == "SEVERE"]


@contextlib.contextmanager
def watching(root):
    """A daemon in a process of its own, which is killed in the end."""
    process = subprocess.Popen(
        [sys.executable, "-m", "hotfolder", "watch", root.path, "--quiet"],
        stdout=subprocess.DEVNULL,
    )
    try:
        yield
    finally:
        process.kill()
        process.wait()


def test_a_page_stays_while_the_daemon_is_killed_and_started_again(opened, chromium):
    address, root = opened
    chromium.get(address)
    wait_for(chromium, "2 pictures wait for you")
    wait_for(chromium, "Nobody serves this root")
    chromium.execute_script(
        "window.isTheSame = true;"
        "document.querySelector('.choose-it input').click();"
        "document.querySelector('.says h2 a').focus()"
    )
    for name, said in (("late.tif", "3 pictures wait"), ("later.tif", "4 pictures wait")):
        with watching(root):
            wait_for(chromium, "Nobody serves this root", there=False)
            drop(root, name, seed=len(name))
            wait_for(chromium, said)
        wait_for(chromium, "Nobody serves this root")
    # nothing but what has changed was touched: the tick, the focus and the page are the same
    assert chromium.execute_script(
        "return [window.isTheSame, document.querySelectorAll('.choose-it input:checked').length,"
        " document.activeElement.textContent]"
    ) == [True, 1, "mud.tif"]


def test_a_picture_is_given_up_and_put_back(desk, chromium):
    chromium.get(desk[0])
    click(chromium, "mud.tif")
    chromium.find_element(By.NAME, "why").send_keys("the wrong one")
    click(chromium, "Discard it")
    wait_for(chromium, "(the wrong one)")  # the page learns by itself what the daemon has done
    wait_for(chromium, "It was discarded")
    assert [] == chromium.find_elements(By.CSS_SELECTOR, ".decide")
    click(chromium, "Put it back")
    wait_for(chromium, "It has been dropped again")
    click(chromium, "To the counter")
    wait_for(chromium, "2 pictures wait for you")
    click(chromium, "mud.tif")
    wait_for(chromium, "It waits for you")


def go_to(browser, selector):
    """Press Tab until the focus is there."""
    for _ in range(60):
        ActionChains(browser).send_keys(Keys.TAB).perform()
        if browser.switch_to.active_element in browser.find_elements(By.CSS_SELECTOR, selector):
            return browser.switch_to.active_element
    raise AssertionError(selector)


def press(browser, *keys):
    ActionChains(browser).send_keys(*keys).perform()


def test_a_whole_decision_by_keyboard(desk, chromium):
    address, root = desk
    chromium.get(address)
    press(chromium, Keys.TAB, Keys.ENTER)  # past the head of the page
    while go_to(chromium, ".says a").text != "mud.tif":
        pass
    press(chromium, Keys.ENTER)
    wait_for(chromium, "As it will print")
    job = chromium.current_url.rpartition("/")[2]
    go_to(chromium, ".pair figure:nth-of-type(2) .mat")
    press(chromium, Keys.ARROW_RIGHT, Keys.ARROW_DOWN)
    wait_for(chromium, "ΔE00")
    spoken = chromium.find_element(By.CSS_SELECTOR, "[data-spoken]").get_attribute("textContent")
    assert "51 % across, 51 % down. As finished: L* " in spoken
    # the numbers are those that the sheet was made with
    numbers = np.frombuffer(read_numbers(root, job), "<i2")
    width, height = numbers[1:3]
    planes = numbers[6:].reshape(6, height, width)[:3, int(0.51 * height), int(0.51 * width)] / 10
    said = re.search(r"As finished: L\* (\S+) a\* (\S+) b\* (\S+)\.", spoken)
    assert planes.tolist() == [float(each.replace("−", "-")) for each in said.groups()]
    press(chromium, Keys.ENTER)
    assert 1 == len(chromium.find_elements(By.CSS_SELECTOR, "[data-marked] input"))
    go_to(chromium, "[name=why]")
    press(chromium, "as it should be")
    go_to(chromium, "button.main")
    press(chromium, Keys.ENTER)
    wait_for(chromium, "It was delivered")
    assert "as it should be" == records(root)[-1]["release"]["why"]


def test_alternatives_are_shown_at_the_same_places_and_one_is_taken(desk, chromium):
    address, root = desk
    chromium.get(address)
    click(chromium, "mud.tif")
    ActionChains(chromium).move_to_element(
        chromium.find_element(By.CSS_SELECTOR, ".pair .mat")
    ).click().perform()
    assert 2 == len(chromium.find_elements(By.CSS_SELECTOR, ".mark"))  # one on each side
    chromium.find_element(By.NAME, "long_edge").send_keys("4 cm")
    chromium.find_element(By.CSS_SELECTOR, "[value=perceptual]").click()
    click(chromium, "Show them next to each other")
    wait_for(chromium, "Next to each other")

    def are_all_there(_browser):
        return 3 == len(chromium.find_elements(By.CSS_SELECTOR, ".pair figure[data-side]"))

    WebDriverWait(chromium, DEADLINE_S).until(are_all_there)
    wait_for(chromium, "4.0 × 2.7 cm")
    pieces = chromium.find_elements(By.CSS_SELECTOR, ".places li:nth-of-type(1) img.medium")
    assert 3 == len(pieces)  # and one place only: the one that was marked
    assert [] == chromium.find_elements(By.CSS_SELECTOR, ".places li:nth-of-type(2)")
    assert [] == [each for each in records(root) if each["state"] == "delivered"][1:]
    click(chromium, "Take this one")
    wait_for(chromium, "no more than it is held for now")
    click(chromium, "Let it go with this change")
    wait_for(chromium, "It was delivered")
    assert 157 == records(root)[-1]["results"][0]["width_px"]


def test_differences_in_the_page_are_the_published_ones(opened, chromium):
    chromium.get(opened[0])
    lines = (Path(__file__).parents[1] / "reference" / "ciede2000-pairs.csv").read_text()
    rows = [line.split(",") for line in lines.splitlines() if not line.startswith("#")][1:]
    pairs = [[float(each) for each in row] for row in rows]
    found = chromium.execute_script(
        "return arguments[0].map((p) => deskColours.difference(p.slice(0, 3), p.slice(3, 6)))",
        pairs,
    )
    assert 34 == len(found)
    assert [pair[6] for pair in pairs] == pytest.approx(found, abs=0.00005)


def test_nothing_keeps_people_out_of_any_page(opened, chromium):
    axe = read_axe()
    address, root = opened
    chromium.get(address)
    home = chromium.current_url.rstrip("/")
    with open_reader(root.ledger) as ledger:
        jobs = [row.id for row in ledger.ended_jobs()]
    others = ["/need", "/display", "/measured", "/audit", "/batches", f"/job/{jobs[0]}/story"]
    try:
        for mode in ("light", "dark"):
            feature = {"name": "prefers-color-scheme", "value": mode}
            chromium.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [feature]})
            for path in ("/", "/drop", "/job/none", *others, *(f"/job/{job}" for job in jobs)):
                chromium.get(f"{home}{path}")
                assert [] == find_barriers(chromium, axe), (mode, path)
            chromium.get(home)
            for box in chromium.find_elements(By.CSS_SELECTOR, "input[type=checkbox][name=job]"):
                box.click()
            click(chromium, "Decide those that are ticked")
            wait_for(chromium, "Discard all of them")
            assert [] == find_barriers(chromium, axe), (mode, "several")
        # 200 % of 1200 pixels, and a telephone
        for width in (600, 390):
            size = {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": False}
            chromium.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
            for path in ("/", "/drop", *others, *(f"/job/{job}" for job in jobs)):
                chromium.get(f"{home}{path}")
                wide = chromium.execute_script("return document.documentElement.scrollWidth")
                assert wide <= width, path
    finally:
        chromium.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        chromium.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def test_a_display_is_tested_and_what_was_answered_stands_on_pages_of_pictures(opened, chromium):
    chromium.get(opened[0])
    chromium.get_log("browser")
    click(chromium, "Display")
    wait_for(chromium, "Whether profiles are honoured")
    apart = chromium.execute_script(
        """
        const read = (image) => {
          const canvas = document.createElement("canvas");
          [canvas.width, canvas.height] = [image.naturalWidth, image.naturalHeight];
          const context = canvas.getContext("2d");
          context.drawImage(image, 0, 0);
          return context.getImageData(20, 20, 100, 100).data;
        };
        const [plain, ...others] = [...document.querySelectorAll(".triple img")].map(read);
        return others.map((each) => each.reduce((sum, value, at) =>
          sum + Math.abs(value - plain[at]), 0) / each.length);
        """
    )
    assert 2 == len(apart)
    assert max(apart) < 2  # this browser honours profiles: red and blue are where they belong
    for name, value in (("profiles", "true"), ("dark", "2"), ("middle", "4"), ("light", "3")):
        chromium.find_element(By.CSS_SELECTOR, f"[name={name}][value='{value}']").click()
    chromium.find_element(By.NAME, "display").send_keys("left one")
    click(chromium, "Write it down")
    wait_for(chromium, "its browser says ")
    click(chromium, "The counter")
    click(chromium, "mud.tif")
    wait_for(chromium, 'Display "left one", by eye, on ')
    assert [] == chromium.get_log("browser")  # the policy was never in the way


def find_barriers(browser, axe):
    """What axe finds serious on the page, with the rule and where."""
    browser.execute_cdp_cmd("Runtime.evaluate", {"expression": axe})
    found = browser.execute_async_script(
        "const done = arguments[0]; axe.run(document).then((found) => done(found.violations))"
    )
    return [
        (each["id"], [node["html"][:120] for node in each["nodes"]][:3])
        for each in found
        if each["impact"] in {"serious", "critical"}
    ]


@pytest.fixture
def second(tmp_path):
    """Another browser, of another person."""
    options = webdriver.ChromeOptions()
    options.binary_location = path_of("chromium")
    for flag in (*BROWSER_FLAGS, f"--user-data-dir={tmp_path / 'second'}"):
        options.add_argument(flag)
    with webdriver.Chrome(options=options, service=Service(path_of("chromedriver"))) as running:
        yield running


def test_of_two_browsers_that_decide_one_wins_and_the_other_is_told(desk, chromium, second):
    address, root = desk
    for browser in (chromium, second):
        browser.get(address)
        wait_for(browser, "2 pictures wait for you")
        click(browser, "mud.tif")
        # it does not learn of what the other does before it clicks
        browser.execute_script("window.EventSource = null")
        browser.execute_cdp_cmd("Network.enable", {})
        browser.execute_cdp_cmd("Network.setBlockedURLs", {"urls": ["*/events*"]})
        browser.refresh()
        wait_for(browser, "Let it go as it is")
    try:
        chromium.find_element(By.NAME, "who").clear()
        chromium.find_element(By.NAME, "who").send_keys("Mara")
        click(chromium, "Discard it")
        WebDriverWait(chromium, DEADLINE_S).until(lambda _: records(root)[-1].get("discarded"))
        click(second, "Let it go as it is")
        wait_for(second, "It has been decided already")
        said = second.find_element(By.TAG_NAME, "main").text
        assert "discarded" in said
        assert "by Mara" in said
        assert "Nothing was done by your click." in said
    finally:
        chromium.execute_cdp_cmd("Network.setBlockedURLs", {"urls": []})
    states = [each["state"] for each in records(root) if each["source"] == "mud.tif"]
    assert "delivered" not in states


def test_the_desktop_is_told_what_is_new_once_it_is_asked_for(desk, chromium):
    address, root = desk
    origin = address.partition("/?")[0]
    said = {"origin": origin, "permissions": ["notifications"]}
    chromium.execute_cdp_cmd("Browser.grantPermissions", said)
    chromium.get(address)
    wait_for(chromium, "2 pictures wait for you")
    chromium.execute_script(
        "window.told = []; window.Notification = class { constructor(title, about) "
        "{ window.told.push([title, about.body]); } static permission = 'granted';"
        "static requestPermission() { return Promise.resolve('granted'); } }"
    )
    click(chromium, "Tell me on this desktop")
    wait_for(chromium, "Stop telling me")
    drop(root, "reeds.tif", seed=7)
    found = "return window.told"
    WebDriverWait(chromium, DEADLINE_S).until(lambda _: chromium.execute_script(found))
    ((title, text),) = chromium.execute_script(found)
    assert "reeds.tif waits for you" == title
    assert "per inch" in text
    click(chromium, "Stop telling me")
    wait_for(chromium, "Tell me on this desktop")
