"""What goes wrong in a soak: kills, full disks, shares taken away, permissions, and people."""

from __future__ import annotations

import contextlib
import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psutil

from faults.soaking.place import ALBUM, CANVAS, DESTINATIONS, Place, run
from hotfolder.ending.decision import release_job
from hotfolder.errors import HotfolderError
from hotfolder.ledger.jobs import State, read_jobs

TOKEN = "HOTFOLDER_SOAK"
_TOLERATED = {4, 6}
"""Exit codes of a start while a share is away or a disk is full: it says so, and starts not."""


@dataclass
class Desk:
    """The daemon, started again whenever it has ended. lives: memory and age of each."""

    place: Place
    token: str
    process: subprocess.Popen[bytes] | None = None
    lives: list[dict[str, float]] = field(default_factory=list)
    refused_starts: int = 0
    wrong: list[str] = field(default_factory=list)
    """What must not have happened."""
    _not_before: float = 0.0
    _killed: bool = False

    def keep_running(self, *, in_trouble: bool) -> None:
        """Start a daemon if none runs; note it when one has ended by itself."""
        if self.process is not None:
            code = self.process.poll()
            if code is None:
                self._note_memory()
                return
            if not self._killed:
                if in_trouble and code in _TOLERATED:
                    self.refused_starts += 1
                    self._not_before = time.monotonic() + 1.0
                else:
                    self.wrong.append(f"the daemon ended by itself, with {code}")
            self.process, self._killed = None, False
        if time.monotonic() >= self._not_before:
            log = (self.place.folder / "daemon.txt").open("ab")
            self.process = subprocess.Popen(
                [sys.executable, "-m", "hotfolder", "watch", "--quiet", self.place.root.path],
                stdout=log, stderr=log, env={**os.environ, TOKEN: self.token},
                start_new_session=True,
            )  # fmt: skip
            log.close()
            self.lives.append({"age_s": 0, "rss_mib": 0, "since": time.monotonic()})

    def kill(self, number: signal.Signals = signal.SIGKILL) -> None:
        """End the daemon; it is started again later."""
        if self.process is not None:
            self._killed = True
            self.process.send_signal(number)
            if self.process.wait(60) not in {0, -number, *_TOLERATED}:
                self.wrong.append(f"the daemon ended with {self.process.returncode} after {number}")

    def processes(self) -> list[psutil.Process]:
        """Every process that this soak has started, and all that they have."""
        found = []
        for each in psutil.process_iter():
            with contextlib.suppress(psutil.Error):
                if each.environ().get(TOKEN) == self.token and each.status() != "zombie":
                    found.append(each)
        return found

    def workers(self) -> tuple[psutil.Process | None, list[psutil.Process]]:
        """The server that workers are forked from, and the workers."""
        if self.process is None:
            return None, []
        with contextlib.suppress(psutil.Error):
            for each in find_daemon(self.process.pid).children():
                if "forkserver" in " ".join(each.cmdline()):
                    return each, each.children()
        return None, []

    def _note_memory(self) -> None:
        life = self.lives[-1]
        with contextlib.suppress(psutil.Error):
            assert self.process is not None
            rss = find_daemon(self.process.pid).memory_info().rss / 2**20
            life.update(age_s=time.monotonic() - life["since"], rss_mib=rss)
            if "rss_mib_at_10_s" not in life and life["age_s"] > 10:
                life["rss_mib_at_10_s"] = rss


def find_daemon(pid: int) -> psutil.Process:
    """The process that serves, behind the one that the command has started (`disk.apart`)."""
    known = psutil.Process(pid)
    return next(iter(known.children()), known)


