"""What is compiled ahead is kept on disk, by as many processes as there are cores."""

import os
import subprocess
import sys

import pytest

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
