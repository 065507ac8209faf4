"""Thousands of files at once: all done, in fair order, with flat memory and flat cost per job.

    python tests/faults/many.py --files 10000

Tiny pictures lie in three hot folders, six, three and one in ten of them, when the daemon starts.
It is the real program with real workers, and one stage. Measured are the daemon's own processor
time and memory after every tenth of the files, and the lead: while all three destinations have
files left, by how many ended jobs the foremost is ahead of the last.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import tifffile

sys.path.insert(0, str(Path(__file__).parents[1]))

from hotfolder.ledger.packing import unpack
from hotfolder.overview.new_root import make_root
from hotfolder.settings.root import Root
from hotfolder_demo import write_profiles
from whole.conftest import write_destination

SHARES = {"book": 6, "canvas": 3, "gallery": 1}
"""Tenths of the files that each destination gets."""


def made(path: Path, count: int) -> Root:
    """A root with three quick destinations and `count` small pictures, a multiple of ten."""
    root = Root(path)
    root.profiles.mkdir(parents=True)
    write_profiles(root.profiles)
    make_root(path)
    for file in root.destinations.glob("*.toml"):
        file.unlink()
    for name in SHARES:
        file = write_destination(root, name=name)
        text = file.read_text().partition("[stage.sizing]")[0]
        file.write_text(re.sub("stages = .*", 'stages = ["profile-conversion"]', text))
    make_root(path)
    settings = root.path / "hotfolder.toml"
    settings.write_text(re.sub('(?m)^quiet = "2 s"', 'quiet = "0.1 s"', settings.read_text()))
    icc = (root.profiles / "srgb.icc").read_bytes()
    for number in range(count):
        turn = number % sum(SHARES.values())
        name = "book" if turn < 6 else "canvas" if turn < 9 else "gallery"
        pixels = np.full((8, 12, 3), 5000 + number, dtype=np.uint16)
        tifffile.imwrite(
            root.path / "in" / name / f"{number:05}.tif",
            pixels,
            photometric="rgb",
            iccprofile=icc,
            metadata=None,
        )
    return root


def lead(ends: list[str], left: Counter[str]) -> int:
    """By how many ended jobs the foremost destination leads while all have files left."""
    done = Counter(dict.fromkeys(left, 0))
    most = 0
    for name in ends:
        done[name] += 1
        if any(done[each] == left[each] for each in left):
            break
        most = max(most, max(done.values()) - min(done.values()))
    return most


def many(count: int, limit_s: float, every: int = 0) -> dict[str, Any]:
    """Serve a root with `count` files until all have ended, or the time is over."""
    with tempfile.TemporaryDirectory() as folder:
        root = made(Path(folder) / "root", count)
        started = time.monotonic()
        command = [sys.executable, "-W", "ignore", "-m", "hotfolder", "watch", "--quiet"]
        with subprocess.Popen([*command, str(root.path)]) as daemon:
            try:
                measured = watched(root, daemon, count, started + limit_s, every or count // 10)
            finally:
                daemon.send_signal(signal.SIGTERM)
                daemon.wait(60)
        took = time.monotonic() - started
        with closing(sqlite3.connect(root.ledger)) as db:
            rows = db.execute("SELECT destination, state FROM records ORDER BY number").fetchall()
            held = db.execute(
                "SELECT record FROM jobs WHERE state IN ('held', 'refused')"
            ).fetchall()
        ends = Counter(state for _, state in rows)
        reasons = [
            each["message"] for (said,) in held for each in json.loads(unpack(said))["reasons"]
        ]
        results = sum(1 for _ in (root.path / "out").glob("*/*.tif"))
        kept = sum(1 for _ in (root.path / "originals").glob("*/*.tif"))
        left = Counter(
            path.parent.name
            for place in ("in", "originals")
            for path in root.path.glob(f"{place}/*/*.tif")
        )
        return {
            "files": count,
            "ended": dict(ends),
            "reasons": reasons[:20],
            "results": results,
            "originals": kept,
            "exit": daemon.returncode,
            "lead": lead([name for name, _ in rows], left),
            "took_s": round(took, 1),
            "jobs_per_s": round(len(rows) / took, 2),
            "measured": measured,
        }


def watched(
    root: Root, daemon: subprocess.Popen[bytes], count: int, deadline: float, every: int
) -> list[dict[str, float]]:
    """The daemon's memory, and its processor time per job, after every so many jobs."""
    measured: list[dict[str, float]] = []
    before, cpu_before = 0, 0.0
    while time.monotonic() < deadline and daemon.poll() is None:
        done = number_done(root)
        if done >= before + every or done == count:
            (serving,) = psutil.Process(daemon.pid).children()  # see `disk.apart`
            cpu = cpu_s(serving.pid)
            if done > before:
                measured.append(
                    {
                        "done": done,
                        "memory_mib": round(memory_mib(serving.pid), 1),
                        "daemon_ms_per_job": round(1000 * (cpu - cpu_before) / (done - before), 2),
                    }
                )
                sys.stderr.write(f"{measured[-1]}\n")
            before, cpu_before = done, cpu
        if done == count:
            break
        time.sleep(0.2)
    return measured


def number_done(root: Root) -> int:
    """Jobs that have ended, by the lines of the logs."""
    logs = (root.path / "out" / name / "log.jsonl" for name in SHARES)
    return sum(log.read_bytes().count(b"\n") for log in logs if log.exists())


def memory_mib(pid: int) -> float:
    """What the daemon itself has in memory."""
    found = re.search(r"VmRSS:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text())
    return int(found[1]) / 1024 if found else 0.0


def cpu_s(pid: int) -> float:
    """Processor time of the daemon itself; that of its workers is not in it."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--files", type=int, default=10_000)
    parser.add_argument("--limit", type=float, default=7200, help="seconds")
    parser.add_argument("--every", type=int, default=0, help="jobs; by default a tenth of all")
    asked = parser.parse_args()
    sys.stdout.write(json.dumps(many(asked.files, asked.limit, asked.every), indent=1) + "\n")


if __name__ == "__main__":
    main()
