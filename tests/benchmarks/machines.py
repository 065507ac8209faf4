"""Where the daemon is the limit: its cost per job, and a simulation of 50 machines on it.

    python tests/benchmarks/machines.py
    python tests/benchmarks/machines.py --speed-up     # real work, one worker and two, a core each

The cost is the daemon's own processor time, from the file in the hot folder to the published
result, while a machine that computes nothing gives back the original's bytes: by two sizes of
files, so that what a job costs and what a megabyte costs come apart. What a second of a running
job costs (questions that wait) and of a machine that is there (greetings) is measured as well.

The simulation then sends a day's jobs through one daemon, one link and the machines' slots. The
daemon counts as one processor, though hashing uses others too.
"""

from __future__ import annotations

import argparse
import heapq
import os
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import psutil
import tifffile
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.measured import add_write_option, show
from faults.machines import World, wait_for
from hotfolder.model.answer import Answer
from hotfolder.model.records import OriginalRecord, ResultRecord, WorkRecord
from hotfolder.work.machines.line import Line
from hotfolder.work.machines.machine import Machine, Options, _serve
from whole.conftest import drop

DAY_S = 86400
BUSY_S = 10 * 3600
BUSY_SHARE = 0.8
LINK_MB_S = 118.0
"""What a link of 1 Gbit/s carries."""


@dataclass(frozen=True)
class Cost:
    """The daemon's processor time, in seconds."""

    job_s: float
    megabyte_s: float
    """Of the original; a result of the same size comes back."""
    ask_s: float
    machine_s: float
    """Per second, of a machine that is there."""


def echo(attempt, _stop):
    """Give back the original's bytes as the result: no work at all."""
    order = attempt.order
    shutil.copyfile(order.original, order.folder / "result.tif")
    result = ResultRecord(
        path="result.tif", sha256=order.sha256, bytes=order.bytes, format="tiff", width_px=1,
        height_px=1, bits=16, colour_space="RGB", ppi=100.0, profile=None,
    )  # fmt: skip
    original = OriginalRecord(name=order.name, sha256=order.sha256, bytes=order.bytes)
    return Answer(verdict="deliver", work=WorkRecord(original=original, results=(result,)))


def serve_echo(address: str, folder: Path) -> None:
    """Be a machine that computes nothing."""
    import asyncio

    from hotfolder.work.machines.guard import load_guarded

    load_guarded()
    options = Options(address, folder, name="echo", slots=4)
    asyncio.run(_serve(Machine(options, echo), options, lambda line: print(line, flush=True)))


def measure(folder: Path, jobs: int, side: int) -> tuple[float, float]:
    """Return the daemon's processor seconds per job and the megabytes of one original."""
    world = World(folder, 0, networks=False)
    world.make(0)
    hot = world.root.path / "in/fine-art-canvas"
    rng = np.random.default_rng(1)
    icc = (world.root.profiles / "srgb.icc").read_bytes()
    try:
        world.start("scheduler")
        wait_for(lambda: "machines join" in world._said("scheduler"), 60, "a scheduler")
        with (folder / "echo.txt").open("ab") as said:
            command = [sys.executable, "-W", "ignore", __file__, "--echo", world.address]
            world.running["echo"] = subprocess.Popen(
                [*command, str(folder / "echo")], stdout=said, stderr=said, start_new_session=True
            )
        wait_for(lambda: "has joined" in world._said("echo"), 60, "a machine")
        world.start("daemon")
        wait_for(world.root.snapshot.exists, 60, "a daemon")
        time.sleep(3)
        daemon = psutil.Process(world.running["daemon"].pid).children()[0]
        before = sum(daemon.cpu_times()[:2])
        size = 0
        for number in range(jobs):
            picture = rng.integers(0, 65535, (side, side, 3), np.uint16)
            path = folder / f"{number}.tif"
            tifffile.imwrite(path, picture, photometric="rgb", iccprofile=icc)
            size = path.stat().st_size
            path.rename(hot / path.name)
        wait_for(lambda: world.count_ended() >= jobs, 900, "all jobs")
        after = sum(daemon.cpu_times()[:2])
    finally:
        world.names = ["echo"]
        world.end()
    return (after - before) / jobs, size / 1e6


