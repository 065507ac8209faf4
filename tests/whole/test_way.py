"""From a dropped file to a delivered one, through the command line, as a user does it."""

import hashlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import jsonschema
import pytest
import pyvips
import tifffile

from hotfolder.model.records import make_record_schema
from whole.conftest import drop, files, located, records, write_destination

pytestmark = pytest.mark.whole

WITHOUT_ROOTS_PRIVILEGE = (
    ["setpriv", "--bounding-set=-dac_override,-dac_read_search"] if os.geteuid() == 0 else []
)
"""Prefix of a command for whom file permissions hold even if root starts it (util-linux)."""


def test_a_dropped_file_comes_out_sized_converted_and_recorded(small, hotfolder):
    original = drop(small, "harbour/mud.tif").read_bytes()
    done = hotfolder("sweep", small.path)
    assert (0, "") == (done.returncode, done.stderr)
    assert "1 delivered, 0 held, 0 refused." in done.stdout

    (record,) = records(small)
    jsonschema.Draft202012Validator(make_record_schema()).validate(record)
    result = small.path / "out/fine-art-canvas/harbour/mud.tif"
    assert str(result) == record["results"][0]["path"]
    assert hashlib.sha256(result.read_bytes()).hexdigest() == record["results"][0]["sha256"]
    assert hashlib.sha256(original).hexdigest() == record["original"]["sha256"]
    # 8 cm at 100 ppi: round(80 / 25.4 * 100) = 315
    image = pyvips.Image.new_from_file(str(result))
    assert (315, 210, 3, "ushort") == (image.width, image.height, image.bands, image.format)
    assert image.get("icc-profile-data") == (small.profiles / "matte-canvas.icc").read_bytes()
    kept = small.path / "originals/fine-art-canvas/harbour/mud.tif"
    assert original == kept.read_bytes()
    assert files(small.path / "in") == []
    assert list(small.spool.iterdir()) == []


def test_the_same_name_again_is_a_new_job_with_a_name_of_its_own(small, hotfolder):
    for seed in (1, 2):
        drop(small, "mud.tif", seed=seed)
        assert hotfolder("sweep", small.path).returncode == 0
    assert files(small.path / "out/fine-art-canvas") == ["mud-2.tif", "mud.tif"]
    assert files(small.path / "originals/fine-art-canvas") == ["mud-2.tif", "mud.tif"]


def test_a_sweep_with_nothing_to_do_is_all_delivered(small, hotfolder):
    done = hotfolder("sweep", small.path, "--json")
    assert (0, {"delivered": 0, "held": 0, "refused": 0}) == (
        done.returncode,
        json.loads(done.stdout)["counts"],
    )


@pytest.mark.parametrize(
    ("name", "make", "state", "said"),
    [
        (
            "note.tif",
            lambda path: path.write_text("dear printer"),
            "refused",
            "the file is a text",
        ),
        ("empty.tif", lambda path: path.write_bytes(b""), "refused", "empty"),
        ("link.tif", lambda path: path.symlink_to("/etc/hostname"), "refused", "a link"),
        ("x.tif", lambda path: path.mkdir(), "refused", "a folder"),
        ("pipe.tif", os.mkfifo, "refused", "not a file"),
    ],
)
def test_what_is_no_picture_is_refused_in_plain_words_and_kept(
    small, hotfolder, name, make, state, said
):
    make(small.path / "in/fine-art-canvas" / name)
    drop(small, "good.tif")
    assert hotfolder("sweep", small.path).returncode == 3
    by_name = {record["source"]: record for record in records(small)}
    assert by_name["good.tif"]["state"] == "delivered"
    record = by_name[name]
    assert state == record["state"]
    assert said in record["reasons"][0]["message"].lower()
    folder = small.path / state / "fine-art-canvas" / record["job"]
    assert os.path.lexists(folder / name)
    assert said in (folder / "why.txt").read_text().lower()
    # written before the record has its place in the log's chain
    unplaced = {**record, "previous_sha256": None}
    assert located(small, json.loads((folder / "record.json").read_text())) == unplaced


