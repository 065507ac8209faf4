"""Two years of a studio: ``python tests/benchmarks/two_years.py``.

A root is generated as it is after 200,000 jobs: ledger, chained log, and an empty file for each
original. Measured are a start and a stop, ``status``, what one more job costs the daemon (from
claim to publish, without its worker's pixels), the audit's check with its memory, ``tidy``, and
the making of a lost ledger with its memory; and a start beside sub-folders that nobody removes.
Processor time says more than the clock where others work on the machine.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import re
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from measured import add_write_option, show
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1]))

from hotfolder.disk.marker import write_marker
from hotfolder.ledger.jobs import Ledger, link
from hotfolder.ledger.record_index import columns
from hotfolder.ledger.record_log import LOG_FILE, START
from hotfolder.model.records import Record, format_time, to_json_line
from hotfolder.overview.new_root import make_root
from hotfolder.settings.root import Root
from hotfolder_demo import write_profiles
from whole.conftest import write_destination

NAME = "fine-art-canvas"
BEGIN = datetime(2024, 11, 1, tzinfo=UTC)
FEW_JOBS = 1000
MORE_JOBS = (20, 80)
"""Two runs with so many; the second costs what is said of one job times the difference more."""

JOB = """
import os, resource, sys, time
from pathlib import Path
from hotfolder.daemon.loop import Daemon
from hotfolder.overview.check import check
from hotfolder.settings.root import Root
from hotfolder.work.worker import _work
root = Root(Path(sys.argv[1]))
began = time.process_time(), time.perf_counter()
found = check(root)
spent = [0.0]
def run(attempt, stop):
    now = time.process_time()
    answer = _work(attempt)
    spent[0] += time.process_time() - now
    return answer
daemon = Daemon(root, found.settings, found.registry, run=run)
daemon.run(until_idle=True)
print(time.process_time() - began[0] - spent[0], time.perf_counter() - began[1])
"""

STATUS = """
import sys, time
from pathlib import Path
from hotfolder.overview.status import collect
from hotfolder.settings.root import Root
root = Root(Path(sys.argv[1]))
collect(root)
began = time.process_time(), time.perf_counter()
collect(root)
print(time.process_time() - began[0], time.perf_counter() - began[1])
"""


def make(path: Path, jobs: int) -> Root:
    """A root with so many delivered jobs."""
    root = Root(path)
    root.profiles.mkdir(parents=True)
    write_profiles(root.profiles)
    make_root(path)
    for file in root.destinations.glob("*.toml"):
        file.unlink()
    file = write_destination(root)
    text = file.read_text().partition("[stage.sizing]")[0]
    file.write_text(re.sub("stages = .*", 'stages = ["profile-conversion"]', text))
    settings = root.path / "hotfolder.toml"
    settings.write_text(settings.read_text().replace("workers = 0", "workers = 1"))
    settings.write_text(re.sub('(?m)^quiet = "2 s"', 'quiet = "0 s"', settings.read_text()))
    make_root(path)
    drop(root, 0)
    run(root)
    write_marker(root.path / "out" / NAME)
    log = root.path / "out" / NAME / LOG_FILE
    pattern = json.loads(log.read_bytes())
    fill(root, log, pattern, jobs)
    return root


def fill(root: Root, log: Path, pattern: dict[str, Any], jobs: int) -> None:
    """Write as many records like `pattern` into log and ledger.

    The first goes through the models, the others are that one with other names and times: the
    models take ten times as long.
    """
    log.unlink()  # of today's job, which all others would have to follow
    for each in root.private.glob("ledger*"):
        each.unlink()
    ledger = Ledger(root.ledger)
    previous = START
    empty = hashlib.sha256(b"").hexdigest()
    # as large as a record of six stages is
    pattern["findings"] = {"gamut-check": {"rows": [round(each / 7, 6) for each in range(330)]}}
    name, job, made = "DSC_000000.tif", "20000101-000000-00000000", "f" * 64
    before, arrived, finished = "e" * 64, "1999-01-01T00:00:00.000Z", "1999-01-01T00:00:40.000Z"
    record = Record.model_validate(
        {
            **pattern,
            "job": job,
            "source": name,
            "original": {**pattern["original"], "name": name, "sha256": empty, "bytes": 0},
            "original_kept": f"originals/{NAME}/{name}",
            "results": [{**pattern["results"][0], "path": f"out/{NAME}/{name}", "sha256": made}],
            "arrived": arrived,
            "finished": finished,
            "previous_sha256": before,
            "same_original": [],
        }
    )
    changing = (name, job, made, before, arrived, finished)
    line = re.split(f"({'|'.join(map(re.escape, changing))})", to_json_line(record).decode())
    cells = columns(record)
    with log.open("ab") as file, ledger.many_to_come(), ledger.transaction() as db:
        for number in range(jobs):
            at = BEGIN + timedelta(days=730) * (number / jobs)
            values = {
                name: f"DSC_{number:06}.tif",
                job: f"{at:%Y%m%d-%H%M%S}-{number:08x}",
                made: hashlib.sha256(str(number).encode()).hexdigest(),
                before: previous,
                arrived: format_time(at),
                finished: format_time(at + timedelta(seconds=40)),
            }
            own = "".join(values.get(each, each) for each in line).encode()
            file.write(own)
            previous = link(own)
            row = {key: values.get(str(cell), cell) for key, cell in cells.items()}
            put(db, "records", {**row, "line_sha256": previous})
            put(
                db,
                "jobs",
                {
                    "id": values[job],
                    "destination": NAME,
                    "source": values[name].encode(),
                    "kind": "file",
                    "state": "delivered",
                    "bytes": 0,
                    "sha256": empty,
                    "attempts": 1,
                    "arrived": at.isoformat(),
                    "changed": (at + timedelta(seconds=40)).isoformat(),
                    "record": own.decode().rstrip("\n"),
                },
            )
            os.close(os.open(root.path / "originals" / NAME / values[name], os.O_CREAT, 0o644))
    ledger.close()


def put(db: sqlite3.Connection, table: str, values: dict[str, Any]) -> None:
    """Insert a row."""
    names, marks = ", ".join(values), ", ".join("?" * len(values))
    db.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(values.values()))


def drop(root: Root, number: int) -> None:
    """Drop a small picture."""
    pixels = np.full((8, 12, 3), 5000 + number, dtype=np.uint16)
    icc = (root.profiles / "srgb.icc").read_bytes()
    path = root.path / "in" / NAME / f"more-{number:04}.tif"
    tifffile.imwrite(path, pixels, photometric="rgb", iccprofile=icc, metadata=None)


def run(root: Root, what: str = JOB) -> tuple[float, float]:
    """Run a script that prints its processor time and its time; by default, a sweep.

    What the sweep prints is without its workers' time.
    """
    command = [sys.executable, "-W", "ignore", "-c", what, str(root.path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(done.stderr[-2000:])
    spent, took = map(float, done.stdout.split()[-2:])
    return spent, took


def command(*arguments: str) -> tuple[float, float, float]:
    """Run the program: the time, processor time, and the most memory in MiB."""
    began = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-W", "ignore", "-m", "hotfolder", *arguments],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    _, status, usage = os.wait4(process.pid, 0)
    if status:
        raise RuntimeError(f"{' '.join(arguments)} failed")
    return time.perf_counter() - began, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def main() -> None:
    """Generate, measure, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--jobs", type=int, default=200_000)
    parser.add_argument("--folders", type=int, default=20_000)
    parser.add_argument("--folder", type=Path)
    add_write_option(parser)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        show([measure(Path(name), asked.jobs, asked.folders)], write=asked.write)


