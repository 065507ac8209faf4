"""Mutated pictures, profiles, metadata and job tickets through the whole program.

Each input is dropped into a hot folder and goes all the way: claimed, worked on by the worker
under its limits, checked, delivered, held or refused, recorded. The one thing that differs from
everyday work is that a worker process takes many attempts, one after the other, instead of one.
Tickets are read where they always are, in the daemon. After every thousand inputs the books are
balanced: each file has one end and is kept, nothing is left over, nothing lies elsewhere.

Every input is made from a seed and its number alone: ``--seed S --only N`` makes it again.

    python tests/faults/fuzz_jobs.py --count 20000
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
import multiprocessing
import os
import random
import shutil
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from multiprocessing import forkserver
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

sys.path.insert(0, str(Path(__file__).parents[1]))

from faults import fuzz
from faults.killing import below, check_books
from hotfolder.batch.shelf import read_batches
from hotfolder.daemon.loop import Daemon
from hotfolder.disk import processes
from hotfolder.ledger.jobs import read_jobs
from hotfolder.ledger.reading import open_reader
from hotfolder.logs import set_up_logs
from hotfolder.overview.check import check
from hotfolder.overview.new_root import make_root
from hotfolder.settings.root import Root
from hotfolder.work import worker
from hotfolder.work.worker import Answer, Attempt, Stopped

PRINTS, BOOK = "prints", "book"
CHUNK = 1000
ATTEMPTS_OF_A_PROCESS = 250
_START_S = 120
TICKETS = 8
"""One input in so many is a ticket."""

_FILE = """
title = "Prints"
stages = [
  "preflight", "sizing", "gamut-check", "output-sharpening", "profile-conversion", "tagging",
]
[medium]
profile = "matte-canvas.icc"
surface = "canvas"
viewing_distance = "2 m"
[result]
format = "tiff"
[stage.sizing]
long_edge = "1 cm"
ppi = 100
[limits]
time = "120 s"
memory = "1 GiB"
attempts = 1
"""
_SETTINGS = 'workers = 1\nfree_space = "1 MiB"\n[intake]\nquiet = "0 s"\npatience = "0 s"\n'
_TICKET = (
    "file;page;placement;width (mm);height;copies;caption;intent;anchor\r\n"
    "reeds.tif;4;left;21;14,8 cm;1;Dawn over the flats;;top\r\n"
    '"reeds.tif";5;;9,5;;2;"Low ""water""; mud";perceptual;\r\n'
    "./mud.tif;iv;;;8.5 in;1;Crue d\u2019\u00e9t\u00e9;least loss;\r\n"
    "creek;007;a;10;10;;;relative;centre left\r\n"
)
TICKETS_OF_OLD = [
    _TICKET.encode(), _TICKET.encode("utf-8-sig"), _TICKET.encode("utf-16"),
    _TICKET.encode("cp1252"), _TICKET.replace(";", "\t").encode(),
    _TICKET.replace(";", ",").replace("14,8", "14.8").replace("9,5", "9.5").encode(),
]  # fmt: skip


class Inputs:
    """Makes the input with a number."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self._files = fuzz.corpus()

    def make(self, number: int) -> tuple[str, str, bytes]:
        """Its kind, the end of its name, its bytes."""
        rng = random.Random(self.seed * 7_000_003 + number)
        if number % TICKETS == TICKETS - 1:
            data = bytearray(rng.choice(TICKETS_OF_OLD))
            for _ in range(rng.choice((1, 1, 2, 4, 8))):
                rng.choice((*fuzz._WAYS, _cell, _cell, _cell))(rng, data)
            return "ticket", "csv", bytes(data)
        name, data = fuzz.mutated(self._files, self.seed, number)
        kind = name.split()[0]
        if kind == "icc":
            out = io.BytesIO()
            pixels = np.random.default_rng(number).integers(0, 65535, (16, 24, 3), np.uint16)
            tifffile.imwrite(
                out, pixels, photometric="rgb", iccprofile=data or b"\0", metadata=None
            )
            data = out.getvalue()
        # an end that makes two files of the same bytes two files
        suffix = {"jpeg": "jpg", "png": "png"}.get(kind, "tif")
        return kind, suffix, data


def _cell(rng: random.Random, data: bytearray) -> None:
    """Something that no ticket should say."""
    said = rng.choice((
        "=cmd|' /C calc'!A0", "../../../etc/passwd", "\x00", "\x1b[2J", "\u202e", "9" * 400, "-1",
        "1e308", "NaN", "\u0661\u0662 mm", "x" * 5000, '"', "\r", ";" * 300, "{file}", "con",
        "\ufeff", "<script>", "0", "1/0",
    )).encode()  # fmt: skip
    at = rng.randrange(len(data) + 1)
    data[at : at + rng.choice((0, 0, len(said)))] = said


