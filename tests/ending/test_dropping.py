"""A kept original in a hot folder again: with its sidecar, or neither of them."""

import errno
import shutil

import pytest

from hotfolder.disk import durable
from hotfolder.disk.marker import MARKER, Unreachable
from hotfolder.ending.dropping import drop


@pytest.fixture
def place(tmp_path):
    hot = tmp_path / "in"
    hot.mkdir()
    (hot / MARKER).write_text("")
    (tmp_path / "kept.tif").write_bytes(b"the picture")
    (tmp_path / "kept.tif.xmp").write_bytes(b"its sidecar")
    return tmp_path


def drop_both(place, name="tide/mud.tif"):
    hot = place / "in"
    drop(place / "kept.tif", place / "kept.tif.xmp", hot / name, hot)


def files(folder):
    return sorted(
        str(each.relative_to(folder))
        for each in folder.rglob("*")
        if each.is_file() and each.name != MARKER
    )


def test_both_are_there_the_sidecar_first(place, monkeypatch):
    order = []
    copy = durable.copy_new
    monkeypatch.setattr(
        durable, "copy_new", lambda source, to: order.append(to.name) or copy(source, to)
    )
    drop_both(place)
    assert ["mud.tif.xmp", "mud.tif"] == order
    assert b"its sidecar" == (place / "in/tide/mud.tif.xmp").read_bytes()
    assert b"the picture" == (place / "in/tide/mud.tif").read_bytes()


@pytest.mark.parametrize("taken", ["mud.tif", "mud.tif.xmp"])
def test_what_lies_there_stays_and_nothing_is_added(place, taken):
    (place / "in" / taken).write_bytes(b"of somebody else")
    with pytest.raises(FileExistsError):
        drop_both(place, "mud.tif")
    assert [taken] == files(place / "in")
    assert b"of somebody else" == (place / "in" / taken).read_bytes()


def test_a_sidecar_that_a_kill_left_alone_is_its_pictures(place):
    (place / "in/mud.tif.xmp").write_bytes(b"its sidecar")
    drop_both(place, "mud.tif")
    assert ["mud.tif", "mud.tif.xmp"] == files(place / "in")


@pytest.mark.parametrize("at", ["mud.tif", "mud.tif.xmp"])
@pytest.mark.parametrize("fault", ["no room", "share goes"])
def test_a_fault_leaves_neither_behind(place, monkeypatch, at, fault):
    copy = durable.copy_new

    def copied(source, to):
        if to.name == at and fault == "no room":
            raise OSError(errno.ENOSPC, "No space left on device")
        if to.name == at:
            shutil.move(place / "in", place / "away")
            to.parent.mkdir(parents=True)
        copy(source, to)

    monkeypatch.setattr(durable, "copy_new", copied)
    with pytest.raises(OSError if fault == "no room" else Unreachable):
        drop_both(place)
    assert [] == files(place / "in")


def test_what_the_daemon_has_taken_meanwhile_is_not_looked_for(place, monkeypatch):
    copy = durable.copy_new

    def copied(source, to):
        copy(source, to)
        if to.name == "mud.tif":
            (place / "in/tide/mud.tif.xmp").unlink()
            to.unlink()

    monkeypatch.setattr(durable, "copy_new", copied)
    drop_both(place)
    assert [] == files(place / "in")


def test_a_file_that_has_come_under_the_name_since_is_not_removed(place, monkeypatch):
    copy = durable.copy_new

    def copied(source, to):
        if to.name == "mud.tif":
            beside = place / "in/tide/mud.tif.xmp"
            (place / "theirs").write_bytes(b"of somebody else")
            (place / "theirs").replace(beside)
            raise OSError(errno.EIO, "Input/output error")
        copy(source, to)

    monkeypatch.setattr(durable, "copy_new", copied)
    with pytest.raises(OSError, match="Input/output"):
        drop_both(place)
    assert b"of somebody else" == (place / "in/tide/mud.tif.xmp").read_bytes()
