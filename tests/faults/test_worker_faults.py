"""Workers that die, lie, or cannot be started: what it costs the file, and nobody else."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import psutil
import pytest

from faults.killing import run_here
from faults.serving import CANVAS, DEADLINE_S, daemon_of, run_attempt, serving, sweep
from hotfolder.disk import durable
from hotfolder.ledger.details import Claiming
from hotfolder.ledger.jobs import Ledger, State, read_jobs
from hotfolder.work import worker
from hotfolder.work.worker import ANSWER, MAX_ANSWER_BYTES, PROGRESS, read_progress
from whole.conftest import drop, files, records

STAGE = """
import os, time
from pathlib import Path
from hotfolder import Stage, StageSettings
class Settings(StageSettings):
    flag: str
class Slow(Stage[Settings]):
    name = 'slow'
    Settings = Settings
    def bands(self, bands):
        for band in bands:
            Path(self.settings.flag).write_text(str(os.getpid()))
            time.sleep(600)
            yield band
"""


def wait_for(condition):
    deadline = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < deadline, "nothing happened in time"
        time.sleep(0.02)


@pytest.fixture
def slow(quick, tmp_path):
    """A root whose stage never ends; and the file in which a worker says that it works."""
    flag = tmp_path / "works"
    quick.plugins.mkdir(exist_ok=True)
    (quick.plugins / "slow.py").write_text(STAGE)
    path = quick.destinations / f"{CANVAS}.toml"
    text = path.read_text().replace('["profile-conversion"]', '["profile-conversion", "slow"]')
    path.write_text(f'{text}\n[stage.slow]\nflag = "{flag}"\n')
    drop(quick, "mud.tif", size=24)
    return quick, flag


def watch(root):
    return subprocess.Popen([sys.executable, "-m", "hotfolder", "watch", "--quiet", root.path])


def has_ended(process):
    """Whether a process is gone, or waits only to be counted out by its new parent."""
    try:
        return psutil.Process(process).status() == psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return True


def test_a_killed_daemon_leaves_no_worker_and_no_lock(slow):
    root, flag = slow
    daemon = watch(root)
    try:
        wait_for(lambda: flag.exists() and flag.read_text())
        at_work = int(flag.read_text())
        assert psutil.pid_exists(at_work)
    finally:
        daemon.kill()
        daemon.wait()
    wait_for(lambda: has_ended(at_work))
    (row,) = read_jobs(root.ledger)
    assert (State.WORKING, 1) == (row.state, row.attempts)
    # what it had written is not looked at: the next attempt has a folder of its own
    (root.plugins / "slow.py").write_text(STAGE.replace("time.sleep(600)", "pass"))
    assert sweep(root, run_attempt) == []
    (record,) = records(root)
    assert ("delivered", 2) == (record["state"], record["attempts"])


def test_stopping_with_work_in_hand_costs_no_attempt(slow):
    root, flag = slow
    daemon = watch(root)
    try:
        wait_for(lambda: flag.exists() and flag.read_text())
        daemon.send_signal(signal.SIGTERM)
        assert daemon.wait(DEADLINE_S) == 0
    finally:
        daemon.kill()
        daemon.wait()
    (row,) = read_jobs(root.ledger)
    assert (State.CLAIMED, 0) == (row.state, row.attempts)


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux can be asked")
def test_a_worker_is_the_first_to_go_when_memory_runs_out(slow):
    root, flag = slow
    with serving(root, run_attempt):
        wait_for(lambda: flag.exists() and flag.read_text())
        at_work = Path(f"/proc/{flag.read_text()}")
        assert (at_work / "oom_score_adj").read_text().strip() == "1000"


def test_a_file_that_ends_the_daemon_each_time_is_held_in_the_end(quick):
    drop(quick, "poison.tif", size=24)

    def poison(_attempt, _stop):
        os.kill(os.getpid(), signal.SIGKILL)

    for _ in range(3):
        child = os.fork()
        if child == 0:
            try:
                daemon_of(quick, poison).run(until_idle=True)
            finally:
                os._exit(0)
        assert signal.SIGKILL == os.WTERMSIG(os.waitpid(child, 0)[1])
    drop(quick, "good.tif", seed=2, size=24)
    assert sweep(quick) == []
    by_name = {record["source"]: record for record in records(quick)}
    assert "delivered" == by_name["good.tif"]["state"]
    held = by_name["poison.tif"]
    assert ("held", 3) == (held["state"], held["attempts"])
    assert "the program stopped each time" in held["reasons"][0]["message"]


def failing_times(number, error):
    """A runner that cannot start a worker so many times."""
    left = [number]

    def run(attempt, stop):
        if left[0]:
            left[0] -= 1
            raise error
        return run_here(attempt, stop)

    return run


@pytest.mark.parametrize(
    "error",
    [
        OSError(errno.EMFILE, os.strerror(errno.EMFILE)),
        OSError(errno.EAGAIN, os.strerror(errno.EAGAIN)),
        OSError(errno.ENOMEM, os.strerror(errno.ENOMEM)),
        EOFError("the forkserver has gone"),
    ],
    ids=["files", "processes", "memory", "forkserver"],
)
def test_a_worker_that_cannot_be_started_costs_no_attempt(quick, monkeypatch, error):
    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.05,))
    monkeypatch.setattr("hotfolder.daemon.trouble._SWEEP_TRIES", 10)
    drop(quick, "mud.tif", size=24)
    assert sweep(quick, failing_times(5, error)) == []
    (record,) = records(quick)
    assert ("delivered", 1) == (record["state"], record["attempts"])


def test_a_worker_that_dies_while_it_starts_costs_no_file_an_attempt(quick):
    (quick.plugins / "deadly.py").write_text(
        "import multiprocessing, os\n"
        "from hotfolder import Stage\n"
        "class Deadly(Stage):\n"
        "    name = 'deadly'\n"
        "if multiprocessing.parent_process() is not None:\n"
        "    os._exit(9)\n"
    )
    for seed in range(3):
        drop(quick, f"{seed}.tif", seed=seed, size=24)
    said = sweep(quick, run_attempt)
    assert said
    assert all("before it had looked at the file" in each for each in said), said
    assert [(State.CLAIMED, 0)] * 3 == [
        (row.state, row.attempts) for row in read_jobs(quick.ledger)
    ]
    (quick.plugins / "deadly.py").unlink()
    assert sweep(quick, run_attempt) == []
    assert ["delivered"] * 3 == [record["state"] for record in records(quick)]


# what a worker leaves behind


def answering(leave):
    """A worker that has worked, and then leaves something else than it should."""

    def run(attempt, stop):
        answer = run_here(attempt, stop)
        folder = attempt.order.folder
        (folder / ANSWER).write_text(answer.model_dump_json())
        leave(folder)
        return worker._answer(attempt, 0)

    return run


def replaced(make):
    def leave(folder):
        (folder / ANSWER).unlink()
        make(folder / ANSWER)

    return leave


def longer(folder):
    with (folder / "result.tif").open("ab") as file:
        file.write(b"more")


def elsewhere_named(folder):
    said = json.loads((folder / ANSWER).read_text())
    said["work"]["results"][0]["path"] = "../../../../../etc/hostname"
    (folder / ANSWER).write_text(json.dumps(said))


@pytest.mark.parametrize(
    ("leave", "said"),
    [
        (replaced(lambda path: path.write_text("junk")), "makes no sense"),
        (replaced(lambda path: path.write_bytes(b"[" * 100_000)), "makes no sense"),
        (replaced(lambda path: path.write_text('{"verdict": "deliver"}')), "not say what it did"),
        (replaced(lambda path: path.write_bytes(b" " * (MAX_ANSWER_BYTES + 1))), "bytes"),
        (replaced(lambda path: path.symlink_to("/etc/hostname")), "cannot be read"),
        (replaced(os.mkfifo), "cannot be read"),
        (replaced(lambda path: None), "without an answer"),
        (lambda folder: (folder / "result.tif").unlink(), "result is missing"),
        (longer, "not what the worker said"),
        (elsewhere_named, "named a file elsewhere"),
    ],
    ids=["junk", "deep", "empty", "huge", "link", "pipe", "none", "missing", "longer", "outside"],
)
def test_a_worker_that_answers_nonsense_or_lies_is_not_believed(quick, leave, said):
    drop(quick, "mud.tif", size=24)
    assert sweep(quick, answering(leave)) == []
    (record,) = records(quick)
    assert ("held", 3) == (record["state"], record["attempts"])
    assert said in record["reasons"][0]["message"]
    assert files(quick.path / "out") == []


@pytest.mark.parametrize(
    "make",
    [
        os.mkfifo,
        lambda path: path.write_text("[" * 1000),
        lambda path: path.write_text('{"doing": 1}'),
        lambda path: path.symlink_to("/dev/zero"),
    ],
    ids=["pipe", "deep", "other", "device"],
)
def test_progress_that_makes_no_sense_is_no_progress(tmp_path, make):
    make(tmp_path / PROGRESS)
    assert read_progress(tmp_path) is None


def test_progress_is_one_line_whatever_a_worker_says(tmp_path):
    (tmp_path / PROGRESS).write_text(json.dumps({"doing": "a\x1b[2J\nb", "share": 7}))
    assert read_progress(tmp_path) == ("a\\x1b[2J\\x0ab", 1.0)


def test_a_worker_that_finds_no_room_for_its_answer_is_not_the_files_fault(quick, monkeypatch):
    drop(quick, "mud.tif", size=24)
    rooms = [False, False, True]

    def run(attempt, stop):
        if rooms.pop(0):
            return run_here(attempt, stop)
        run_here(attempt, stop)
        return worker._answer(attempt, worker._NO_ROOM)

    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.05,))
    assert sweep(quick, run) == []
    (record,) = records(quick)
    assert ("delivered", 1) == (record["state"], record["attempts"])


# the original cannot be read


def test_an_original_that_its_disk_cannot_read_is_held_after_a_few_tries(quick, monkeypatch):
    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.05,))
    monkeypatch.setattr("hotfolder.daemon.trouble._SWEEP_TRIES", 10)
    drop(quick, "mud.tif", size=24)

    def broken(path, **_):
        raise OSError(errno.EIO, os.strerror(errno.EIO), str(path))

    monkeypatch.setattr(durable, "sha256_of", broken)
    assert sweep(quick) == []
    (record,) = records(quick)
    assert ("held", 3) == (record["state"], record["attempts"])
    assert "its disk reports an error" in record["reasons"][0]["message"]
    assert Path(record["original_kept"]).is_file()


def test_the_order_of_jobs_is_that_of_the_ledger_though_the_clock_runs_back(tmp_path, monkeypatch):
    ledger = Ledger(tmp_path / "ledger.sqlite")
    begun = Claiming(dev=0, ino=0, size=1, mtime_ns=0, nlink=1)
    for number, hour in enumerate((12, 3, 9)):
        now = f"2026-03-29T{hour:02}:00:00+00:00"
        monkeypatch.setattr("hotfolder.ledger.jobs._now", lambda now=now: now)
        ledger.add(f"j{number}", "canvas", b"a.tif", "file", 1, begun)
    assert ["j0", "j1", "j2"] == [row.id for row in ledger.open_jobs()]
    ledger.close()


def test_no_thread_of_a_stopped_daemon_goes_on(quick):
    before = threading.active_count()
    with serving(quick):
        pass
    wait_for(lambda: threading.active_count() <= before)


def ends_of_poison(root, plant=None):
    """What becomes of a file that ends the daemon whenever it is worked on; None: no end."""

    def poison(_attempt, _stop):
        os.kill(os.getpid(), signal.SIGKILL)

    for _ in range(5):
        child = os.fork()
        if child == 0:
            try:
                if plant is not None:
                    plant()
                daemon_of(root, poison).run(until_idle=True)
            finally:
                os._exit(0)
        if not os.WIFSIGNALED(os.waitpid(child, 0)[1]):
            return records(root)[0]["state"]
    return None


def count_after_the_work():
    advance = Ledger.advance

    def uncounted(self, job, state, *detail, **changes):
        if state is State.WORKING:
            changes.pop("attempts")
        return advance(self, job, state, *detail, **changes)

    Ledger.advance = uncounted


def test_attempts_counted_after_the_work_turn_the_poison_test_red(quick):
    drop(quick, "poison.tif", size=24)
    assert ends_of_poison(quick, count_after_the_work) is None


def test_attempts_counted_before_the_work_bring_poison_to_its_end(quick):
    drop(quick, "poison.tif", size=24)
    assert ends_of_poison(quick) == "held"
