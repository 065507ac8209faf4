"""Full disks, lost shares, missing permissions: said once, the queue kept, mended by itself."""

from __future__ import annotations

import contextlib
import errno
import io
import json
import os
import re
import shutil
import subprocess
import threading
import time
from pathlib import Path

import pytest
from rich.console import Console

from faults.killing import check_books, dropped_hashes
from faults.serving import CANVAS, DEADLINE_S, daemon_of, serving, sweep
from hotfolder.audit.books import open_books
from hotfolder.audit.question import Question
from hotfolder.audit.verify import verify_root
from hotfolder.daemon.loop import Loop
from hotfolder.disk import durable, line_log, platforms, trees
from hotfolder.disk.marker import MARKER
from hotfolder.ending import deliver
from hotfolder.errors import StorageError
from hotfolder.ledger.jobs import Ledger, State, read_jobs
from hotfolder.overview.check import check
from hotfolder.overview.new_root import make_root
from hotfolder.overview.status import collect
from whole.conftest import drop, files, records, write_destination

MOUNTS = os.geteuid() == 0 and os.uname().sysname == "Linux"
needs_mounts = pytest.mark.skipif(not MOUNTS, reason="mounting needs root on Linux")


def wait_for(condition):
    deadline = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < deadline, "nothing happened in time"
        time.sleep(0.02)


@pytest.fixture
def prompt(monkeypatch):
    """What has failed is tried again at once."""
    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.05,))


def mount(folder: Path, options: str = "size=8m") -> None:
    subprocess.run(["mount", "-t", "tmpfs", "-o", options, "tmpfs", folder], check=True)


@pytest.fixture
def on_small_disk(quick):
    """Results go to a disk of 8 MiB; of free space, none is asked for."""
    results = quick.path / "out" / CANVAS
    marker = results / MARKER
    said = marker.read_text()  # a share with another one would not be the folder that was made
    marker.unlink()  # it is on the share, not below its mount point
    mount(results)
    marker.write_text(said)
    settings = quick.path / "hotfolder.toml"
    settings.write_text(
        settings.read_text().replace('free_space = "500 MiB"', 'free_space = "1 KiB"')
    )
    yield quick, results
    subprocess.run(["umount", "-l", results], check=False)


def said_times(root, event):
    """How often the daemon has logged an event; see `logged`."""
    if not root.log.exists():
        return 0
    return sum(json.loads(line)["event"] == event for line in root.log.read_text().splitlines())


@pytest.fixture
def logged(quick):
    from hotfolder.logs import set_up_logs

    set_up_logs(quick.log)
    yield quick
    set_up_logs(None)


def fill(ballast: Path) -> None:
    """Leave no room on a disk."""
    with ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(b"x" * 4096)


def tries_of(daemon):
    """How often all that is in trouble has been tried."""
    return sum(trouble.tries for trouble in daemon._troubles.all())


def stopped(root):
    return [each for each in collect(root)["waiting"] if each["what"] == "stopped"]


@needs_mounts
def test_a_full_disk_of_results_is_said_once_and_the_work_goes_on_when_there_is_room(
    on_small_disk, logged, prompt
):
    root, results = on_small_disk
    ballast = results / ".ballast"
    fill(ballast)
    dropped = [drop(root, f"{n}.tif", seed=n, size=24).read_bytes() for n in range(3)]
    with serving(root) as daemon:
        wait_for(lambda: stopped(root))
        said = stopped(root)[0]
        assert str(results) in said["why"]
        assert ("you", True) == (said["who"], bool(said["since"]))
        wait_for(lambda: said_times(root, "storage.trouble") >= 1)
        before, tries = said_times(root, "storage.trouble"), tries_of(daemon)
        wait_for(lambda: tries_of(daemon) >= tries + 6)
        assert said_times(root, "storage.trouble") == before <= 4
        assert [name for name in files(results) if name.endswith(".tif")] == []
        ballast.unlink()
        wait_for(lambda: len(records(root)) == len(dropped))
    assert {"delivered"} == {record["state"] for record in records(root)}


