"""The worker: a process of its own for every attempt at a job.

`run_attempt` starts one from a forkserver that has the heavy imports loaded, watches it by our
own clock, and reads what it leaves behind: a JSON file of limited size in the attempt's folder.
Whoever serves for long has one more ready, so that no job waits for its process (`keep_spare`).
Nothing is unpickled that came from a process which has parsed strangers' bytes.
"""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import signal
import sys
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from pydantic import ValidationError

from hotfolder.disk import platforms, processes
from hotfolder.disk.names import display_name
from hotfolder.errors import HotfolderError, StageError, StorageError
from hotfolder.model.answer import Answer
from hotfolder.model.failure import Failure
from hotfolder.settings.files import check_destination
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry
from hotfolder.work.order import Order

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    # Windows has only one of them
    from multiprocessing.context import ForkServerContext, SpawnContext

ANSWER = "answer.json"
PROGRESS = "progress.json"
OUTPUT = "worker.log"
STARTED = "started"
"""Made by a worker that is able to work, before it looks at the file."""
MAX_ANSWER_BYTES = 4 * 2**20
_OPEN_FILES = 256
_NO_ROOM = 75
"""Exit code of a worker that could not leave its answer: EX_TEMPFAIL of sysexits.h."""
_PROGRESS_EVERY_S = 0.25
_LONGEST_REASON = 300
_PATIENCE_S = 1.0


@dataclass(frozen=True)
class Attempt:
    """One attempt at a job: the order, and the destination's file as TOML gave it."""

    order: Order
    destination_file: Path
    destination_raw: Mapping[str, object]
    plugins: Path
    time_s: float
    memory_bytes: int


@dataclass(frozen=True)
class Stopped:
    """The worker was ended from outside before it answered: the daemon is stopping."""


def run_attempt(attempt: Attempt, stop: threading.Event) -> Answer | Stopped:
    """Run one attempt in a process of its own and return its answer.

    A worker that crashes, hangs past its time, outgrows its memory or answers nonsense comes
    back as an answer with the verdict ``failed`` and a message that says which. Its
    process, and what that has started, has ended when this returns.

    Raises
    ------
    OSError
        When no process can be started; no worker has seen the file.
    """
    started = time.monotonic()
    process = _SPARE.take(attempt) or _start(attempt)
    try:
        _SPARE.begin()
        ended = _wait(process, started + attempt.time_s, stop)
    finally:
        _end(process)
    if ended == "stopped":
        return Stopped()
    if ended == "late":
        limit = f"{attempt.time_s / 60:.3g} min"
        return Answer(
            verdict="failed", message=f"the work took longer than {limit}, its limit (limits.time)"
        )
    return _answer(attempt, process.exitcode)


def get_ready() -> None:
    """Start what workers are forked from, so that the first job does not wait for its imports."""
    if _context().get_start_method() == "forkserver":
        from multiprocessing import forkserver, resource_tracker

        # it lets signals through again when it starts, so it goes first
        resource_tracker.ensure_running()
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            forkserver.ensure_running()  # inherits the mask; `unheard` ends that
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)


def keep_spare() -> None:
    """From now on have a process ready for the next attempt while this one's works."""
    _SPARE.keep()


def end_spare() -> None:
    """End the process that is ready, and have none from now on."""
    _SPARE.end()


def read_failure(folder: Path) -> Failure | None:
    """Return how a stage failed in an earlier attempt; None when that ended in another way.

    Parameters
    ----------
    folder
        Of that attempt.
    """
    try:
        return Answer.model_validate_json(_left_behind(folder / ANSWER, MAX_ANSWER_BYTES)).failure
    except (OSError, ValueError):
        return None


def read_progress(folder: Path) -> tuple[str, float] | None:
    """What the worker of an attempt was doing last, and the share done; None when unknown."""
    try:
        said = json.loads(_left_behind(folder / PROGRESS, 1000))
        return display_name(str(said["doing"])[:100]), min(1.0, max(0.0, float(said["share"])))
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None


def _context() -> ForkServerContext | SpawnContext:
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    ours = ("unheard", "worker", "preload")
    context.set_forkserver_preload(["__main__", *(f"hotfolder.work.{each}" for each in ours)])
    return context


