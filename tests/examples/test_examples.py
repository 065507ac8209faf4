"""Examples outside the tree pass their own tests, and work in a job and with each other."""

import json
import os
import subprocess
import sys
import threading
import tomllib
import uuid
from pathlib import Path

import pytest
import pyvips

from batch.conftest import table
from hotfolder.notify.matters import describe, find_matters
from hotfolder.notify.message import make_body
from hotfolder.notify.webhook import post
from hotfolder.settings.notify import WebhookTable
from whole.conftest import drop, hotfolder, records, small, write_destination  # noqa: F401 - fixtures

EXAMPLES = Path(__file__).parents[2] / "examples"
PACKAGES = sorted(each.parent for each in EXAMPLES.glob("*/pyproject.toml"))

pytestmark = pytest.mark.whole


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """An environment in which the packages are installed beside ours, as far as Python sees."""
    target = tmp_path_factory.mktemp("installed")
    for each in PACKAGES:
        said = tomllib.loads((each / "pyproject.toml").read_text())["project"]
        name, version = said["name"], said["version"]
        place = target / f"{name.replace('-', '_')}-{version}.dist-info"
        place.mkdir()
        needs = "".join(f"Requires-Dist: {need}\n" for need in said["dependencies"])
        (place / "METADATA").write_text(
            f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n{needs}"
        )
        groups = said.get("entry-points", {}).get("hotfolder.stages", {})
        points = "".join(f"{stage} = {where}\n" for stage, where in groups.items())
        (place / "entry_points.txt").write_text(f"[hotfolder.stages]\n{points}" if points else "")
    paths = os.pathsep.join(str(each) for each in (target, *PACKAGES))
    return {**os.environ, "PYTHONPATH": paths}


def test_their_own_tests_pass(installed):
    words = ["-q", "-p", "no:cacheprovider", "--import-mode=importlib", "-W", "error"]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *words, "-c", os.devnull, *PACKAGES],
        capture_output=True,
        text=True,
        env=installed,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    assert "passed" in done.stdout
    assert len(PACKAGES) == 4


@pytest.fixture
def three(installed, small, hotfolder, tmp_path):  # noqa: F811
    """Two pictures, delivered through the three stages."""
    book = small.path / "editions.sqlite"
    began = subprocess.run(
        [sys.executable, "-m", "edition_number", "begin", book], env=installed, check=False
    )
    assert began.returncode == 0
    write_destination(
        small,
        **{
            '"sizing", ': '"sizing", "blur-index", ',
            '"tagging"]': '"edition-number", "edge-label", "tagging"]',
            "[stage.sizing]": f"[stage.edition-number]\nbook = '{book}'\nof = 25\n"
            '[stage.edge-label]\nheight = "10 mm"\n[stage.sizing]',
        },
    )
    drop(small, "mud.tif")
    drop(small, "harbour/Mud.tif", seed=2)
    done = hotfolder("sweep", small.path, env=installed)
    assert done.returncode == 0, done.stderr
    return small


def test_a_job_goes_through_all_three(three):
    both = sorted(records(three), key=lambda each: each["findings"]["edition-number"]["number"])
    for number, record in enumerate(both, 1):
        found = record["findings"]
        assert found["edition-number"]["edition"] == f"{number}/25"
        assert found["edge-label"]["label"].endswith(f"{number}/25")
        assert found["edge-label"]["rows_added_px"] == 39
        assert 0 < found["blur-index"]["blur"] < 1
        assert {"Edition": f"{number}/25"}.items() <= {
            each["title"]: each["value"] for each in record["facts"]["columns"]
        }.items()
        image = pyvips.Image.new_from_file(record["results"][0]["path"])
        assert (315, 210 + 39) == (image.width, image.height)


def test_the_bell_rings_for_each_that_ended(three, monkeypatch, tmp_path):
    monkeypatch.syspath_prepend(EXAMPLES / "job-bell")
    from job_bell import Bell, Seen

    told = tmp_path / "told"
    words = [
        sys.executable,
        "-c",
        "import sys; open(sys.argv[1], 'a').write(input() + '\\n')",
        told,
    ]
    bell = Bell(("127.0.0.1", 0), b"reeds", Seen(tmp_path / "seen"), words)
    thread = threading.Thread(target=bell.serve_forever, args=(0.02,))
    thread.start()
    try:
        (three.path / "bell.secret").write_text("reeds\n")
        way = WebhookTable(
            url=f"http://127.0.0.1:{bell.server_port}/", secret_file="bell.secret", each_end=True
        )
        found = describe(three, find_matters(three, kinds=("delivered", "refused")).matters)
        body = make_body("matters", "desk", "2026-11-28T06:00:00Z", [(m, m.key) for m in found])
        for _ in range(2):
            assert post(way, three.path, str(uuid.uuid4()), body) == ""
    finally:
        bell.shutdown()
        thread.join()
        bell.server_close()
    rung = [json.loads(line) for line in told.read_text().splitlines()]
    assert sorted(each["name"] for each in rung) == ["harbour/Mud.tif", "mud.tif"]
    assert {each["kind"] for each in rung} == {"delivered"}
    assert all("315 × 249 px" in each["says"] for each in rung)


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
