"""A decision that is left as a note: on the share, or not at all."""

import shutil
from datetime import UTC, datetime

import pytest

from hotfolder.disk import durable
from hotfolder.disk.marker import MARKER, Unreachable, write_marked
from hotfolder.ending import decision
from hotfolder.model.records import Release

NOTE = Release(who="Mara", why="", at=datetime(2026, 11, 30, tzinfo=UTC))


@pytest.fixture
def folders(tmp_path):
    for name in ("held", "release"):
        (tmp_path / name).mkdir()
        (tmp_path / name / MARKER).write_text("")
    (tmp_path / "held/job").mkdir()
    (tmp_path / "held/job/mud.tif").write_bytes(b"the original")
    return tmp_path


def unmount(folder):
    folder.rename(folder.with_name("away"))
    folder.mkdir()


def test_a_folder_that_is_handed_over_has_its_note(folders):
    decision.hand_over("job", folders / "held/job", folders / "release", NOTE)
    assert ["mud.tif", "release.json"] == sorted(
        each.name for each in (folders / "release/job").iterdir()
    )
    assert not (folders / "held/job").exists()


def test_a_folder_that_came_under_a_share_is_held_again(folders, monkeypatch):
    """It looked deleted when the share was back, and its job was discarded."""
    move = decision.move_folder

    def unmount_first(source, target):
        if target.parent.name == "release":
            unmount(target.parent)
        move(source, target)

    with monkeypatch.context() as patch:
        patch.setattr(decision, "move_folder", unmount_first)
        with pytest.raises(Unreachable, match="not connected"):
            decision.hand_over("job", folders / "held/job", folders / "release", NOTE)
    assert [] == list((folders / "release").iterdir())
    assert b"the original" == (folders / "held/job/mud.tif").read_bytes()
    shutil.rmtree(folders / "release")
    (folders / "away").rename(folders / "release")
    decision.hand_over("job", folders / "held/job", folders / "release", NOTE)
    assert b"the original" == (folders / "release/job/mud.tif").read_bytes()


def test_a_note_that_came_under_a_share_is_taken_away(folders, monkeypatch):
    write = durable.write_new
    note = folders / "release/job.discard"

    def unmount_first(path, data):
        unmount(path.parent)
        write(path, data)

    with monkeypatch.context() as patch:
        patch.setattr(durable, "write_new", unmount_first)
        with pytest.raises(Unreachable, match="not connected"):
            write_marked(note, b"given up")
    assert [] == list(note.parent.iterdir())
    with pytest.raises(Unreachable):
        write_marked(note, b"given up")
    shutil.rmtree(note.parent)
    (folders / "away").rename(note.parent)
    write_marked(note, b"given up")
    assert b"given up" == note.read_bytes()
