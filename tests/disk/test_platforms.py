"""What only one operating system can do, and the fallbacks."""

from __future__ import annotations

import errno
import mmap
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from hotfolder.disk import platforms

linux_only = pytest.mark.skipif(sys.platform != "linux", reason="what only Linux promises")


def python(code: str, **options) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, text=True, **options
    )


def test_free_space_is_what_a_user_can_write(tmp_path):
    found = os.statvfs(tmp_path)
    assert platforms.free_bytes(tmp_path) == pytest.approx(found.f_bavail * found.f_frsize, rel=0.1)
    with pytest.raises(FileNotFoundError):
        platforms.free_bytes(tmp_path / "nowhere")


@linux_only
def test_a_writer_in_another_process_is_seen_until_it_closes(tmp_path):
    path = tmp_path / "reeds.tif"
    path.write_bytes(b"x")
    code = f"file = open({str(path)!r}, 'ab'); print('open', flush=True); input()"
    with python(code, stdin=subprocess.PIPE) as writer, path.open("rb") as file:
        assert writer.stdout.readline() == "open\n"
        assert platforms.has_writer(file.fileno()) is True
        writer.communicate("\n")
        assert platforms.has_writer(file.fileno()) is False


@linux_only
def test_a_mapping_counts_as_a_writer_after_its_file_was_closed(tmp_path):
    path = tmp_path / "reeds.tif"
    path.write_bytes(bytes(8192))
    with path.open("rb") as reader:
        with path.open("r+b") as writer:
            mapped = mmap.mmap(writer.fileno(), 0)
        assert platforms.has_writer(reader.fileno()) is True
        mapped.close()
        assert platforms.has_writer(reader.fileno()) is False


@linux_only
def test_where_the_kernel_gives_no_leases_nobody_knows():
    read, write = os.pipe()
    try:
        assert platforms.has_writer(read) is None
    finally:
        os.close(read)
        os.close(write)


@linux_only
def test_a_program_that_opens_the_file_just_then_does_not_end_us(tmp_path):
    # the kernel sends a signal to whoever holds a lease that a writer breaks
    code = f"""
import os, threading, time
from hotfolder.disk.platforms import has_writer
path, done = {str(tmp_path / "reeds.tif")!r}, False
open(path, "w").close()
def write():
    while not done:
        os.close(os.open(path, os.O_WRONLY))
        time.sleep(0.0001)  # else, on a busy machine, one of the two has it open all the time
threads = [threading.Thread(target=write) for _ in range(2)]
[thread.start() for thread in threads]
file = os.open(path, os.O_RDONLY)
found, tries, until = set(), 0, time.monotonic() + 40
while tries < 10_000 or (len(found) < 2 and time.monotonic() < until):
    found.add(has_writer(file))
    tries += 1
done = True
print(sorted(found))
"""
    with python(code, env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}) as process:
        assert process.communicate(timeout=60)[0] == "[False, True]\n"
    assert process.returncode == 0


@pytest.fixture(params=["kernel", "fallback"])
def rename(request, monkeypatch):
    """`rename_noreplace`, as the kernel does it and as it is done without."""
    if request.param == "fallback":
        monkeypatch.setattr(platforms, "_renameat2", lambda *_: errno.EINVAL)
    return platforms.rename_noreplace


def test_a_rename_takes_a_free_name(rename, tmp_path):
    (tmp_path / "a").write_text("a")
    rename(tmp_path / "a", tmp_path / "b")
    assert [("b", "a")] == [(each.name, each.read_text()) for each in tmp_path.iterdir()]


@pytest.mark.parametrize("kind", ["file", "folder", "dangling link", "same file"])
def test_a_rename_never_replaces(rename, tmp_path, kind):
    source, target = tmp_path / "a", tmp_path / "b"
    source.write_text("a")
    match kind:
        case "file":
            target.write_text("b")
        case "folder":
            target.mkdir()
        case "dangling link":
            target.symlink_to("nowhere")
        case "same file":
            target.hardlink_to(source)
    with pytest.raises(FileExistsError) as caught:
        rename(source, target)
    assert (str(source), str(target)) == (caught.value.filename, caught.value.filename2)
    assert source.read_text() == "a"


