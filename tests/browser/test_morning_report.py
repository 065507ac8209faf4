"""The morning report opened in a browser: on a desk, on a telephone, in the dark, on paper."""

from __future__ import annotations

import base64
import io
import re

import numpy as np
import pytest
from PIL import Image
from selenium.webdriver.common.by import By

from browser.conftest import open_page
from browser.sheets import check_headings, contrasts, width_in_a_window_of
from hotfolder.batch.page import render_page
from hotfolder.batch.report import Batch, make_report
from hotfolder.batch.shelf import BatchState, Line, RowFault
from hotfolder.ledger.jobs import JobRow, State
from hotfolder.model.records import to_json_line
from hotfolder.overview.check import check
from hotfolder.overview.new_root import make_root
from hotfolder.settings.root import Root
from hotfolder_demo import book as estuary
from model.test_records import record

HOSTILE = "<script>document.title = 'mud'</script>" + "x" * 90 + ".tif"


def small_picture(name):
    light = np.clip(estuary.picture(name, 120), 0, 1) ** (1 / 2.2)
    out = io.BytesIO()
    Image.fromarray(np.uint8(light * 255)).save(out, "JPEG")
    return out.getvalue()


def job(number, line, state, folder, lost):
    """A job as the ledger has it, with the findings that a report shows."""
    thumbnail = folder / f"{number}.jpg"
    thumbnail.write_bytes(small_picture(estuary.names(10)[number % 10]))
    path = str(folder / f"{line.name}.tif")
    profile = {"description": "paper", "sha256": "a" * 64}
    result = {
        "path": path, "sha256": "b" * 64, "bytes": 1, "format": "tiff", "width_px": 472,
        "height_px": 354, "bits": 16, "colour_space": "RGB", "ppi": 100.0, "profile": profile,
    }  # fmt: skip
    reason = {"stage": "gamut-check", "code": "gamut-loss", "message": f"{HOSTILE} loses colours."}
    lightness = 70.0 if number == 1 else 40.0
    findings = {
        "gamut-check": {"out_of_gamut_share": lost, "lost_in_words": "mostly greens"},
        "preflight": {"effective_ppi": 60.0},
        "ink-check": {"max_percent": 310.0, "limit_percent": 300.0, "above_limit_share": lost},
        "neutral-check": {"monochrome": True, "worst_cast": {"chroma": 100 * lost}},
        "page-balance": {
            "mean_lightness": lightness, "grey_share": 0.2, "grey_a": lost, "grey_b": 0.0,
        },
    }  # fmt: skip
    attachment = {"kind": "thumbnail", "path": str(thumbnail), "sha256": "d" * 64, "bytes": 1}
    stage = {"stage": "preflight", "elapsed_s": 0.1, "settings": {"warn_below_ppi": 80.0}}
    changes = {
        "state": state.value,
        "results": [result],
        "reasons": [reason] if state is State.HELD else [],
        "findings": findings,
        "stages": [stage],
        "attachments": [attachment],
        "elapsed_s": 1.5,
    }
    text = to_json_line(record(**changes)).decode()
    return JobRow(
        number, line.job, "book-pages", b"x", "file", state, 1, "c" * 64, 1, None, None, "{}", text
    )


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    """A report of sixty rows with everything that can be in one, and a stranger's names."""
    folder = tmp_path_factory.mktemp("morning")
    make_root(folder / "root")
    settings = folder / "root/destinations/book-pages.toml"
    settings.write_text(settings.read_text().replace("\n[medium]", "\n[ticket]\n[medium]"))
    found = check(Root(folder / "root"))
    assert found.settings is not None, found.problems
    destination = found.settings.destinations["book-pages"]
    lines, jobs = [], {}
    for number in range(60):
        line = Line(
            row=number + 2, file=f"reeds {number}.tif", page=str(number + 2), placement="top",
            name=f"{number}", width_mm=60, height_mm=45, copies=1, caption="", intent="",
            anchor="", picture=HOSTILE if number == 3 else f"{number}.tif", job=f"job-{number}",
        )  # fmt: skip
        lines.append(line)
        state = State.HELD if number % 7 == 3 else State.DELIVERED
        jobs[line.job] = job(number, line, state, folder, number / 400)
    missing = lines[0].model_copy(
        update={"row": 70, "file": HOSTILE, "job": "", "problem": "not here", "missing": True}
    )
    state = BatchState(
        ticket="estuary book.csv", rows=62, lines=(*lines, missing), spare=(HOSTILE,),
        faults=(RowFault(row=71, column="width", got='"wide"', allowed="a unit", file=HOSTILE),),
        remarks=("The column Ordered by is not used.",), planned="2026-05-05T06:00:00Z",
    )  # fmt: skip
    old = {
        "was": "4-top.tif", "now": "superseded/estuary/4-top.tif", "job": "job-2", "page": "4",
        "placement": "top", "picture": HOSTILE, "edited": True, "ticket": "estuary book.csv",
        "at": "2026-05-05T06:00:00Z",
    }  # fmt: skip
    batch = Batch("estuary", destination, state, jobs, [], 2, (old,))
    path = folder / "report.html"
    path.write_text(render_page(make_report(batch), batch.standings(), folder), encoding="utf-8")
    return path


