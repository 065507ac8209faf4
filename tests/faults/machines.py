"""Several machines, killed, frozen and cut off: each file ends once all the same.

    python tests/faults/machines.py --jobs 200 --workers 3

Scheduler, machines and daemon are processes of their own; machines have folders of their own, and
nothing shared. As root on Linux each machine is another user, in a network of its own that can be
cut, and all speak by TLS; elsewhere all are on loopback, and nothing is cut. While the jobs are
worked on, one of all is hit at random every few seconds: `kill -9` of a machine, of the scheduler,
of the daemon; a machine that is stopped (SIGSTOP) for longer than the daemon's patience; a network
that is down as long. At the end the books are those of the kill tests.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from faults.killing import check_books, dropped_hashes
from hotfolder.errors import StorageError
from hotfolder.ledger.jobs import read_jobs
from hotfolder.model.snapshot import read_snapshot
from hotfolder.overview.new_root import make_root
from hotfolder.settings.root import Root
from hotfolder.work.machines.certificates import make_certificates
from hotfolder_demo import write_profiles
from whole.conftest import drop, records, write_destination

PATIENCE_S = 3.0
HIT_S = PATIENCE_S + 2.0
"""For how long a machine is frozen, or cut off."""
ACTS = ("kill machine", "kill scheduler", "kill daemon", "freeze machine", "cut machine")
_USER = 60100
_COMMAND = (sys.executable, "-W", "ignore", "-m", "hotfolder")
_IN_OWN_NETWORK = "HOTFOLDER_TEST_IN_OWN_NETWORK"


@dataclass
class World:
    """A root, a scheduler, machines and a daemon."""

    folder: Path
    workers: int
    networks: bool
    seed: int = 0
    running: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)
    acts: Counter[str] = field(default_factory=Counter)
    holders: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)
    """Of each machine's network: a process that does nothing in it."""

    def __post_init__(self) -> None:
        self.root = Root(self.folder / "root")
        self.names = [f"machine-{number}" for number in range(1, self.workers + 1)]
        self.certificates = self.folder / "certificates"
        self.compiled = self.folder / "compiled"
        if self.networks:
            make_certificates(self.certificates, self.names)
            self.certificates.chmod(0o711)
            self.address = "tls://10.99.1.1:8786"
        else:
            self.address = f"tcp://127.0.0.1:{free_port()}"
        self.ports = {name: free_port() for name in self.names}

    def make(self, jobs: int) -> list[str]:
        """Make the root and its pictures; return the pictures' hashes."""
        root = self.root
        root.profiles.mkdir(parents=True)
        write_profiles(root.profiles)
        make_root(root.path)
        for file in root.destinations.glob("*.toml"):
            file.unlink()
        file = write_destination(root)
        text = file.read_text().partition("[stage.sizing]")[0]
        file.write_text(re.sub("stages = .*", 'stages = ["profile-conversion"]', text))
        settings = root.path / "hotfolder.toml"
        text = re.sub('(?m)^quiet = "2 s"', 'quiet = "0.1 s"', settings.read_text())
        text += (
            f'\n[engine]\nkind = "dask"\naddress = "{self.address}"\nhere = "when-needed"\n'
            f'patience = "{PATIENCE_S} s"\n'
        )
        if self.networks:
            text += f'certificates = "{self.certificates / "daemon"}"\n'
        settings.write_text(text)
        for number in range(jobs):
            drop(root, f"{number:04}.tif", seed=number, size=24)
        return dropped_hashes(root.path / "in/fine-art-canvas")

    def start(self, name: str) -> None:
        """Start one of all: "scheduler", "daemon", or a machine's name."""
        own: list[str] = []
        if self.networks and name != "daemon":
            own = ["--certificates", str(self.certificates / name)]
        if name == "scheduler":
            command = [*_COMMAND, "scheduler", self.address, *own]
        elif name == "daemon":
            command = [*_COMMAND, "watch", str(self.root.path), "--quiet"]
        else:
            command = self._machine(name, own)
        with (self.folder / f"{name}.txt").open("ab") as said:
            self.running[name] = subprocess.Popen(
                command, stdout=said, stderr=said, start_new_session=True
            )

    def _machine(self, name: str, own: list[str]) -> list[str]:
        number = self.names.index(name) + 1
        place = self.folder / name
        place.mkdir(0o700, exist_ok=True)
        command = [*_COMMAND, "worker", self.address, "--folder", str(place), "--slots", "1"]
        command += own or ["--name", name, "--listen", f"127.0.0.1:{self.ports[name]}"]
        if not self.networks:
            return command
        command += ["--listen", f"10.99.{number}.2:9000"]
        user = _USER + number
        for path in (place, self.certificates / name):
            for each in (path, *path.rglob("*")):
                os.chown(each, user, user)
        can_read = "+dac_read_search"  # the interpreter may lie in a folder that is root's alone
        return [
            "nsenter", "-t", str(self.holders[name].pid), "-n", "--",
            "setpriv", "--reuid", str(user), "--regid", str(user), "--clear-groups",
            "--inh-caps", can_read, "--ambient-caps", can_read, "--",
            "env", f"TMPDIR={place}", f"HOME={place}", f"NUMBA_CACHE_DIR={self.compiled}", *command,
        ]  # fmt: skip

    def begin(self) -> None:
        """Start all, and wait until the machines have joined."""
        if self.networks:
            self._connect()
            self.compiled.mkdir()
            env = {**os.environ, "NUMBA_CACHE_DIR": str(self.compiled)}
            command = [sys.executable, "-c", "import hotfolder.work.preload"]
            subprocess.run(command, check=True, env=env)  # once for all, and not after each kill
            for path in (self.compiled, *self.compiled.rglob("*")):
                path.chmod(0o777)
        for name in ("scheduler", *self.names):
            self.start(name)
        for name in self.names:
            wait_for(lambda name=name: "has joined" in self._said(name), 60, f"{name} joins")
        self.start("daemon")

    def end(self) -> None:
        """End all."""
        for name in ("daemon", *self.names, "scheduler"):
            process = self.running.get(name)
            if process is not None:
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(process.pid, signal.SIGCONT)
                    os.kill(process.pid, signal.SIGTERM)
        for process in self.running.values():
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(30)
            with contextlib.suppress(ProcessLookupError):  # what it has started may still end
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        for holder in self.holders.values():
            holder.kill()
            holder.wait()

    def _connect(self) -> None:
        """Give each machine a network of its own, with a line to ours."""
        for number, name in enumerate(self.names, 1):
            holder = subprocess.Popen(["unshare", "-n", "sleep", "infinity"])
            self.holders[name] = holder
            own = Path("/proc/self/ns/net").readlink()
            there = Path(f"/proc/{holder.pid}/ns/net")
            wait_for(lambda there=there, own=own: there.readlink() != own, 10, "a network")
            inside = ["nsenter", "-t", str(holder.pid), "-n", "--", "ip"]
            for command in (
                ["ip", "link", "add", f"line{number}", "type", "veth", "peer", "name", "out"],
                ["ip", "link", "set", "out", "netns", str(holder.pid)],
                ["ip", "address", "add", f"10.99.{number}.1/24", "dev", f"line{number}"],
                ["ip", "link", "set", f"line{number}", "up"],
                [*inside, "address", "add", f"10.99.{number}.2/24", "dev", "out"],
                [*inside, "link", "set", "out", "up"],
                [*inside, "link", "set", "lo", "up"],
                [*inside, "route", "add", "default", "via", f"10.99.{number}.1"],
            ):
                subprocess.run(command, check=True)

    def hit(self, act: str, chance: random.Random) -> None:
        """Let something befall one of all, and mend it."""
        self.acts[act] += 1
        what, _, whom = act.partition(" ")
        name = chance.choice(self.names) if whom == "machine" else whom
        process = self.running[name]
        if what == "kill":
            os.kill(process.pid, signal.SIGKILL)
            process.wait()
            time.sleep(chance.uniform(0.1, 2.0))
            self.start(name)
        elif what == "freeze":
            os.kill(process.pid, signal.SIGSTOP)
            time.sleep(HIT_S)
            os.kill(process.pid, signal.SIGCONT)
        else:
            number = self.names.index(name) + 1
            for state in ("down", "up"):
                subprocess.run(["ip", "link", "set", f"line{number}", state], check=True)
                time.sleep(HIT_S if state == "down" else 0)
            inside = ["nsenter", "-t", str(self.holders[name].pid), "-n", "--", "ip"]
            way = ["route", "replace", "default", "via", f"10.99.{number}.1"]
            subprocess.run([*inside, *way], check=True)

    def count_ended(self) -> int:
        """Jobs that have ended."""
        if not self.root.ledger.exists():
            return 0
        try:
            return len(read_jobs(self.root.ledger, ended=True))
        except (StorageError, sqlite3.Error):  # it is being made
            return 0

    def _said(self, name: str) -> str:
        return (self.folder / f"{name}.txt").read_text(errors="replace")