def test_a_rename_of_nothing_says_so(rename, tmp_path):
    with pytest.raises(FileNotFoundError):
        rename(tmp_path / "a", tmp_path / "b")


@linux_only
def test_of_many_renames_to_one_name_one_wins(tmp_path):
    names = [tmp_path / f"{number}" for number in range(50)]
    for name in names:
        name.write_text(name.name)
    lost = []

    def rename(name: Path) -> None:
        try:
            platforms.rename_noreplace(name, tmp_path / "target")
        except FileExistsError:
            lost.append(name.name)

    threads = [threading.Thread(target=rename, args=(name,)) for name in names]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(lost) == 49
    assert {*lost, (tmp_path / "target").read_text()} == {name.name for name in names}


@pytest.fixture(params=["kernel", "fallback"])
def beneath(request, monkeypatch, tmp_path):
    """Open something below ``tmp_path/inside``, as the kernel does it and step by step."""
    if request.param == "fallback":
        monkeypatch.setattr(platforms, "_openat2", lambda *_: (errno.ENOSYS, -1))
    inside = tmp_path / "inside"
    (inside / "sub").mkdir(parents=True)
    (inside / "sub" / "reeds.tif").write_text("inside")
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "reeds.tif").write_text("outside")
    root = os.open(inside, os.O_RDONLY)

    def read(relative: str) -> str:
        file = platforms.open_beneath(root, relative, os.O_RDONLY | os.O_NONBLOCK)
        with os.fdopen(file) as opened:
            return opened.read()

    yield read
    os.close(root)


def test_what_is_below_can_be_opened(beneath):
    assert beneath("sub/reeds.tif") == "inside"


@pytest.mark.parametrize(
    "relative", ["../outside/reeds.tif", "sub/../../outside/reeds.tif", "{outside}/reeds.tif"]
)
def test_a_path_that_leads_outside_is_not_opened(beneath, tmp_path, relative):
    with pytest.raises(OSError, match="outside") as caught:
        beneath(relative.format(outside=tmp_path / "outside"))
    assert errno.EXDEV == caught.value.errno


@pytest.mark.parametrize("relative", ["link/reeds.tif", "sub/link.tif", "here/reeds.tif"])
def test_no_link_is_followed_at_any_step(beneath, tmp_path, relative):
    (tmp_path / "inside" / "link").symlink_to(tmp_path / "outside")
    (tmp_path / "inside" / "here").symlink_to("sub")
    (tmp_path / "inside" / "sub" / "link.tif").symlink_to("reeds.tif")
    with pytest.raises(OSError) as caught:
        beneath(relative)
    assert caught.value.errno in {errno.ELOOP, errno.ENOTDIR}


def test_a_folder_swapped_for_a_link_meanwhile_leads_nowhere(beneath, tmp_path):
    inside = tmp_path / "inside"
    (inside / "link").symlink_to(tmp_path / "outside")
    done = threading.Event()

    def swap() -> None:
        while not done.is_set():
            for one, other in (("sub", "away"), ("link", "sub"), ("sub", "link"), ("away", "sub")):
                (inside / one).rename(inside / other)

    swapping = threading.Thread(target=swap)
    swapping.start()
    found = set()
    try:
        # at least so many tries, and on until one meets the real folder: the two threads may fall
        # into step, and then every try meets the same moment of the swapping
        deadline = time.monotonic() + 30
        tries = 0
        while tries < 2000 or ("inside" not in found and time.monotonic() < deadline):
            tries += 1
            try:
                found.add(beneath("sub/reeds.tif"))
            except OSError:
                found.add("nothing")
    finally:
        done.set()
        swapping.join()
    assert "inside" in found
    assert "outside" not in found
