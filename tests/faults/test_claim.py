"""Claiming: what settled is taken, nothing else, whoever swaps what meanwhile."""

from __future__ import annotations

import errno
import os
import socket
import stat
import threading

import pytest

from faults.serving import candidate
from hotfolder.disk import durable, platforms, trees
from hotfolder.disk.marker import write_marker
from hotfolder.errors import StorageError
from hotfolder.intake.claim import ORIGINAL, SIDECAR, claim, recover_claim
from hotfolder.intake.sidecars import Sidecar
from hotfolder.ledger.jobs import Ledger, State


class Desk:
    """A hot folder, a spool and a ledger, and nothing else of a root."""

    def __init__(self, folder, spool):
        self.folder, self.spool = folder, spool
        for each in (folder, spool):
            each.mkdir(parents=True)
        write_marker(folder)
        self.ledger = Ledger(spool.parent / "ledger.sqlite")

    def claim(self, relative, found=None):
        return claim(self.ledger, self.spool, "canvas", found or candidate(self.folder, relative))

    def recover(self):
        for row in self.ledger.claims_of("canvas"):
            recover_claim(self.ledger, self.spool, self.folder, row)

    def original(self, row):
        return self.spool / row.id / ORIGINAL

    def listing(self):
        return sorted(p.name for p in self.folder.rglob("*") if p.name != ".hotfolder-folder")


@pytest.fixture
def desk(tmp_path):
    desk = Desk(tmp_path / "in", tmp_path / "private/spool")
    yield desk
    desk.ledger.close()


@pytest.fixture
def far(elsewhere, tmp_path):
    """The hot folder is on another file system than the spool."""
    desk = Desk(elsewhere / "in", tmp_path / "private/spool")
    yield desk
    desk.ledger.close()


@pytest.fixture(params=["near", "far"])
def either(request, tmp_path):
    if request.param == "near":
        desk = Desk(tmp_path / "in", tmp_path / "private/spool")
    else:
        desk = Desk(request.getfixturevalue("elsewhere") / "in", tmp_path / "private/spool")
    yield desk
    desk.ledger.close()


def test_a_claim_that_took_nothing_is_over_though_a_sub_folder_is_closed(either, monkeypatch):
    (either.folder / "reeds.tif").write_bytes(b"reeds")
    (either.folder / "private").mkdir()
    list_folder = os.scandir

    def closed(path):
        if str(path).endswith("private"):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        return list_folder(path)

    def refuse(*args, **options):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(os, "scandir", closed)
    with monkeypatch.context() as patch:
        patch.setattr(platforms, "rename_noreplace", refuse)
        with pytest.raises(StorageError):
            either.claim("reeds.tif")
    either.recover()
    assert [] == either.ledger.claims_of("canvas")
    assert b"reeds" == either.original(either.claim("reeds.tif")).read_bytes()


def test_a_settled_file_is_taken_with_its_bytes_and_time(either):
    path = either.folder / "reeds.tif"
    path.write_bytes(b"reeds")
    os.utime(path, ns=(10**9, 10**9))
    row = either.claim("reeds.tif")
    assert (State.CLAIMED, []) == (row.state, either.listing())
    assert either.original(row).read_bytes() == b"reeds"
    assert either.original(row).stat().st_mtime_ns == 10**9


def test_a_file_replaced_since_it_settled_stays_for_the_next_scan(either):
    path = either.folder / "reeds.tif"
    path.write_bytes(b"first")
    found = candidate(either.folder, "reeds.tif")
    (either.folder / "new").write_bytes(b"other")
    (either.folder / "new").rename(path)
    assert either.claim("reeds.tif", found) is None
    assert (b"other", []) == (path.read_bytes(), either.ledger.open_jobs())
    assert list(either.spool.iterdir()) == []


def test_a_file_its_sender_took_back_is_no_trouble(either):
    path = either.folder / "reeds.tif"
    path.write_bytes(b"reeds")
    found = candidate(either.folder, "reeds.tif")
    path.unlink()
    assert either.claim("reeds.tif", found) is None
    assert either.ledger.open_jobs() == []


def test_a_file_with_a_second_name_is_copied_so_that_nobody_can_change_it(desk):
    path = desk.folder / "reeds.tif"
    path.write_bytes(b"reeds")
    os.link(path, desk.folder.parent / "mine.tif")
    row = desk.claim("reeds.tif")
    (desk.folder.parent / "mine.tif").write_bytes(b"spoilt")
    assert (b"reeds", []) == (desk.original(row).read_bytes(), desk.listing())


def make_folder(path):
    path.mkdir()
    (path / "inside.tif").write_bytes(b"inside")
    (path / "link").symlink_to("/etc")
    (path / "below").mkdir()
    os.mkfifo(path / "below/pipe")