@needs_mounts
def test_nothing_is_written_under_a_mount_point_whose_share_has_gone(on_small_disk, logged, prompt):
    root, results = on_small_disk
    assert sweep(root) == []
    marker = (results / MARKER).read_text()
    subprocess.run(["umount", results], check=True)
    drop(root, "mud.tif", size=24)
    assert any("not connected" in str(each) for each in check(root).unreachable)
    with serving(root):
        wait_for(lambda: stopped(root))
        assert "is probably not connected" in stopped(root)[0]["why"]
        assert list(results.iterdir()) == []
        mount(results)
        (results / MARKER).write_text(marker)
        wait_for(lambda: records(root))
    assert ["delivered"] == [record["state"] for record in records(root)]


def bring_back(root, share, away):
    """See that nothing was left under a share, and that all goes on when it is back."""
    assert list(share.iterdir()) == []
    share.rmdir()
    away.rename(share)
    assert sweep(root) == []


def test_a_share_that_goes_while_results_are_published_is_not_taken_for_a_collected_result(
    quick, monkeypatch
):
    dropped = drop(quick, "mud.tif", size=24).read_bytes()
    results = quick.path / "out" / CANVAS
    away = results.with_name("away")
    advance = Ledger.advance

    def and_unmount(self, job, state, *detail, **changes):
        row = advance(self, job, state, *detail, **changes)
        if state is State.PUBLISHING and results.exists():
            results.rename(away)
            results.mkdir()
        return row

    with monkeypatch.context() as patch:
        patch.setattr(Ledger, "advance", and_unmount)
        said = sweep(quick)
    assert "not connected" in said[0]
    bring_back(quick, results, away)
    (record,) = records(quick)
    assert "delivered" == record["state"]
    assert files(results) == ["mud.tif"]
    assert dropped == Path(record["original_kept"]).read_bytes()


def test_a_share_that_goes_before_a_folder_is_made_on_it_has_none_left_under_it(quick, monkeypatch):
    drop(quick, "mud/tide.tif", size=24)
    results = quick.path / "out" / CANVAS
    away = results.with_name("away")
    make = Path.mkdir

    def unmount_first(folder, *args, **more):
        if folder == results / "mud" and not away.exists():
            results.rename(away)
            make(results)
        make(folder, *args, **more)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "mkdir", unmount_first)
        said = sweep(quick)
    assert "not connected" in said[0]
    bring_back(quick, results, away)
    assert ["delivered"] == [record["state"] for record in records(quick)]
    assert files(results / "mud") == ["tide.tif"]


def test_a_share_that_goes_before_a_line_is_appended_has_no_log_left_under_it(quick, monkeypatch):
    results = quick.path / "out" / CANVAS
    away = results.with_name("away")
    drop(quick, "tide.tif", size=24)
    assert sweep(quick) == []
    drop(quick, "mud.tif", size=24, seed=2)
    append = line_log.append_line

    def unmount_first(log, line):
        if not away.exists():
            results.rename(away)
            results.mkdir()
        return append(log, line)

    with monkeypatch.context() as patch:
        patch.setattr(line_log, "append_line", unmount_first)
        said = sweep(quick)
    assert "not connected" in said[0]
    bring_back(quick, results, away)
    assert ["delivered"] * 2 == [record["state"] for record in records(quick)]
    assert files(results) == ["mud.tif", "tide.tif"]
    with open_books(quick) as db:
        verdict = verify_root(db, quick, Question(), Console(file=io.StringIO()))
    assert verdict["as_recorded"]


@pytest.mark.parametrize("full", [False, True], ids=["", "and what is under it is full"])
@pytest.mark.parametrize("several", [False, True], ids=["one file", "several files"])
@pytest.mark.parametrize("of", ["out", "originals", "held"])
def test_a_share_that_goes_while_something_is_brought_to_it_has_nothing_left_under_it(
    quick, monkeypatch, of, several, full
):
    """What lay there was recorded as delivered when the share was back, and was nowhere."""
    dropped = drop(quick, "mud.tif", size=24, profile=of != "held").read_bytes()
    if several:
        (quick.path / "in" / CANVAS / "mud.xmp").write_bytes(b"<x/>")
        (file,) = quick.destinations.glob("*.toml")
        text = file.read_text()
        file.write_text(text.replace('format = "tiff"', 'format = "tiff"\nalso = ["webp", "png"]'))
    share = quick.path / of / CANVAS
    away = share.with_name("away")
    move = trees.move_any_new

    def unmount_first(source, target):
        if share in target.parents and not away.exists():
            share.rename(away)
            (share / target.relative_to(share)).parent.mkdir(parents=True)
        elif share in target.parents and full and not (share / MARKER).exists():
            raise OSError(errno.ENOSPC, "No space left on device", str(target))
        move(source, target)

    with monkeypatch.context() as patch:
        patch.setattr(trees, "move_any_new", unmount_first)
        said = sweep(quick)
    assert "not connected" in said[0]
    bring_back(quick, share, away)
    (record,) = records(quick)
    assert ("held" if of == "held" else "delivered") == record["state"]
    if of != "held":
        names = ["mud.png", "mud.tif", "mud.webp"] if several else ["mud.tif"]
        assert names == sorted(files(quick.path / "out" / CANVAS))
        assert dropped == Path(record["original_kept"]).read_bytes()
        kept = sorted(files(quick.path / "originals" / CANVAS))
        assert [Path(name).suffix for name in kept] == [".tif", ".xmp"][: 1 + several]
    else:
        assert dropped in [each.read_bytes() for each in share.rglob("mud.tif")]
        assert several == bool([*share.rglob("*.xmp")])


