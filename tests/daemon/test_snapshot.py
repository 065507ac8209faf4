"""The snapshot says what is going on, and is what status reads back."""

from __future__ import annotations

import os
from types import SimpleNamespace

import pytest

from hotfolder.daemon.silence import Silence
from hotfolder.daemon.snapshot import IndexPages, Snapshots
from hotfolder.daemon.trouble import About, Kind
from hotfolder.disk.marker import unreachable
from hotfolder.errors import StorageError
from hotfolder.model.snapshot import FolderStatus, read_snapshot

HOSTILE = "reeds\x1b[2J\udcff.tif"


@pytest.fixture
def pages():
    return SimpleNamespace(refreshed=0, failure=None)


@pytest.fixture
def destinations(pages):
    def refresh():
        pages.refreshed += 1
        if pages.failure:
            raise pages.failure

    hot = SimpleNamespace(
        destination=SimpleNamespace(name="canvas"),
        status=lambda: FolderStatus(hot_folder="in/canvas", watch="poll"),
        pages=SimpleNamespace(refresh=refresh),
        check_folders=lambda _kinds: None,
    )
    return SimpleNamespace(hot=hot, hot_folders=lambda: [hot])


@pytest.fixture
def work():
    row = SimpleNamespace(id="j1", destination="canvas", attempts=2)
    return SimpleNamespace(
        workers=3, progress=lambda: [(row, "sizing", 0.25)], remarks=lambda _: []
    )


@pytest.fixture
def silences():
    return {}


@pytest.fixture
def index(clock):
    return IndexPages(clock)


@pytest.fixture
def snapshots(root, destinations, work, troubles, index, silences, clock):
    root.private.mkdir(exist_ok=True)
    return Snapshots(root, destinations, work, troubles, index, lambda: silences, clock=clock)


def test_what_slows_jobs_down_is_said_of_their_destination(snapshots, root, work):
    work.remarks = lambda name: [f"{name} is slow"]
    snapshots.write()
    assert ("canvas is slow",) == read_snapshot(root.snapshot).folders["canvas"].remarks


def test_it_is_read_back_as_it_was_taken_with_names_fit_for_showing(
    snapshots, root, troubles, clock
):
    troubles.note(About(Kind.FILE, "canvas", HOSTILE), StorageError(f"{HOSTILE} cannot be taken"))
    snapshots.write()
    said = read_snapshot(root.snapshot)
    assert (os.getpid(), 3, "poll") == (said.pid, said.workers, said.folders["canvas"].watch)
    (job,) = said.work
    assert ("j1", "sizing", 0.25, 2) == (job.job, job.doing, job.share, job.attempt)
    (trouble,) = said.troubles
    assert ("file", "canvas", r"reeds\x1b[2J\xff.tif") == (
        trouble.kind,
        trouble.destination,
        trouble.name,
    )
    assert (1.0, 1) == (trouble.next_try_s, trouble.tries)


def test_a_command_that_a_trouble_is_told_with_is_for_this_root(snapshots, root, troubles):
    error = unreachable(root.path / "in", FileNotFoundError())
    troubles.note(About(Kind.FILE, "canvas", "mud.tif"), error)
    (trouble,) = snapshots.take().troubles
    assert f"run `{root.command('init')}`" in trouble.message


def test_it_is_written_at_most_once_a_second_and_at_the_end(snapshots, root, clock):
    snapshots.write()
    root.snapshot.unlink()
    snapshots.write()
    assert not root.snapshot.exists()
    snapshots.write(ended=True)
    assert () == read_snapshot(root.snapshot).work
    root.snapshot.unlink()
    clock.now += 1
    snapshots.write()
    assert root.snapshot.exists()


def test_what_does_not_answer_is_said_with_its_time(snapshots, silences):
    silences["canvas"] = Silence(f"out/{HOSTILE} does not answer", "2026-03-29T12:00:00Z", 12.0)
    said = snapshots.take().folders["canvas"]
    assert r"out/reeds\x1b[2J\xff.tif does not answer" == said.silent
    assert "2026-03-29T12:00:00Z" == said.silent_since


def test_a_snapshot_that_cannot_be_written_stops_nothing(snapshots, root):
    root.snapshot.with_suffix(".new").mkdir()
    snapshots.write()
    assert not root.snapshot.exists()


def test_pages_are_looked_at_now_and_then_and_a_failure_is_said_once(
    destinations, index, pages, clock, capsys
):
    pages.failure = StorageError("held is away")
    for _ in range(4):
        index.refresh(destinations.hot)
        clock.now += 1
    assert 2 == pages.refreshed
    assert 1 == capsys.readouterr().out.count("pages.not_written")
    index.refresh(destinations.hot, ended=True)
    assert 3 == pages.refreshed


def test_pages_that_cannot_be_written_are_a_remark_until_they_are(
    destinations, snapshots, root, pages, index
):
    pages.failure = StorageError(f"{HOSTILE} is in the way")
    index.refresh(destinations.hot, ended=True)
    snapshots.write(ended=True)
    (remark,) = read_snapshot(root.snapshot).folders["canvas"].remarks
    assert r"out of date: reeds\x1b[2J\xff.tif is in the way" in remark
    pages.failure = None
    index.refresh(destinations.hot, ended=True)
    assert () == snapshots.take().folders["canvas"].remarks


def test_no_page_is_written_into_a_folder_that_is_not_the_one_it_was(destinations, pages, index):
    def swapped(_kinds):
        raise StorageError("canvas and prints were swapped")

    destinations.hot.check_folders = swapped
    index.refresh(destinations.hot, ended=True)
    assert 0 == pages.refreshed
    assert 1 == len(index.remarks("canvas"))