@pytest.fixture
def page(chromium, page_file):
    open_page(chromium, page_file)
    return chromium


def test_the_browser_has_nothing_to_complain_and_asks_for_nothing(page, page_file):
    assert [] == page.get_log("browser")
    asked = re.findall(r'"url":"(\w+:[^"]{0,80})', str(page.get_log("performance")))
    assert [] == [url for url in asked if not url.startswith(("data:", "file:", "about:"))]
    assert page_file.stat().st_size < 3_000_000


def test_no_word_of_a_stranger_runs_or_becomes_an_element(page):
    assert "estuary: morning report" == page.title
    assert [] == page.find_elements(By.TAG_NAME, "script")


def test_pictures_are_shown(page):
    shown = page.execute_script(
        "return [...document.images].map(image => image.complete && image.naturalWidth)"
    )
    assert len(shown) > 24
    assert all(shown)


def test_facing_pages_that_differ_stand_in_a_table(page):
    text = page.find_element(By.TAG_NAME, "body").text
    # page 3 is the second picture, 30 lighter than page 2 beside it; no other is
    assert re.search(r"Of 30 spreads, these differ", text)
    assert re.search(r"2 and 3\s+30\.0\s+0\.0\s+lightness", text)
    assert 1 == len(re.findall(r"\d+ and \d+\s+-?\d+\.\d", text))


@pytest.mark.parametrize("width", [320, 390, 800, 1600])
def test_nothing_is_wider_than_the_window(page, width):
    assert width >= width_in_a_window_of(page, width)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_has_contrast(page, scheme):
    ratios = contrasts(page, scheme)
    assert len(ratios) > 100
    assert [] == [each for each in ratios if each[0] < 4.5]


def test_structure_is_there_for_those_who_do_not_see_it(page):
    check_headings(page)
    assert "en" == page.find_element(By.TAG_NAME, "html").get_attribute("lang")


def test_it_prints_on_a4_and_nothing_is_cut_off_at_the_side(page):
    made = page.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})["data"]
    pdf = base64.b64decode(made)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) >= 2
    boxes = re.findall(rb"/MediaBox\s*\[([\d. ]+)\]", pdf)
    # ISO 216: 210 × 297 mm are 595.3 × 841.9 points
    sizes = [[float(number) for number in box.split()[2:]] for box in boxes]
    np.testing.assert_allclose(sizes, [[595.3, 841.9]] * len(sizes), atol=1)
    # 210 mm less margins of 14 mm, at 96 px to the inch
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    page.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": 688, "height": 1000, "deviceScaleFactor": 1, "mobile": False},
    )
    wide = page.execute_script("return document.documentElement.scrollWidth")
    page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    assert wide <= 688