def measure(folder: Path, jobs: int, empty_folders: int) -> Table:
    """The table, beside the same of a root with few jobs."""
    roots = make(folder / "few", FEW_JOBS), make(folder / "many", jobs)
    table = Table("what", f"{FEW_JOBS} jobs", f"{jobs} jobs")

    def add(what: str, cells: Iterable[str]) -> None:
        row = [what, *cells]
        table.add_row(*row)
        sys.stderr.write(f"{': '.join(row)}\n")

    def add_commands(what: str, *arguments: str) -> None:
        said = [command(arguments[0], str(root.path), *arguments[1:]) for root in roots]
        add(what, (f"{cpu:.1f} s of {took:.1f} s, {mib:.0f} MiB" for took, cpu, mib in said))

    add("ledger and log", map(describe_size, roots))
    add("a start and a stop", (describe_time(*run(root)) for root in roots))
    add("status, in a program that is loaded", (describe_time(*run(r, STATUS)) for r in roots))
    add_commands("status, with the start of Python", "status")
    add("one more job, of the daemon's processor time", map(measure_job, roots))
    add_commands("verify, chains only", "audit", "--verify", "--name", "nothing")
    add_commands("verify, every file", "audit", "--verify")
    add_commands("tidy, the first", "tidy")
    add("ledger and log after it", map(describe_size, roots))
    add("a start and a stop after it", (describe_time(*run(root)) for root in roots))
    for root in roots:
        for each in root.private.glob("ledger.sqlite*"):
            each.unlink()
    add_commands("a lost ledger made anew", "sweep")
    for number in range(empty_folders):
        (roots[1].path / "in" / NAME / f"{number:05}").mkdir()
    what = f"a start and a stop with {empty_folders} empty sub-folders in a hot folder"
    add(what, ("", describe_time(*run(roots[1]))))
    return table


def measure_job(root: Root) -> str:
    """One job among many of a run: what the first one finds out about folders is not in it."""
    spent = []
    for jobs in MORE_JOBS:
        for number in range(jobs):
            drop(root, 100 * jobs + number)
        spent.append(run(root)[0])
    return f"{1000 * (spent[1] - spent[0]) / (MORE_JOBS[1] - MORE_JOBS[0]):.1f} ms"


def describe_time(cpu_s: float, took_s: float) -> str:
    """Processor time and time."""
    return f"{cpu_s:.2f} s of {took_s:.2f} s"


def describe_size(root: Root) -> str:
    """Size of the ledger, and of the log with what was cut off it."""
    size = sum(each.stat().st_size for each in root.private.glob("ledger.sqlite*")) / 2**20
    log = sum(each.stat().st_size for each in (root.path / "out" / NAME).glob("log*")) / 2**20
    return f"{size:.0f} MiB, {log:.0f} MiB"


if __name__ == "__main__":
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    main()
