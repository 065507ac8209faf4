"""Index pages list what is held and what was delivered, and a name in them is text."""

import re
import shutil

import pytest

from ending.test_attachments import use
from whole.conftest import drop, records, write_destination

pytestmark = pytest.mark.whole


def test_a_held_job_is_listed_with_its_reason_until_its_folder_goes(small, hotfolder):
    write_destination(small)
    name = "<script>alert(1)</script>.tif".replace("/", "_")
    drop(small, name, profile=False)
    assert hotfolder("sweep", small.path).returncode == 3
    (record,) = records(small)
    page = (small.path / "held/fine-art-canvas/index.html").read_text()
    assert record["job"] in page
    assert record["reasons"][0]["message"] in page
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    shutil.rmtree(small.path / "held/fine-art-canvas" / record["job"])
    assert hotfolder("sweep", small.path).returncode == 0
    page = (small.path / "held/fine-art-canvas/index.html").read_text()
    assert record["job"] not in page
    assert "Nothing here." in page


def test_delivered_jobs_with_a_sheet_are_listed_newest_first(small, hotfolder):
    use(small, "false", keep="all")
    assert hotfolder("sweep", small.path).returncode == 0
    drop(small, "second.tif", seed=2)
    assert hotfolder("sweep", small.path).returncode == 0
    first, second = (record["job"] for record in records(small))
    page = (small.path / "out/fine-art-canvas/sheets/index.html").read_text()
    assert re.findall(r'href="([^"]+\.html)"', page) == [f"{second}.html", f"{first}.html"]
    assert f'src="{first}.jpg"' in page
    assert "default-src 'none'" in page


def test_there_is_no_page_of_sheets_where_no_stage_makes_any(small, hotfolder):
    drop(small, "mud.tif")
    assert hotfolder("sweep", small.path).returncode == 0
    assert not (small.path / "out/fine-art-canvas/sheets").exists()


def test_a_picture_that_was_released_is_listed_with_what_it_was_released_for(small, hotfolder):
    use(small, "true", keep="all")
    assert hotfolder("sweep", small.path).returncode == 3
    (record,) = records(small)
    assert hotfolder("release", record["job"], small.path).returncode == 0
    assert hotfolder("sweep", small.path).returncode == 0
    page = (small.path / "out/fine-art-canvas/sheets/index.html").read_text()
    assert "Released, although: " in page
