"""What wakes the scan: real events, waited for with a deadline."""

from __future__ import annotations

import errno
import os
import queue
import shutil
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from watchdog.observers import Observer
from watchdog.observers.api import EventQueue

from hotfolder.disk.marker import write_marker
from hotfolder.disk.mounts import delivers_events, filesystem_type
from hotfolder.disk.trees import remove_tree
from hotfolder.intake.scan import scan
from hotfolder.intake.settle import Settler
from hotfolder.intake.watch import Watch

DEADLINE_S = 60.0


class Waker:
    """Counts, and can be waited for."""

    def __init__(self) -> None:
        self.woken = threading.Event()

    def __call__(self) -> None:
        self.woken.set()

    def wakes_on(self, act) -> bool:
        """Whether `act` is followed by a waking before the deadline."""
        self.woken.clear()
        act()
        return self.woken.wait(DEADLINE_S)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A hot folder that a watcher hears everything of."""
    if not delivers_events(filesystem_type(tmp_path)):
        pytest.skip("no events on this file system")
    path = tmp_path / "in"
    path.mkdir()
    write_marker(path)
    return path


@pytest.fixture
def waker() -> Waker:
    return Waker()


@pytest.fixture
def watch(folder: Path, waker: Waker) -> Iterator[Watch]:
    started = Watch(folder, "auto", waker)
    yield started
    started.stop()


def test_a_local_folder_is_watched_by_events_and_says_why(watch, folder):
    assert (watch.mode, watch.reason) == ("events", filesystem_type(folder))
    assert watch.healthy()


def test_a_new_file_wakes(watch, waker, folder):
    assert waker.wakes_on(lambda: (folder / "reeds.tif").write_bytes(b"x"))


def test_a_file_renamed_in_from_outside_wakes(watch, waker, folder, tmp_path):
    (tmp_path / "reeds.tif").write_bytes(b"x")
    assert waker.wakes_on(lambda: (tmp_path / "reeds.tif").rename(folder / "reeds.tif"))


def test_a_file_that_is_written_to_its_end_wakes(watch, waker, folder):
    with (folder / "reeds.tif").open("wb") as file:
        assert waker.wakes_on(lambda: (file.write(b"x"), file.flush()))
        assert waker.wakes_on(file.close)


def test_files_in_a_brand_new_sub_folder_wake(watch, waker, folder):
    assert waker.wakes_on(lambda: (folder / "a" / "b").mkdir(parents=True))
    assert waker.wakes_on(lambda: (folder / "a" / "b" / "reeds.tif").write_bytes(b"x"))


def test_a_tree_moved_in_wakes(watch, waker, folder, tmp_path):
    (tmp_path / "tree" / "deep").mkdir(parents=True)
    (tmp_path / "tree" / "deep" / "reeds.tif").write_bytes(b"x")
    assert waker.wakes_on(lambda: (tmp_path / "tree").rename(folder / "tree"))
    assert [each.relative for each in scan(folder).candidates] == ["tree/deep/reeds.tif"]


def test_our_own_looks_do_not_wake_us(watch, waker, folder):
    waits = Settler(0.0, 0.0)
    path = folder / "reeds.tif"
    assert waker.wakes_on(lambda: path.write_bytes(b"x"))
    # a second file tells when all events of the first have been heard
    assert waker.wakes_on(lambda: path.rename(folder / "buoy.tif"))
    heard: list[type] = []
    waker_of_events = watch._handler.on_any_event
    watch._handler.on_any_event = lambda event: (heard.append(type(event)), waker_of_events(event))
    for _ in range(3):
        waits.update(scan(folder).candidates)
    assert waker.wakes_on((folder / "last.tif").touch)
    assert {"FileOpenedEvent", "FileClosedNoWriteEvent"}.isdisjoint(each.__name__ for each in heard)


class ShortQueue(EventQueue):
    """Holds 16 events and drops what comes then, as a kernel does whose queue is full."""

    dropped = 0

    def __init__(self) -> None:
        super().__init__(maxsize=16)

    def put(self, item, **_) -> None:
        try:
            super().put(item, block=False)
        except queue.Full:
            ShortQueue.dropped += 1


def test_when_most_events_are_lost_no_file_is(folder, monkeypatch):
    monkeypatch.setattr("watchdog.observers.api.EventQueue", ShortQueue)
    written, woken = threading.Event(), threading.Event()

    def wake():
        written.wait(DEADLINE_S)  # so that the queue runs over
        woken.set()

    watch = Watch(folder, "events", wake)
    try:
        for number in range(3000):
            (folder / f"{number:04}.tif").touch()
        written.set()
        found: set[str] = set()
        while len(found) < 3000 and woken.wait(DEADLINE_S):
            woken.clear()
            found |= {each.relative for each in scan(folder).candidates}
    finally:
        watch.stop()
    assert ShortQueue.dropped > 1000
    assert len(found) == 3000


def test_polling_can_be_asked_for(folder, waker):
    watch = Watch(folder, "poll", waker)
    assert ("poll", "as set in intake.watch", True) == (watch.mode, watch.reason, watch.healthy())
    watch.stop()


@pytest.mark.parametrize("kind", ["nfs4", "cifs", "fuse.sshfs", "unknown"])
def test_a_share_is_polled_and_says_why(folder, waker, monkeypatch, kind):
    monkeypatch.setattr("hotfolder.intake.watch.filesystem_type", lambda _: kind)
    watch = Watch(folder, "auto", waker)
    assert (watch.mode, watch.reason) == ("poll", kind)


def test_events_can_be_insisted_on(folder, waker, monkeypatch):
    monkeypatch.setattr("hotfolder.intake.watch.filesystem_type", lambda _: "nfs4")
    watch = Watch(folder, "events", waker)
    assert (watch.mode, watch.reason) == ("events", "nfs4")
    watch.stop()


@pytest.mark.parametrize(
    ("reason", "number"),
    [
        ("the system has run out of watches", errno.ENOSPC),
        ("the system has run out of watches", errno.EMFILE),
        ("{kind}: Function not implemented", errno.ENOSYS),
    ],
)
def test_without_watches_the_folder_is_polled_and_says_so(
    folder, waker, monkeypatch, reason, number
):
    def refuse(_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(Observer, "on_thread_start", refuse)
    watch = Watch(folder, "auto", waker)
    expected = reason.format(kind=filesystem_type(folder))
    assert (watch.mode, watch.reason) == ("poll", expected)
    assert watch.healthy()
    watch.stop()


def test_without_room_for_another_watcher_the_folder_is_polled(folder, waker, monkeypatch):
    def refuse(*_):
        raise OSError(errno.EMFILE, "inotify instance limit reached")

    monkeypatch.setattr(Observer, "__init__", refuse)
    watch = Watch(folder, "auto", waker)
    assert ("poll", "the system has run out of watches") == (watch.mode, watch.reason)
    watch.stop()


def test_a_folder_that_is_not_there_is_polled_until_it_is(folder, waker):
    shutil.rmtree(folder)
    watch = Watch(folder, "auto", waker)
    assert (watch.mode, watch.reason) == ("poll", "the folder cannot be reached")
    folder.mkdir()
    watch.restart()
    assert watch.mode == "events"
    assert waker.wakes_on((folder / "reeds.tif").touch)
    watch.stop()


def test_a_failure_in_waking_is_not_silent_and_a_restart_mends_it(folder):
    called = threading.Event()

    def fail():
        called.set()
        raise RuntimeError("planted")

    watch = Watch(folder, "auto", fail)
    (folder / "reeds.tif").touch()
    assert called.wait(DEADLINE_S)
    watch.stop()  # waits for the thread, so that what it kept can be seen
    assert str(watch._handler.failure) == "planted"
    watch.restart()
    assert watch.healthy()
    watch.stop()


def test_a_dead_thread_is_noticed(watch, waker, folder):
    for emitter in watch._observer.emitters:
        emitter.stop()
        emitter.join(DEADLINE_S)
    assert not watch.healthy()
    watch.restart()
    assert watch.healthy()
    assert waker.wakes_on((folder / "reeds.tif").touch)


def test_a_dead_reader_behind_the_threads_is_noticed(watch, waker, folder):
    # nothing else of watchdog notices: its other threads go on waiting for what never comes
    reader = watch._observer._inotify_fd
    reader.stop()
    reader.join(DEADLINE_S)
    assert all(thread.is_alive() for thread in (watch._observer, *watch._observer.emitters))
    assert not watch.healthy()
    watch.restart()
    assert watch.healthy()
    assert waker.wakes_on((folder / "reeds.tif").touch)


def test_a_folder_too_deep_to_be_watched_is_polled_and_says_so(folder, waker):
    path = str(folder)
    for name in ("deep", *"d" * 1100):
        path = f"{path}/{name}"
        os.mkdir(path)  # noqa: PTH102 - pathlib would make it recursively
    watch = Watch(folder, "auto", waker)
    try:
        expected = ("poll", "its sub-folders go too deep to be watched")
        if sys.version_info < (3, 12):  # later ones walk without recursion
            assert expected == (watch.mode, watch.reason)
        assert watch.healthy()
    finally:
        watch.stop()
        remove_tree(folder / "deep", below=folder)


def test_a_folder_that_was_replaced_is_noticed(watch, waker, folder, tmp_path):
    folder.rename(tmp_path / "away")
    assert not watch.healthy()
    folder.mkdir()
    assert not watch.healthy()
    watch.restart()
    assert watch.healthy()
    assert waker.wakes_on((folder / "reeds.tif").touch)


def test_stopping_twice_does_no_harm(watch):
    watch.stop()
    watch.stop()
    assert watch.healthy()
