"""Fail the Nth call of the system, for N = 1, 2, 3 ... until a sweep passes untouched.

Below the acts of the crash matrix lie single calls: open, write, close, fsync, rename, link, mkdir,
unlink, rmdir, read, listing a folder, looking at a name. Here one of them fails, or all of its kind
from the Nth on until the daemon has given up, with EIO or ENOSPC; then a sweep that is left alone
must bring every file to the end that it has without a fault, and the books are checked.

    python tests/faults/sweep.py

tries every call of every kind in every scenario, and prints the number of cases.

Reached is every call that the daemon's own threads make through `os`, `pathlib` and `io`, and the
two that it makes by itself (`hotfolder.disk.platforms`), on files and folders of the root. A write
that fails has written half; a close that fails has closed. Not reached are the calls of SQLite (the
crash matrix fails whole changes of the ledger), of watchdog, and of workers.
"""

from __future__ import annotations

import _pyio
import argparse
import contextlib
import errno
import io
import os
import re
import shutil
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from faults.killing import check_books, copied, hashes, in_a_child, run_here
from hotfolder.daemon import trouble
from hotfolder.daemon.loop import Daemon
from hotfolder.disk import platforms
from hotfolder.errors import StorageError
from hotfolder.ledger.jobs import read_jobs
from hotfolder.logs import set_up_logs
from hotfolder.overview.check import check
from hotfolder.overview.new_root import make_root
from hotfolder.settings.root import Root
from hotfolder.work.worker import Answer, Attempt, Stopped
from hotfolder_demo import write_profiles
from whole.conftest import drop_with_sidecar, write_destination

KINDS: dict[str, tuple[str, ...]] = {
    "open": ("open",),
    "write": ("write", "ftruncate", "truncate", "utime"),
    "close": ("close",),
    "fsync": ("fsync",),
    "rename": ("rename", "replace"),
    "link": ("link", "symlink", "mknod"),
    "mkdir": ("mkdir",),
    "unlink": ("unlink", "remove"),
    "rmdir": ("rmdir",),
    "read": ("read", "lseek"),
    "list": ("listdir", "scandir"),
    "look": ("stat", "lstat", "fstat", "statvfs"),
}
"""Kinds of calls, and the functions of `os` that are counted as one."""

WITHOUT_ROOM = ("open", "write", "close", "fsync", "rename", "link", "mkdir")
"""Kinds that can fail for want of room."""

DEADLINE_S = 180


@dataclass(frozen=True)
class Failure:
    """The call of this kind that fails; lasting: with all of its kind that follow."""

    kind: str
    number: int
    errno: int
    lasting: bool

    def __str__(self) -> str:
        each = "every call from" if self.lasting else "call"
        return f"{self.kind}: {each} {self.number} fails with {errno.errorcode[self.errno]}"


