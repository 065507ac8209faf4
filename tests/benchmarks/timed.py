"""The program with a clock on what a job's thread does: ``python timed.py FILE watch ROOT``.

Runs the command line as it is, with the functions wrapped that take a job through the daemon. Each
job that has been worked on adds a line of JSON to FILE (`JobTimes`). The clocks are in the
benchmark, so that the program carries none.
"""

from __future__ import annotations

import functools
import json
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

HASH_ORIGINAL = "hashing the original"
LEDGER = "commits of the ledger"
START = "sending the order to a process, starting one if none is ready"
BEFORE = "in the process, before the original is opened"
PIXELS = "pixels: from opening the original to the finished result"
AFTER = "in the process, after the result is finished"
END = "the end of the process noticed, its answer read"
HASH_RESULT = "hashing what was made"
FLUSH = "flushes (fsync)"
RENAME = "renames and records"
WAIT = "waiting for a worker"
ELSE = "all else in the daemon's thread"
PHASES = (
    HASH_ORIGINAL, LEDGER, START, BEFORE, PIXELS, AFTER, END, HASH_RESULT, FLUSH, RENAME, ELSE,
    WAIT,
)  # fmt: skip


@dataclass
class JobTimes:
    """Seconds of one job's thread, by the clock of the wall."""

    job: str
    taken: float = 0.0
    """When it had a worker, in seconds since 1970."""
    given: float = 0.0
    """When another job could have that worker."""
    with_worker: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    """By phase, while it had a worker; the phases leave nothing out and do not overlap."""
    beside: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    """By phase, before and after."""


_own = threading.local()


def _note(phase: str, seconds: float) -> None:
    """Count seconds for a phase, and take them from the one around it."""
    times: JobTimes | None = getattr(_own, "times", None)
    if times is not None:
        (times.with_worker if _own.has_worker else times.beside)[phase] += seconds
        _own.inner += seconds


def _timed(owner: Any, name: str, phase: str | Callable[..., str]) -> None:
    real = getattr(owner, name)

    @functools.wraps(real)
    def run(*arguments: Any, **named: Any) -> Any:
        if getattr(_own, "times", None) is None:
            return real(*arguments, **named)
        around, _own.inner = _own.inner, 0.0
        begun = time.perf_counter()
        try:
            return real(*arguments, **named)
        finally:
            took, within = time.perf_counter() - begun, _own.inner
            _own.inner = around + within
            _note(phase if isinstance(phase, str) else phase(*arguments), took - within)

    setattr(owner, name, run)


def put_clocks(report: Path) -> None:
    """Wrap what takes a job through the daemon."""
    import os

    from hotfolder.daemon.jobs import Work
    from hotfolder.disk import durable, line_log, trees
    from hotfolder.ledger.jobs import Ledger
    from hotfolder.work import worker

    def which(path: Any, **_: Any) -> str:
        return HASH_ORIGINAL if Path(path).name == "original" else HASH_RESULT

    _timed(durable, "sha256_of", which)
    _timed(os, "fsync", FLUSH)
    _timed(Ledger, "advance", LEDGER)
    _timed(Ledger, "end", LEDGER)
    _time_sending(worker)
    for owner, name in ((durable, "move_new"), (trees, "move_any_new"), (line_log, "append_line")):
        _timed(owner, name, RENAME)
    step, answer = Work.step, worker._answer
    writing = threading.Lock()

    def timed_step(self: Any, row: Any, destination: Any) -> Any:
        times = _own.times = JobTimes(row.id)
        _own.inner, _own.has_worker = 0.0, False
        begun = time.time()
        put_clock_on_slots(times, begun)
        try:
            return step(self, row, destination)
        finally:
            ended = time.time()
            end_slot(times, ended)
            spent = sum(times.with_worker.values()), sum(times.beside.values())
            held = times.given - times.taken
            times.with_worker[ELSE] += held - spent[0]
            times.beside[ELSE] += ended - begun - held - spent[1]
            _own.times = None
            if times.with_worker.get(PIXELS):
                with writing, report.open("a") as file:
                    file.write(json.dumps(vars(times)) + "\n")

    def timed_answer(attempt: Any, code: Any) -> Any:
        said = answer(attempt, code)
        if said.work is not None and getattr(_own, "times", None) is not None:
            folder = attempt.order.folder
            started, left = ((folder / each).stat().st_mtime for each in ("started", "answer.json"))
            _note(BEFORE, started - _own.sent)
            _note(PIXELS, said.work.elapsed_s)
            _note(AFTER, left - started - said.work.elapsed_s)
            _note(END, time.time() - left)
        return said

    Work.step = timed_step  # type: ignore[method-assign]
    worker._answer = timed_answer
    wrap_slots()


def _time_sending(worker: Any) -> None:
    """Time how an order comes to a process; that the next one is started meanwhile costs no job."""

    def timed(send: Callable[..., Any]) -> Callable[..., Any]:
        def sending(*arguments: Any) -> Any:
            begun = time.perf_counter()
            made = send(*arguments)
            _note(START, time.perf_counter() - begun)
            _own.sent = time.time()
            return made

        return sending

    worker._start, worker._Spare.take = timed(worker._start), timed(worker._Spare.take)


def wrap_slots() -> None:
    """See when a job has a worker and when it gives it back."""
    try:
        from hotfolder.daemon.slots import Slots
    except ImportError:
        return  # before there were any, a job had its worker from its first act to its last
    take, give_back = Slots.take, Slots.give_back

    def timed_take(self: Any, *job: Any) -> Any:
        begun = time.perf_counter()
        taken = take(self, *job)
        _note(WAIT, time.perf_counter() - begun)
        if taken and getattr(_own, "times", None) is not None:
            _own.times.taken, _own.has_worker = time.time(), True
        return taken

    def timed_give_back(self: Any, job: str) -> None:
        give_back(self, job)
        if getattr(_own, "times", None) is not None and _own.has_worker:
            _own.times.given, _own.has_worker = time.time(), False

    Slots.take, Slots.give_back = timed_take, timed_give_back  # type: ignore[method-assign]


def put_clock_on_slots(times: JobTimes, begun: float) -> None:
    """Begin a job's time with a worker, where there are no slots."""
    if "hotfolder.daemon.slots" not in sys.modules:
        times.taken, _own.has_worker = begun, True


def end_slot(times: JobTimes, ended: float) -> None:
    """End it."""
    if _own.has_worker:
        times.given, _own.has_worker = ended, False


if __name__ == "__main__":
    from hotfolder_command import main

    put_clocks(Path(sys.argv[1]))
    sys.argv[:] = ["hotfolder", *sys.argv[2:]]
    main()
