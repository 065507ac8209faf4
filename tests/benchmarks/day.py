"""Forty pictures through the whole daemon: ``python tests/benchmarks/day.py``.

Forty originals of 12 MP are dropped at once into three hot folders (a matte canvas, a page of a
book, a web gallery) of a daemon that is at rest. Measured from the drop to the last record: wall
time, how busy the cores are, and what a job costs outside its pixels: the wall time of all workers
together less what their jobs took from opening the original to the finished result. The second
table says where that goes (`timed` holds the clocks): what a job's worker is kept from its next
pixels by, and beside it what the daemon does for a job while others are worked on.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import chain
import timed
from measured import add_write_option, show
from rich.progress import track
from rich.table import Table

HOTFOLDER = Path(sys.executable).with_name("hotfolder")
DESTINATIONS = {
    "canvas": """
        stages = ["preflight", "sizing", "gamut-check", "output-sharpening",
                  "profile-conversion", "tagging"]
        medium = { profile = "matte-canvas.icc", surface = "canvas", viewing_distance = "2 m" }
        result = { format = "tiff", bits = 16, compression = "none" }
        stage.sizing = { long_edge = "20 in", ppi = 300 }
    """,
    "book": """
        stages = ["gamut-check", "output-sharpening", "profile-conversion", "tagging"]
        medium = { profile = "coated-book.icc", surface = "lustre", viewing_distance = "50 cm" }
        result = { format = "tiff", bits = 16, compression = "none" }
    """,
    "web": """
        stages = ["sizing", "output-sharpening", "profile-conversion", "tagging"]
        medium = { profile = "srgb.icc", surface = "screen", viewing_distance = "60 cm" }
        result = { format = "jpeg", quality = 90, subsampling = "4:2:0" }
        stage.sizing = { long_edge = "2000 px" }
    """,
}


def processor_time_s(*pids: int) -> float:
    """Seconds that these processes and their ended children have taken."""
    ticks = 0
    for pid in pids:
        stat = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        ticks += sum(int(value) for value in stat[11:15])
    return ticks / os.sysconf("SC_CLK_TCK")


def family(pid: int) -> list[int]:
    """A process and all that it has started and that runs."""
    lists = Path(f"/proc/{pid}/task").glob("*/children")
    children = [int(child) for each in lists for child in each.read_text().split()]
    return [pid, *(each for child in children for each in family(child))]


def records(root: Path) -> list[dict[str, Any]]:
    """All records so far, of every destination."""
    lines = [line for log in root.glob("out/*/log.jsonl") for line in log.read_text().splitlines()]
    return [json.loads(line) for line in lines]


def main() -> None:
    """Measure, and print a table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--files", type=int, default=40)
    parser.add_argument("--megapixels", type=float, default=12.0)
    parser.add_argument("--folder", type=Path)
    add_write_option(parser)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        tables = measure(Path(name), asked.files, asked.megapixels)
    show(tables, write=asked.write)


def measure(folder: Path, files: int, megapixels: float) -> list[Table]:
    """Serve a root until all files have their record."""
    chain.prepare(folder, megapixels)
    root = folder / "root"
    subprocess.run([HOTFOLDER, "init", root], check=True, capture_output=True)
    for each in (root / "destinations").glob("*.toml"):
        each.unlink()
    for each, text in DESTINATIONS.items():
        (root / "destinations" / f"{each}.toml").write_text(text.replace("\n        ", "\n"))
    shutil.copytree(folder / "profiles", root / "profiles", dirs_exist_ok=True)
    subprocess.run([HOTFOLDER, "init", root], check=True, capture_output=True)
    drops = []
    for index in range(files):
        to = list(DESTINATIONS)[index % len(DESTINATIONS)]
        waiting = folder / f"{index:02}.tif"
        shutil.copyfile(folder / "original.tif", waiting)
        drops.append((waiting, root / "in" / to / f"estuary-{index:02}.tif"))
    os.sync()
    with (folder / "daemon.log").open("wb") as log:
        clocks = [sys.executable, timed.__file__, folder / "times.jsonl"]
        daemon = subprocess.Popen([*clocks, "watch", root], stdout=log, stderr=log)
        try:
            return run(root, daemon, drops, folder / "times.jsonl")
        finally:
            daemon.terminate()
            daemon.wait(30)


def run(
    root: Path, daemon: subprocess.Popen[bytes], drops: list[tuple[Path, Path]], times: Path
) -> list[Table]:
    """Drop, wait for the records, say what they took."""
    time.sleep(15)  # it is at rest, and the process that starts workers has loaded what they need
    before, dropped = processor_time_s(*family(daemon.pid)), time.time()
    for waiting, to in drops:
        waiting.rename(to)
    done = 0
    for count in track(range(len(drops)), "jobs", transient=True):
        while done <= count:
            time.sleep(0.05)
            done = len(records(root))
    ended = time.time()
    wall, cores = ended - dropped, os.cpu_count() or 1
    spent = processor_time_s(*family(daemon.pid)) - before
    said = records(root)
    inside = sum(record["elapsed_s"] for record in said)
    table = Table("what", "value")
    table.add_row("jobs, workers", f"{len(said)}, {cores}")
    table.add_row("from drop to last record", f"{wall:.1f} s")
    table.add_row("cores busy", f"{spent / wall / cores:.0%}")
    outside = (wall * cores - inside) / len(said)
    table.add_row("per job outside its pixels", f"{outside * 1000:.0f} ms")
    time.sleep(1)  # a job's thread has a little to do after its record
    jobs = [timed.JobTimes(**json.loads(line)) for line in times.read_text().splitlines()]
    where, without_work = split(jobs, cores, dropped, ended)
    busy = spent / (wall * cores - without_work)
    table.add_row("cores busy, without quiet time and end of the day", f"{busy:.0%}")
    return [table, where]


def split(
    jobs: list[timed.JobTimes], workers: int, dropped: float, ended: float
) -> tuple[Table, float]:
    """Say where the time of all workers goes, in milliseconds per job.

    And for how many seconds, all workers together, there was nothing that they could do: in the
    quiet time and at the end.
    """
    first = min(job.taken for job in jobs)
    free_since = [first] * workers
    without = 0.0
    for job in sorted(jobs, key=lambda each: each.taken):
        # the worker that was given back last before this job had one
        index = max(
            range(workers),
            key=lambda each: (free_since[each] <= job.taken + 0.001, free_since[each]),
        )
        without += max(0.0, job.taken - free_since[index])
        free_since[index] = job.given
    quiet = workers * (first - dropped)
    last = sum(ended - each for each in free_since)
    table = Table("of it, per job", "workers' time", "beside other jobs", title="where it goes")

    def add(what: str, with_worker: float, beside: float | None = None) -> None:
        aside = "" if beside is None else f"{beside / len(jobs) * 1000:.0f} ms"
        table.add_row(what, f"{with_worker / len(jobs) * 1000:.0f} ms", aside)

    add("quiet time: from the drop to the first job", quiet)
    add("no job ready for a free worker", without)
    sums: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
    for job in jobs:
        for index, spent in enumerate((job.with_worker, job.beside)):
            for phase, seconds in spent.items():
                sums[phase][index] += seconds
    outside = quiet + without + last
    for phase in timed.PHASES:
        add(phase, *sums[phase])
        outside += 0.0 if phase == timed.PIXELS else sums[phase][0]
    add("end of the day: nothing left for a worker", last)
    add("all outside its pixels", outside, sum(sum(job.beside.values()) for job in jobs))
    add("of it without quiet time and end of the day", outside - quiet - last)
    return table, quiet + last


if __name__ == "__main__":
    main()
