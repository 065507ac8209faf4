"""What the daemon knows of one destination's folders, and what it does when one comes back."""

from __future__ import annotations

import shutil
import time
from types import SimpleNamespace

import pytest

from hotfolder.daemon.hot_folder import HotFolder
from hotfolder.daemon.trouble import About, Kind
from hotfolder.disk.marker import write_marker
from hotfolder.errors import StorageError
from hotfolder.settings.known_folders import KnownFolders
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.settings.tables import Intake

CANVAS = "canvas"


@pytest.fixture
def hot(tmp_path, troubles):
    """A hot folder that is there, as are its destination's other folders."""
    names = ("in", "out", "held", "refused", "originals", "release")
    for name in names:
        (tmp_path / name).mkdir()
        write_marker(tmp_path / name)
    file = SimpleNamespace(ticket=None)
    where = SimpleNamespace(name=CANVAS, intake=Intake(watch="poll"), file=file)
    folders = DestinationFolders(*(tmp_path / name for name in names))
    hot = HotFolder(
        where, folders, None, lambda: None, (0, 0), troubles, KnownFolders(Root(tmp_path)), None
    )
    hot.check_folders = lambda: folders
    return hot


def test_jobs_are_tried_at_once_when_the_folder_they_waited_for_is_back(hot, troubles, clock):
    shutil.rmtree(hot.folders.results)
    hot.look()
    for _ in range(5):
        troubles.note(About(Kind.JOB, CANVAS, "a"), StorageError("not there"))
        clock.now = troubles.next_try_s(Kind.JOB, CANVAS)
    troubles.note(About(Kind.JOB, CANVAS, "a"), StorageError("not there"))
    assert [] == troubles.choose(Kind.JOB, CANVAS, ["a"]), "otherwise this test shows nothing"
    hot.folders.results.mkdir()
    write_marker(hot.folders.results)
    chosen: list[str] = []
    deadline = time.monotonic() + 10
    while not chosen and time.monotonic() < deadline:  # after a slow scan it rests for a while
        hot.due = 0
        hot.look()
        chosen = troubles.choose(Kind.JOB, CANVAS, ["a"])
    assert chosen == ["a"]


def test_a_folder_that_is_away_is_looked_for_as_often_as_without_events(hot):
    hot._interval = lambda: 60.0
    shutil.rmtree(hot.folders.results)
    hot.look()
    hot.due = 0
    hot.look()  # the first look only begins to watch
    assert hot.due < time.monotonic() + 10
