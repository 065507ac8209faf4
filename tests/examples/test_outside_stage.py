"""The outside stage is installed as an outsider would, passes its own test, and runs in a job."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
import pyvips

from batch.conftest import table
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


@pytest.fixture
def two(installed, small, hotfolder):  # noqa: F811
    """A batch of one that is delivered and one that is held, each with a label."""
    write_destination(
        small,
        **{
            '"tagging"]': '"edge-label", "tagging"]',
            "[stage.sizing]": '[ticket]\n[stage.edge-label]\nheight = "10 mm"\n'
            "[stage.preflight]\nhold_below_ppi = 100\n[stage.sizing]",
        },
    )
    drop(small, "estuary/mud.tif", size=240)
    drop(small, "estuary/reeds.tif", size=240, seed=2)
    ticket = small.path / "in" / "fine-art-canvas" / "estuary" / "book.csv"
    ticket.write_text("file,page,width\nmud.tif,2,20 mm\nreeds.tif,3,120 mm\n")
    done = hotfolder("sweep", small.path, env=installed)
    assert done.returncode == 3, done.stderr  # one is held
    return small


def test_a_report_has_its_columns(two):
    (path,) = (two.path / "out" / "fine-art-canvas" / "estuary").glob("report.csv")
    rows = {row["file"]: row for row in table(path)}
    assert {"mud.tif": "delivered", "reeds.tif": "held"} == {
        name: row["state"] for name, row in rows.items()
    }
    for name, row in rows.items():
        assert "9.9" == row["label-height"]
        assert row["label"].startswith(name)
    document = json.loads(path.with_suffix(".json").read_text())
    assert [{"name": "label-height", "title": "Label height", "unit": "mm", "value": 9.9}] == [
        document["placements"][0]["columns"][1]
    ]


def test_status_says_its_columns_of_what_is_held(two, hotfolder):  # noqa: F811
    done = hotfolder("status", two.path, "--json")  # also where the package is gone
    (held,) = json.loads(done.stdout)["waiting"]
    assert ("held", ["label", "label-height"]) == (
        held["what"],
        [each["name"] for each in held["columns"]],
    )
    assert "Label height: 9.9 mm" in hotfolder("status", two.path).stdout


def test_without_the_package_the_settings_say_that_there_is_no_such_stage(small, hotfolder):  # noqa: F811
    write_destination(small, **{'"tagging"]': '"edge-label", "tagging"]'})
    done = hotfolder("check", small.path)
    assert done.returncode == 4
    assert "no stage is called 'edge-label'" in done.stderr.replace("\n", " ")
