"""A book at the desk, in a browser: a row is corrected on the page, and only that is made again."""

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from batch.conftest import BOOK, state
from browser.test_desk import DEADLINE_S, click, desk_of, find_barriers, wait_for
from desk.test_books import printed
from faults.serving import serving
from tools import needs_tool, read_axe

__all__ = ["printed"]
pytestmark = [pytest.mark.whole, needs_tool("chromium"), needs_tool("chromedriver")]


def test_a_row_is_corrected_on_the_page_of_its_book(printed, chromium, tmp_path):
    with desk_of(printed, tmp_path / "root") as (address, root), serving(root):
        before = {line.row: line.job for line in state(root).lines}
        chromium.get(address)
        click(chromium, "Batches")
        click(chromium, "estuary")
        wait_for(chromium, "What is to be settled before the night")
        wait_for(chromium, 'The column width says "wide"')
        click(chromium, "Row 4")
        field = chromium.find_element(By.NAME, "width")
        field.clear()
        field.send_keys("30 mm")
        click(chromium, "Correct this row")
        wait_for(chromium, "Row 4 is corrected")

        def is_made(_browser):
            return any(line.row == 4 and line.job for line in state(root).lines)

        WebDriverWait(chromium, DEADLINE_S).until(is_made)
        assert before[2] == {line.row: line.job for line in state(root).lines}[2]
        chromium.get(f"{address.partition('/?')[0]}/batch/{BOOK}/estuary")
        assert 'The column width says "wide"' not in chromium.page_source


def test_rows_without_a_picture_can_be_read(printed, chromium, tmp_path):
    axe = read_axe()
    with desk_of(printed, tmp_path / "root") as (address, _root):
        chromium.get(address)
        click(chromium, "Batches")
        click(chromium, "estuary")
        wait_for(chromium, "cannot be done")
        assert [] == find_barriers(chromium, axe)