def free_port() -> int:
    """A port of loopback that nobody listens at."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_for(is_so, seconds: float, what: str) -> None:
    """Wait until something is so."""
    ends_at = time.monotonic() + seconds
    while not is_so():
        assert time.monotonic() < ends_at, f"not within {seconds} s: {what}"
        time.sleep(0.1)


@contextmanager
def a_world(workers: int, *, networks: bool) -> Iterator[World]:
    """A world in a folder that goes with it."""
    folder = Path(tempfile.mkdtemp(prefix="hotfolder-machines-"))
    folder.chmod(0o711)  # machines are other users
    world = World(folder, workers, networks)
    try:
        yield world
    except BaseException:
        for said in sorted(folder.glob("*.txt")):
            print(f"--- {said.name}", said.read_text(errors="replace")[-3000:])  # noqa: T201
        raise
    finally:
        world.end()
        shutil.rmtree(folder, ignore_errors=True)


def can_have_networks() -> bool:
    """Whether machines can have networks and users of their own."""
    tools = ("unshare", "nsenter", "ip", "setpriv")
    if sys.platform != "linux" or os.geteuid() or not all(map(shutil.which, tools)):
        return False
    tried = subprocess.run(["unshare", "-n", "true"], capture_output=True, check=False)
    return tried.returncode == 0


def run(jobs: int, workers: int, seed: int, limit_s: float, *, networks: bool) -> dict[str, object]:
    """Have jobs done while machines are hit; check the books; say what happened."""
    chance = random.Random(seed)
    acts = ACTS if networks else ACTS[:-1]
    with a_world(workers, networks=networks) as world:
        dropped = world.make(jobs)
        world.begin()
        begun = time.monotonic()
        while world.count_ended() < jobs:
            assert time.monotonic() - begun < limit_s, f"{world.count_ended()} of {jobs} ended"
            time.sleep(chance.uniform(0.5, 3.0))
            if world.count_ended() < jobs * 0.95:
                world.hit(chance.choice(acts), chance)
        elapsed_s = time.monotonic() - begun
        wait_for(lambda: read_snapshot(world.root.snapshot) is not None, 60, "a snapshot")
        snapshot = read_snapshot(world.root.snapshot)
        daemon = world.running["daemon"]
        os.kill(daemon.pid, signal.SIGTERM)
        code = daemon.wait(60)
        check_books(world.root, dropped)
        made = Counter(str(record["machine"]) for record in records(world.root))
        left = [
            str(path) for name in world.names for path in (world.folder / name / "tries").iterdir()
        ]
        return {
            "jobs": jobs,
            "elapsed_s": round(elapsed_s, 1),
            "exit": code,
            "acts": dict(world.acts),
            "states": dict(Counter(record["state"] for record in records(world.root))),
            "made_by": dict(made),
            "machines": [each.model_dump() for each in snapshot.machines] if snapshot else [],
            "left_on_machines": left,
        }


def main() -> None:
    """Run the long form."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--jobs", type=int, default=200)
    parser.add_argument("--workers", type=int, default=3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--limit", type=float, default=1800, help="seconds")
    parser.add_argument("--loopback", action="store_true", help="no networks, no other users")
    options = parser.parse_args()
    networks = can_have_networks() and not options.loopback
    if networks and _IN_OWN_NETWORK not in os.environ:
        os.environ[_IN_OWN_NETWORK] = "1"
        os.execvp("unshare", ["unshare", "-n", sys.executable, *sys.orig_argv[1:]])
    if networks:
        subprocess.run(["ip", "link", "set", "lo", "up"], check=True)
    found = run(options.jobs, options.workers, options.seed, options.limit, networks=networks)
    print(json.dumps({"networks": networks, **found}, indent=1))  # noqa: T201


if __name__ == "__main__":
    main()
