"""Kill the daemon at a chosen outside act, and count what it has done with every file.

The acts are the functions through which the program touches disk and ledger. They are wrapped
here, in the test process's child; the program itself knows nothing of it.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import threading
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

from hotfolder.daemon.loop import Daemon
from hotfolder.disk import durable, line_log, platforms, trees
from hotfolder.ledger.jobs import Ledger, State, read_jobs
from hotfolder.logs import set_up_logs
from hotfolder.overview.check import check
from hotfolder.settings.root import Root
from hotfolder.work.worker import Answer, Attempt, _work

ACTS: tuple[tuple[Any, str], ...] = (
    (durable, "move_new"),
    (durable, "copy_new"),
    (durable, "write_new"),
    (line_log, "append_line"),
    (durable, "make_folders"),
    (trees, "remove_tree"),
    (durable, "fsync_file"),
    (durable, "fsync_folder"),
    (platforms, "rename_noreplace"),
    (Ledger, "add"),
    (Ledger, "advance"),
    (Ledger, "end"),
    (Ledger, "forget"),
)


_OURS = {"record.json", "why.txt", "log.jsonl", "index.html"}


class Killer:
    """Wraps the acts; ends the process by SIGKILL before or after the one with a given number."""

    def __init__(self, number: int | None, *, after: bool) -> None:
        self.number = number
        self.after = after
        self.acts: list[str] = []
        self._lock = threading.Lock()

    def install(self) -> None:
        for owner, name in ACTS:
            setattr(owner, name, self._wrapped(getattr(owner, name), name))

    def _wrapped(self, act: Callable[..., Any], name: str) -> Callable[..., Any]:
        def counted(*args: Any, **kwargs: Any) -> Any:
            with self._lock:
                self.acts.append(name)
                mine = len(self.acts)
            if mine == self.number and not self.after:
                os.kill(os.getpid(), signal.SIGKILL)
            try:
                return act(*args, **kwargs)
            finally:
                if mine == self.number and self.after:
                    os.kill(os.getpid(), signal.SIGKILL)

        return counted


def run_here(attempt: Attempt, _stop: threading.Event) -> Answer:
    """An attempt in the daemon's own process: faults are about the daemon, not the worker."""
    return _work(attempt)


