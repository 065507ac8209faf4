"""A proof sheet in a real browser: opened from a file, looked at, handled, printed."""

from __future__ import annotations

import base64
import io
import json
import re

import numpy as np
import pytest
from PIL import Image
from selenium.webdriver import ActionChains, Keys
from selenium.webdriver.common.by import By

from browser.sheets import (
    CANVAS,
    NAME,
    centres,
    check_headings,
    contrasts,
    patches,
    width_in_a_window_of,
)
from hotfolder.colour.proofing import soft_proof
from hotfolder.colour.transform import Transform
from reference.devices import SRGB


def slider(page):
    return page.find_element(By.ID, "divider")


def value(page):
    return int(slider(page).get_attribute("aria-valuenow"))


def seen(page):
    """The window's pixels as they are on the screen: sRGB."""
    png = page.execute_cdp_cmd("Page.captureScreenshot", {"format": "png"})["data"]
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(png))).convert("RGB"))


def colours_of(page, selector):
    """Colours at the middles of the patches in a picture on the page."""
    image = page.find_element(By.CSS_SELECTOR, selector)
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", image)
    box = page.execute_script(
        "const b = arguments[0].getBoundingClientRect(); return [b.x, b.y, b.width, b.height]",
        image,
    )
    screen = seen(page)
    places = [(box[1] + y * box[3], box[0] + x * box[2]) for x, y in centres()]
    return np.array([screen[round(row), round(column)] for row, column in places], dtype=int)


def expected(show):
    delivered = Transform(SRGB, CANVAS).apply(patches())
    proof = soft_proof(delivered, CANVAS, SRGB, show).to_8_bits().astype(int)
    return proof[50::100, 50::100].reshape(-1, 3)


# loading


def test_the_page_loads_from_a_file_without_a_complaint(page):
    assert page.current_url.startswith("file://")
    assert [] == page.get_log("browser")
    assert page.execute_script(
        "return [...document.images].every(i => i.complete && i.naturalWidth > 0)"
    )


def test_nothing_is_asked_for_outside_the_page(page, sheet):
    messages = [json.loads(entry["message"])["message"] for entry in page.get_log("performance")]
    asked = [
        message["params"]["request"]["url"]
        for message in messages
        if message["method"] == "Network.requestWillBeSent"
    ]
    assert sheet.as_uri() in asked
    assert [] == [url[:80] for url in asked if url != sheet.as_uri() and url[:5] != "data:"]


def test_the_policy_stops_what_is_not_the_pages_own(page):
    ran = page.execute_script(
        "const s = document.createElement('script'); s.textContent = 'window.strange = 1';"
        "document.body.append(s); return window.strange === undefined"
    )
    assert ran
    assert any("Content Security Policy" in entry["message"] for entry in page.get_log("browser"))


def test_a_script_in_a_name_is_text(page):
    assert NAME == page.find_element(By.TAG_NAME, "h1").text
    assert "mud" != page.title


# colour


@pytest.mark.parametrize("show", ["medium", "adapted"])
def test_the_proof_on_the_screen_is_the_soft_proof(page, show):
    page.find_element(By.ID, f"look-{show}").click()
    slider(page).send_keys(Keys.HOME)
    found = colours_of(page, f".made img.{show}")
    np.testing.assert_allclose(found, expected(show), atol=2)


def test_the_picture_as_finished_is_on_the_screen_as_it_came(page):
    slider(page).send_keys(Keys.END)
    found = colours_of(page, ".finished img")
    np.testing.assert_allclose(found, patches()[50::100, 50::100].reshape(-1, 3) / 257, atol=2)


SURROUNDS = """
    return [...document.querySelectorAll('.mat')].map(e => {
      for (; e; e = e.parentElement) {
        const c = getComputedStyle(e).backgroundColor;
        if (c !== 'rgba(0, 0, 0, 0)') return c;
      }
    })
"""


def test_both_pictures_lie_on_one_surround_darker_than_the_paper_in_light_and_dark(page):
    found = set()
    for scheme in ("light", "dark"):
        feature = [{"name": "prefers-color-scheme", "value": scheme}]
        page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": feature})
        found |= set(page.execute_script(SURROUNDS))
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
    (surround,) = found
    grey = [int(each) for each in re.findall(r"\d+", surround)]
    assert 1 == len(set(grey))
    assert grey[0] < 0.5 * min(expected("medium")[0])


def test_the_mediums_white_is_shown_below_the_proof(page):
    chip = "return getComputedStyle(document.querySelector('.chip')).backgroundColor"
    white = [int(each) for each in re.findall(r"\d+", page.execute_script(chip))]
    np.testing.assert_allclose(white, expected("medium")[0], atol=2)


@pytest.mark.parametrize("ratio", [1, 2])
def test_no_picture_is_stretched_beyond_the_screens_pixels(page, ratio):
    metrics = {"width": 1200, "height": 900, "deviceScaleFactor": ratio, "mobile": False}
    page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    page.execute_script("window.dispatchEvent(new Event('resize'))")
    shown = page.execute_script(
        "return [...document.querySelectorAll('.mat img, .place img')].filter(i => i.width)"
        ".map(i => [i.getBoundingClientRect().width * devicePixelRatio, i.naturalWidth])"
    )
    page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    assert shown
    assert all(width <= natural + 0.5 for width, natural in shown)


# the divider


