"""Durable acts on files: whole or not at all, in the right order, never over something."""

from __future__ import annotations

import errno
import hashlib
import os
import subprocess
import tempfile
from pathlib import Path

import pytest

from hotfolder.disk import durable, line_log, platforms

DATA = bytes(range(256)) * 40


@pytest.fixture
def elsewhere(tmp_path):
    """A folder on another file system than ``tmp_path``."""
    memory = Path("/dev/shm")
    if not memory.is_dir() or memory.stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip("there is no second file system here")
    with tempfile.TemporaryDirectory(dir=memory) as folder:
        yield Path(folder)


@pytest.fixture
def acts(monkeypatch):
    """What is asked of the disk, in order."""
    done: list[str] = []
    sync, rename, folder = platforms.sync_file, platforms.rename_noreplace, durable.fsync_folder

    def note(text, act):
        def noting(*arguments):
            done.append(text)
            return act(*arguments)

        return noting

    monkeypatch.setattr(platforms, "sync_file", note("sync file", sync))
    monkeypatch.setattr(platforms, "rename_noreplace", note("rename", rename))
    monkeypatch.setattr(durable, "fsync_folder", note("sync folder", folder))
    return done


def names(folder: Path) -> list[str]:
    return sorted(each.name for each in folder.iterdir())


# moving


def test_a_move_takes_the_file_as_it_is(tmp_path):
    source, target = tmp_path / "in", tmp_path / "out"
    source.write_bytes(DATA)
    number = source.stat().st_ino
    durable.move_new(source, target)
    assert (DATA, number) == (target.read_bytes(), target.stat().st_ino)
    assert names(tmp_path) == ["out"]


def test_a_move_flushes_both_folders_after_the_rename(tmp_path, acts):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    (tmp_path / "a" / "x").write_bytes(DATA)
    durable.move_new(tmp_path / "a" / "x", tmp_path / "b" / "x")
    assert acts == ["rename", "sync folder", "sync folder"]


def test_a_folder_is_moved_whole(tmp_path):
    (tmp_path / "job").mkdir()
    (tmp_path / "job" / "record.json").write_bytes(DATA)
    durable.move_new(tmp_path / "job", tmp_path / "held")
    assert names(tmp_path / "held") == ["record.json"]


def test_a_move_never_replaces(tmp_path):
    (tmp_path / "in").write_bytes(b"new")
    (tmp_path / "out").write_bytes(b"old")
    with pytest.raises(FileExistsError):
        durable.move_new(tmp_path / "in", tmp_path / "out")
    assert ((tmp_path / "in").read_bytes(), (tmp_path / "out").read_bytes()) == (b"new", b"old")


def test_a_rename_whose_answer_was_lost_has_happened(tmp_path, monkeypatch):
    # a file server did it, lost its answer, was asked again and found no source
    def rename(source, target):
        source.rename(target)
        raise FileNotFoundError(errno.ENOENT, "No such file or directory", str(source))

    (tmp_path / "in").write_bytes(DATA)
    monkeypatch.setattr(platforms, "rename_noreplace", rename)
    durable.move_new(tmp_path / "in", tmp_path / "out")
    assert names(tmp_path) == ["out"]


def test_a_rename_that_failed_has_not_happened(tmp_path, monkeypatch):
    def rename(source, target):
        raise PermissionError(errno.EPERM, "Operation not permitted", str(source))

    (tmp_path / "in").write_bytes(DATA)
    monkeypatch.setattr(platforms, "rename_noreplace", rename)
    with pytest.raises(PermissionError):
        durable.move_new(tmp_path / "in", tmp_path / "out")
    assert names(tmp_path) == ["in"]


def test_a_move_to_another_file_system_keeps_bytes_and_time(tmp_path, elsewhere):
    source, target = tmp_path / "in", elsewhere / "out"
    source.write_bytes(DATA)
    os.utime(source, ns=(1_000_000_000, 2_000_000_000))
    durable.move_new(source, target)
    assert (DATA, 2_000_000_000) == (target.read_bytes(), target.stat().st_mtime_ns)
    assert (names(tmp_path), names(elsewhere)) == ([], ["out"])


def test_across_file_systems_the_copy_is_durable_before_the_source_goes(tmp_path, elsewhere, acts):
    (tmp_path / "in").write_bytes(DATA)
    durable.move_new(tmp_path / "in", elsewhere / "out")
    assert acts == ["rename", "sync file", "rename", "sync folder", "sync folder"]


