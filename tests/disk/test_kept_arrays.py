"""Kept arrays are what was kept, or nothing: never something else, and never a failure."""

import itertools
import multiprocessing
import os
import random
import select
import signal
import stat
import zlib

import numpy as np
import pytest

from hotfolder.disk import kept_arrays
from hotfolder.disk.durable import TEMPORARY_PREFIX
from hotfolder.disk.kept_arrays import ArrayFolder

KEY = {"what": "a test", "side": 32, "scale": 0.5, "flag": True, "none": None}
ARRAYS = {
    "points": np.arange(5000, dtype="<u2").reshape(-1, 5, 4),
    "errors": np.linspace(0, 1, 7),
    "nothing": np.empty((0, 3), "<f4"),
}


@pytest.fixture
def folder(tmp_path):
    return ArrayFolder(tmp_path / "points", 10**6)


def assert_kept(found, expected=ARRAYS):
    assert found is not None
    assert expected.keys() == found.keys()
    for name, array in expected.items():
        np.testing.assert_array_equal(array, found[name], strict=True)


def only_file(folder):
    (path,) = folder.folder.iterdir()
    return path


def test_what_is_kept_comes_back_mapped_and_read_only(folder):
    assert folder.load(KEY) is None
    folder.save(KEY, ARRAYS)
    found = folder.load(KEY)
    assert_kept(found)
    assert not found["points"].flags.writeable
    assert not found["points"].flags.owndata
    assert folder.load({**KEY, "side": 33}) is None


def test_whoever_has_mapped_a_file_keeps_it_when_it_is_replaced_or_removed(folder):
    folder.save(KEY, ARRAYS)
    found = folder.load(KEY)
    folder.save(KEY, {"points": np.zeros(3)})
    only_file(folder).unlink()
    assert_kept(found)