class _Spare:
    """A process that was started before there was an attempt for it: it waits to be sent one."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._is_kept = False
        self._ready: tuple[BaseProcess, Connection] | None = None

    def keep(self) -> None:
        self._is_kept = True
        # what workers are forked from loads for seconds first
        threading.Thread(target=self.begin, name="spare worker", daemon=True).start()

    def begin(self) -> None:
        """Start one, if one is kept and there is none."""
        with self._lock:
            if self._is_kept and self._ready is None:
                # whoever needs a process and gets none is told why then; EOFError: what they are
                # forked from has just ended
                with contextlib.suppress(OSError, EOFError):
                    self._ready = _start_waiting()
            if not self._is_kept:
                self._drop()

    def take(self, attempt: Attempt) -> BaseProcess | None:
        """Send it an attempt; None when there is none, or it has come to an end meanwhile."""
        with self._lock:
            ready, self._ready = self._ready, None
        if ready is None:
            return None
        process, line = ready
        try:
            with line:
                line.send(attempt)
        except OSError:
            _end(process)
            return None
        return process

    def end(self) -> None:
        self._is_kept = False
        # one that is still being started is ended by whoever starts it
        if self._lock.acquire(timeout=_PATIENCE_S):
            try:
                self._drop()
            finally:
                self._lock.release()

    def _drop(self) -> None:
        ready, self._ready = self._ready, None
        if ready is not None:
            process, line = ready
            line.close()
            _end(process)


_SPARE = _Spare()


def _start(attempt: Attempt) -> BaseProcess:
    process, line = _start_waiting()
    try:
        with line:
            line.send(attempt)
    except BaseException:
        _end(process)
        raise
    return process


def _start_waiting() -> tuple[BaseProcess, Connection]:
    """Start a process, and return it with the line on which it waits to be sent an attempt."""
    get_ready()
    context = _context()
    theirs, ours = context.Pipe(duplex=False)
    with theirs:
        process = context.Process(target=_child, args=(theirs,), name="worker")
        try:
            process.start()
        except BaseException:
            ours.close()
            raise
    return process, ours


def _wait(
    process: BaseProcess, deadline: float, stop: threading.Event
) -> Literal["ended", "late", "stopped"]:
    while True:
        process.join(min(0.1, max(0.0, deadline - time.monotonic())))
        if process.exitcode is not None:
            return "ended"
        if stop.is_set():
            return "stopped"
        if time.monotonic() >= deadline:
            return "late"


def _end(process: BaseProcess) -> None:
    """Kill the worker and all that it started; the group outlives a leader that has exited."""
    if process.pid is not None:
        processes.kill_group(process.pid)
    if process.exitcode is None:
        process.kill()
        process.join()


def _answer(attempt: Attempt, exit_code: int | None) -> Answer:
    try:
        said = _left_behind(attempt.order.folder / ANSWER, MAX_ANSWER_BYTES + 1)
    except FileNotFoundError:
        if exit_code == _NO_ROOM:
            return Answer(
                verdict="wait", message=f"a worker could not write to {attempt.order.folder}"
            )
        if not os.path.lexists(attempt.order.folder / STARTED):
            return Answer(
                verdict="wait",
                message=f"{_death(exit_code)} before it had looked at the file; "
                f"what it said is in {attempt.order.folder / OUTPUT}",
            )
        return Answer(
            verdict="failed", message=f"{_death(exit_code)}; it usually means a damaged file"
        )
    except OSError as error:
        return Answer(verdict="failed", message=f"the worker's answer cannot be read: {error}")
    if len(said) > MAX_ANSWER_BYTES:
        return Answer(verdict="failed", message=f"the worker's answer has {len(said)} bytes")
    try:
        return Answer.model_validate_json(said)
    except ValidationError as error:
        return Answer(verdict="failed", message=f"the worker's answer makes no sense: {error}")


def _left_behind(path: Path, limit: int) -> bytes:
    """Read what a worker left: it may have been taken over, and have left a link or a pipe."""
    with os.fdopen(platforms.open_regular(path), "rb") as file:
        return file.read(limit)


def _death(exit_code: int | None) -> str:
    if exit_code is not None and exit_code < 0:
        try:
            name = signal.Signals(-exit_code).name
        except ValueError:
            name = f"signal {-exit_code}"
        return f"the worker process was ended by {name}"
    return f"the worker process ended without an answer (exit code {exit_code})"


def _child(line: Connection) -> None:
    """Run in the worker process: come under the daemon, wait for an attempt, make it."""
    processes.own_group()
    processes.die_with_parent()
    threading.Thread(target=_end_with_the_daemon, daemon=True).start()
    processes.oom_prefer_me()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    try:
        with line:
            attempt: Attempt = line.recv()
    except EOFError:  # none is to come
        os._exit(0)
    _confine(attempt)
    code = _work_and_answer(attempt)
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)  # a codec's exit handlers have nothing to say


def _confine(attempt: Attempt) -> None:
    """Bring this process under the limits of an attempt."""
    _output_to(attempt.order.folder / OUTPUT)
    processes.limit_process(
        memory_bytes=int(attempt.memory_bytes),
        cpu_s=int(attempt.time_s * (processes.cpu_count() + 1)) + 60,
        open_files=_OPEN_FILES,
    )


def _work_and_answer(attempt: Attempt) -> int:
    """Work, and leave the answer in the attempt's folder; return the exit code of the process."""
    folder, answer = attempt.order.folder, _work(attempt)
    try:
        temporary = folder / f".{ANSWER}"
        temporary.write_bytes(answer.model_dump_json().encode())
        temporary.replace(folder / ANSWER)
    except OSError:
        _trace()
        return _NO_ROOM
    return 0


