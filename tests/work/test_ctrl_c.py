"""Ctrl-C while workers' forkserver starts: the terminal sends it to every process of the group."""

from __future__ import annotations

import subprocess
import sys

CODE = """
import os, signal
from multiprocessing import forkserver
from pathlib import Path
from hotfolder.work.worker import get_ready

get_ready()
server = forkserver._forkserver._forkserver_pid
os.kill(server, signal.SIGINT)
bit = 1 << (signal.SIGINT - 1)
while True:
    lines = Path(f"/proc/{server}/status").read_text().splitlines()
    said = dict(line.split(":", 1) for line in lines)
    if said["State"].split()[0] == "Z":
        print("ended")
        break
    if int(said["SigIgn"], 16) & bit and not int(said["SigBlk"], 16) & bit:
        print("goes on")
        break
print(signal.pthread_sigmask(signal.SIG_BLOCK, []))
"""


def test_it_goes_on_without_a_word_and_blocks_nothing():
    said = subprocess.run(
        [sys.executable, "-c", CODE], capture_output=True, text=True, timeout=120, check=True
    )
    assert "goes on\nset()\n" == said.stdout
    assert "Traceback" not in said.stderr