class Troubles:
    """Makes trouble. counts: what was done, by kind."""

    def __init__(self, place: Place, desk: Desk, rng: random.Random) -> None:
        self.place, self.desk, self.rng = place, desk, rng
        self.counts: Counter[str] = Counter()
        self.collected: list[tuple[str, str]] = []
        """Path and SHA-256 of every result that a consumer has collected."""
        self._mends: list[tuple[float, str, Callable[[], None]]] = []
        self._mended_at = 0.0

    @property
    def in_trouble(self) -> bool:
        """Whether storage is in the way, or was a moment ago."""
        return bool(self._mends) or time.monotonic() < self._mended_at + 15

    @property
    def now(self) -> str:
        """What is broken now."""
        return ", ".join(name for _, name, _ in self._mends)

    def strike(self, *, kills: bool) -> None:
        """Do one thing of all that can go wrong."""
        ways: dict[Callable[[], bool], int] = {
            self.worker_killed: 4, self.forkserver_killed: 1, self.second_daemon: 1,
        }  # fmt: skip
        if kills:
            ways |= {
                self.daemon_killed: 4, self.daemon_and_workers_killed: 3,
                self.stopped_worker_outlives_daemon: 2, self.stopped_cleanly: 2,
            }  # fmt: skip
        if len(self._mends) < 2:
            ways |= {self.permission_taken_away: 3}
            if self.place.mounts:
                ways |= {
                    self.disk_full: 4, self.share_full: 3, self.share_taken_away: 4,
                    self.share_read_only: 2,
                }  # fmt: skip
        (way,) = self.rng.choices(list(ways), list(ways.values()))
        if way():
            self.counts[way.__name__.replace("_", " ")] += 1

    def mend(self, *, all_of_it: bool = False) -> None:
        """Mend what is due."""
        for entry in list(self._mends):
            if all_of_it or time.monotonic() >= entry[0]:
                entry[2]()
                self._mends.remove(entry)
                self._mended_at = time.monotonic()

    # kills

    def daemon_killed(self) -> bool:
        self.desk.kill()
        return True

    def daemon_and_workers_killed(self) -> bool:
        found = self.desk.processes()
        self.desk.kill()
        for each in found:
            with contextlib.suppress(psutil.Error):
                each.kill()
        return True

    def worker_killed(self) -> bool:
        _, workers = self.desk.workers()
        return self._signalled(workers, signal.SIGKILL)

    def forkserver_killed(self) -> bool:
        server, _ = self.desk.workers()
        return self._signalled([server] if server else [], signal.SIGKILL)

    def stopped_worker_outlives_daemon(self) -> bool:
        """It goes on when another daemon is at work already."""
        _, workers = self.desk.workers()
        if not self._signalled(workers[:1], signal.SIGSTOP):
            return False
        self.desk.kill()

        def go_on() -> None:
            self._signalled(workers[:1], signal.SIGCONT)

        self._mends.append((time.monotonic() + self.rng.uniform(3, 8), "a stopped worker", go_on))
        return True

    def stopped_cleanly(self) -> bool:
        self.desk.kill(signal.SIGTERM)
        return True

    def second_daemon(self) -> bool:
        """It refuses, and names the first."""
        if self.desk.process is None or self.in_trouble or self.desk.lives[-1]["age_s"] < 5:
            return False
        second = subprocess.run(
            [sys.executable, "-m", "hotfolder", "watch", "--quiet", self.place.root.path],
            capture_output=True, text=True, timeout=60, check=False,
            env={**os.environ, TOKEN: self.desk.token},
        )  # fmt: skip
        if second.returncode != 7 or str(self.desk.process.pid) not in second.stderr:
            self.desk.wrong.append(f"a second daemon: {second.returncode} {second.stderr}")
        return True

    def _signalled(self, processes: list[psutil.Process], number: signal.Signals) -> bool:
        done = False
        for each in processes:
            with contextlib.suppress(psutil.Error):
                each.send_signal(number)
                done = True
        return done

    # storage

    def disk_full(self) -> bool:
        return self._full(self.place.disk)

    def share_full(self) -> bool:
        return self._full(self.place.share)

    def _full(self, disk: Path) -> bool:
        ballast = disk / f"ballast-{time.monotonic_ns()}"
        free = shutil.disk_usage(disk).free - self.rng.choice((0, 4, 40, 400)) * 1024
        if free <= 0:
            return False
        with ballast.open("wb") as file:
            while free > 0:
                try:
                    os.posix_fallocate(file.fileno(), 0, free)
                    break
                except OSError:  # what a file system needs for itself is not told before
                    free -= 256 * 1024
        self._later(f"{disk.name} full", ballast.unlink)
        return True

    def share_taken_away(self) -> bool:
        point = self.rng.choice(self.place.mount_points())
        if point in self.place.away or any("read-only" in name for _, name, _ in self._mends):
            return False
        self.place.take_away(point)

        def bring_back() -> None:
            below = [each.name for each in point.iterdir()]
            if below:
                self.desk.wrong.append(f"written under the mount point {point}: {below}")
            self.place.bring_back(point)

        self._later(f"{point.parent.name} of the web away", bring_back)
        return True

    def share_read_only(self) -> bool:
        point = self.place.mount_points()[1]
        if point in self.place.away or any("read-only" in name for _, name, _ in self._mends):
            return False
        run("mount", "-o", "remount,bind,ro", point)
        self._later(
            "results of the web read-only", lambda: run("mount", "-o", "remount,bind,rw", point)
        )
        return True

    def permission_taken_away(self) -> bool:
        """Of a folder; where the soak runs as root, to whom all is permitted, by its attribute."""
        kind = self.rng.choice(("in", "out", "held", "refused", "originals", "release"))
        name = self.rng.choice((CANVAS, ALBUM))
        folder = self.place.root.path / kind / name
        if any(str(folder) in each for _, each, _ in self._mends):
            return False
        if os.geteuid() == 0:
            run("chattr", "+i", folder)
            self._later(f"{folder} forbidden", lambda: run("chattr", "-i", folder))
        else:
            folder.chmod(0o500)
            self._later(f"{folder} forbidden", lambda: folder.chmod(0o700))
        return True

    def _later(self, name: str, mend: Callable[[], None]) -> None:
        self._mends.append((time.monotonic() + self.rng.uniform(2, 15), name, mend))

    # people

    def people(self) -> None:
        """Somebody collects a result, lets a held job go, or gives one up."""
        way = self.rng.choice((self._collect, self._collect, self._release, self._give_up))
        with contextlib.suppress(OSError):
            way()

    def _collect(self) -> None:
        for name in DESTINATIONS:
            results = self.place.root.path / "out" / name
            if results in self.place.away:
                continue
            found = sorted(path for path in results.rglob("*") if is_result(path, results))
            for path in self.rng.sample(found, min(3, len(found))):
                data = path.read_bytes()
                path.unlink()
                self.collected.append((str(path), hashlib.sha256(data).hexdigest()))
                self.counts["result collected"] += 1

    def _held(self) -> list[Any]:
        if not self.place.root.ledger.exists():
            return []
        rows = read_jobs(self.place.root.ledger, ended=True)
        there = [
            row
            for row in rows
            if row.state is State.HELD
            and (self.place.root.path / "held" / row.destination / row.id).is_dir()
        ]
        return self.rng.sample(there, min(4, len(there)))

    def _release(self) -> None:
        for row in self._held():
            way = self.rng.choice(("by command", "with a change", "by hand"))
            if way == "by hand":
                held = self.place.root.path / "held" / row.destination / row.id
                held.rename(self.place.root.path / "release" / row.destination / row.id)
            else:
                asked = ["sizing.ppi=50"] if way == "with a change" else []
                if row.destination != ALBUM:
                    asked = []
                try:
                    release_job(self.place.root, row.id, asked, who="keeper", why="soak")
                except HotfolderError:
                    self.counts["release that was refused with a message"] += 1
                    continue
            self.counts[f"released {way}"] += 1

    def _give_up(self) -> None:
        for row in self._held()[:1]:
            held = self.place.root.path / "held" / row.destination / row.id
            bin_ = self.place.aside(CANVAS) / row.id
            held.rename(bin_)
            shutil.rmtree(bin_)
            self.counts["held job given up"] += 1


def is_result(path: Path, results: Path) -> bool:
    """Whether a file below a destination's results is one, and none of our own."""
    relative = path.relative_to(results)
    ours = {"log.jsonl", "index.html"}
    return (
        path.is_file()
        and not path.name.startswith(".")
        and relative.parts[0] != "sheets"
        and not (len(relative.parts) == 1 and path.name in ours)
    )
