"""A page that cannot be made is said once; it costs neither the daemon nor the other pages."""

from __future__ import annotations

import json
import shutil

import pytest

from faults.serving import CANVAS, serving, sweep
from faults.test_storage_faults import logged, prompt, said_times, wait_for  # noqa: F401
from hotfolder.ending import lists
from hotfolder.ending.decision import release_job
from hotfolder.ending.lists import Pages
from hotfolder.ledger.jobs import Ledger
from hotfolder.overview.status import collect
from hotfolder.settings.tables import Folders
from whole.conftest import drop, records


@pytest.fixture
def often(monkeypatch):
    """Pages are looked at in every turn."""
    monkeypatch.setattr("hotfolder.daemon.snapshot._PAGES_EVERY_S", 0.0)


def said(root):
    lines = [json.loads(line) for line in root.log.read_text().splitlines()]
    return [line for line in lines if line["event"] == "pages.not_written"]


def test_a_folder_that_lost_its_marker_costs_its_page_and_not_the_daemon(logged, prompt, often):  # noqa: F811
    root = logged
    marker = root.path / "held" / CANVAS / ".hotfolder-folder"
    with serving(root):
        wait_for(lambda: said_times(root, "daemon.started") == 1)
        kept = marker.read_bytes()
        marker.unlink()
        for number in range(3):
            drop(root, f"{number}.tif", seed=number, size=24)
            wait_for(lambda number=number: len(records(root)) == number + 1)
        (line,) = said(root)
        assert "without the file .hotfolder-folder" in line["reason"]
        marker.write_bytes(kept)
        drop(root, "plain.tif", profile=False, size=24)
        page = marker.with_name("index.html")
        wait_for(lambda: page.exists() and "plain.tif" in page.read_text())


def test_a_mistake_of_ours_in_a_page_is_logged_once_and_the_work_goes_on(
    logged,  # noqa: F811
    often,
    monkeypatch,
):
    def broken(_self):
        raise ZeroDivisionError("a page")

    monkeypatch.setattr(Pages, "refresh", broken)
    drop(logged, "mud.tif", size=24)
    assert sweep(logged) == []
    assert ["delivered"] == [record["state"] for record in records(logged)]
    (line,) = said(logged)
    assert "ZeroDivisionError" in line["exception"]


@pytest.mark.parametrize("text", ["[]", "{}", "null", '{"results": 3}', "\xff", '{"job": "x"}'])
def test_a_held_record_that_somebody_spoilt_is_left_out_of_page_and_status(quick, text):
    drop(quick, "spoilt.tif", profile=False, seed=1, size=24)
    assert sweep(quick) == []
    (spoilt,) = records(quick)
    file = quick.path / "held" / CANVAS / spoilt["job"] / "record.json"
    file.unlink()
    file.write_text(text)
    drop(quick, "whole.tif", profile=False, seed=2, size=24)
    assert sweep(quick) == []
    page = (quick.path / "held" / CANVAS / "index.html").read_text()
    assert ("whole.tif" in page, "spoilt.tif" in page) == (True, False)
    waiting = [each["file"] for each in collect(quick)["waiting"] if each["what"] == "held"]
    assert waiting == ["whole.tif"]


@pytest.mark.parametrize("end", ["delivered", "discarded"])
def test_a_held_folder_that_comes_back_after_its_job_was_decided_does_not_wait(
    quick, tmp_path, end
):
    file = quick.destinations / f"{CANVAS}.toml"
    file.write_text(file.read_text().replace("stages = [", 'stages = ["preflight", ', 1))
    drop(quick, "reeds.tif", profile=False, seed=1, size=24)
    assert sweep(quick) == []
    (held,) = records(quick)
    folder = quick.path / "held" / CANVAS / held["job"]
    shutil.copytree(folder, tmp_path / "copy")
    if end == "delivered":
        changes = ["preflight.no_profile=assume", "preflight.assume_rgb=srgb.icc"]
        release_job(quick, held["job"], changes, who="", why="")
    else:
        shutil.rmtree(folder)
    assert sweep(quick) == []
    shutil.copytree(tmp_path / "copy", folder)  # a program that keeps two machines alike did it
    (waiting,) = collect(quick)["waiting"]
    assert (waiting["what"], waiting.get("ways_on")) == ("left over", None)
    assert end in waiting["why"]
    # what is said to be done is done
    if end == "delivered":
        shutil.rmtree(folder)
    else:
        folder.rename(quick.path / "release" / CANVAS / held["job"])
    assert sweep(quick) == []
    assert [each["what"] for each in collect(quick)["waiting"]] == (
        [] if end == "delivered" else ["held"]
    )


def test_a_job_that_is_held_while_the_page_is_written_comes_onto_the_next(quick, monkeypatch):
    drop(quick, "one.tif", profile=False, seed=1, size=24)
    assert sweep(quick) == []
    held = quick.path / "held" / CANVAS
    (job,) = (each for each in held.iterdir() if (each / "record.json").exists())
    aside = job.rename(quick.path / "aside")
    ledger = Ledger(quick.ledger)
    pages = Pages(CANVAS, quick.folders(CANVAS, Folders()), ledger)
    write = lists._write

    def write_late(path, **said):
        if not job.exists():
            aside.rename(job)
        write(path, **said)

    monkeypatch.setattr(lists, "_write", write_late)
    pages.refresh()
    assert "one.tif" not in (held / "index.html").read_text()
    pages.refresh()
    assert "one.tif" in (held / "index.html").read_text()
    ledger.close()
