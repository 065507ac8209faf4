"""Releasing held jobs: by folder, by file, by command; as they stand, or with a change."""

import json
import queue
import shutil
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import tifffile

from commands import run_apart
from faults.serving import sweep
from hotfolder.daemon.loop import Daemon
from hotfolder.settings.files import load_what_is_right
from hotfolder.stages.registry import load_registry
from whole.conftest import drop, files, records, write_destination

pytestmark = pytest.mark.whole

LIMIT = "[stage.preflight]\nhold_below_ppi = 5000\n[stage.sizing]"


@pytest.fixture
def held(small):
    """A root with one held job, whose pixels were made; returns the root and the record."""
    write_destination(small, **{"[stage.sizing]": LIMIT})
    drop(small, "mud.tif")
    assert sweep(small) == []
    (record,) = records(small)
    assert "held" == record["state"]
    return small, record


def folder_of(root, record):
    return root.path / "held/fine-art-canvas" / record["job"]


def test_moving_the_folder_delivers_the_pixels_that_were_made_bit_for_bit(held, hotfolder):
    root, record = held
    made = Path(record["results"][0]["path"]).read_bytes()
    shutil.move(folder_of(root, record), root.path / "release/fine-art-canvas")
    # settings that changed meanwhile do not touch what was seen and decided
    write_destination(root, **{"8 cm": "4 cm", "[stage.sizing]": LIMIT})
    done = hotfolder("sweep", root.path)
    assert done.returncode == 0, done.stderr
    again = records(root)[1]
    assert ("delivered", record["job"], 1) == (again["state"], again["job"], again["attempts"])
    assert made == (root.path / "out/fine-art-canvas/mud.tif").read_bytes()
    assert record["reasons"] == again["reasons"]
    assert {"who": "", "why": "", "changes": {}} == {
        key: again["release"][key] for key in ("who", "why", "changes")
    }
    assert files(root.path / "held") == files(root.path / "release") == []
    assert files(root.path / "originals/fine-art-canvas") == ["mud.tif"]
    assert list(root.spool.iterdir()) == []


def test_moving_only_the_original_releases_it_too(held, hotfolder):
    root, record = held
    made = Path(record["results"][0]["path"]).read_bytes()
    # its name does not matter, its bytes do
    shutil.move(record["original_kept"], root.path / "release/fine-art-canvas/other name.tif")
    assert hotfolder("sweep", root.path).returncode == 0
    assert made == (root.path / "out/fine-art-canvas/mud.tif").read_bytes()
    assert files(root.path / "held") == []


def test_the_command_releases_with_a_change_for_this_job_only(held, hotfolder):
    root, record = held
    done = hotfolder(
        "release", record["job"], root.path, "--long-edge", "4 cm", "--why", "a small one will do",
        "--who", "Mara",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert hotfolder("sweep", root.path).returncode == 0
    again = records(root)[1]
    # 4 cm at 100 ppi: round(40 / 25.4 * 100) = 157
    assert ("delivered", 157) == (again["state"], again["results"][0]["width_px"])
    assert {"sizing": {"long_edge": "4 cm"}} == again["release"]["changes"]
    assert ("Mara", "a small one will do") == (again["release"]["who"], again["release"]["why"])
    assert "too-few-pixels" in [reason["code"] for reason in again["reasons"]]
    assert files(root.path / "held") == files(root.path / "release") == []


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--set", "sizing.ppi=-3"], "stage.sizing.ppi"),
        (["--set", "ppi=3"], "STAGE.KEY=VALUE"),
        (["--set", "nothing.x=3"], "stage.nothing"),
        (["--intent", "vivid"], "perceptual"),
    ],
)
def test_a_change_that_is_not_right_is_refused_and_the_job_stays_held(
    held, hotfolder, arguments, said
):
    root, record = held
    done = hotfolder("release", record["job"], root.path, *arguments)
    assert done.returncode == 4
    assert said in done.stderr.replace("\n", " ")
    assert folder_of(root, record).is_dir()


def test_a_second_release_of_a_job_is_refused(held, hotfolder):
    root, record = held
    assert hotfolder("release", record["job"], root.path).returncode == 0
    assert hotfolder("release", record["job"], root.path).returncode == 6
    assert hotfolder("sweep", root.path).returncode == 0
    done = hotfolder("release", record["job"], root.path)
    assert done.returncode == 4
    assert "is delivered" in done.stderr.replace("\n", " ")
    assert len(records(root)) == 2


def test_two_commands_at_once_release_a_job_once(held, hotfolder):
    root, record = held
    with ThreadPoolExecutor(2) as pool:
        tries = [pool.submit(run_apart, "release", record["job"], root.path) for _ in range(2)]
        codes = sorted(each.result().returncode for each in tries)
    assert 0 == codes[0]
    assert codes[1] in {4, 6}, codes
    assert hotfolder("sweep", root.path).returncode == 0
    assert ["held", "delivered"] == [each["state"] for each in records(root)]
    assert files(root.path / "out/fine-art-canvas") == ["mud.tif"]
    assert files(root.path / "originals/fine-art-canvas") == ["mud.tif"]


