"""Things that people put in the way of the program's own files, and people who stop it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys

import pytest

from faults.serving import CANVAS, sweep
from faults.test_storage_faults import wait_for
from hotfolder.overview.status import collect
from hotfolder.work.worker import PROGRESS
from whole.conftest import drop, files, records

RECORD_S = 120


def with_sheets(root):
    path = root.destinations / f"{CANVAS}.toml"
    text = path.read_text().replace('"profile-conversion"', '"proof-sheet", "profile-conversion"')
    path.write_text(f'keep_sheets = "all"\n{text}')


def test_a_dropped_folder_named_like_the_page_of_sheets_is_not_in_its_way(small):
    with_sheets(small)
    drop(small, "sheets/index.html/reeds.tif", size=24)
    assert sweep(small) == []
    assert (small.path / "out" / CANVAS / "sheets" / "index.html").is_file()
    assert ["sheets-2/index.html/reeds.tif"] == [
        name for name in files(small.path / "out" / CANVAS) if name.endswith(".tif")
    ]


def test_a_folder_that_somebody_made_in_the_place_of_a_page_is_said_in_status(small):
    with_sheets(small)
    (small.path / "out" / CANVAS / "sheets" / "index.html").mkdir(parents=True)
    drop(small, "reeds.tif", size=24)
    assert sweep(small) == []
    snapshot = small.snapshot.read_text()
    assert "its pages cannot be written" in snapshot
    assert "index.html" in snapshot


@pytest.mark.parametrize(
    "place",
    ["held/{0}/.hotfolder-index.html", "held/{0}/x/record.json", "release/{0}/x/release.json"],
)
def test_a_pipe_in_the_place_of_a_file_of_ours_keeps_nothing_waiting(small, place):
    pipe = small.path / place.format(CANVAS)
    pipe.parent.mkdir(exist_ok=True)
    os.mkfifo(pipe)
    drop(small, "reeds.tif", size=24)
    child = os.fork()
    if child == 0:  # a daemon that hangs is ended from outside
        signal.alarm(RECORD_S)
        code = 1
        try:
            sweep(small)
            collect(small)
            code = 0
        finally:
            os._exit(code)
    assert 0 == os.waitpid(child, 0)[1]
    assert 1 == len(records(small))


@pytest.mark.whole
def test_a_sweep_that_is_stopped_says_so_without_a_traceback(small):
    for number in range(3):
        drop(small, f"{number}.tif", seed=number, size=1200)
    process = subprocess.Popen(
        [sys.executable, "-m", "hotfolder", "sweep", small.path],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    wait_for(
        lambda: any(small.spool.glob(f"*/attempt-*/{PROGRESS}"))
    )  # the progress of a job is shown
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does it
    _, said = process.communicate(timeout=60)
    assert 130 == process.returncode, said
    assert "Stopped before everything was done" in " ".join(said.split())
    assert "Traceback" not in said
    assert sweep(small) == []
    assert 3 == len(records(small))
