"""One look at everything in a hot folder."""

from __future__ import annotations

import errno
import os
import socket
import threading
import unicodedata
from pathlib import Path

import pytest

from hotfolder.disk import platforms
from hotfolder.disk.marker import MARKER, Unreachable, write_marker
from hotfolder.disk.trees import remove_tree
from hotfolder.errors import StorageError
from hotfolder.intake.scan import scan


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A hot folder."""
    path = tmp_path / "in" / "canvas"
    path.mkdir(parents=True)
    write_marker(path)
    return path


def found(folder: Path) -> dict[str, str]:
    return {each.relative: each.kind for each in scan(folder).candidates}


def test_a_folder_with_nothing_in_it_is_empty(folder):
    result = scan(folder)
    assert ((), 0, ()) == (result.candidates, result.junk, result.problems)
    assert result.elapsed_s >= 0


def test_files_are_found_with_their_paths_below(folder):
    (folder / "spring" / "plates").mkdir(parents=True)
    for name in ("reeds.tif", "spring/buoy.jpg", "spring/plates/notes", "spring/plates/a.png"):
        (folder / name).write_bytes(b"x")
    assert list(found(folder)) == [
        "reeds.tif", "spring/buoy.jpg", "spring/plates/a.png", "spring/plates/notes",
    ]  # fmt: skip
    assert folder / "reeds.tif" == scan(folder).candidates[0].path


def test_identity_is_what_the_file_system_says(folder):
    path = folder / "reeds.tif"
    path.write_bytes(b"12345")
    (folder.parent / "other name").hardlink_to(path)
    said = path.stat()
    candidate = scan(folder).candidates[0]
    assert (said.st_dev, said.st_ino, 5, said.st_mtime_ns, said.st_ctime_ns) == (
        candidate.identity.dev, candidate.identity.ino, candidate.identity.size,
        candidate.identity.mtime_ns, candidate.identity.ctime_ns,
    )  # fmt: skip
    assert candidate.nlink == 2


def test_links_pipes_and_sockets_are_found_for_what_they_are_and_not_followed(folder, tmp_path):
    (tmp_path / "precious").mkdir()
    (tmp_path / "precious" / "reeds.tif").write_bytes(b"x")
    (folder / "file.tif").symlink_to(tmp_path / "precious" / "reeds.tif")
    (folder / "folder").symlink_to(tmp_path / "precious")
    (folder / "dangling").symlink_to("nowhere")
    os.mkfifo(folder / "pipe.tif")
    with socket.socket(socket.AF_UNIX) as listening:
        place = os.open(folder, os.O_RDONLY)  # the path of a socket is limited to 108 bytes
        listening.bind(f"/proc/self/fd/{place}/socket.tif")
        os.close(place)
    assert found(folder) == {
        "dangling": "link", "file.tif": "link", "folder": "link",
        "pipe.tif": "special", "socket.tif": "special",
    }  # fmt: skip


def test_a_folder_named_like_a_picture_is_one_thing(folder):
    (folder / "x.TIF" / "deep").mkdir(parents=True)
    (folder / "x.TIF" / "deep" / "reeds.tif").write_bytes(b"x")
    assert found(folder) == {"x.TIF": "folder"}


def test_a_folder_named_like_a_picture_changes_while_anything_in_it_does(folder):
    (folder / "x.tif" / "deep").mkdir(parents=True)
    empty = scan(folder).candidates[0].identity
    path = folder / "x.tif" / "deep" / "reeds.tif"
    path.write_bytes(b"x")
    first = scan(folder).candidates[0].identity
    os.utime(path, ns=(first.mtime_ns + 10**9, first.mtime_ns + 10**9))
    second = scan(folder).candidates[0].identity
    assert len({empty, first, second}) == 3
    assert (1, 2) == (empty.size, first.size)


def test_junk_is_counted_and_named_and_folders_of_it_are_not_entered(folder):
    (folder / "sub" / "__MACOSX").mkdir(parents=True)
    (folder / "sub" / "__MACOSX" / "._reeds.tif").write_bytes(b"x")
    for name in (".DS_Store", "sub/reeds.tif.part", "reeds.tif"):
        (folder / name).write_bytes(b"x")
    result = scan(folder)
    assert (".DS_Store", "sub/__MACOSX", "sub/reeds.tif.part") == result.junk_names
    assert result.junk == 3
    assert found(folder) == {"reeds.tif": "file"}


NAMES = [
    b"reed\xe9s.tif", b"a\nb.tif", b"\x1b[2J.tif", "a\u202efit.tif".encode(), b"CON.tif",
    b"trailing dot.", b"x" * 251 + b".tif", "é.tif".encode(), b"e\xcc\x81.tif", b"A.tif", b"a.tif",
    b"C:\\x.tif", b"%2e%2e%2f", b" ",
]  # fmt: skip


def test_every_name_is_found_and_opens_the_file_it_names(folder):
    for name in NAMES:
        (folder / os.fsdecode(name)).write_bytes(name)
    assert set(NAMES) == {each.path.read_bytes() for each in scan(folder).candidates}
    assert set(NAMES) == {os.fsencode(each.relative) for each in scan(folder).candidates}


def test_two_normal_forms_of_one_name_are_two_files(folder):
    for form in ("NFC", "NFD"):
        (folder / unicodedata.normalize(form, "crué.tif")).write_bytes(b"x")
    assert len(found(folder)) == len(list(folder.iterdir())) - 1


def test_three_thousand_files_are_all_found(folder):
    for number in range(3000):
        (folder / f"{number:04}.tif").touch()
    assert [f"{number:04}.tif" for number in range(3000)] == list(found(folder))


def test_a_very_deep_folder_is_no_trouble(folder):
    depth = 1100  # more than the interpreter's limit of recursion
    path = str(folder)
    for name in ("deep", *"d" * depth):
        path = f"{path}/{name}"
        os.mkdir(path)  # noqa: PTH102 - pathlib would make it recursively
    Path(f"{path}/reeds.tif").touch()
    try:
        assert [f"deep{'/d' * depth}/reeds.tif"] == list(found(folder))
        (folder / "deep").rename(folder / "deep.tif")
        assert scan(folder).candidates[0].identity.size == depth + 1
    finally:
        for each in folder.glob("deep*"):
            remove_tree(each, below=folder)
    assert found(folder) == {}


def test_what_cannot_be_looked_at_hides_nothing_else(folder, monkeypatch):
    (folder / "closed").mkdir()
    (folder / "reeds.tif").write_bytes(b"x")
    listdir = os.listdir
    closed = (folder / "closed").stat().st_ino

    def refuse(opened):
        if os.fstat(opened).st_ino == closed:
            raise PermissionError(errno.EACCES, "Permission denied")
        return listdir(opened)

    monkeypatch.setattr(os, "listdir", refuse)
    result = scan(folder)
    assert [each.relative for each in result.candidates] == ["reeds.tif"]
    assert result.problems == ("closed cannot be read: Permission denied.",)


def test_what_vanishes_during_the_scan_is_no_problem(folder, monkeypatch):
    (folder / "gone").mkdir()
    listdir = os.listdir
    gone = (folder / "gone").stat().st_ino

    def vanish(opened):
        if os.fstat(opened).st_ino == gone:
            raise FileNotFoundError(errno.ENOENT, "No such file or directory")
        return [*listdir(opened), "gone.tif"]

    monkeypatch.setattr(os, "listdir", vanish)
    result = scan(folder)
    assert ((), ()) == (result.candidates, result.problems)


@pytest.mark.skipif(not hasattr(platforms._libc(), "renameat2"), reason="needs renameat2(2)")
def test_a_folder_swapped_for_a_link_meanwhile_shows_nothing_from_outside(folder, tmp_path):
    outside, inside, link = tmp_path / "outside", folder / "drop", folder / ".link"
    for each in (outside, inside):
        each.mkdir()
    (outside / "secret.tif").touch()
    (inside / "reeds.tif").touch()
    link.symlink_to(outside)
    stop = threading.Event()

    def swap():
        libc = platforms._libc()
        while not stop.is_set():
            libc.renameat2(-100, os.fsencode(inside), -100, os.fsencode(link), 2)

    swapper = threading.Thread(target=swap)
    swapper.start()
    try:
        seen = {
            each.relative
            for _ in range(500)
            for each in scan(folder).candidates
            if each.kind == "file"
        }
    finally:
        stop.set()
        swapper.join()
    # one that is swapped all the time may never be the folder from first look to last
    assert seen <= {"drop/reeds.tif"}


# the marker


def test_a_marker_is_kept_once_written(folder):
    first = (folder / MARKER).read_text()
    assert first.strip() == write_marker(folder)
    assert len(first) == 17
    assert [folder / MARKER] == list(folder.iterdir())


def test_a_folder_that_is_not_there_is_unreachable(folder, tmp_path):
    with pytest.raises(Unreachable) as caught:
        scan(tmp_path / "in" / "nowhere")
    assert str(caught.value) == (
        f"{tmp_path}/in/nowhere cannot be reached: it is not there. Check the share, the disk and "
        "the permissions; the work continues by itself when the folder is back. If it was moved "
        "away or deleted, run `hotfolder init ROOT`, which makes it anew."
    )
    assert isinstance(caught.value, StorageError)


def test_an_empty_place_where_a_share_was_is_unreachable_and_not_empty(folder):
    (folder / MARKER).unlink()
    with pytest.raises(Unreachable) as caught:
        scan(folder)
    assert str(caught.value) == (
        f"{folder} is there, but without the file .hotfolder-folder that marks it as ours: "
        "its share or disk is probably not connected. If it is a new folder, run "
        "`hotfolder init ROOT`, which only adds what is missing."
    )


def test_a_share_that_goes_away_during_the_scan_is_unreachable(folder, monkeypatch):
    listdir = os.listdir

    def leave(path):
        names = listdir(path)
        (folder / MARKER).unlink()
        return names

    monkeypatch.setattr(os, "listdir", leave)
    with pytest.raises(Unreachable, match="is there, but without"):
        scan(folder)


@pytest.mark.parametrize(
    ("words", "number"),
    [
        ("its share is gone", errno.ESTALE),
        ("reading it is not permitted", errno.EACCES),
        ("its server does not answer", errno.EHOSTDOWN),
        ("its share is not connected", errno.ENOTCONN),
        ("its disk or share reports an error", errno.EIO),
        ("Device or resource busy", errno.EBUSY),
    ],
)
def test_why_a_folder_cannot_be_reached_is_said_in_plain_words(folder, monkeypatch, words, number):
    def fail(path):
        raise OSError(number, os.strerror(number), str(path))

    monkeypatch.setattr(os, "listdir", fail)
    with pytest.raises(Unreachable, match=f"cannot be reached: {words}. Check the share"):
        scan(folder)


def test_a_file_where_the_folder_should_be_is_unreachable(tmp_path):
    (tmp_path / "canvas").write_bytes(b"")
    with pytest.raises(Unreachable, match="it is not a folder"):
        scan(tmp_path / "canvas")