@pytest.mark.parametrize("share", [0.999, 0.9, 0.5, 0.05])
def test_a_truncated_picture_is_refused_and_kept(small, hotfolder, share):
    path = drop(small, "cut.tif")
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * share)])
    cut = path.read_bytes()
    assert hotfolder("sweep", small.path).returncode == 3
    (record,) = records(small)
    assert ("refused", "reading") == (record["state"], record["reasons"][0]["stage"])
    assert cut == (small.path / record["original_kept"]).read_bytes()
    assert files(small.path / "out") == []


def test_a_picture_without_a_profile_is_held_with_its_original(small, hotfolder):
    drop(small, "plain.tif", profile=False)
    done = hotfolder("sweep", small.path)
    assert done.returncode == 3
    (record,) = records(small)
    assert ("held", "preflight", "no-profile") == (
        record["state"],
        record["reasons"][0]["stage"],
        record["reasons"][0]["code"],
    )
    assert record["reasons"][0]["message"] in done.stdout


def test_a_profile_of_the_wrong_colour_space_is_held(small, hotfolder):
    path = drop(small, "odd.tif", profile=False)
    icc = (small.profiles / "coated-book.icc").read_bytes()
    pixels = tifffile.imread(path)
    tifffile.imwrite(path, pixels, photometric="rgb", iccprofile=icc, metadata=None)
    assert hotfolder("sweep", small.path).returncode == 3
    (record,) = records(small)
    assert "held" == record["state"]
    assert "CMYK" in record["reasons"][0]["message"]


def test_an_unreadable_file_is_refused_and_kept(small, hotfolder):
    path = drop(small, "secret.tif")
    path.chmod(0)
    done = hotfolder("sweep", small.path, before=WITHOUT_ROOTS_PRIVILEGE)
    assert done.returncode == 3, done.stderr
    (record,) = records(small)
    assert ("refused", "unreadable") == (record["state"], record["reasons"][0]["code"])
    assert "permissions" in record["reasons"][0]["message"]
    assert record["original_kept"].endswith("secret.tif")
    assert os.path.lexists(record["original_kept"])


def test_junk_is_left_alone_and_counted(small, hotfolder):
    folder = small.path / "in/fine-art-canvas"
    for name in (".DS_Store", "Thumbs.db", "._mud.tif", "mud.tif.part"):
        (folder / name).write_bytes(b"junk")
    assert hotfolder("sweep", small.path).returncode == 0
    status = json.loads(hotfolder("status", small.path, "--json").stdout)
    assert status["destinations"]["fine-art-canvas"]["left_alone"] == 4
    assert records(small) == []
    assert (folder / ".DS_Store").exists()


def wait_for(condition, seconds=120):
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "nothing happened in time"
        time.sleep(0.02)