def test_the_divider_begins_in_the_middle_and_says_where_it_is(page):
    assert 50 == value(page)
    assert "50 % as finished, 50 % as it will print" == slider(page).get_attribute("aria-valuetext")
    assert "slider" == slider(page).aria_role
    assert "as finished" in slider(page).accessible_name


@pytest.mark.parametrize(
    ("key", "there"),
    [
        (Keys.ARROW_RIGHT, 52),
        (Keys.ARROW_LEFT, 48),
        (Keys.PAGE_UP, 60),
        (Keys.PAGE_DOWN, 40),
        (Keys.HOME, 0),
        (Keys.END, 100),
    ],
)
def test_keys_move_the_divider(page, key, there):
    slider(page).send_keys(key)
    assert there == value(page)


def test_the_divider_is_reached_by_tab_alone(page):
    page.find_element(By.ID, "look-medium").send_keys(Keys.TAB)
    assert slider(page) == page.switch_to.active_element


def test_the_mouse_drags_the_divider_and_the_picture_follows(page):
    width = slider(page).size["width"]
    ActionChains(page).move_to_element(slider(page)).click_and_hold().move_by_offset(
        round(width / 4), 0
    ).release().perform()
    assert 75 == pytest.approx(value(page), abs=1)
    assert re.match(
        r"inset\(0px 0px 0px 7[456]",
        page.execute_script(
            "return getComputedStyle(document.querySelector('.made .mat')).clipPath"
        ),
    )
    ActionChains(page).move_by_offset(-50, 0).perform()
    assert 75 == pytest.approx(value(page), abs=1)  # let go


def test_a_finger_drags_the_divider(page):
    page.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", slider(page))
    box = page.execute_script(
        "const b = arguments[0].getBoundingClientRect(); return [b.x, b.y, b.width, b.height]",
        slider(page),
    )
    y = box[1] + box[3] / 2
    for kind, share in [("touchStart", 0.5), ("touchMove", 0.4), ("touchMove", 0.2)]:
        points = [{"x": box[0] + share * box[2], "y": y}]
        page.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    page.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    page.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": False})
    assert 20 == pytest.approx(value(page), abs=1)


def test_side_by_side_puts_the_divider_away(page):
    button = page.find_element(By.ID, "apart")
    button.click()
    assert not slider(page).is_displayed()
    assert "true" == button.get_attribute("aria-pressed")
    assert_side_by_side(page)


def test_places_can_be_seen_three_times_as_large(page):
    image = page.find_element(By.CSS_SELECTOR, ".place img")
    before = image.size["width"]
    page.find_element(By.ID, "larger").click()
    assert 3 * before == image.size["width"]
    page.find_element(By.ID, "larger").click()
    assert before == image.size["width"]


def test_a_number_on_the_map_leads_to_its_place(page):
    page.find_element(By.CSS_SELECTOR, ".marks a").click()
    assert page.current_url.endswith("#place-1")


# without script, narrow, dark, on paper


def assert_side_by_side(page):
    finished, made = (
        page.find_element(By.CSS_SELECTOR, f"{which} .mat").rect for which in (".finished", ".made")
    )
    assert finished["x"] + finished["width"] <= made["x"]
    assert finished["y"] == pytest.approx(made["y"], abs=2)


def test_without_script_everything_is_there(page_without_script):
    page = page_without_script
    assert_side_by_side(page)
    shown = [image for image in page.find_elements(By.TAG_NAME, "img") if image.is_displayed()]
    assert 3 <= len(shown)
    assert [] == [each for each in page.find_elements(By.TAG_NAME, "button") if each.is_displayed()]
    for said in ("What you can do now", "Where colours are lost", "ISO 3664"):
        assert said in page.find_element(By.TAG_NAME, "body").text


def test_without_script_the_look_can_be_changed(page_without_script):
    page = page_without_script
    page.find_element(By.ID, "look-adapted").click()
    assert page.find_element(By.CSS_SELECTOR, ".made img.adapted").is_displayed()
    assert not page.find_element(By.CSS_SELECTOR, ".made img.medium").is_displayed()


@pytest.mark.parametrize("width", [320, 390, 800, 1600])
def test_nothing_is_wider_than_the_window(page, width):
    assert width >= width_in_a_window_of(page, width)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_has_contrast(page, scheme):
    ratios = contrasts(page, scheme)
    assert len(ratios) > 20
    assert [] == [each for each in ratios if each[0] < 4.5]


def test_structure_is_there_for_those_who_do_not_see_it(page):
    check_headings(page)
    images = page.find_elements(By.TAG_NAME, "img")
    assert [] == [image for image in images if len(image.get_attribute("alt") or "") < 10]
    assert "en" == page.find_element(By.TAG_NAME, "html").get_attribute("lang")


def test_it_prints_on_two_sheets_of_a4(page):
    made = page.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})["data"]
    pdf = base64.b64decode(made)
    assert pdf.startswith(b"%PDF-")
    assert 2 == len(re.findall(rb"/Type\s*/Page\b", pdf))
    boxes = re.findall(rb"/MediaBox\s*\[([\d. ]+)\]", pdf)
    # ISO 216: 210 × 297 mm are 595.3 × 841.9 points
    sizes = [[float(number) for number in box.split()[2:]] for box in boxes]
    np.testing.assert_allclose(sizes, [[595.3, 841.9]] * len(sizes), atol=1)