def measure_asks(folder: Path, count: int) -> float:
    """Return the processor seconds of a question."""
    world = World(folder, 0, networks=False)
    folder.mkdir(exist_ok=True)
    try:
        world.start("scheduler")
        wait_for(lambda: "machines join" in world._said("scheduler"), 60, "a scheduler")
        with (folder / "echo.txt").open("ab") as said:
            command = [sys.executable, "-W", "ignore", __file__, "--echo", world.address]
            world.running["echo"] = subprocess.Popen(
                [*command, str(folder / "echo")], stdout=said, stderr=said, start_new_session=True
            )
        wait_for(lambda: "has joined" in world._said("echo"), 60, "a machine")
        line = Line(world.address, None)
        (address,) = line.find(world.address, 10)
        line.ask(address, "hotfolder_hello", b"", 10)
        before = _own_cpu_s()
        for _ in range(count):
            line.ask(address, "hotfolder_hello", b"", 10)
        used = (_own_cpu_s() - before) / count
        line.close()
    finally:
        world.names = ["echo"]
        world.end()
    return used


def _own_cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def simulate(cost: Cost, jobs: int, machines: int, slots: int, size_mb: float, work_s: float):
    """Send a day's jobs through; return shares of time in use, and waiting times in seconds."""
    chance = random.Random(1)
    arrivals = sorted(
        8 * 3600 + chance.random() * BUSY_S if chance.random() < BUSY_SHARE
        else chance.random() * DAY_S
        for _ in range(jobs)
    )  # fmt: skip
    asks = BUSY_SHARE * jobs * work_s / BUSY_S  # jobs at work in the busy hours, one question a s
    beside = asks * cost.ask_s + machines * cost.machine_s
    own_s = (cost.job_s + cost.megabyte_s * size_mb) / max(1e-3, 1 - beside)
    link_s = size_mb / LINK_MB_S
    daemon_free = send_free = back_free = 0.0
    free = [0.0] * (machines * slots)
    heapq.heapify(free)
    coming: list[tuple[float, float]] = []
    waits = []

    def come_back(until: float) -> None:
        nonlocal daemon_free, back_free
        while coming and coming[0][0] <= until:
            done, arrived = heapq.heappop(coming)
            back_free = max(back_free, done) + link_s
            daemon_free = max(daemon_free, back_free) + own_s / 2
            waits.append(daemon_free - arrived - work_s)

    for arrived in arrivals:
        come_back(arrived)
        daemon_free = max(daemon_free, arrived) + own_s / 2
        send_free = max(send_free, daemon_free) + link_s
        begun = max(heapq.heappop(free), send_free)
        done = begun + chance.expovariate(1 / work_s)
        heapq.heappush(free, done)
        heapq.heappush(coming, (done, arrived + (done - begun) - work_s))
    come_back(float("inf"))
    busy = BUSY_SHARE * jobs / BUSY_S
    waits.sort()
    return {
        "daemon": busy * own_s + beside,
        "link": busy * link_s,
        "machines": busy * work_s / (machines * slots),
        "median_s": waits[len(waits) // 2],
        "p99_s": waits[int(len(waits) * 0.99)],
        "limit": (1 - beside) / (cost.job_s + cost.megabyte_s * size_mb) * BUSY_S / BUSY_SHARE,
    }


def measure_speed_up(folder: Path, jobs: int, side: int, rounds: int) -> Table:
    """Real work by one worker and by two, in turns, each held to one core of its own.

    The best of some rounds counts: what else a machine does makes a round slower, never faster.
    """
    best: dict[int, float] = {}
    for round_ in range(rounds):
        for workers in (1, 2):
            took_s = _work_for(folder / f"{round_}-{workers}", workers, jobs, side)
            best[workers] = min(took_s, best.get(workers, took_s))
    table = Table("workers", "cores each", "jobs", "s", "times as fast", title="Speed-up")
    for workers, took_s in best.items():
        cells = (workers, 1, jobs, f"{took_s:.1f}", f"{best[1] / took_s:.2f}")
        table.add_row(*map(str, cells))
    return table


def _work_for(folder: Path, workers: int, jobs: int, side: int) -> float:
    """Return the seconds that jobs take, once all is warm."""
    folder.mkdir()
    world = World(folder, workers, networks=False)
    world.make(0)
    file = world.root.destinations / "fine-art-canvas.toml"
    stages = 'stages = ["gamut-check", "profile-conversion"]'
    file.write_text(re.sub("stages = .*", stages, file.read_text()))
    made = []
    for number in range(2 * workers + jobs):
        made.append(drop(world.root, f"{number:03}.tif", seed=number, size=side))
        made[-1] = made[-1].rename(folder / made[-1].name)
    try:
        world.begin()
        for number, name in enumerate(world.names):
            machine = psutil.Process(world.running[name].pid)
            for process in (machine, *machine.children(recursive=True)):
                core = str(number % (os.cpu_count() or 1))
                subprocess.run(["taskset", "-apc", core, str(process.pid)], check=True)
        took_s = 0.0
        for batch in (made[: 2 * workers], made[2 * workers :]):  # the first warms all up
            due = world.count_ended() + len(batch)
            begun = time.monotonic()
            for path in batch:
                path.rename(world.root.path / "in/fine-art-canvas" / path.name)
            wait_for(partial(_have_ended, world, due), 600, "all jobs")
            took_s = time.monotonic() - begun
        return took_s
    finally:
        world.end()


def _have_ended(world: World, number: int) -> bool:
    return world.count_ended() >= number


def main() -> None:
    """Measure, and simulate on what was measured."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--echo", nargs=2, help=argparse.SUPPRESS)
    parser.add_argument("--jobs", type=int, default=40)
    parser.add_argument("--large", type=int, default=3200, help="pixels a side of large originals")
    parser.add_argument("--speed-up", action="store_true")
    parser.add_argument("--rounds", type=int, default=3, help="of the speed-up")
    add_write_option(parser)
    options = parser.parse_args()
    if options.echo:
        serve_echo(options.echo[0], Path(options.echo[1]))
        return
    top = Path(tempfile.mkdtemp(prefix="hotfolder-machines-"))
    load = os.getloadavg()[0]
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        if options.speed_up:
            table = measure_speed_up(top, 16, 1500, options.rounds)
            show([table], write=options.write, load=load)
            return
        for name in ("small", "large"):
            (top / name).mkdir()
        small_s, small_mb = measure(top / "small", options.jobs, 24)
        large_s, large_mb = measure(top / "large", max(4, options.jobs // 5), options.large)
        ask_s = measure_asks(top / "asks", 500)
    finally:
        shutil.rmtree(top, ignore_errors=True)
    megabyte_s = max(0.0, (large_s - small_s) / (large_mb - small_mb))
    cost = Cost(small_s - small_mb * megabyte_s, megabyte_s, ask_s, ask_s)
    measured = Table("what", "ms", title="The daemon's processor time")
    for what, seconds in (
        (f"a job of {small_mb:.2g} MB", small_s),
        (f"a job of {large_mb:.0f} MB", large_s),
        ("a megabyte there and back", cost.megabyte_s),
        ("a question to a machine", cost.ask_s),
    ):
        measured.add_row(what, f"{1e3 * seconds:.2f}")
    simulated = Table(
        "jobs a day", "machines × slots", "MB each way", "s of work", "daemon", "link", "machines",
        "waits, median", "waits, p99", "the daemon's limit, jobs a day",
        title=f"A day, {BUSY_SHARE:.0%} of it in {BUSY_S // 3600} hours: shares of those in use",
    )  # fmt: skip
    for jobs, size_mb, work_s in (
        (10_000, 60, 20), (100_000, 5, 20), (100_000, 20, 20), (100_000, 60, 20),
    ):  # fmt: skip
        said = simulate(cost, jobs, 50, 4, size_mb, work_s)
        simulated.add_row(
            f"{jobs:,}", "50 × 4", str(size_mb), str(work_s), f"{said['daemon']:.0%}",
            f"{said['link']:.0%}", f"{said['machines']:.0%}", f"{said['median_s']:.1f} s",
            f"{said['p99_s']:.1f} s", f"{said['limit']:,.0f}",
        )  # fmt: skip
    show([measured, simulated], write=options.write, load=load)


if __name__ == "__main__":
    main()