@pytest.fixture
def watching(small):
    process = subprocess.Popen(
        [sys.executable, "-m", "hotfolder", "watch", str(small.path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    wait_for(lambda: small.snapshot.exists() or process.poll() is not None)
    yield process
    if process.poll() is None:
        process.kill()
    process.communicate()


@pytest.mark.slow(cases=1)
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_watch_delivers_what_is_dropped_and_stops_cleanly(small, watching, hotfolder, number):
    drop(small, "mud.tif")
    wait_for(lambda: len(records(small)) == 1)
    status = json.loads(hotfolder("status", small.path, "--json").stdout)
    assert watching.pid == status["served_by"]
    assert status["destinations"]["fine-art-canvas"]["delivered"] == 1
    second = hotfolder("sweep", small.path)
    assert second.returncode == 7
    assert f"served by process {watching.pid}" in second.stderr.replace("\n", " ")
    watching.send_signal(number)
    assert watching.wait(60) == 0
    status = json.loads(hotfolder("status", small.path, "--json").stdout)
    assert status["served_by"] is None


def test_a_changed_setting_is_taken_up_and_a_wrong_one_refused(small, watching, hotfolder):
    drop(small, "one.tif", seed=1)
    wait_for(lambda: len(records(small)) == 1)
    write_destination(small, **{"8 cm": "4 cm"})
    drop(small, "two.tif", seed=2)
    wait_for(lambda: len(records(small)) == 2)
    write_destination(small, **{"8 cm": "4 parsec"})
    drop(small, "three.tif", seed=3)
    wait_for(lambda: len(records(small)) == 3)
    # 4 cm at 100 ppi: round(40 / 25.4 * 100) = 157
    widths = [record["results"][0]["width_px"] for record in records(small)]
    assert [315, 157, 157] == widths
    status = json.loads(hotfolder("status", small.path, "--json").stdout)
    assert "parsec" in status["destinations"]["fine-art-canvas"]["settings_problem"]


def test_a_drop_in_stage_runs(small, hotfolder):
    (small.plugins / "mine.py").write_text(
        "from hotfolder import Stage, StageSettings\n"
        "class Settings(StageSettings):\n"
        "    word: str = 'mud'\n"
        "class Mine(Stage[Settings]):\n"
        "    name = 'mine'\n"
        "    Settings = Settings\n"
        "    def close(self):\n"
        "        return {'word': self.settings.word}\n"
    )
    write_destination(
        small,
        **{
            '"tagging"]': '"mine", "tagging"]',
            "[stage.sizing]": '[stage.mine]\nword = "silt"\n[stage.sizing]',
        },
    )
    drop(small, "mud.tif")
    done = hotfolder("sweep", small.path)
    assert done.returncode == 0, done.stderr
    (record,) = records(small)
    assert record["findings"]["mine"] == {"word": "silt"}


CRASH = """
import ctypes, errno, os, time
from hotfolder import Stage, StageSettings
class Settings(StageSettings):
    how: str
class Bad(Stage[Settings]):
    name = 'bad'
    Settings = Settings
    def bands(self, bands):
        for band in bands:
            match self.settings.how:
                case 'segfault': ctypes.string_at(0)
                case 'hang': time.sleep(600)
                case 'exit': os._exit(3)
                case 'memory': self.kept = bytearray(3 * 2**30)
                case 'disk': raise OSError(errno.EIO, 'the disk is ill')
            yield band
"""


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ("segfault", "SIGSEGV"),
        ("hang", "longer than"),
        ("exit", "exit code 3"),
        ("memory", "more memory than 1 GiB"),
        ("disk", "the disk is ill"),
    ],
)
def test_a_worker_that_dies_costs_its_job_attempts_and_then_it_is_held(small, hotfolder, how, said):
    (small.plugins / "bad.py").write_text(CRASH)
    write_destination(small, name="bad")
    text = (small.destinations / "bad.toml").read_text()
    text = text.replace('"tagging"]', '"bad", "tagging"]')
    time_limit = "3 s" if how == "hang" else "60 s"
    limits = f'[limits]\ntime = "{time_limit}"\nmemory = "1 GiB"\n[stage.bad]\nhow = "{how}"\n'
    (small.destinations / "bad.toml").write_text(text + limits)
    hotfolder("init", small.path)
    bad = drop(small, "bad.tif")
    bad.rename(small.path / "in/bad/bad.tif")
    drop(small, "good.tif")
    assert hotfolder("sweep", small.path).returncode == 3
    (record,) = records(small, "bad")
    assert ("held", "work-failed", 3) == (
        record["state"],
        record["reasons"][0]["code"],
        record["attempts"],
    )
    assert said in record["reasons"][0]["message"]
    assert [record["state"] for record in records(small)] == ["delivered"]


FAILING = """
from hotfolder import Stage
class Mine(Stage):
    name = 'mine'
    def bands(self, bands):
        for band in bands:
            self.dig(band)
            yield band
    def dig(self, band):
        raise ValueError('mud in the works')
"""


def failing(root, text=FAILING):
    (root.plugins / "mine.py").write_text(text)
    write_destination(root, **{'"tagging"]': '"mine", "tagging"]'})
    return drop(root, "mud.tif")


def test_a_stage_that_fails_is_to_blame_and_not_the_picture(small, hotfolder):
    failing(small)
    done = hotfolder("sweep", small.path)
    assert done.returncode == 3
    (record,) = records(small)
    # the same exception is not tried a third time
    assert ("held", 2) == (record["state"], record["attempts"])
    (reason,) = record["reasons"]
    assert ("mine", "stage-failed") == (reason["stage"], reason["code"])
    for said in (
        "The stage mine failed (ValueError: mud in the works); your picture mud.tif is fine. ",
        "Send failure.txt in this folder to whoever wrote the stage (",
        "plugins/mine.py",
        "out of `stages` in fine-art-canvas.toml, release the picture.",
    ):
        assert said in reason["message"]
    folder = small.path / "held/fine-art-canvas" / record["job"]
    (attached,) = record["attachments"]
    assert ("failure", str(folder / "failure.txt")) == (attached["kind"], attached["path"])
    text = (folder / "failure.txt").read_text()
    assert 'mine.py", line 10, in dig' in text
    assert "raise ValueError('mud in the works')" in text
    assert "ValueError: mud in the works" in text
    assert record["job"] in text
    assert "mud in the works" in (folder / "why.txt").read_text()
    assert sorted(each.name for each in folder.iterdir()) == [
        "failure.txt", "mud.tif", "record.json", "why.txt",
    ]  # fmt: skip
    log = [json.loads(line) for line in small.log.read_text().splitlines()]
    traces = [each["trace"] for each in log if each["event"] == "job.attempt_failed"]
    assert [True, True] == ["line 10, in dig" in trace for trace in traces]
    assert "failure.txt" in (folder.parent / "index.html").read_text()


def test_a_picture_whose_stage_is_mended_is_released_and_made(small, hotfolder):
    failing(small)
    assert hotfolder("sweep", small.path).returncode == 3
    (record,) = records(small)
    (small.plugins / "mine.py").write_text(FAILING.replace("raise ValueError", "str"))
    assert hotfolder("release", record["job"], small.path).returncode == 0
    assert hotfolder("sweep", small.path).returncode == 0
    assert ["held", "delivered"] == [each["state"] for each in records(small)]
    assert [] == records(small)[1]["attachments"]


def test_a_stage_that_fails_in_another_way_each_time_is_tried_as_often_as_any_work(
    small, hotfolder
):
    other = FAILING.replace(
        "raise ValueError('mud in the works')",
        "from pathlib import Path\n"
        f"        count = Path({str(small.path / 'count')!r})\n"
        "        count.write_text(count.read_text() + 'x' if count.exists() else 'x')\n"
        "        raise (ValueError if len(count.read_text()) % 2 else KeyError)('mud')",
    )
    failing(small, other)
    assert hotfolder("sweep", small.path).returncode == 3
    (record,) = records(small)
    assert (3, "stage-failed") == (record["attempts"], record["reasons"][0]["code"])


@pytest.mark.parametrize(
    ("broken", "said"),
    [
        ("return iter([])", "mine yielded 0 rows; it promised "),
        ("return None", "mine failed: TypeError: 'NoneType' object is not iterable"),
        ("return iter([3])", "mine failed: AttributeError: 'int' object has no attribute"),
    ],
)
def test_a_stage_that_breaks_its_contract_is_to_blame(small, hotfolder, broken, said):
    text = "from hotfolder import Stage\nclass Mine(Stage):\n    name = 'mine'\n"
    failing(small, f"{text}    def bands(self, bands):\n        {broken}\n")
    assert hotfolder("sweep", small.path).returncode == 3
    (record,) = records(small)
    assert (2, "stage-failed") == (record["attempts"], record["reasons"][0]["code"])
    (attached,) = record["attachments"]
    assert said in Path(attached["path"]).read_text()


def test_a_stage_that_forgets_to_return_the_raster_is_named(small, hotfolder):
    text = "from hotfolder import Stage\nclass Mine(Stage):\n    name = 'mine'\n"
    failing(small, f"{text}    def open(self, raster, job):\n        pass\n")
    done = hotfolder("proof", small.path / "in/fine-art-canvas/mud.tif", small.path)
    said = " ".join((done.stdout + done.stderr).split())
    assert "the stage mine returned NoneType from open; it must return a RasterSpec" in said


def test_a_plugin_that_breaks_while_the_daemon_runs_costs_no_file_an_attempt(small, watching):
    drop(small, "one.tif", seed=1)
    wait_for(lambda: len(records(small)) == 1)
    broken = small.plugins / "broken.py"
    broken.write_text("import no_such_thing")
    drop(small, "two.tif", seed=2)
    wait_for(lambda: "no_such_thing" in small.snapshot.read_text())
    assert len(records(small)) == 1
    broken.unlink()
    wait_for(lambda: len(records(small)) == 2)
    second = records(small)[1]
    assert ("delivered", 1) == (second["state"], second["attempts"])
