"""What is compiled ahead is kept on disk, by as many processes as there are cores."""

import os
import subprocess
import sys

import numpy as np
import pytest

from hotfolder.colour import machine_code
from hotfolder.colour.machine_code import compiled, inlined, made, seen

COMPILE = """
import sys
from hotfolder.colour import grid, machine_code, oklab
from hotfolder.disk import processes

processes.cpu_count = lambda: 3
own = []
forked = machine_code._compile_side_by_side
machine_code._compile_side_by_side = lambda *more: (own.append(1), forked(*more))
machine_code.compile_all()
print(len(own), sum(loop.was_written() for loop in machine_code._LOOPS), len(machine_code._LOOPS))
"""


@pytest.mark.slow
def test_processes_share_what_is_compiled_first_and_nothing_is_compiled_twice(tmp_path):
    def start():
        environment = os.environ | {"NUMBA_CACHE_DIR": str(tmp_path)}
        command = [sys.executable, "-c", COMPILE]
        return subprocess.run(command, env=environment, capture_output=True, text=True, check=True)

    asked, written, loops = map(int, start().stdout.split())
    assert (1, 1) == (asked, written)  # by the first process: the one that it tried
    assert loops > 3
    # two that share an index lose what the other has written, when both write at once
    assert loops == len(list(tmp_path.rglob("*.nbi")))
    assert [0, 0, loops] == [int(each) for each in start().stdout.split()]


def _shift(values, out):
    for at in range(np.uint64(len(out))):
        out[at] = values[at] + np.float32(1)


def _shift_by_room(values, out):
    room = np.zeros(len(out), np.float32)
    for at in range(len(out)):
        room[at] = values[at] + np.float32(1)
    for at in range(len(out)):
        out[at] = room[at]


@inlined
def _part(values, out):
    made_here = np.empty_like(values)
    for at in range(len(out)):
        made_here[at] = values[at] + np.float32(1)
        out[at] = made_here[at]


def _shift_by_part(values, out):
    _part(values, out)


@pytest.mark.parametrize(
    ("written", "counts"), [(_shift, False), (_shift_by_room, True), (_shift_by_part, True)]
)
def test_only_a_loop_that_makes_arrays_counts_who_holds_them(written, counts, monkeypatch):
    monkeypatch.setattr(machine_code, "_LOOPS", [])
    loop = compiled(seen("f4", 1), made("f4", 1))(written)
    out = np.empty(5, np.float32)
    loop(np.arange(5, dtype=np.float32), out)
    assert [1, 2, 3, 4, 5] == out.tolist()
    assert counts is machine_code._makes_arrays(written)
