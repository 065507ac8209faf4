"""A share that hangs or is slow: it is said, the others are served, stop and status answer."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from types import SimpleNamespace

import pytest

from faults.hanging import Share, why_no_share
from faults.serving import CANVAS, daemon_of, serving, sweep
from faults.test_storage_faults import wait_for
from hotfolder.daemon import handing_out, lanes, silence
from hotfolder.disk import pulse
from hotfolder.errors import RootInUse, StorageError
from hotfolder.intake import claim
from hotfolder.ledger.jobs import read_jobs
from hotfolder.model.snapshot import read_snapshot
from hotfolder.overview.check import check
from hotfolder.overview.new_root import make_root
from hotfolder.overview.status import collect
from tools import needs_tool
from whole.conftest import drop, records

PRINTS = "prints"
ANSWERS_WITHIN_S = 5.0
GOES_ON_WITHIN_S = 15.0

needs_share = pytest.mark.skipif(bool(why_no_share()), reason=why_no_share())


@pytest.fixture
def two(quick, monkeypatch):
    """Two destinations; what is silent for a moment is said."""
    text = (quick.destinations / f"{CANVAS}.toml").read_text()
    (quick.destinations / f"{PRINTS}.toml").write_text(text)
    make_root(quick.path)
    monkeypatch.setattr(silence, "SILENT_S", 0.5)
    monkeypatch.setattr(pulse, "SILENT_S", 2.0)
    monkeypatch.setattr(lanes, "NEVER_S", 1.0)
    monkeypatch.setattr("hotfolder.daemon.loop.NEVER_S", 1.0)
    # the daemon that is a process of its own stops as it does for people
    monkeypatch.setattr("hotfolder.daemon.loop._STOP_S", 0.5)
    return quick


@pytest.fixture
def elsewhere_on(two, tmp_path):
    """Bring one of the canvas' folders onto a share."""

    @contextmanager
    def bring(kind, **options):
        disk, mount = tmp_path / "disk", tmp_path / "share"
        disk.mkdir()
        mount.mkdir()
        with (two.destinations / f"{CANVAS}.toml").open("a") as file:
            file.write(f'\n[folders]\n{kind} = "{mount}"\n')
        with Share(disk, mount, **options) as share:
            make_root(two.path)
            yield share
            share.answer()
            wait_for(lambda: not pulse.left_behind())

    return bring


def drop_at(root, name, file, seed=1):
    """Drop a picture into another destination than the canvas."""
    drop(root, f".{file}.part", seed=seed, size=24).rename(root.path / "in" / name / file)


def is_recorded(root, name):
    """Whether the ledger says that a file has ended."""
    return any(
        row.record and row.record.source == name for row in read_jobs(root.ledger, ended=True)
    )


def is_in_snapshot(root):
    """Whether the daemon has written down that the canvas do not answer."""
    snapshot = read_snapshot(root.snapshot)
    return bool(snapshot and snapshot.folders[CANVAS].silent)


def wait_until(condition, seconds):
    """Seconds until something is so."""
    started = time.monotonic()
    while not condition():
        assert time.monotonic() < started + seconds, f"not within {seconds:.0f} s"
        time.sleep(0.02)
    return time.monotonic() - started


@needs_tool("bindfs")
@needs_share
@pytest.mark.parametrize("kind", ["hot_folder", "results", "originals", "held", "release"])
def test_a_share_that_hangs_keeps_no_other_destination_waiting_and_is_said(two, elsewhere_on, kind):
    with elsewhere_on(kind) as share:
        hot = share.disk if kind == "hot_folder" else two.path / "in" / CANVAS
        daemon = daemon_of(two)
        with serving_until_stopped(daemon) as served:
            drop(two, "first.tif", size=24).rename(hot / "first.tif")
            wait_until(lambda: is_recorded(two, "first.tif"), GOES_ON_WITHIN_S)
            share.hang()
            if kind != "hot_folder":
                drop(two, "second.tif", seed=2, size=24)
            drop_at(two, PRINTS, "other.tif", seed=3)
            other = two.path / "out" / PRINTS / "other.tif"
            wait_until(other.exists, GOES_ON_WITHIN_S)
            wait_until(daemon.troubles, GOES_ON_WITHIN_S)
            assert any("does not answer since" in each for each in daemon.troubles())
            wait_until(lambda: is_in_snapshot(two), GOES_ON_WITHIN_S)
            started = time.monotonic()
            said = collect(two)["destinations"]
            assert time.monotonic() - started < ANSWERS_WITHIN_S
            assert "does not answer" in said[CANVAS]["unreachable"]
            assert said[CANVAS]["unreachable_since"]
            assert not said[PRINTS]["unreachable"]
        assert served.stopped_in_s < ANSWERS_WITHIN_S
        share.answer()
        wait_for(lambda: not pulse.left_behind())
        assert [] == sweep(two)
        out = share.mount if kind == "results" else two.path / "out" / CANVAS
        names = ["first.tif"] if kind == "hot_folder" else ["first.tif", "second.tif"]
        assert names == sorted(each.name for each in out.glob("*.tif"))
        ended = [json.loads(line) for line in (out / "log.jsonl").read_text().splitlines()]
        assert names == sorted(record["source"] for record in ended)
        assert all((two.path / record["original_kept"]).exists() for record in ended)


