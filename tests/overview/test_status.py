"""What status says of a root that is served, and of one that no longer is."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import pytest
from typer.testing import CliRunner

from hotfolder.cli.main import app
from hotfolder.disk.marker import write_marker
from hotfolder.ledger.details import Claimed, Claiming, State
from hotfolder.ledger.jobs import Ledger
from hotfolder.ledger.lock import served_alone
from hotfolder.model.snapshot import (
    ArrivingFile,
    FolderStatus,
    Snapshot,
    TroubleStatus,
    WorkStatus,
    read_snapshot,
)
from hotfolder.overview.status import collect

CANVAS = "fine-art-canvas"
SINCE = "2026-03-29T12:00:00Z"
BEGUN = Claiming(dev=0, ino=0, size=1, mtime_ns=0, nlink=1)


def trouble(kind, name="", destination=CANVAS):
    message = f"the {kind} is in the way"
    return TroubleStatus(
        kind=kind, destination=destination, name=name, message=message, since=SINCE,
        next_try_s=2.0, tries=1,
    )  # fmt: skip


def snapshot_of(pid, *troubles):
    folder = FolderStatus(hot_folder="in", watch="events", remarks=("a stranger",))
    return Snapshot(
        pid=pid, started=SINCE, written=SINCE, workers=2, folders={CANVAS: folder},
        troubles=troubles,
    )  # fmt: skip


def write(root, snapshot):
    root.private.mkdir(exist_ok=True)
    root.snapshot.write_text(snapshot.model_dump_json())


def stopped(root):
    return [
        (each["destination"], each["file"], each["why"], each["who"])
        for each in collect(root)["waiting"]
        if each["what"] == "stopped"
    ]


@pytest.fixture
def living():
    process = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    yield process.pid
    process.communicate(b"\n")


@pytest.mark.parametrize("which", ["dead", "living"])
def test_what_an_earlier_daemon_left_is_not_taken_for_one_that_serves(root, living, which):
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    pid = living if which == "living" else ended.pid
    write(root, snapshot_of(pid, trouble("claims")))
    said = collect(root)
    assert (False, None, "") == (said["served"], said["served_by"], said["served_since"])
    assert [] == said["destinations"][CANVAS]["remarks"]
    assert [] == stopped(root)


def test_a_root_that_is_served_is_said_with_its_troubles(root):
    kinds = trouble("claims"), trouble("file", "mud.tif"), trouble("held")
    write(root, snapshot_of(os.getpid(), *kinds, trouble("ledger", destination="")))
    with served_alone(root):
        said = collect(root)
        assert (True, os.getpid()) == (said["served"], said["served_by"])
        assert ["a stranger"] == said["destinations"][CANVAS]["remarks"]
        assert [
            (CANVAS, "everything", "the claims is in the way", "you"),
            (CANVAS, "mud.tif", "the file is in the way", "you"),
            (CANVAS, "held jobs", "the held is in the way", "you"),
            ("all destinations", "everything", "the ledger is in the way", "you"),
        ] == stopped(root)


def test_what_was_taken_in_since_the_last_scan_is_not_arriving_too(root):
    folder = FolderStatus(
        hot_folder="in", watch="events",
        arriving_files=tuple(
            ArrivingFile(file=each, reason="still arriving", since_s=1.0)
            for each in ("mud.tif", "tide.tif")
        ),
    )  # fmt: skip
    write(root, snapshot_of(os.getpid()).model_copy(update={"folders": {CANVAS: folder}}))

    def arriving():
        with served_alone(root):
            return [e["file"] for e in collect(root)["waiting"] if e["what"] == "arriving"]

    assert [] == arriving()  # both have left the hot folder
    (root.path / "in" / CANVAS / "tide.tif").write_bytes(b"x")
    ledger = Ledger(root.ledger)
    ledger.add("j1", CANVAS, b"mud.tif", "file", 1, BEGUN)
    ledger.close()
    assert ["tide.tif"] == arriving()


def test_a_folder_that_is_gone_is_told_once(root):
    folder = root.path / "out" / CANVAS
    shutil.rmtree(folder)
    message = f"{folder} cannot be reached: No such file or directory"
    gone = trouble("claims").model_copy(update={"message": message})
    write(root, snapshot_of(os.getpid(), gone, trouble("claims")))
    with served_alone(root):
        assert str(folder) in collect(root)["destinations"][CANVAS]["unreachable"]
        assert [(CANVAS, "everything", "the claims is in the way", "you")] == stopped(root)


@pytest.mark.parametrize("kind", ["claim", "job", "batch file"])
def test_trouble_of_a_job_is_said_once_with_the_file(root, kind):
    ledger = Ledger(root.ledger)
    ledger.add("j1", CANVAS, b"mud.tif", "file", 1, BEGUN)
    ledger.close()
    write(root, snapshot_of(os.getpid(), trouble(kind, "j1")))
    with served_alone(root):
        assert [(CANVAS, "mud.tif", f"the {kind} is in the way", "you")] == stopped(root)


def test_an_original_that_is_being_read_does_not_wait_for_a_worker(root):
    ledger = Ledger(root.ledger)
    for job in ("j", "k"):
        ledger.add(job, CANVAS, f"{job}.tif".encode(), "file", 5, BEGUN)
        ledger.advance(job, State.CLAIMED, Claimed())
    ledger.close()
    doing = WorkStatus(
        job="j", destination=CANVAS, doing="reading its original", share=0.0, attempt=0
    )
    with served_alone(root):
        write(root, snapshot_of(os.getpid()).model_copy(update={"work": (doing,)}))
        said = {each["file"]: each["why"] for each in collect(root)["waiting"]}
    assert said == {
        "j.tif": "is being got ready: reading its original",
        "k.tif": "waits for a free worker",
    }


def test_jobs_whose_destination_has_gone_are_said_each_and_not_twice(root):
    ledger = Ledger(root.ledger)
    ledger.add("j1", "gone", b"mud.tif", "file", 1, BEGUN)
    ledger.close()
    write(root, snapshot_of(os.getpid(), trouble("stray jobs", destination="gone")))
    with served_alone(root):
        ((where, file, why, who),) = stopped(root)
    assert ("gone", "mud.tif", "you") == (where, file, who)
    assert "settings are gone" in why


def test_the_snapshot_of_an_earlier_process_says_nothing_of_the_one_that_serves(root, living):
    write(root, snapshot_of(living, trouble("claims")))
    with served_alone(root):
        assert os.getpid() == collect(root)["served_by"]
        assert [] == stopped(root)


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"pid": null}', "\x00", '{"pid": "x"}'])
def test_a_snapshot_that_makes_no_sense_is_none(root, text):
    root.private.mkdir(exist_ok=True)
    root.snapshot.write_text(text)
    assert read_snapshot(root.snapshot) is None
    with served_alone(root):
        assert collect(root)["served"]


@pytest.mark.parametrize("is_known", [True, False], ids=["served as it was", "never served"])
def test_a_mistake_in_settings_says_whether_the_old_ones_are_used(root, is_known):
    path = root.destinations / f"{CANVAS}.toml"
    wrong = path.read_text().replace("[stage.sizing]", "[stage.sizng]")
    path.write_text(wrong.replace('surface = "canvas"', 'surface = "velvet"'))
    snapshot = snapshot_of(os.getpid())
    if not is_known:
        snapshot = snapshot.model_copy(update={"folders": {}})
    write(root, snapshot)
    with served_alone(root):
        said = CliRunner().invoke(app, ["status", str(root.path)]).stdout
    lines = [each for each in said.splitlines() if f"{CANVAS}: " in each]
    text = " ".join(lines)
    assert 2 == text.count("its settings have to be corrected")  # a line for each mistake
    assert "\\x0a" not in said
    assert is_known == ("it is served with the old ones" in text)
    assert is_known != ("it is not served until then" in text)
    assert "has not taken it up yet" not in text


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("[stage.sizing]", "[stage.sizng]"),
        ("[stage.sizing]", "[stage.sizing"),
        ("results =", "result = 1\nresults ="),
    ],
    ids=["in a setting", "in the file", "in the folders"],
)
def test_a_mistake_in_settings_is_not_said_to_be_a_folder_that_is_away(
    root, tmp_path, right, wrong
):
    """Results go elsewhere: what nobody has made in their usual place is not missed."""
    path = root.destinations / f"{CANVAS}.toml"
    elsewhere = tmp_path / "share"
    elsewhere.mkdir()
    write_marker(elsewhere)
    shutil.rmtree(root.path / "out" / CANVAS)
    path.write_text(f'{path.read_text()}\n[folders]\nresults = "{elsewhere}"\n')
    assert not collect(root)["destinations"][CANVAS]["unreachable"]
    path.write_text(path.read_text().replace(right, wrong))
    write(root, snapshot_of(os.getpid()))
    with served_alone(root):
        said = collect(root)["destinations"][CANVAS]
    assert ("", True) == (said["unreachable"], bool(said["settings_problem"]))


@pytest.mark.parametrize(
    ("silent_s", "code", "said"),
    [(0, 0, "served by process"), (90, 1, "has said nothing for")],
)
def test_alive_is_who_holds_the_lock_and_spoke_lately(root, silent_s, code, said):
    assert CliRunner().invoke(app, ["status", "--alive", str(root.path)]).exit_code == 1
    with served_alone(root):
        begun = CliRunner().invoke(app, ["status", "--alive", str(root.path)])
        assert (1, True) == (begun.exit_code, "has not said how it stands" in begun.stdout)
        spoke = datetime.now(UTC) - timedelta(seconds=silent_s)
        now = snapshot_of(os.getpid()).model_copy(update={"written": spoke.isoformat()})
        write(root, now)
        done = CliRunner().invoke(app, ["status", "--alive", str(root.path)])
    assert (code, True) == (done.exit_code, said in done.stdout)