class Reused:
    """Runs attempts in one worker process after the other, many in each."""

    def __init__(self) -> None:
        self.slowest_s = 0.0
        self._process: Any = None
        self._pipe: Connection | None = None
        self._left = 0

    def __call__(self, attempt: Attempt, _stop: threading.Event) -> Answer | Stopped:
        is_new = self._left == 0
        if is_new:
            self.end()
            self._pipe, theirs = multiprocessing.Pipe()
            self._process = worker._context().Process(target=_serve, args=(theirs, attempt))
            self._process.start()
            theirs.close()
            self._left = ATTEMPTS_OF_A_PROCESS
        self._left -= 1
        assert self._pipe is not None
        began = time.monotonic()
        try:
            self._pipe.send(attempt)
            # a new process has its imports to do, which is not this attempt's time
            if not self._pipe.poll(attempt.time_s + (_START_S if is_new else 0)):
                self.end()
                return Answer(verdict="failed", message="the work took longer than its limit")
            self._pipe.recv_bytes()
        except (EOFError, OSError):
            self._process.join()
            code = self._process.exitcode
            self.end()
            return worker._answer(attempt, code)
        if not is_new:
            self.slowest_s = max(self.slowest_s, time.monotonic() - began)
        return worker._answer(attempt, 0)

    def end(self) -> None:
        """End the process, and all that it has started."""
        if self._process is not None:
            worker._end(self._process)
            self._process.join()
            assert self._pipe is not None
            self._pipe.close()
        self._process, self._left = None, 0


def _serve(pipe: Connection, first: Attempt) -> None:
    """In the worker process: what it always does, again and again."""
    worker._confine(first)
    os.set_inheritable(1, True)
    while True:
        try:
            attempt = pipe.recv()
        except EOFError:
            os._exit(0)
        worker._output_to(attempt.order.folder / worker.OUTPUT)
        code = worker._work_and_answer(attempt)
        if code:
            os._exit(code)
        pipe.send_bytes(b"done")


def make_template(folder: Path) -> Root:
    """A root that takes pictures in one destination and tickets in another."""
    root = Root(folder)
    root.destinations.mkdir(parents=True)
    (root.path / "hotfolder.toml").write_text(_SETTINGS)
    (root.destinations / f"{PRINTS}.toml").write_text(_FILE)
    ticket = _FILE.replace("[result]", "[ticket]\n[result]")
    (root.destinations / f"{BOOK}.toml").write_text(ticket)
    make_root(folder)
    return root


def run_chunk(template: Root, place: Path, seed: int, numbers: list[int]) -> dict[str, Any]:
    """Drop these inputs, serve until nothing waits, and balance the books."""
    set_up_logs(None, terminal=False)
    inputs = Inputs(seed)
    outside = place / "outside"
    outside.mkdir()
    roots = {kind: Root(place / kind) for kind in (PRINTS, BOOK)}
    kinds: dict[int, str] = {}
    dropped: dict[str, list[str]] = {PRINTS: [], BOOK: []}
    for root in roots.values():
        shutil.copytree(template.path, root.path)
    for number in numbers:
        kind, suffix, data = inputs.make(number)
        kinds[number] = kind
        name = BOOK if kind == "ticket" else PRINTS
        folder = roots[name].path / "in" / name
        if name == BOOK:
            folder /= f"b{number}"
            folder.mkdir()
            if number % (10 * TICKETS) == TICKETS - 1:
                picture = inputs.make(1)[2]
                (folder / "reeds.tif").write_bytes(picture)
                dropped[BOOK].append(hashlib.sha256(picture).hexdigest())
        (folder / f"{number}.{suffix}").write_bytes(data)
        dropped[name].append(hashlib.sha256(data).hexdigest())
    ends: Counter[str] = Counter()
    faults: list[dict[str, Any]] = []
    reused = Reused()
    for root in roots.values():
        found = check(root)
        assert found.settings is not None, found.problems
        assert found.registry is not None
        daemon = Daemon(root, found.settings, found.registry, run=reused)
        daemon.run(until_idle=True)
        faults += [{"number": None, "what": each} for each in daemon.troubles()]
    reused.end()
    for row in read_jobs(roots[PRINTS].ledger, ended=True):
        number = int(Path(os.fsdecode(row.source)).stem)
        reasons = row.record.reasons if row.record else ()
        why = [reason.code for reason in reasons]
        said = f"{kinds[number]}: {row.state}"
        if {"work-failed", "stage-failed"} & set(why):
            message = reasons[0].message
            memory = "more memory" in message
            said = f"{kinds[number]}: {'held, memory' if memory else 'FAILED'}"
            if not memory:
                faults.append({"number": number, "what": message})
        ends[said] += 1
    with open_reader(roots[BOOK].ledger) as ledger:
        batches = read_batches(ledger)
    for state in batches.values():
        ends["ticket: not read" if state.ticket_problem else "ticket: read"] += 1
    check_books(roots[PRINTS], dropped[PRINTS])
    check_tickets(roots[BOOK], dropped[BOOK])
    strays = [str(each) for each in (*outside.iterdir(), *place.iterdir())
              if each.name not in {PRINTS, BOOK, "outside"}]  # fmt: skip
    return {"ends": ends, "faults": faults, "strays": strays, "slowest_s": reused.slowest_s}