def test_what_an_earlier_try_has_brought_stays_when_its_share_goes_and_comes_back(
    quick, monkeypatch
):
    """The folder in which it waited was cleared away in the moment in which the share was back."""
    dropped = drop(quick, "mud.tif", size=24, profile=False).read_bytes()
    (quick.path / "in" / CANVAS / "mud.xmp").write_bytes(b"<x/>")
    share = quick.path / "held" / CANVAS
    away = share.with_name("away")
    move, remove = trees.move_any_new, deliver._remove_building

    def full_for_the_picture(source, target):
        if target.suffix == ".tif":
            raise OSError(errno.ENOSPC, "No space left on device", str(target))
        move(source, target)

    def come_back_first(plan):
        share.rmdir()
        away.rename(share)
        remove(plan)

    with monkeypatch.context() as patch:
        patch.setattr(trees, "move_any_new", full_for_the_picture)
        (said,) = sweep(quick)
        assert "No space left" in said
        assert [b"<x/>"] == [each.read_bytes() for each in share.rglob("*.xmp")]
        share.rename(away)
        share.mkdir()
        patch.setattr(deliver, "_remove_building", come_back_first)
        assert "not connected" in sweep(quick)[0]
    if away.exists():
        bring_back(quick, share, away)
    else:
        assert sweep(quick) == []
    assert {dropped, b"<x/>"} <= {each.read_bytes() for each in share.rglob("mud.*")}


def test_a_hot_folder_that_goes_is_said_once_with_since_and_its_files_are_not_new_afterwards(
    logged, prompt
):
    root = logged
    folder = root.path / "in" / CANVAS
    away = folder.with_name("away")
    settings = root.path / "hotfolder.toml"
    settings.write_text(settings.read_text().replace('poll = "5 s"', 'poll = "0.1 s"'))
    with serving(root) as daemon:
        wait_for(lambda: said_times(root, "daemon.started") == 1)
        folder.rename(away)
        hot = daemon._destinations[CANVAS]
        hot.due = 0.0
        daemon._wake.set()
        wait_for(lambda: collect(root)["destinations"][CANVAS]["unreachable_since"])
        each = collect(root)["destinations"][CANVAS]
        assert "it is not there" in each["unreachable"]
        assert "continues by itself" in each["unreachable"]
        looks = {hot.due}
        wait_for(lambda: looks.add(hot.due) or len(looks) > 4)
        assert said_times(root, "folder.unreachable") == 1
        away.rename(folder)
        wait_for(lambda: said_times(root, "folder.reachable_again") == 1)
        drop(root, "mud.tif", size=24)
        wait_for(lambda: records(root))


@pytest.mark.parametrize("kind", ["out", "held", "refused", "originals", "release"])
def test_a_folder_that_is_away_is_said_once_with_since_before_a_job_needs_it(logged, prompt, kind):
    root = logged
    folder, away = root.path / kind / CANVAS, root.path / "away"
    settings = root.path / "hotfolder.toml"
    settings.write_text(re.sub("(?m)^rescan = .*", 'rescan = "0.1 s"', settings.read_text()))
    with serving(root) as daemon:
        wait_for(lambda: said_times(root, "daemon.started") == 1)
        folder.rename(away)
        wait_for(lambda: collect(root)["destinations"][CANVAS]["unreachable_since"])
        assert str(folder) in collect(root)["destinations"][CANVAS]["unreachable"]
        looks = {daemon._destinations[CANVAS].due}
        wait_for(lambda: looks.add(daemon._destinations[CANVAS].due) or len(looks) > 4)
        assert said_times(root, "folder.unreachable") == 1
        away.rename(folder)
        wait_for(lambda: said_times(root, "folder.reachable_again") == 1)
    assert "" == collect(root)["destinations"][CANVAS]["unreachable"]