class Failing:
    """Wraps the calls, counts those that are about the root, and lets one failure happen."""

    def __init__(self, root: Root, failure: Failure | None) -> None:
        self.failure = failure
        self.counts: Counter[str] = Counter()
        self.struck = ""
        links = [each for each in root.path.glob("*/*") if each.is_symlink()]
        self._tops = tuple(os.fsencode(each.resolve()) for each in (root.path, *links))
        self._ours: set[int] = set()
        self._lock = threading.Lock()
        self._at_work = threading.local()

    def install(self) -> None:
        for kind, names in KINDS.items():
            for name in names:
                setattr(os, name, self._wrapped(kind, name, getattr(os, name)))
        # files in Python's own C make their calls unseen; the same in Python makes them through os
        in_c = io.open

        def opened(*args: Any, **kwargs: Any) -> Any:
            return (_pyio.open if self._counts() else in_c)(*args, **kwargs)

        io.open = opened  # type: ignore[assignment]
        self._renameat2, self._openat2 = platforms._renameat2, platforms._openat2
        platforms._renameat2 = self._rename
        platforms._openat2 = self._open_beneath

    def run(self, attempt: Attempt, stop: threading.Event) -> Answer | Stopped:
        """An attempt, of which nothing is counted."""
        self._at_work.now = True
        try:
            return run_here(attempt, stop)
        finally:
            self._at_work.now = False

    def _wrapped(self, kind: str, name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def counted(*args: Any, **kwargs: Any) -> Any:
            place = args[0] if args else None
            if not self._is_ours(place, kwargs):
                return call(*args, **kwargs)
            number = self._fails(kind, f"{name} {place!r}")
            if name == "close":
                self._ours.discard(place)
                call(place)
            elif number and name == "write":
                call(place, bytes(args[1])[: len(args[1]) // 2])
            if number:
                raise OSError(number, os.strerror(number), *map(_path, args[:1]))
            if name == "close":
                return None
            done = call(*args, **kwargs)
            if name == "open":
                self._ours.add(done)
            return done

        return counted

    def _counts(self) -> bool:
        name = threading.current_thread().name
        is_daemons = name == "MainThread" or name.startswith(("job", "serve ", "look "))
        return is_daemons and not getattr(self._at_work, "now", False)

    def _is_ours(self, place: Any, named: dict[str, Any]) -> bool:
        if not self._counts():
            return False
        if isinstance(place, int):
            return place in self._ours
        if place is None:
            return False
        within = next((named[key] for key in ("dir_fd", "src_dir_fd") if named.get(key)), None)
        if within is not None:
            return within in self._ours
        return os.fsencode(place).startswith(self._tops)

    def _fails(self, kind: str, what: str) -> int:
        """The error that this call ends with; 0 when it does not fail."""
        with self._lock:
            self.counts[kind] += 1
            failure = self.failure
            if failure is None or failure.kind != kind:
                return 0
            mine = self.counts[kind]
            if mine == failure.number or (failure.lasting and mine > failure.number):
                self.struck = self.struck or what
                return failure.errno
            return 0

    def _rename(
        self, source: bytes, target: bytes, source_folder: int | None, target_folder: int | None
    ) -> int:
        number = self._fails("rename", f"renameat2 {source!r} {target!r}")
        return number or self._renameat2(source, target, source_folder, target_folder)

    def _open_beneath(self, root: int, relative: bytes, flags: int) -> tuple[int, int]:
        number = self._fails("open", f"openat2 {relative!r}")
        if number:
            return number, -1
        number, file = self._openat2(root, relative, flags)
        if number == 0:
            self._ours.add(file)
        return number, file


def _path(place: Any) -> Any:
    return os.fspath(place) if not isinstance(place, int) else None


@dataclass(frozen=True)
class Swept:
    """What a sweep came to.

    struck: the call that failed first, or ""; troubles: what was not mended; counts: calls by kind.
    """

    struck: str
    troubles: list[str]
    counts: dict[str, int]


def sweep_failing(root: Root, failure: Failure | None = None) -> Swept:
    """Sweep in a child process, in which a call fails.

    Raises
    ------
    AssertionError
        When the daemon died of it, or found no end.
    """

    def work() -> dict[str, Any]:
        set_up_logs(None, terminal=False)
        # tried again at once, but once in vain not until the sweep has found its end
        trouble._RETRY_S = (0.02, 2.0)
        trouble._SWEEP_TRIES = 2
        found = check(root)
        assert found.settings is not None
        assert found.registry is not None
        assert not found.problems, found.problems
        failing = Failing(root, failure)
        daemon = Daemon(root, found.settings, found.registry, run=failing.run)
        failing.install()
        try:
            daemon.run(until_idle=True)
            troubles = daemon.troubles()
        except StorageError as error:  # it says so and ends with an exit code
            troubles = [str(error)]
        return {"struck": failing.struck, "troubles": troubles, "counts": failing.counts}

    said, status = in_a_child(work, DEADLINE_S)
    assert not os.WIFSIGNALED(status), f"no end of the sweep: {failure}"
    assert os.WEXITSTATUS(status) == 0, f"the daemon died: {failure}"
    return Swept(**said)


# scenarios: what is in the root before the sweep, and what it ends as

CANVAS = "fine-art-canvas"
SHM = Path("/dev/shm")  # another file system than the root's, where there is one


def deliver(root: Root, _elsewhere: Path) -> list[str]:
    """One picture with a sidecar to be delivered."""
    drop_with_sidecar(root, "mud.tif", size=16)
    return ["delivered"]


def hold(root: Root, _elsewhere: Path) -> list[str]:
    """One picture with a sidecar to be held."""
    drop_with_sidecar(root, "mud.tif", size=16, profile=False)
    return ["held"]


def refuse(root: Root, _elsewhere: Path) -> list[str]:
    """A file that is no picture, and a folder that is called like one."""
    folder = root.path / "in" / CANVAS
    (folder / "note.tif").write_text("dear printer")
    return ["refused"]


def release(root: Root, _elsewhere: Path) -> list[str]:
    """A picture was held with its result, and a person has put its folder into release/."""
    file = root.destinations / f"{CANVAS}.toml"
    text = file.read_text().replace('["profile', '["preflight", "profile')
    file.write_text(f"{text}\n[stage.preflight]\nhold_below_ppi = 5000\n")
    drop_with_sidecar(root, "mud.tif", size=16)
    sweep_failing(root)
    (held,) = (root.path / "held" / CANVAS).glob("2*")
    shutil.move(held, root.path / "release" / CANVAS)
    return ["delivered"]


def across(root: Root, elsewhere: Path) -> list[str]:
    """One picture to be delivered; every folder of the destination is on another file system."""
    lines = ["[folders]"]
    names = {"hot_folder": "in", "results": "out", "originals": "originals"}
    for key, name in names.items():
        place, there = root.path / name / CANVAS, elsewhere / name
        shutil.move(place, there)
        place.symlink_to(there)
        lines.append(f'{key} = "{there}"')
    with (root.destinations / f"{CANVAS}.toml").open("a") as file:
        file.write("\n".join(lines) + "\n")
    return deliver(root, elsewhere)


SCENARIOS = {each.__name__: each for each in (deliver, hold, refuse, release, across)}


def tiny(root: Root) -> Root:
    """Make a new root as quick and small as can be: one destination, one stage, one profile."""
    for file in root.destinations.glob("*.toml"):
        file.unlink()
    path = write_destination(root)
    text = path.read_text().partition("[stage.sizing]")[0]
    path.write_text(re.sub("stages = .*", 'stages = ["profile-conversion"]', text))
    for profile in root.profiles.iterdir():
        if profile.name not in {"matte-canvas.icc", "srgb.icc"}:
            profile.unlink()
    settings = root.path / "hotfolder.toml"
    text = settings.read_text()
    changes = {
        "watch": '"poll"',
        "quiet": '"0 s"',
        "patience": '"0 s"',
        "free_space": '"1 MiB"',
        "workers": "1",
    }
    for key, value in changes.items():
        text, number = re.subn(rf"(?m)^{key} = \S.*?(?=\s*(#|$))", f"{key} = {value}", text)
        assert number == 1, key
    settings.write_text(text)
    return root


@dataclass
class Place:
    """Where a scenario is played, anew for every case: a root, and a folder elsewhere."""

    empty: Root
    scenario: str
    folder: Path
    elsewhere: Path

    def __post_init__(self) -> None:
        self._number = 0
        self._whole = self._made(self.folder / "whole", self.elsewhere / "whole")
        self.expected = SCENARIOS[self.scenario](*self._whole)

    def _made(self, at: Path, elsewhere: Path) -> tuple[Root, Path]:
        elsewhere.mkdir()
        return copied(self.empty, at), elsewhere

    @contextlib.contextmanager
    def fresh(self) -> Iterator[tuple[Root, Path]]:
        """The scenario as it was made, at its one place."""
        root, elsewhere = self._whole
        kept = [(each, each.with_name(f"{each.name}-kept")) for each in (root.path, elsewhere)]
        for each, copy in kept:
            if not copy.exists():
                shutil.copytree(each, copy, symlinks=True)
        try:
            yield root, elsewhere
        finally:
            for each, copy in kept:
                shutil.rmtree(each)
                shutil.copytree(copy, each, symlinks=True)

    def case(self, failure: Failure | None) -> Swept:
        """One failure, a sweep that is left alone, and the books."""
        with self.fresh() as (root, _):
            dropped = originals(root)
            swept = sweep_failing(root, failure)
            again = sweep_failing(root)
            where = f"{self.scenario}: {failure}: {swept.struck}"
            assert again.troubles == [], f"{where}: {again.troubles}"
            try:
                check_books(root, dropped, latest_only=self.scenario == "release")
                ends = [row.state.value for row in read_jobs(root.ledger, ended=True)]
                assert self.expected == ends
            except AssertionError as error:
                raise AssertionError(where) from error
        return swept


def originals(root: Root) -> list[str]:
    """SHA-256 of every original, and of every sidecar, that is in the root before the sweep."""
    return list(hashes(root, "in", "release"))


def kinds() -> Iterator[tuple[str, int]]:
    """Every kind of call with every error that it can end with."""
    for kind in KINDS:
        yield kind, errno.EIO
        if kind in WITHOUT_ROOM:
            yield kind, errno.ENOSPC


def folder_in(place: Path | None) -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory(prefix="error-sweep-", dir=place)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--scenario", choices=SCENARIOS, action="append")
    parser.add_argument("--kind", choices=KINDS, action="append")
    parser.add_argument("--step", type=int, default=1)
    parser.add_argument("--limit", type=float, default=86_400, help="seconds; then it stops")
    asked = parser.parse_args()
    ends_at = time.monotonic() + asked.limit
    total, faults = 0, 0
    with folder_in(None) as here, folder_in(SHM) as there:
        empty = Root(Path(here) / "empty")
        empty.profiles.mkdir(parents=True)
        write_profiles(empty.profiles)
        make_root(empty.path)
        tiny(empty)
        for name in asked.scenario or SCENARIOS:
            folder, elsewhere = Path(here) / name, Path(there) / name
            folder.mkdir()
            elsewhere.mkdir()
            place = Place(empty, name, folder, elsewhere)
            for kind, number in kinds():
                if asked.kind and kind not in asked.kind:
                    continue
                for lasting in (False, True):
                    at = 1
                    while time.monotonic() < ends_at:
                        try:
                            struck = place.case(Failure(kind, at, number, lasting)).struck
                        except AssertionError as error:
                            faults += 1
                            struck = "a fault"
                            sys.stdout.write(f"FAULT {error}: {error.__cause__}\n")
                            sys.stdout.flush()
                        if not struck:
                            break
                        total += 1
                        at += asked.step
                    how = "and all that follow" if lasting else "alone"
                    said = f"{name}: {kind} {errno.errorcode[number]} {how}: {at - 1}"
                    over = time.monotonic() >= ends_at
                    sys.stdout.write(f"{said} calls{', then the time was over' * over}\n")
                    sys.stdout.flush()
    sys.stdout.write(f"{total} cases of the error sweep, {faults} faults\n")


if __name__ == "__main__":
    main()
