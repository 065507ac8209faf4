"""Who drops, collects, decides and changes settings while the daemon lives and dies."""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import random
import shutil
import sqlite3
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from faults.chaotic.place import CANVAS, WEB, Place, all_files
from faults.soaking.place import NOREPLACE, rename2
from hotfolder.disk import durable
from hotfolder.ending.decision import release_job
from hotfolder.errors import HotfolderError
from hotfolder.ledger.jobs import State, read_jobs
from hotfolder.overview.new_root import make_root

SUB_FOLDERS = ("", "", "wedding", "wedding/plates", "reeds", "a b")
NAMES = ("mud", "creek", "dawn over the flats", "log", "MUD", "result")

Kind = str


@dataclass
class Slow:
    """A sender who writes in pieces, and keeps the file open."""

    file: Any
    rest: bytes
    sha256: str
    due: float


class Crowd:
    """People and programs around the desk; what each did is in `story`."""

    def __init__(self, place: Place, rng: random.Random) -> None:
        self.place, self.rng = place, rng
        self.arrived: dict[str, str] = {}
        """What was dropped: destination by SHA-256."""
        self.edited: set[str] = set()
        """SHA-256 of what people changed in held folders."""
        self.counts: Counter[str] = Counter()
        self.story: list[str] = []
        self._slow: list[Slow] = []
        self._number = 0
        self._icc = (place.root.profiles / "srgb.icc").read_bytes()
        self._mends: list[tuple[float, str, Callable[[], None]]] = []
        self._yesterday: Path | None = None

    def act(self) -> None:
        """Do one thing."""
        ways: dict[Callable[[], bool], int] = {
            self.drops: 30, self.drops_slowly: 6, self.renames_a_file: 4, self.renames_a_folder: 3,
            self.takes_a_folder: 8, self.takes_a_result: 4, self.releases_a_folder: 3,
            self.releases_a_copy: 2, self.releases_an_original: 2, self.releases_by_command: 3,
            self.renames_a_held_folder: 1, self.gives_up: 1,
        }  # fmt: skip
        if len(self._mends) < 2:
            ways |= {
                way: weight
                for way, weight, part in (
                    (self.fills_a_disk, 3, "full"), (self.takes_the_share_away, 3, "away"),
                    (self.stops_the_share, 2, "hang"), (self.spoils_settings, 1, "settings"),
                )
                if self.place.has(part)
            }  # fmt: skip
        if self.place.has("settings"):
            ways[self.changes_a_setting] = 1
        if self.place.has("folders"):
            ways[self.moves_results] = 1
            ways[self.moves_originals] = 1
        (way,) = self.rng.choices(list(ways), list(ways.values()))
        done = False
        with contextlib.suppress(OSError):
            done = way()
        if done:
            self.counts[way.__name__.replace("_", " ")] += 1

    def act_between(self) -> None:
        """Do something that is only done while no daemon runs."""
        if self.place.has("restore"):
            if self._yesterday is None and self.rng.random() < 0.15:
                self.keeps_the_ledger()
            elif self._yesterday is not None and self.rng.random() < 0.15:
                self.restores_the_ledger()

    def mend(self, *, all_of_it: bool = False) -> None:
        """Mend what is due, write on where a slow sender is due."""
        for entry in list(self._mends):
            if all_of_it or time.monotonic() >= entry[0]:
                self._mends.remove(entry)
                entry[2]()
                self._tell(f"mended: {entry[1]}")
        for slow in list(self._slow):
            if all_of_it or time.monotonic() >= slow.due:
                piece = slow.rest if all_of_it else slow.rest[:600]
                slow.due = time.monotonic() + self.rng.uniform(0.01, 0.08)
                with contextlib.suppress(OSError):  # no room: tried again
                    written = slow.file.write(piece)
                    slow.rest = slow.rest[written:]
                if not slow.rest:
                    slow.file.close()
                    self._slow.remove(slow)

    @property
    def is_slow(self) -> bool:
        """Whether somebody still writes."""
        return bool(self._slow)

    # senders

    def drops(self) -> bool:
        name = self._destination()
        for _ in range(self.rng.randrange(1, 4)):
            data = self._picture()
            target = self._free(name)
            mine = target.with_name(f".arriving-{self._next()}")
            try:
                mine.write_bytes(data)
                rename2(mine, target, NOREPLACE)
            except OSError:
                mine.unlink(missing_ok=True)
                raise
            self._arrives(name, data, target)
        return True

    def drops_slowly(self) -> bool:
        name = self._destination()
        data, target = self._picture(), self._free(name)
        file = target.open("xb", buffering=0)
        self._arrives(name, data, target)
        self._slow.append(Slow(file, data, _sha(data), time.monotonic()))
        return True

    def renames_a_file(self) -> bool:
        name = self._destination()
        waiting = self._waiting(name)
        if not waiting:
            return False
        old = self.rng.choice(waiting)
        new = self._free(name)
        rename2(old, new, NOREPLACE)
        self._tell(f"renames {old} to {new}")
        return True

    def renames_a_folder(self) -> bool:
        top = self.place.folders(self._destination()).hot_folder
        found = [each for each in sorted(top.iterdir()) if each.is_dir()]
        if not found:
            return False
        old = self.rng.choice(found)
        new = top / f"{old.name.split('-')[0]}-{self._next()}"
        old.rename(new)
        self._tell(f"renames {old} to {new}")
        return True

    # consumers

    def takes_a_folder(self) -> bool:
        top = self.place.behind(self.place.folders(self._destination()).results)
        found = [each for each in sorted(top.iterdir()) if each.is_dir() and each.name != "sheets"]
        if not found:
            return False
        folder = self.rng.choice(found)
        folder.rename(self._taken(top) / f"{folder.name}-{self._next()}")
        self._tell(f"takes {folder}")
        return True

    def takes_a_result(self) -> bool:
        top = self.place.behind(self.place.folders(self._destination()).results)
        found = [each for each in sorted(top.glob("*.tif")) if not each.name.startswith(".")]
        if not found:
            return False
        result = self.rng.choice(found)
        result.rename(self._taken(top) / f"{self._next()}-{result.name}")
        self._tell(f"takes {result}")
        return True

    # who decides

    def releases_a_folder(self) -> bool:
        row = self._held()
        if row is None:
            return False
        folders = self.place.folders(row.destination)
        rename2(folders.held / row.id, folders.release / row.id, NOREPLACE)
        self._tell(f"releases {row.id}")
        return True

    def releases_a_copy(self) -> bool:
        """A file manager that copies: slowly, file by file."""
        row = self._held()
        if row is None:
            return False
        folders = self.place.folders(row.destination)
        source, target = folders.held / row.id, folders.release / row.id
        try:
            target.mkdir()
            self.place.allow(target)
            for path in sorted(source.rglob("*")):
                to = target / path.relative_to(source)
                if path.is_dir():
                    to.mkdir(exist_ok=True)
                    self.place.allow(to)
                else:
                    to.write_bytes(path.read_bytes())
        except OSError:  # no room, or taken up before it was whole: what is left is cleared away
            shutil.rmtree(target, ignore_errors=True)
            raise
        self._tell(f"releases a copy of {row.id}")
        return True

    def releases_an_original(self) -> bool:
        row = self._held()
        if row is None or row.record is None:
            return False
        folders = self.place.folders(row.destination)
        name = Path(row.record.original_kept).name
        rename2(folders.held / row.id / name, folders.release / name, NOREPLACE)
        self._tell(f"releases the original of {row.id}")
        return True

    def releases_by_command(self) -> bool:
        row = self._held()
        if row is None or self.place.hangs:
            return False
        asked = self.rng.choice(([], ["preflight.hold_below_ppi=20"]))
        with contextlib.suppress(HotfolderError):
            release_job(self.place.root, row.id, asked, who="keeper", why="chaos")
            self._tell(f"releases {row.id} by command")
        folders = self.place.folders(row.destination)
        for each in (folders.held / row.id, folders.release / row.id):
            if each.is_dir():
                self.place.allow(each)
        return True

    def renames_a_held_folder(self) -> bool:
        row = self._held()
        if row is None:
            return False
        held = self.place.folders(row.destination).held
        (held / row.id).rename(held / f"ask the customer {row.id[-8:]}")
        self._tell(f"renames held {row.id}")
        return True

    def gives_up(self) -> bool:
        row = self._held()
        if row is None:
            return False
        held = self.place.folders(row.destination).held / row.id
        bin_ = self.place.disk / f"bin-{self._next()}"
        held.rename(bin_)
        shutil.rmtree(bin_)
        self._tell(f"gives up {row.id}")
        return True

    def clears_away(self) -> None:
        """Take away what is left in release/ of jobs that have ended, as status asks for."""
        rows = {row.id: row for row in read_jobs(self.place.root.ledger, ended=True)}
        delivered = {
            (row.destination, row.sha256) for row in rows.values() if row.state is State.DELIVERED
        }
        for name in self.place.destinations:
            for path in self.place.folders(name).release.iterdir():
                row = rows.get(path.name)
                if path.is_dir() and row and row.state is State.DELIVERED:
                    shutil.rmtree(path)
                    self._tell(f"clears away what is left of {row.id}")
                elif path.is_file() and (name, durable.sha256_of(path).sha256) in delivered:
                    path.unlink()
                    self._tell(f"clears away the original {path.name}")

    # storage

    def fills_a_disk(self) -> bool:
        disk = self.rng.choice((self.place.disk, self.place.share))
        ballast = disk / f"ballast-{self._next()}"
        free = shutil.disk_usage(disk).free - self.rng.choice((0, 4, 40, 400)) * 1024
        if free <= 0:
            return False
        try:
            with ballast.open("wb") as file:
                os.posix_fallocate(file.fileno(), 0, free)
        except OSError:  # somebody was faster
            ballast.unlink()
            raise
        self._later(f"{disk.name} is full", ballast.unlink)
        return True

    def takes_the_share_away(self) -> bool:
        point = self.rng.choice(self.place.mount_points())
        if point in self.place.away:
            return False
        self.place.take_away(point)
        self._later(f"{point} is away", lambda: self.place.bring_back(point))
        return True

    def stops_the_share(self) -> bool:
        if self.place.hangs:
            return False
        self.place.hang()
        self._later("the album's results hang", self.place.answer)
        return True

    # settings

    def changes_a_setting(self) -> bool:
        name = self._destination()
        self.place.hold_below[name] = self.rng.choice((150, 200, 250))
        self.place.write_settings(name)
        self._tell(f"changes the settings of {name}")
        return True

    def spoils_settings(self) -> bool:
        name = self._destination()
        file = self.place.root.destinations / f"{name}.toml"
        text = file.read_text()
        file.write_text(text.replace('surface = "screen"', 'surface = "cheese"'))
        self._later(f"the settings of {name} are wrong", lambda: self.place.write_settings(name))
        return True

    def moves_results(self) -> bool:
        """To an empty folder on another disk, as somebody does whose disk is full."""
        return self._move_by_settings("results", self.rng.choice((CANVAS, WEB)))

    def moves_originals(self) -> bool:
        return self._move_by_settings("originals", self.rng.choice((CANVAS, WEB)))

    def _move_by_settings(self, key: str, name: str) -> bool:
        if self.place.away or self.place.hangs:
            return False  # `hotfolder init` would wait for it, and nobody mend it meanwhile
        disk = self.rng.choice((self.place.disk, self.place.share))
        folder = self.place.new_folder(disk / "moved" / f"{key}-{name}-{self._next()}")
        self.place.moved[name][key] = folder
        self.place.write_settings(name)
        with contextlib.suppress(HotfolderError):
            make_root(self.place.root.path)
        self.place.allow(folder)
        self._tell(f"moves {key} of {name} to {folder}")
        return True

    # the ledger

    def keeps_the_ledger(self) -> None:
        """Copy it whole, as a backup does."""
        if not self.place.root.ledger.exists():
            return
        copy = self.place.folder / "yesterday.sqlite"
        copy.unlink(missing_ok=True)
        self._yesterday = None
        with (
            contextlib.closing(sqlite3.connect(self.place.root.ledger)) as db,
            contextlib.closing(sqlite3.connect(copy)) as to,
        ):
            try:
                db.backup(to)
            except sqlite3.OperationalError:
                return  # its disk is full: no copy today
        self._yesterday = copy
        self._tell("keeps a copy of the ledger")

    def restores_the_ledger(self) -> None:
        """Put yesterday's copy back."""
        assert self._yesterday is not None
        ledger = self.place.root.ledger
        for suffix in ("", "-wal", "-shm"):
            ledger.with_name(ledger.name + suffix).unlink(missing_ok=True)
        shutil.copy(self._yesterday, ledger)
        if self.place.has("user"):
            shutil.chown(ledger, 65534, 65534)
        self._yesterday = None
        self.counts["restores the ledger"] += 1
        self._tell("restores the ledger")

    # help

    def _later(self, what: str, mend: Callable[[], None]) -> None:
        self._tell(what)
        self._mends.append((time.monotonic() + self.rng.uniform(0.3, 4), what, mend))

    def _tell(self, what: str) -> None:
        self.story.append(f"{time.strftime('%H:%M:%S')} life {self.place.lives}: {what}")

    def _next(self) -> int:
        self._number += 1
        return self._number

    def _destination(self) -> str:
        name = self.rng.choice(self.place.destinations)
        if self.place.away and name == WEB:
            return CANVAS  # nobody goes to a folder that is not there
        return name

    def _taken(self, results: Path) -> Path:
        on_share = results.is_relative_to(self.place.share)
        return (self.place.share if on_share else self.place.disk) / "taken"

    def _picture(self) -> bytes:
        """A small picture that nobody has sent before."""
        rng = np.random.default_rng(self.rng.randrange(1 << 40))
        pixels = rng.integers(9000, 60000, (12, 16, 3), dtype=np.uint16)
        ppi = 100 if self.rng.random() < 0.2 else 300
        icc = None if self.rng.random() < 0.1 else self._icc
        out = io.BytesIO()
        tifffile.imwrite(
            out, pixels, photometric="rgb", iccprofile=icc, metadata=None,
            resolution=(ppi, ppi), resolutionunit="INCH",
        )  # fmt: skip
        return out.getvalue()

    def _arrives(self, name: str, data: bytes, target: Path) -> None:
        self.arrived[_sha(data)] = name
        self._tell(f"drops {_sha(data)[:8]} as {target}")

    def _free(self, name: str) -> Path:
        folder = self.place.folders(name).hot_folder
        folder = self.place.new_folder(folder / self.rng.choice(SUB_FOLDERS))
        path = folder / f"{self.rng.choice(NAMES)}.tif"
        return path if not os.path.lexists(path) else path.with_stem(f"{path.stem}-{self._next()}")

    def _waiting(self, name: str) -> list[Path]:
        slow = {Path(each.file.name) for each in self._slow}
        return sorted(
            path
            for path in all_files(self.place.folders(name).hot_folder)
            if path.suffix == ".tif" and not path.name.startswith(".") and path not in slow
        )

    def _held(self) -> Any:
        """A held job whose folder is there."""
        if not self.place.root.ledger.exists():
            return None
        try:
            rows = read_jobs(self.place.root.ledger, ended=True)
        except (HotfolderError, sqlite3.Error):
            return None
        there = [
            row
            for row in rows
            if row.state is State.HELD
            and (self.place.folders(row.destination).held / row.id).is_dir()
        ]
        return self.rng.choice(there) if there else None


def _sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