@contextmanager
def serving_until_stopped(daemon):
    """Serve, stop, and tell how long the stop took."""
    served = SimpleNamespace(stopped_in_s=None)
    thread = threading.Thread(target=daemon.run)
    thread.start()
    try:
        yield served
    finally:
        started = time.monotonic()
        daemon.stop()
        thread.join(60)
        served.stopped_in_s = time.monotonic() - started


@needs_tool("bindfs")
@needs_share
def test_a_daemon_starts_though_a_share_hangs_and_a_sweep_ends_and_says_so(two, elsewhere_on):
    with elsewhere_on("hot_folder") as share:
        share.hang()
        with pytest.raises(StorageError, match="cannot be made while a folder of fine-art-canvas"):
            daemon_of(two).run(until_idle=True)
        share.answer()
        assert [] == sweep(two)
        drop_at(two, PRINTS, "other.tif")
        share.hang()
        started = time.monotonic()
        (said,) = (each for each in check(two).unreachable if "answer" in each.got)
        assert time.monotonic() - started < ANSWERS_WITHIN_S
        assert CANVAS in said.got
        (told,) = sweep(two)
        assert f"{share.mount} does not answer since" in told
        assert (two.path / "out" / PRINTS / "other.tif").exists()


@needs_tool("bindfs")
@needs_share
@pytest.mark.slow(cases=1)
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_the_process_ends_and_status_answers_while_a_share_hangs(two, elsewhere_on, number):
    command = [sys.executable, "-W", "ignore", "-m", "hotfolder"]
    with elsewhere_on("results") as share:
        process = subprocess.Popen(
            [*command, "watch", two.path], stdout=subprocess.PIPE, stderr=subprocess.STDOUT
        )
        try:
            drop(two, "first.tif", size=24)
            wait_until(lambda: is_recorded(two, "first.tif"), 60)
            share.hang()
            drop(two, "second.tif", seed=2, size=24)
            drop_at(two, PRINTS, "other.tif", seed=3)
            wait_until((two.path / "out" / PRINTS / "other.tif").exists, GOES_ON_WITHIN_S)
            said = subprocess.run(
                [*command, "status", two.path],
                check=True,
                capture_output=True,
                text=True,
                timeout=60,
            )
            assert "does not answer" in said.stdout
            started = time.monotonic()
            process.send_signal(number)
            assert 0 == process.wait(60)
            assert time.monotonic() - started < ANSWERS_WITHIN_S
            said, _ = process.communicate(timeout=60)
            assert b"Traceback" not in said
        finally:
            process.kill()
            process.wait()
            process.stdout.close()
        share.answer()
        assert [] == sweep(two)
        assert ["first.tif", "second.tif"] == sorted(
            each.name for each in share.mount.glob("*.tif")
        )


@needs_tool("bindfs")
@needs_share
@pytest.mark.parametrize("kind", ["hot_folder", "results", "originals"])
def test_a_slow_share_keeps_no_other_destination_waiting(two, elsewhere_on, kind, monkeypatch):
    monkeypatch.setattr(handing_out, "_LONG_AT_DISK_S", 0.5)
    with elsewhere_on(kind, rate=300_000) as share:
        hot = share.disk if kind == "hot_folder" else two.path / "in" / CANVAS
        with serving(two):
            drop(two, ".slow.part", size=500).rename(hot / "slow.tif")  # 2.2 MB: 7 s or more
            slow = two.path / "out" / CANVAS if kind != "results" else share.mount
            waits = []
            for number in range(3):
                drop_at(two, PRINTS, f"other-{number}.tif", seed=number + 2)
                other = two.path / "out" / PRINTS / f"other-{number}.tif"
                waits.append(wait_until(other.exists, GOES_ON_WITHIN_S))
            assert not (slow / "slow.tif").exists(), "it was not slow"
            wait_until(lambda: is_recorded(two, "slow.tif"), 120)
    assert max(waits) < 8, waits


def test_what_was_left_behind_commits_nothing_and_holds_the_lock_until_it_ends(two, monkeypatch):
    reached, go_on = threading.Event(), threading.Event()
    take = claim._take

    def hang(*args):
        reached.set()
        assert go_on.wait(60)
        return take(*args)

    drop(two, "first.tif", size=24)
    with monkeypatch.context() as patch:
        patch.setattr(claim, "_take", hang)
        with serving_until_stopped(daemon_of(two)) as served:
            assert reached.wait(60)
        assert served.stopped_in_s < ANSWERS_WITHIN_S
        with pytest.raises(RootInUse):
            daemon_of(two).run()
        states = [row.state.value for row in read_jobs(two.ledger)]
        assert ["claiming"] == states
        go_on.set()
        wait_for(lambda: not pulse.left_behind())
    assert states == [row.state.value for row in read_jobs(two.ledger)]
    assert [] == sweep(two)
    assert ["delivered"] == [record["state"] for record in records(two, CANVAS)]