def test_folder_and_a_copy_of_the_original_in_release_deliver_once(held, hotfolder):
    root, record = held
    release = root.path / "release/fine-art-canvas"
    shutil.copy(record["original_kept"], release / "copy.tif")
    shutil.move(folder_of(root, record), release)
    assert hotfolder("sweep", root.path).returncode == 0
    assert ["held", "delivered"] == [each["state"] for each in records(root)]
    assert 1 == records(root)[1]["attempts"]  # the pixels that were made, not made again
    assert files(root.path / "out/fine-art-canvas") == ["mud.tif"]
    assert files(root.path / "release") == ["fine-art-canvas/copy.tif"]


def test_a_running_daemon_takes_a_release_up_by_itself(held, hotfolder):
    root, record = held
    ended = queue.Queue()
    registry = load_registry(root.plugins)
    daemon = Daemon(root, load_what_is_right(root.path, registry), registry, ended.put)
    thread = threading.Thread(target=daemon.run)
    thread.start()
    try:
        assert hotfolder("release", record["job"], root.path).returncode == 0
        row = ended.get(timeout=60)
    finally:
        daemon.stop()
        thread.join(60)
    assert (record["job"], "delivered") == (row.id, row.state)


def test_what_was_delivered_is_not_released_again_by_its_original(held, hotfolder):
    root, record = held
    shutil.move(folder_of(root, record), root.path / "release/fine-art-canvas")
    assert hotfolder("sweep", root.path).returncode == 0
    kept = root.path / "originals/fine-art-canvas/mud.tif"
    shutil.copy(kept, root.path / "release/fine-art-canvas/mud.tif")
    assert hotfolder("sweep", root.path).returncode == 0
    assert 2 == len(records(root))
    assert files(root.path / "release") == ["fine-art-canvas/mud.tif"]


def test_a_change_is_to_the_settings_as_they_are_when_the_job_is_released(held, hotfolder):
    root, record = held
    write_destination(root, **{"ppi = 100": "ppi = 200", "[stage.sizing]": LIMIT})
    done = hotfolder("release", record["job"], root.path, "--long-edge", "4 cm")
    assert done.returncode == 0, done.stderr
    assert hotfolder("sweep", root.path).returncode == 0
    # 4 cm at 200 ppi: round(40 / 25.4 * 200) = 315
    assert 315 == records(root)[1]["results"][0]["width_px"]


def test_a_tampered_result_is_not_delivered_but_made_again(held, hotfolder):
    root, record = held
    made = Path(record["results"][0]["path"])
    expected = tifffile.imread(made)
    tampered = made.read_bytes()[:-9] + b"\0" * 9
    made.write_bytes(tampered)
    shutil.move(folder_of(root, record), root.path / "release/fine-art-canvas")
    assert hotfolder("sweep", root.path).returncode == 0
    out = root.path / "out/fine-art-canvas/mud.tif"
    assert tampered != out.read_bytes()
    assert np.array_equal(expected, tifffile.imread(out)), "ids and dates are new, pixels are not"


def test_what_is_no_held_job_stays_and_is_said(held, hotfolder):
    root, _ = held
    stranger = root.path / "release/fine-art-canvas/stranger.tif"
    stranger.write_bytes(b"no picture of ours")
    assert hotfolder("sweep", root.path).returncode == 0
    assert stranger.exists()
    assert len(records(root)) == 1
    snapshot = json.loads(root.snapshot.read_text())
    assert "stranger.tif in release/" in snapshot["folders"]["fine-art-canvas"]["remarks"][0]


def test_a_picture_held_before_any_pixel_was_made_is_held_again(small, hotfolder):
    drop(small, "plain.tif", profile=False)
    assert hotfolder("sweep", small.path).returncode == 3
    (record,) = records(small)
    shutil.move(folder_of(small, record), small.path / "release/fine-art-canvas")
    assert hotfolder("sweep", small.path).returncode == 3
    again = records(small)[1]
    assert ("held", "no-profile") == (again["state"], again["reasons"][0]["code"])
    change = "preflight.no_profile=assume"
    profile = "preflight.assume_rgb=srgb.icc"
    job = record["job"]
    done = hotfolder("release", job, small.path, "--set", change, "--set", profile)
    assert done.returncode == 0, done.stderr
    assert hotfolder("sweep", small.path).returncode == 0
    assert "delivered" == records(small)[2]["state"]


def test_an_edited_file_dropped_again_is_tied_to_the_earlier_job(held, hotfolder):
    root, record = held
    write_destination(root)
    drop(root, "mud.tif", seed=5)
    assert hotfolder("sweep", root.path).returncode == 0
    assert [record["job"]] == records(root)[1]["earlier_jobs"]