@pytest.mark.parametrize("kind", ["in", "out", "held", "originals"])
@pytest.mark.parametrize("left", ["an empty folder", "nothing"])
def test_a_share_that_is_away_at_the_start_keeps_no_other_destination_waiting(quick, kind, left):
    write_destination(quick, name="book")
    make_root(quick.path)
    assert sweep(quick) == []  # it has been served before
    dropped = drop(quick, "mud.tif", size=24)
    shutil.copy(dropped, quick.path / "in/book/reeds.tif")
    folder, away = quick.path / kind / CANVAS, quick.path / "away"
    folder.rename(away)
    if left == "an empty folder":
        folder.mkdir()
    assert any(str(folder) in str(each) for each in check(quick).unreachable)
    said = sweep(quick)
    if kind != "held":  # of which no job has need
        assert any(str(folder) in each for each in said), said
    assert ["reeds.tif"] == [record["source"] for record in records(quick, "book")]
    if left == "an empty folder":
        assert list(folder.iterdir()) == []
        folder.rmdir()
    away.rename(folder)
    assert sweep(quick) == []
    assert ["delivered"] == [record["state"] for record in records(quick)]


@pytest.mark.parametrize("number", [errno.EROFS, errno.EACCES, errno.EPERM, errno.EBUSY])
def test_a_folder_that_cannot_be_written_keeps_the_job_and_says_so(quick, monkeypatch, number):
    dropped = drop(quick, "mud.tif", size=24).read_bytes()
    hashes = dropped_hashes(quick.path / "in" / CANVAS)
    rename = platforms.rename_noreplace

    def refuse(source, target, **options):
        if "/out/" in str(target):
            raise OSError(number, os.strerror(number), str(source), None, str(target))
        rename(source, target, **options)

    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.05,))
    with monkeypatch.context() as patch:
        patch.setattr(platforms, "rename_noreplace", refuse)
        said = sweep(quick)
    assert len(said) == 1
    assert "the job waits and is tried again by itself" in said[0]
    assert [row.attempts for row in read_jobs(quick.ledger) if not row.state.is_end] == [1]
    assert sweep(quick) == []
    check_books(quick, hashes)
    assert dropped


@needs_mounts
def test_a_full_disk_of_the_ledger_takes_nothing_in_and_recovers(quick, prompt, monkeypatch):
    mount(quick.private, "size=3m")
    try:
        quick.spool.mkdir()
        settings = quick.path / "hotfolder.toml"
        settings.write_text(
            settings.read_text().replace('free_space = "500 MiB"', 'free_space = "1 KiB"')
        )
        assert sweep(quick) == []
        ballast = quick.private / "ballast"
        fill(ballast)
        drop(quick, "mud.tif", size=24)
        with pytest.raises(StorageError, match="cannot be used"):
            sweep(quick)
        assert (quick.path / "in" / CANVAS / "mud.tif").exists()
        ballast.unlink()
        assert sweep(quick) == []
        assert ["delivered"] == [record["state"] for record in records(quick)]
    finally:
        subprocess.run(["umount", "-l", quick.private], check=True)


def test_a_flush_that_failed_is_never_believed_the_second_time(quick, monkeypatch):
    drop(quick, "mud.tif", size=24)
    sync, failed, again = durable.fsync_file, {}, []

    def fail_once_each(path):
        name, inode = Path(path).name, Path(path).stat().st_ino
        if name not in failed:
            failed[name] = inode
            raise OSError(errno.EIO, os.strerror(errno.EIO), str(path))
        if inode == failed[name]:
            again.append(name)
        sync(path)  # what was written anew is another file

    monkeypatch.setattr(durable, "fsync_file", fail_once_each)
    assert sweep(quick) == []
    assert {"original", "result.tif"} == set(failed)
    assert [] == again
    (record,) = records(quick)
    assert "delivered" == record["state"]
    assert files(quick.path / "out") == [f"{CANVAS}/mud.tif"]