def sweep_in_child(
    root: Root, number: int | None = None, *, after: bool = False, **options: Any
) -> list[str] | None:
    """Sweep in a child process that is killed at an act; None when it was, else its acts."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(read)
        code = 1
        try:
            set_up_logs(None)
            killer = Killer(number, after=after)
            found = check(root)
            assert found.settings is not None
            assert found.registry is not None
            daemon = Daemon(root, found.settings, found.registry, run=run_here, **options)
            killer.install()
            daemon.run(until_idle=True)
            if not daemon.troubles():
                os.write(write, json.dumps(killer.acts).encode())
                code = 0
        finally:
            os._exit(code)
    os.close(write)
    with os.fdopen(read) as pipe:
        said = pipe.read()
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        assert os.WTERMSIG(status) == signal.SIGKILL
        return None
    assert os.WEXITSTATUS(status) == 0, "the sweep failed"
    acts: list[str] = json.loads(said)
    return acts


def sample(acts: list[str], count: int, *, turn: int = 0, first: int = 1) -> list[int]:
    """Choose acts of a sweep, from begin to end, of as many kinds as there are choices.

    Parameters
    ----------
    acts : list of str
        The kinds of a sweep's acts, in their order.
    count : int
        How many to choose.
    turn : int
        Of the test among those that share the kinds: each turn begins where the one before ended.
    first : int
        Number of the first act that may be chosen.

    Returns
    -------
    list of int
        Numbers of acts, from 1, in their order: one from each of `count` parts of the sweep.
    """
    kinds = sorted(set(acts[first - 1 :]))
    at = turn * count % len(kinds)
    wanted = kinds[at:] + kinds[:at]
    borders = [first + part * (len(acts) + 1 - first) // count for part in range(count + 1)]
    chosen = []
    for begin, end in pairwise(borders):
        kind = next(each for each in wanted if each in acts[begin - 1 : end - 1])
        wanted.remove(kind)
        wanted.append(kind)  # not again before all others
        numbers = [number for number in range(begin, end) if acts[number - 1] == kind]
        chosen.append(numbers[turn % len(numbers)])
    return chosen


def choose(acts: list[str], count: int, *, every: bool, turn: int = 0, first: int = 1) -> list[int]:
    """Choose every act of a sweep, or a sample of them."""
    if every:
        return list(range(first, len(acts) + 1))
    return sample(acts, count, turn=turn, first=first)


def copied(root: Root, to: Path) -> Root:
    """The same root at another place."""
    shutil.copytree(root.path, to)
    return Root(to)


def below(folder: Path) -> Iterator[Path]:
    """Every file below a folder, also through links to folders; its real path."""
    for top, _, names in sorted(os.walk(folder, followlinks=True)):
        yield from (Path(top, name).resolve() for name in sorted(names))


def hashes(root: Root, *kinds: str) -> Iterator[str]:
    """SHA-256 of every original under these folders; results and our own files are left out."""
    for kind in kinds:
        for path in below(root.path / kind):
            ours = path.name in _OURS or path.name.startswith(".") or path.parent.name == "result"
            if not ours:
                yield hashlib.sha256(path.read_bytes()).hexdigest()


def check_books(root: Root, dropped: list[str], *, latest_only: bool = False) -> None:
    """Every original ended exactly once and is kept, as is its sidecar; results, log, ledger agree.

    With `latest_only`, only the last record of a job counts: a held job that was released has two.
    """
    kept = hashes(root, "in", "originals", "held", "refused")
    assert_same(sorted(dropped), sorted(kept), "each original is kept once")
    assert_same([], list(hashes(root, "in")), "nothing waits")
    assert_same([], list(root.spool.iterdir()), "the spool is empty")

    logged = [
        json.loads(line)
        for log in below(root.path / "out")
        if log.name == "log.jsonl"
        for line in log.read_bytes().splitlines()
    ]
    if latest_only:
        logged = list({record["job"]: record for record in logged}.values())
    said = [record["original"]["sha256"] for record in logged]
    sidecars = (each for record in logged for each in record["attachments"])
    said += [each["sha256"] for each in sidecars if each["kind"] == "sidecar"]
    assert_same(sorted(dropped), sorted(said), "each original has exactly one line in a log")
    for log in below(root.path / "out"):
        if log.name == "log.jsonl":
            check_chain(log)
    ended = {row.id: row for row in read_jobs(root.ledger, ended=True)}
    assert_same([], read_jobs(root.ledger), "no job is open")
    assert_same(
        {record["job"]: record for record in logged},
        {job: json.loads(row.record_text) for job, row in ended.items()},
        "log and ledger say the same",
    )

    results = {
        str((root.path / result["path"]).resolve()): result["sha256"]
        for record in logged
        if record["state"] == State.DELIVERED
        for result in record["results"]
    }
    out = {
        str(path): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in below(root.path / "out")
        if path.name not in _OURS and path.name != ".hotfolder-folder"
    }
    assert_same(results, out, "each result is there once")
    left = [
        str(path)
        for path in below(root.path)
        if path.name.startswith(".hotfolder-") and path.name != ".hotfolder-folder"
    ]
    assert_same([], left, "no temporary name is left")


def assert_same(expected: object, actual: object, what: str) -> None:
    """Say which of the books is wrong: a planted bug must be seen for its own reason."""
    assert expected == actual, f"not so: {what}: expected {expected}, got {actual}"


def check_chain(log: Path) -> None:
    """Every record names the hash of the line before it; the first says nothing but zeros."""
    previous = "0" * 64
    for line in log.read_bytes().splitlines(keepends=True):
        assert json.loads(line)["previous_sha256"] == previous, f"the chain is broken in {log}"
        previous = hashlib.sha256(line).hexdigest()


def dropped_hashes(folder: Path) -> list[str]:
    """SHA-256 of every file that waits in a hot folder."""
    return [
        hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file() and not path.name.startswith(".")
    ]


def in_a_child(work: Callable[[], Any], seconds: int) -> tuple[Any, int]:
    """Run in a child process, which a signal ends if it finds no end in some seconds.

    Returns
    -------
    What `work` returned, as JSON has it, or None; and the status for `os.WIFSIGNALED` and others.
    """
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        code = 1
        signal.alarm(seconds)
        try:
            os.close(read)
            os.write(write, json.dumps(work()).encode())
            code = 0
        except BaseException:  # noqa: BLE001 - the parent sees the code
            import traceback

            traceback.print_exc()
        finally:
            os._exit(code)
    os.close(write)
    with os.fdopen(read) as pipe:
        said = pipe.read()
    _, status = os.waitpid(child, 0)
    return json.loads(said) if said else None, status