def _end_with_the_daemon() -> None:
    """Wait for the daemon's end, then end this process and all that it has started.

    The worker's parent in the eyes of the kernel is the forkserver, which lives as long as any
    worker does. A codec that never lets go of the interpreter holds this thread up, until its
    processor time is used up; what it writes is not looked at.
    """
    daemon = multiprocessing.parent_process()
    if daemon is not None:
        daemon.join()
        processes.end_own_group()


def _work(attempt: Attempt) -> Answer:
    # the daemon starts workers and reads no picture itself: it goes without the codecs
    from hotfolder.work.pipeline import run

    try:
        registry = load_registry(attempt.plugins)
        destination = check_destination(
            attempt.destination_file, attempt.destination_raw, registry, Intake()
        )
    except HotfolderError as error:
        return Answer(verdict="wait", message=f"no work can be done: {error}")
    (attempt.order.folder / STARTED).touch()
    try:
        outcome = run(
            attempt.order, destination, registry, _Reporter(attempt.order.folder / PROGRESS)
        )
        return Answer(
            verdict=outcome.verdict, work=outcome.work, not_kept=outcome.not_kept[:_LONGEST_REASON]
        )
    except StorageError as error:
        return Answer(verdict="wait", message=str(error))
    except MemoryError:
        limit = f"{attempt.memory_bytes / 2**30:.3g} GiB"
        return Answer(
            verdict="failed", message=f"the work needs more memory than {limit} (limits.memory)"
        )
    except StageError as error:
        _trace()
        failure = Failure.of(error, registry.owners)
        return Answer(verdict="failed", message=str(error), failure=failure)
    except HotfolderError as error:
        _trace()
        return Answer(verdict="failed", message=str(error))
    except Exception as error:  # noqa: BLE001 - the process ends here; the answer is the report
        _trace()
        return Answer(verdict="failed", message=f"{type(error).__name__}: {error}")


def _trace() -> None:
    import traceback

    traceback.print_exc()


def _output_to(path: Path) -> None:
    """Send what C libraries and stages print to a file of the attempt."""
    number = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    os.dup2(number, 1)
    os.dup2(number, 2)
    os.close(number)


class _Reporter:
    """Writes progress for the daemon to read, a few times a second."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._next = 0.0

    def __call__(self, doing: str, share: float) -> None:
        now = time.monotonic()
        if now < self._next and share < 1.0:
            return
        self._next = now + _PROGRESS_EVERY_S
        temporary = self._path.with_suffix(".new")
        temporary.write_text(json.dumps({"doing": doing, "share": round(share, 4)}))
        temporary.replace(self._path)