@pytest.mark.parametrize("ledger", ["kept", "lost"])
@pytest.mark.parametrize("name", ["original", "result.tif"])
def test_a_file_that_cannot_be_flushed_nor_read_is_not_taken_for_one_that_has_gone(
    quick, monkeypatch, name, ledger
):
    """Its disk answers nothing for a while: what it says then is no proof that a file is gone."""
    drop(quick, "mud.tif", size=24)
    sync, copy = durable.fsync_file, durable.copy_new

    def fail(path):
        raise OSError(errno.EIO, os.strerror(errno.EIO), str(path))

    with monkeypatch.context() as patch:
        patch.setattr(
            durable, "fsync_file", lambda path: (fail if Path(path).name == name else sync)(path)
        )
        patch.setattr(
            durable,
            "copy_new",
            lambda source, target, **options: (
                fail(source) if Path(target).name == name else copy(source, target, **options)
            ),
        )
        assert sweep(quick) != []
    assert [] == records(quick)
    if ledger == "lost":
        quick.ledger.unlink()
    assert sweep(quick) == []
    (record,) = records(quick)
    assert {"kept": "delivered", "lost": "held"}[ledger] == record["state"]
    assert durable.has_bytes(record["original_kept"], record["original"]["sha256"])
    assert [] == [each.name for each in quick.spool.iterdir()]


def test_one_file_that_cannot_be_taken_keeps_no_other_waiting(quick, monkeypatch):
    for number in range(6):
        drop(quick, f"{number}.tif", seed=number, size=24)
    rename = platforms.rename_noreplace

    def refuse(source, target, **options):
        if str(source) == "0.tif":
            raise PermissionError(errno.EPERM, os.strerror(errno.EPERM), "0.tif")
        rename(source, target, **options)

    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.5,))
    with monkeypatch.context() as patch:
        patch.setattr(platforms, "rename_noreplace", refuse)
        said = sweep(quick)
    assert len(said) == 1
    assert "0.tif cannot be taken into the spool" in said[0]
    assert len(records(quick)) == 5
    assert files(quick.path / "in") == [f"{CANVAS}/0.tif"]
    assert sweep(quick) == []
    assert len(records(quick)) == 6


def test_a_new_root_whose_folder_is_not_connected_does_not_start_and_says_what_to_do(quick):
    shutil.rmtree(quick.path / "held" / CANVAS)
    (quick.path / "held" / CANVAS).mkdir()
    said = [str(each) for each in check(quick).unreachable]
    assert len(said) == 1
    assert f"run `{quick.command('init')}`" in said[0]
    with pytest.raises(StorageError, match=re.escape(f"run `{quick.command('init')}`")):
        sweep(quick)


def test_a_consumer_who_collects_at_once_gets_the_result_once(quick, monkeypatch):
    drop(quick, "mud.tif", size=24)
    results = quick.path / "out" / CANVAS
    end = Ledger.end

    def collected_and_stopped(self, *args, **options):
        (results / "mud.tif").unlink()
        raise StorageError("the ledger cannot be written: collected just before")

    with monkeypatch.context() as patch:
        patch.setattr(Ledger, "end", collected_and_stopped)
        patch.setattr("hotfolder.daemon.trouble._SWEEP_TRIES", 1)
        assert sweep(quick) != []
    assert end is Ledger.end
    assert sweep(quick) == []
    assert ["delivered"] == [record["state"] for record in records(quick)]
    assert files(results) == []


def test_a_sweep_ends_though_a_full_disk_keeps_files_out(quick, prompt, monkeypatch):
    drop(quick, "mud.tif")
    monkeypatch.setattr(platforms, "free_bytes", lambda _place: 2**20)
    daemon = daemon_of(quick)
    turns, turn = [], Loop._turn
    monkeypatch.setattr(Loop, "_turn", lambda loop: (turns.append(1), turn(loop))[1])
    thread = threading.Thread(target=daemon.run, kwargs={"until_idle": True})
    thread.start()
    thread.join(10)
    ended = not thread.is_alive()
    daemon.stop()
    thread.join(DEADLINE_S)
    assert ended, f"{len(turns)} turns, and no end"
    (trouble,) = daemon.troubles()
    assert "has 1 MiB left, less than 500 MiB" in trouble
    assert "mud.tif" in files(quick.path / "in" / CANVAS)
    assert records(quick) == []
