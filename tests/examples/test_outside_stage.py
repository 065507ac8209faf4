"""The outside stage is installed as an outsider would, passes its own test, and runs in a job."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
import pyvips

from whole.conftest import drop, hotfolder, records, small, write_destination  # noqa: F401 - fixtures

STAGE = Path(__file__).parents[2] / "examples" / "outside-stage"

pytestmark = pytest.mark.whole


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """An environment in which the stage's package is installed beside ours."""
    target = tmp_path_factory.mktemp("installed")
    command = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--no-build-isolation"]
    done = subprocess.run(
        [*command, "--target", target, STAGE], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return {**os.environ, "PYTHONPATH": str(target)}


def test_its_own_tests_pass(installed):
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", STAGE],
        capture_output=True,
        text=True,
        env=installed,
        check=False,
        cwd=STAGE,
    )
    assert done.returncode == 0, done.stdout
    assert "passed" in done.stdout


def test_it_runs_when_a_destination_names_it(installed, small, hotfolder):  # noqa: F811
    write_destination(
        small,
        **{
            '"tagging"]': '"edge-label", "tagging"]',
            "[stage.sizing]": '[stage.edge-label]\nheight = "10 mm"\n[stage.sizing]',
        },
    )
    drop(small, "mud.tif")
    done = hotfolder("sweep", small.path, env=installed)
    assert done.returncode == 0, done.stderr
    (record,) = records(small)
    assert record["findings"]["edge-label"]["rows_added_px"] == 39
    image = pyvips.Image.new_from_file(record["results"][0]["path"])
    assert (315, 210 + 39) == (image.width, image.height)


def test_without_the_package_the_settings_say_that_there_is_no_such_stage(small, hotfolder):  # noqa: F811
    write_destination(small, **{'"tagging"]': '"edge-label", "tagging"]'})
    done = hotfolder("check", small.path)
    assert done.returncode == 4
    assert "no stage is called 'edge-label'" in done.stderr.replace("\n", " ")
