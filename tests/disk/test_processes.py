"""Groups, parents and limits of processes, and the fallbacks."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys

import pytest

from hotfolder.disk import processes

linux_only = pytest.mark.skipif(sys.platform != "linux", reason="what only Linux promises")


def python(code: str, **options) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, text=True, **options
    )


@linux_only
def test_a_child_dies_with_its_killed_parent():
    child = (
        "from hotfolder.disk.processes import die_with_parent; import signal; die_with_parent(); "
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
    code = "from hotfolder.disk.processes import own_group; import subprocess, sys; own_group(); "
    code += f"own_group(); subprocess.run([sys.executable, '-c', {child!r}])"
    with python(code, env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}) as process:
        assert process.stdout.readline() == "ready\n"
        processes.kill_group(process.pid)
        assert select.select([process.stdout], [], [], 10)[0]
        assert process.stdout.read() == ""
    assert -signal.SIGKILL == process.returncode
    processes.kill_group(process.pid)  # it has gone; nothing happens


@pytest.mark.parametrize("pid", [0, 1, -1])
def test_a_group_that_is_no_childs_is_not_ended(pid):
    with pytest.raises(ValueError, match="not the process group of a child"):
        processes.kill_group(pid)


def test_our_own_group_is_not_ended():
    with pytest.raises(ValueError, match="not the process group of a child"):
        processes.kill_group(os.getpgrp())


@linux_only
def test_a_limited_process_cannot_take_more_memory_but_may_map_a_large_file(tmp_path):
    large = tmp_path / "large"
    large.touch()
    os.truncate(large, 3 * 2**30)
    code = f"""
import mmap, resource
from hotfolder.disk.processes import limit_process, oom_prefer_me
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
        said = process.communicate(timeout=60)[0].splitlines()
    assert said == ["77 0", "1000", str(3 * 2**30), "no memory", "Too many open files"]


@linux_only
def test_processors_are_those_we_may_use():
    said = subprocess.run(
        ["nproc"], capture_output=True, check=True, env={"PATH": os.environ["PATH"]}
    )
    assert int(said.stdout) == processes.cpu_count()