def test_across_file_systems_nothing_is_replaced(tmp_path, elsewhere):
    (tmp_path / "in").write_bytes(b"new")
    (elsewhere / "out").write_bytes(b"old")
    with pytest.raises(FileExistsError):
        durable.move_new(tmp_path / "in", elsewhere / "out")
    assert (names(tmp_path), names(elsewhere)) == (["in"], ["out"])
    assert (elsewhere / "out").read_bytes() == b"old"


def test_across_file_systems_a_source_that_cannot_go_leaves_no_copy(
    tmp_path, elsewhere, monkeypatch
):
    source = tmp_path / "in"
    source.write_bytes(DATA)
    unlink = Path.unlink

    def refuse(path, **options):
        if path == source:
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        unlink(path, **options)

    monkeypatch.setattr(Path, "unlink", refuse)
    with pytest.raises(PermissionError):
        durable.move_new(source, elsewhere / "out")
    assert (names(tmp_path), names(elsewhere)) == (["in"], [])


def test_across_file_systems_a_link_is_not_copied(tmp_path, elsewhere):
    (tmp_path / "secret").write_bytes(DATA)
    (tmp_path / "in").symlink_to("secret")
    with pytest.raises(OSError, match="cross-device") as caught:
        durable.move_new(tmp_path / "in", elsewhere / "out")
    assert errno.EXDEV == caught.value.errno
    assert names(elsewhere) == []


# copying and writing


def test_a_copy_is_whole_and_says_what_it_copied(tmp_path):
    (tmp_path / "in").write_bytes(DATA)
    found = durable.copy_new(tmp_path / "in", tmp_path / "out")
    assert (hashlib.sha256(DATA).hexdigest(), len(DATA)) == found
    assert (tmp_path / "out").read_bytes() == DATA
    assert names(tmp_path) == ["in", "out"]


def test_a_file_that_changes_while_it_is_copied_is_not_copied(tmp_path, monkeypatch):
    source = tmp_path / "in"
    source.write_bytes(DATA)
    write = durable.write_all

    def write_and_change(file, data):
        write(file, data)
        os.truncate(source, len(DATA) + 1)

    monkeypatch.setattr(durable, "write_all", write_and_change)
    with pytest.raises(OSError, match="changed while it was copied") as caught:
        durable.copy_new(source, tmp_path / "out")
    assert errno.EBUSY == caught.value.errno
    assert names(tmp_path) == ["in"]


def test_a_copy_that_reads_back_differently_is_thrown_away(tmp_path, monkeypatch):
    (tmp_path / "in").write_bytes(DATA)
    monkeypatch.setattr(durable, "write_all", lambda file, data: os.write(file, data[:-1]))
    with pytest.raises(OSError, match="reads back differently") as caught:
        durable.copy_new(tmp_path / "in", tmp_path / "out")
    assert errno.EIO == caught.value.errno
    assert names(tmp_path) == ["in"]


def test_a_new_file_is_flushed_before_it_has_its_name_and_the_name_after(tmp_path, acts):
    durable.write_new(tmp_path / "record.json", DATA)
    assert acts == ["sync file", "rename", "sync folder"]
    assert (tmp_path / "record.json").read_bytes() == DATA


def test_a_new_file_never_replaces(tmp_path):
    (tmp_path / "record.json").write_bytes(b"old")
    with pytest.raises(FileExistsError):
        durable.write_new(tmp_path / "record.json", b"new")
    assert ["record.json"] == names(tmp_path)
    assert (tmp_path / "record.json").read_bytes() == b"old"


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO, errno.EDQUOT])
@pytest.mark.parametrize("act", ["write", "fsync"])
def test_what_cannot_be_written_leaves_nothing(tmp_path, monkeypatch, act, number):
    def fail(*_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, act, fail)
    with pytest.raises(OSError, match=os.strerror(number)):
        durable.write_new(tmp_path / "record.json", DATA)
    assert names(tmp_path) == []


def test_an_error_of_close_counts(tmp_path, monkeypatch):
    close = os.close

    def fail(file):
        close(file)
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "close", fail)
    with pytest.raises(OSError, match="No space left"):
        durable.write_new(tmp_path / "record.json", DATA)
    monkeypatch.undo()
    assert names(tmp_path) == []