def make_socket(path):
    with socket.socket(socket.AF_UNIX) as made:
        folder = os.open(path.parent, os.O_RDONLY)
        made.bind(f"/proc/self/fd/{folder}/{path.name}")
        os.close(folder)


@pytest.mark.parametrize(
    ("make", "kind"),
    [
        (lambda path: path.symlink_to("/etc/hostname"), stat.S_IFLNK),
        (os.mkfifo, stat.S_IFIFO),
        (make_socket, stat.S_IFSOCK),
        (make_folder, stat.S_IFDIR),
    ],
    ids=["link", "pipe", "socket", "folder"],
)
def test_what_is_no_file_is_taken_too_and_never_followed(either, make, kind):
    make(either.folder / "x.tif")
    row = either.claim("x.tif")
    taken = either.original(row)
    assert kind == stat.S_IFMT(taken.lstat().st_mode)
    assert either.listing() == []
    if kind == stat.S_IFDIR:
        assert (taken / "inside.tif").read_bytes() == b"inside"
        assert (taken / "link").readlink().as_posix() == "/etc"
        assert stat.S_ISFIFO((taken / "below/pipe").lstat().st_mode)


def test_a_file_dropped_under_the_same_name_while_the_first_is_copied_stays(far, monkeypatch):
    path = far.folder / "reeds.tif"
    path.write_bytes(b"first")
    copy = durable.copy_new

    def copy_and_drop(source, target, **options):
        digest = copy(source, target, **options)
        path.write_bytes(b"second")
        return digest

    monkeypatch.setattr(durable, "copy_new", copy_and_drop)
    row = far.claim("reeds.tif")
    assert (b"first", b"second") == (far.original(row).read_bytes(), path.read_bytes())


def test_a_copy_that_finds_no_room_gives_the_file_its_name_back(far, monkeypatch):
    path = far.folder / "reeds.tif"
    path.write_bytes(b"reeds")

    def full(*_, **__):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(durable, "copy_new", full)
        with pytest.raises(StorageError, match="No space left"):
            far.claim("reeds.tif")
    assert path.read_bytes() == b"reeds"
    far.recover()
    assert far.ledger.open_jobs() == []
    assert far.claim("reeds.tif") is not None


def test_a_claim_broken_off_between_copy_and_removal_is_gone_on_with(far, monkeypatch):
    (far.folder / "reeds.tif").write_bytes(b"reeds")

    def broken(*_, **__):
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with monkeypatch.context() as patch:
        patch.setattr(trees, "remove_any", broken)
        with pytest.raises(StorageError):
            far.claim("reeds.tif")
    (row,) = far.ledger.open_jobs()
    assert row.state is State.CLAIMING
    far.recover()
    (row,) = far.ledger.open_jobs()
    assert (State.CLAIMED, b"reeds") == (row.state, far.original(row).read_bytes())
    assert far.listing() == []


def test_a_broken_off_claim_waits_for_a_share_that_is_away(far, monkeypatch):
    (far.folder / "reeds.tif").write_bytes(b"reeds")
    rename = platforms.rename_noreplace

    def once(source, target, **options):
        rename(source, target, **options)
        if str(target).startswith(".hotfolder-"):
            raise OSError(errno.EHOSTDOWN, os.strerror(errno.EHOSTDOWN))

    with monkeypatch.context() as patch:
        patch.setattr(platforms, "rename_noreplace", once)
        with pytest.raises(StorageError):
            far.claim("reeds.tif")
    away = far.folder.with_name("away")
    far.folder.rename(away)
    with pytest.raises(StorageError, match="cannot be reached"):
        far.recover()
    away.rename(far.folder)
    far.recover()
    (row,) = far.ledger.open_jobs()
    assert (State.CLAIMED, b"reeds") == (row.state, far.original(row).read_bytes())


def swap_for_ever(folder, link, stop):
    """Exchange a folder and a link of the same name, until stopped (renameat2, RENAME_EXCHANGE)."""
    libc = platforms._libc()
    while not stop.is_set():
        libc.renameat2(-100, os.fsencode(folder), -100, os.fsencode(link), 2)


@pytest.mark.skipif(not hasattr(platforms._libc(), "renameat2"), reason="needs renameat2(2)")
def test_a_folder_swapped_for_a_link_at_any_moment_never_leads_outside(either, tmp_path):
    outside = either.folder.parent / "outside"
    outside.mkdir()
    secret = outside / "reeds.tif"
    secret.write_bytes(b"secret")
    inside, link = either.folder / "drop", either.folder / ".link"
    inside.mkdir()
    link.symlink_to(outside)
    stop = threading.Event()
    swapper = threading.Thread(target=swap_for_ever, args=(inside, link, stop))
    swapper.start()
    taken = 0
    try:
        for _ in range(300):
            for place in (inside, link):
                # wherever the folder is at this moment; the secret is never written to
                if not place.is_symlink():
                    with open_nofollow(place) as folder:
                        write_in(folder, "reeds.tif", b"dropped")
            # the identity that an attacker would like the scan to have seen
            for found in (lure(either, secret), *seen(either)):
                try:
                    row = either.claim("", found)
                except StorageError:
                    continue
                if row is not None:
                    taken += 1
                    assert either.original(row).read_bytes() == b"dropped"
            assert secret.read_bytes() == b"secret"
    finally:
        stop.set()
        swapper.join()
    assert taken > 0
    assert [each.name for each in outside.iterdir()] == ["reeds.tif"]