def check_tickets(root: Root, dropped: list[str]) -> None:
    """Everything that came for batches is kept, once per batch, and nothing waits."""
    kept = [
        hashlib.sha256(path.read_bytes()).hexdigest()
        for path in below(root.path / "originals" / BOOK)
        if not path.name.startswith(".")
    ]
    assert sorted(kept) == sorted(dropped)
    assert [path for path in below(root.path / "in") if not path.name.startswith(".")] == []
    assert read_jobs(root.ledger) == []
    assert list(root.spool.iterdir()) == []


def _in_child(template: Path, place: Path, seed: int, numbers: list[int], pipe: int) -> None:
    # the forkserver of the process that this one was forked from is none of our children
    inherited = forkserver._forkserver
    inherited._forkserver_pid = inherited._forkserver_address = None
    inherited._forkserver_alive_fd = None
    found = run_chunk(Root(template), place, seed, numbers)
    with os.fdopen(pipe, "w") as out:
        out.write(json.dumps(found))
    os._exit(0)


def fuzz_jobs(
    seed: int, numbers: list[int], tell: Any, plant: Callable[[Root], None] | None = None
) -> dict[str, Any]:
    """Send inputs through; what came of them, and every fault with its number.

    plant: breaks the root on purpose.
    """
    ends: Counter[str] = Counter()
    faults: list[dict[str, Any]] = []
    strays: list[str] = []
    slowest = 0.0
    begun = time.monotonic()
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as work:
        template = make_template(Path(work) / "template")
        if plant is not None:
            plant(template)
        for at in range(0, len(numbers), CHUNK):
            some = numbers[at : at + CHUNK]
            place = Path(work) / "place"
            place.mkdir()
            read, write = os.pipe()
            child = multiprocessing.get_context("fork").Process(
                target=_in_child, args=(template.path, place, seed, some, write)
            )
            child.start()
            os.close(write)
            with os.fdopen(read) as pipe:
                said = pipe.read()
            child.join()
            if not said:
                what = f"the daemon, or its books, ended with {child.exitcode}"
                faults.append({"number": [some[0], some[-1]], "what": what})
                kept = shutil.copytree(place, Path(tempfile.mkdtemp()) / "kept", symlinks=True)
                tell(f"{what}; its roots are kept: {kept}")
            else:
                found = json.loads(said)
                ends.update(found["ends"])
                faults += found["faults"]
                strays += found["strays"]
                slowest = max(slowest, found["slowest_s"])
            shutil.rmtree(place)
            done = at + len(some)
            tell(
                f"{done} of {len(numbers)}, {time.monotonic() - begun:.0f} s, {len(faults)} faults"
            )
    return {
        "seed": seed,
        "inputs": len(numbers),
        "first": numbers[0],
        "ends": dict(sorted(ends.items())),
        "slowest_s": round(slowest, 2),
        "faults": faults,
        "strays": strays,
    }


def main() -> None:
    """Fuzz, print what came of it; exit code 1 when there was a fault."""
    parser = argparse.ArgumentParser(description="Mutated inputs through the whole program.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--only", type=int)
    asked = parser.parse_args()
    processes.die_with_parent()
    numbers = list(range(asked.first, asked.first + asked.count))
    found = fuzz_jobs(
        asked.seed,
        numbers if asked.only is None else [asked.only],
        lambda line: sys.stderr.write(line + "\n"),
    )
    sys.stdout.write(json.dumps(found, indent=1) + "\n")
    sys.exit(1 if found["faults"] or found["strays"] else 0)


if __name__ == "__main__":
    main()