def damages():
    def cut(data):
        return data[: len(data) // 2]

    def cut_by_one(data):
        return data[:-1]

    def lengthened(data):
        return data + b"\0"

    def head_alone(data):
        return data[:70]

    def flipped(data):
        return data[:-1] + bytes([data[-1] ^ 1])

    def flipped_early(data):
        return data[:70] + bytes([data[70] ^ 1]) + data[71:]

    return [
        cut, cut_by_one, lengthened, head_alone, flipped, flipped_early, lambda _: b"",
        lambda data: b"\0" * len(data), lambda data: b"something else" * 100,
    ]  # fmt: skip


@pytest.mark.parametrize("damage", damages())
def test_a_damaged_file_is_not_believed_and_goes(folder, damage):
    folder.save(KEY, ARRAYS)
    path = only_file(folder)
    path.write_bytes(damage(path.read_bytes()))
    assert folder.load(KEY) is None
    assert not path.exists()
    folder.save(KEY, ARRAYS)
    assert_kept(folder.load(KEY))


def test_a_file_under_another_ones_name_is_not_believed(folder):
    folder.save(KEY, ARRAYS)
    mine = only_file(folder)
    other = {**KEY, "side": 64}
    folder.save(other, {"points": np.ones(4)})
    (theirs,) = (path for path in folder.folder.iterdir() if path != mine)
    theirs.write_bytes(mine.read_bytes())
    assert folder.load(other) is None
    assert not theirs.exists()


def test_links_are_not_followed(folder, tmp_path):
    folder.save(KEY, ARRAYS)
    path = only_file(folder)
    moved = path.rename(tmp_path / "elsewhere")
    path.symlink_to(moved)
    assert folder.load(KEY) is None
    folder.save(KEY, ARRAYS)  # takes the link's place, not its target's
    assert path.is_file()
    assert not path.is_symlink()
    linked = ArrayFolder(tmp_path / "link", 10**6)
    linked.folder.symlink_to(folder.folder)
    assert linked.load(KEY) is None
    with pytest.raises(PermissionError):
        linked.save(KEY, ARRAYS)


def test_what_belongs_to_somebody_else_is_left_alone(folder, monkeypatch):
    folder.save(KEY, ARRAYS)
    monkeypatch.setattr(os, "geteuid", lambda: 12345)
    assert folder.load(KEY) is None
    with pytest.raises(PermissionError):
        folder.save(KEY, ARRAYS)
    assert only_file(folder).exists()


def test_nobody_else_can_read_or_write_it(folder):
    folder.save(KEY, ARRAYS)
    assert 0o700 == stat.S_IMODE(folder.folder.stat().st_mode)
    assert 0o600 == stat.S_IMODE(only_file(folder).stat().st_mode)


def numbers_in(folder, keys):
    return [key["number"] for key in keys if folder._path(key).exists()]


def test_what_was_not_used_for_longest_goes_first(folder):
    keys = [{"number": number} for number in range(6)]
    for number, key in enumerate(keys):
        folder.save(key, {"points": np.full(100_000, number, "<u2")})
        path = folder._path(key)
        if path.exists():
            os.utime(path, (number, number))
    assert [2, 3, 4, 5] == numbers_in(folder, keys)  # of 200 kB each, in 1 MB
    assert folder.load(keys[2]) is not None  # used now
    folder.save({"number": 6}, {"points": np.zeros(100_000, "<u2")})
    assert [2, 4, 5] == numbers_in(folder, keys)
    assert sum(path.stat().st_size for path in folder.folder.iterdir()) <= folder.most_bytes


def test_one_that_would_take_a_quarter_of_the_room_is_not_kept(folder):
    folder.save(KEY, {"points": np.zeros(200_000, "<u2")})
    assert folder.load(KEY) is None


def test_what_a_kill_left_goes_when_it_is_old(folder):
    folder.save(KEY, ARRAYS)
    left, young = (folder.folder / f".hotfolder-{name}" for name in ("left", "young"))
    left.write_bytes(b"half")
    young.write_bytes(b"half")
    os.utime(left, (1, 1))
    folder.trim()
    assert not left.exists()
    assert young.exists()
    assert_kept(folder.load(KEY))


def test_a_disk_that_is_full_leaves_nothing_behind_and_what_was_there(folder, monkeypatch):
    folder.save(KEY, ARRAYS)

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(kept_arrays.Path, "replace", full)
    with pytest.raises(OSError, match="No space"):
        folder.save(KEY, {"points": np.zeros(4)})
    only_file(folder)
    assert_kept(folder.load(KEY))


def test_a_folder_that_cannot_be_written_to_is_read_all_the_same(folder, monkeypatch):
    folder.save(KEY, ARRAYS)

    def read_only(*_, **__):
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(os, "utime", read_only)
    assert_kept(folder.load(KEY))


def _save_again_and_again(place, number, ready, failed):
    folder = ArrayFolder(place, 10**6)
    ready.wait()
    for turn in range(60):
        value = 100 * number + turn
        folder.save(KEY, {"points": np.full(20_000, value, "<u2")})
        found = folder.load(KEY)
        # another's is as good; one that is mixed, cut off or not there is not
        if found is None or len(set(found["points"].tolist())) != 1:
            failed.set()


def test_many_processes_write_and_read_one_file_at_once(folder):
    context = multiprocessing.get_context("fork")
    ready, failed = context.Barrier(4), context.Event()
    workers = [
        context.Process(target=_save_again_and_again, args=(folder.folder, number, ready, failed))
        for number in range(4)
    ]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
        assert 0 == worker.exitcode
    assert not failed.is_set()
    only_file(folder)


def version_of(number):
    """Arrays of some size, all of whose values say which they are."""
    return {"version": np.full(1, number, "<i8"), "points": np.full(2**20, number % 251, "<u2")}


@pytest.mark.skipif(not hasattr(os, "fork"), reason="it kills a process that was forked")
def test_a_kill_while_it_is_written_leaves_a_whole_one_or_none(folder):
    """The next reader finds a whole version, or computes anew; and what it keeps then is kept."""
    folder, chance = ArrayFolder(folder.folder, 10**8), random.Random(5)
    read, write = os.pipe()
    met = kills = 0
    while kills < 40 or met < 4:  # on a busy machine few kills meet a write
        assert kills < 1000, "the kills have met too few writes"
        start, kills = kills * 100, kills + 1
        child = os.fork()
        if not child:
            for number in itertools.count(start):  # until it is killed
                os.write(write, b".")
                folder.save(KEY, version_of(number))
        for _ in range(chance.randrange(1, 4)):
            os.read(read, 1)
        select.select([], [], [], chance.random() * 0.01)  # a moment of the write that has begun
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        while select.select([read], [], [], 0)[0]:
            os.read(read, 1000)
        unfinished = list(folder.folder.glob(f"{TEMPORARY_PREFIX}*"))
        met += bool(unfinished)
        found = folder.load(KEY)
        assert found is not None or not list(folder.folder.glob("*.points"))
        if found is not None:
            assert_kept(found, version_of(int(found["version"][0])))
        for each in [*unfinished, *(folder.folder.glob("*.points") if start % 400 == 0 else ())]:
            each.unlink()
    folder.save(KEY, ARRAYS)
    assert_kept(folder.load(KEY))
    os.close(read)
    os.close(write)


@pytest.mark.parametrize("array", [np.zeros(3, ">u2"), np.zeros(3, "i1"), np.array(["a"])])
def test_numbers_of_other_kinds_are_refused_by_who_would_keep_them(folder, array):
    with pytest.raises(TypeError, match="not kept"):
        folder.save(KEY, {"points": array})


def test_a_file_is_believed_whichever_library_computes_the_checksum(folder, monkeypatch):
    folder.save(KEY, ARRAYS)
    monkeypatch.setattr(kept_arrays, "_crc32", zlib.crc32)
    assert_kept(folder.load(KEY))