class open_nofollow:  # noqa: N801 - reads as the call that it is
    def __init__(self, path):
        self.path = path

    def __enter__(self):
        try:
            self.folder = os.open(self.path, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
        except OSError:
            self.folder = None
        return self.folder

    def __exit__(self, *_):
        if self.folder is not None:
            os.close(self.folder)


def write_in(folder, name, data):
    if folder is not None:
        file = os.open(name, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644, dir_fd=folder)
        os.write(file, data)
        os.close(file)


def lure(desk, secret):
    from hotfolder.intake.scan import Candidate, Identity

    found = secret.stat()
    identity = Identity(
        found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns
    )
    return Candidate(desk.folder, "drop/reeds.tif", "file", identity)


def seen(desk):
    from hotfolder.disk.marker import Unreachable
    from hotfolder.intake.scan import scan

    try:
        return [each for each in scan(desk.folder).candidates if each.kind == "file"]
    except Unreachable:
        return []


def test_removing_a_tree_never_leads_outside_while_its_folders_are_swapped(tmp_path):
    outside = tmp_path / "outside"
    outside.mkdir()
    for round_ in range(40):
        (outside / "kept.tif").write_bytes(b"kept")
        tree = tmp_path / f"tree-{round_}"
        inside, link = tree / "drop", tree / "link"
        inside.mkdir(parents=True)
        for number in range(5):
            (inside / f"{number}.tif").touch()
        link.symlink_to(outside)
        stop = threading.Event()
        swapper = threading.Thread(target=swap_for_ever, args=(inside, link, stop))
        swapper.start()
        try:
            trees.remove_tree(tree, below=tmp_path)
        except OSError:
            pass
        finally:
            stop.set()
            swapper.join()
        assert (outside / "kept.tif").exists()


def with_sidecar(desk, *, stays=False):
    (desk.folder / "reeds.tif").write_bytes(b"picture")
    (desk.folder / "reeds.xmp").write_bytes(b"<x/>")
    return Sidecar(candidate(desk.folder, "reeds.xmp"), stays=stays)


@pytest.mark.parametrize("stays", [False, True])
def test_a_sidecar_comes_along_and_stays_for_another_picture(either, stays):
    sidecar = with_sidecar(either, stays=stays)
    row = claim(
        either.ledger, either.spool, "canvas", candidate(either.folder, "reeds.tif"), sidecar
    )
    assert (either.spool / row.id / SIDECAR).read_bytes() == b"<x/>"
    assert either.listing() == (["reeds.xmp"] if stays else [])


def broken_off(desk, monkeypatch):
    """A claim that a kill ended after the picture was taken, and before its sidecar was."""
    sidecar = with_sidecar(desk)

    def die(*_args):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("hotfolder.intake.claim._remove_sidecar", die)
        with pytest.raises(KeyboardInterrupt):
            claim(desk.ledger, desk.spool, "canvas", candidate(desk.folder, "reeds.tif"), sidecar)
    assert desk.listing() == ["reeds.xmp"]


def test_a_kill_before_the_sidecar_is_removed_leaves_one_of_it(either, monkeypatch):
    broken_off(either, monkeypatch)
    either.recover()
    (row,) = either.ledger.open_jobs()
    assert State.CLAIMED is row.state
    assert (either.spool / row.id / SIDECAR).read_bytes() == b"<x/>"
    assert either.listing() == []


def test_a_sidecar_that_was_changed_meanwhile_is_left_where_it_is(desk, monkeypatch):
    broken_off(desk, monkeypatch)
    (desk.folder / "reeds.xmp").write_bytes(b"<other/>")
    desk.recover()
    assert desk.listing() == ["reeds.xmp"]


def test_a_picture_that_has_gone_leaves_its_sidecar(desk):
    sidecar = with_sidecar(desk)
    gone = candidate(desk.folder, "reeds.tif")
    (desk.folder / "reeds.tif").unlink()
    assert claim(desk.ledger, desk.spool, "canvas", gone, sidecar) is None
    assert desk.listing() == ["reeds.xmp"]
    assert list(desk.spool.iterdir()) == []