def test_short_writes_are_gone_on_with(tmp_path, monkeypatch):
    write = os.write
    monkeypatch.setattr(os, "write", lambda file, data: write(file, data[: len(data) // 2 + 1]))
    durable.write_new(tmp_path / "record.json", DATA)
    assert (tmp_path / "record.json").read_bytes() == DATA


# the log


def test_lines_are_appended_with_their_ends(tmp_path):
    log = tmp_path / "log.jsonl"
    assert line_log.append_line(log, b'{"a": 1}') == 0
    assert line_log.append_line(log, b'{"b": 2}\n') == 0
    assert log.read_bytes() == b'{"a": 1}\n{"b": 2}\n'


@pytest.mark.parametrize("torn", [b"{", b'{"b": 2}', b"x" * 200_000])
@pytest.mark.parametrize("before", [b"", b'{"a": 1}\n'])
def test_a_torn_last_line_is_healed_first(tmp_path, before, torn):
    log = tmp_path / "log.jsonl"
    log.write_bytes(before + torn)
    assert len(torn) == line_log.append_line(log, b'{"c": 3}')
    assert log.read_bytes() == before + b'{"c": 3}\n'


def test_an_append_that_fails_leaves_the_log_as_it_was(tmp_path, monkeypatch):
    log = tmp_path / "log.jsonl"
    line_log.append_line(log, b'{"a": 1}')

    def fail(_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OSError, match="No space left"):
        line_log.append_line(log, b'{"b": 2}')
    assert log.read_bytes() == b'{"a": 1}\n'


def test_an_append_is_flushed_and_so_is_the_name_of_a_new_log(tmp_path, acts):
    line_log.append_line(tmp_path / "log.jsonl", b"{}")
    line_log.append_line(tmp_path / "log.jsonl", b"{}")
    assert acts == ["sync file", "sync folder", "sync file"]


@pytest.mark.parametrize("line", [b"", b"\n", b"a\nb", b"a\n\n"])
def test_only_one_line_can_be_appended(tmp_path, line):
    with pytest.raises(ValueError, match="exactly one line"):
        line_log.append_line(tmp_path / "log.jsonl", line)


def test_a_log_that_is_a_link_is_not_written_through(tmp_path):
    (tmp_path / "precious").write_bytes(b"precious")
    (tmp_path / "log.jsonl").symlink_to("precious")
    with pytest.raises(OSError, match="symbolic links"):
        line_log.append_line(tmp_path / "log.jsonl", b"{}")
    assert (tmp_path / "precious").read_bytes() == b"precious"


# hashing, folders, removing


def test_a_hash_is_the_one_of_sha256sum(tmp_path):
    (tmp_path / "in").write_bytes(DATA * 500)
    said = subprocess.run(["sha256sum", tmp_path / "in"], capture_output=True, check=True)
    assert durable.sha256_of(tmp_path / "in") == (said.stdout.split()[0].decode(), len(DATA) * 500)


def test_a_link_and_a_pipe_are_not_hashed(tmp_path):
    (tmp_path / "link").symlink_to("nowhere")
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(OSError, match="symbolic links"):
        durable.sha256_of(tmp_path / "link")
    with pytest.raises(OSError, match="not a regular file"):
        durable.sha256_of(tmp_path / "pipe")


def test_flushing_a_file_and_a_folder_needs_them_to_be_there(tmp_path):
    (tmp_path / "in").write_bytes(DATA)
    durable.fsync_file(tmp_path / "in")
    durable.fsync_folder(tmp_path)
    with pytest.raises(FileNotFoundError):
        durable.fsync_file(tmp_path / "nowhere")
    with pytest.raises(NotADirectoryError):
        durable.fsync_folder(tmp_path / "in")


def test_a_file_system_that_cannot_flush_folders_is_put_up_with(tmp_path, monkeypatch):
    def fail(_):
        raise OSError(errno.EINVAL, "Invalid argument")

    monkeypatch.setattr(os, "fsync", fail)
    durable.fsync_folder(tmp_path)


def test_an_error_of_the_disk_is_not_put_up_with(tmp_path, monkeypatch):
    def fail(_):
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OSError, match="Input/output error"):
        durable.fsync_folder(tmp_path)


def test_folders_are_made_down_to_the_last_and_each_name_is_flushed(tmp_path, acts):
    durable.make_folders(tmp_path / "out" / "spring" / "plates")
    durable.make_folders(tmp_path / "out" / "spring" / "plates")
    assert (tmp_path / "out" / "spring" / "plates").is_dir()
    assert acts == ["sync folder"] * 3


def test_a_file_in_the_way_of_a_folder_is_an_error(tmp_path):
    (tmp_path / "out").write_bytes(b"")
    with pytest.raises(FileExistsError):
        durable.make_folders(tmp_path / "out")
    with pytest.raises(OSError, match=r"Not a directory|File exists"):
        durable.make_folders(tmp_path / "out" / "spring")
