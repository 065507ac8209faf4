"""What only one operating system can do, and the fallbacks."""

from __future__ import annotations

import errno
import mmap
import os
import select
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from hotfolder.disk import platforms

linux_only = pytest.mark.skipif(sys.platform != "linux", reason="what only Linux promises")

MOUNT_TABLE = r"""
22 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda rw
23 22 0:21 / /proc rw - proc proc rw
30 22 0:40 / /srv/pictures rw shared:7 master:1 - nfs4 server:/p rw
31 22 0:41 / /srv/two\040words rw - cifs //server/x rw
32 30 0:42 / /srv/pictures rw - tmpfs tmpfs rw
33 22 0:43 / /home/fuse rw - fuse.sshfs user@host: rw
"""


def python(code: str, **options) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, text=True, **options
    )


# folders and shares


@linux_only
@pytest.mark.parametrize("place", ["/proc", "/dev/shm", Path.cwd()])
def test_the_file_system_is_the_one_that_df_names(place):
    said = subprocess.run(["df", "--output=fstype", place], capture_output=True, check=True)
    assert said.stdout.split()[1].decode() == platforms.filesystem_type(place)


@pytest.mark.parametrize(
    ("kind", "path"),
    [
        ("ext4", "/home/anyone/in"),
        ("ext4", "/srv/pictures-of-reeds"),
        ("tmpfs", "/srv/pictures/in"),  # the later of two mounts at one place hides the other
        ("cifs", "/srv/two words/in"),
        ("fuse.sshfs", "/home/fuse"),
        ("proc", "/proc/self"),
    ],
)
def test_the_deepest_mount_decides(kind, path):
    assert kind == platforms.fs_type_in_mountinfo(MOUNT_TABLE, path)


def test_a_table_that_says_nothing_is_unknown():
    assert platforms.fs_type_in_mountinfo("nonsense\n", "/home") == "unknown"


@pytest.mark.parametrize(
    ("kind", "path"), [("apfs", "/Users/x"), ("smbfs", "/Volumes/two words/in")]
)
def test_the_output_of_mount_on_a_mac_is_understood(kind, path):
    # the form is from memory of macOS's mount(8)
    text = (
        "/dev/disk3s1s1 on / (apfs, sealed, local, read-only, journaled)\n"
        "//user@server/x on /Volumes/two words (smbfs, nodev, nosuid, mounted by user)\n"
    )
    assert kind == platforms.fs_type_in_mount_output(text, path)


@pytest.mark.parametrize(
    ("local", "kind"),
    [
        (True, "ext4"), (True, "tmpfs"), (True, "apfs"), (False, "nfs4"), (False, "cifs"),
        (False, "smb3"), (False, "fuse.sshfs"), (False, "9p"), (False, "virtiofs"),
        (False, "unknown"), (False, "remote"),
    ],
)  # fmt: skip
def test_only_local_file_systems_are_trusted_to_send_all_events(local, kind):
    assert local is platforms.delivers_events(kind)


def test_free_space_is_what_a_user_can_write(tmp_path):
    found = os.statvfs(tmp_path)
    assert platforms.free_bytes(tmp_path) == pytest.approx(found.f_bavail * found.f_frsize, rel=0.1)
    with pytest.raises(FileNotFoundError):
        platforms.free_bytes(tmp_path / "nowhere")


# files


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
import os, threading
from hotfolder.disk.platforms import has_writer
path, done = {str(tmp_path / "reeds.tif")!r}, False
open(path, "w").close()
def write():
    while not done:
        os.close(os.open(path, os.O_WRONLY))
threads = [threading.Thread(target=write) for _ in range(2)]
[thread.start() for thread in threads]
file = os.open(path, os.O_RDONLY)
found = {{has_writer(file) for _ in range(40_000)}}
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


# processes


@linux_only
def test_a_child_dies_with_its_killed_parent():
    child = (
        "from hotfolder.disk.platforms import die_with_parent; import signal; die_with_parent(); "
    )
    child += "print('ready', flush=True); signal.pause()"
    parent = f"import subprocess, sys; subprocess.run([sys.executable, '-c', {child!r}])"
    with python(parent, env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}) as process:
        assert process.stdout.readline() == "ready\n"
        process.kill()
        # the child holds the other end of the pipe: it ends when the child does
        assert select.select([process.stdout], [], [], 10)[0]
        assert process.stdout.read() == ""


def test_a_group_is_ended_with_all_that_it_started():
    child = "import signal; print('ready', flush=True); signal.pause()"
    code = "from hotfolder.disk.platforms import own_group; import subprocess, sys; own_group(); "
    code += f"own_group(); subprocess.run([sys.executable, '-c', {child!r}])"
    with python(code, env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}) as process:
        assert process.stdout.readline() == "ready\n"
        platforms.kill_group(process.pid)
        assert select.select([process.stdout], [], [], 10)[0]
        assert process.stdout.read() == ""
    assert -signal.SIGKILL == process.returncode
    platforms.kill_group(process.pid)  # it has gone; nothing happens


@pytest.mark.parametrize("pid", [0, 1, -1])
def test_a_group_that_is_no_childs_is_not_ended(pid):
    with pytest.raises(ValueError, match="not the process group of a child"):
        platforms.kill_group(pid)


def test_our_own_group_is_not_ended():
    with pytest.raises(ValueError, match="not the process group of a child"):
        platforms.kill_group(os.getpgrp())


@linux_only
def test_a_limited_process_cannot_take_more_memory_but_may_map_a_large_file(tmp_path):
    large = tmp_path / "large"
    large.touch()
    os.truncate(large, 3 * 2**30)
    code = f"""
import mmap, resource
from hotfolder.disk.platforms import limit_process, oom_prefer_me
limit_process(memory_bytes=2**28, cpu_s=77, open_files=50)
oom_prefer_me()
print(resource.getrlimit(resource.RLIMIT_CPU)[0], resource.getrlimit(resource.RLIMIT_CORE)[0])
print(open("/proc/self/oom_score_adj").read().strip())
with open({str(large)!r}, "rb") as file:
    print(len(mmap.mmap(file.fileno(), 0, prot=mmap.PROT_READ)))
try:
    bytearray(2**29)
except MemoryError:
    print("no memory")
try:
    print([open("/dev/null") for _ in range(60)])
except OSError as error:
    print(error.strerror)
"""
    with python(code, env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}) as process:
        said = process.communicate(timeout=30)[0].splitlines()
    assert said == ["77 0", "1000", str(3 * 2**30), "no memory", "Too many open files"]


@linux_only
def test_processors_are_those_we_may_use():
    said = subprocess.run(
        ["nproc"], capture_output=True, check=True, env={"PATH": os.environ["PATH"]}
    )
    assert int(said.stdout) == platforms.cpu_count()
