"""Where the chaos happens: a root on a small disk, a share that goes away, one that hangs.

Disk and share are in memory, so that they can be full and a kill costs little. What needs the
rights of root, or a program that the machine lacks, is left out, and `left_out` says why.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

from faults.killing import run_here
from faults.soaking.place import run
from hotfolder.daemon import trouble
from hotfolder.daemon.loop import Daemon
from hotfolder.disk import processes
from hotfolder.disk.marker import MARKER
from hotfolder.errors import HotfolderError
from hotfolder.logs import set_up_logs
from hotfolder.overview.check import check
from hotfolder.overview.new_root import make_root
from hotfolder.settings.root import DestinationFolders, Root

CANVAS, WEB, ALBUM = "canvas", "web", "album"
"""All in the root; in and out on a share; out on a share that hangs."""

PARTS = ("full", "away", "hang", "user", "settings", "folders")
"""What can be left out of a run."""

ON_REQUEST = ("restore",)
"""What is only played when asked for: the ledger of yesterday is put back by hand."""

NOBODY = 65534
_SIZE = "size=64m"
_SETTINGS = """
workers = 2
free_space = "64 KiB"
[intake]
rescan = "0.5 s"
poll = "0.2 s"
quiet = "0.15 s"
patience = "5 s"
"""
_FILE = """
title = "{title}"
stages = ["preflight", "profile-conversion", "tagging"]
[medium]
profile = "srgb.icc"
surface = "screen"
viewing_distance = "50 cm"
[result]
format = "tiff"
[stage.preflight]
hold_below_ppi = {hold_below}
"""


class Place:
    """A root, its disk and its shares, and the daemon that serves it in a child process."""

    def __init__(self, folder: Path, parts: frozenset[str]) -> None:
        self.folder = folder
        self.parts = parts
        self.left_out: dict[str, str] = {}
        self.disk, self.share = folder / "disk", folder / "share"
        self.root = Root(self.disk / "root")
        self.away: set[Path] = set()
        """Mount points whose share has been taken away."""
        self.moved: dict[str, dict[str, Path]] = {CANVAS: {}, WEB: {}}
        """Folders that settings have moved, by destination and key."""
        self.hold_below = dict.fromkeys((CANVAS, WEB, ALBUM), 200)
        self.child: int | None = None
        self.lives = 0
        self.wrong: list[str] = []
        """What must not have happened."""
        self.hangs = False
        """Whether the share that can do so gives no answer."""
        self._bindfs: subprocess.Popen[bytes] | None = None
        self._find_out_what_can_be_done()

    def _find_out_what_can_be_done(self) -> None:
        if os.geteuid() != 0:
            for part in ("full", "away", "hang", "user"):
                self.left_out[part] = "needs the rights of root"
        elif shutil.which("bindfs") is None or not Path("/dev/fuse").exists():
            self.left_out["hang"] = "there is no bindfs, or no /dev/fuse"
        for part in (*PARTS, *ON_REQUEST):
            if part not in self.parts:
                self.left_out.setdefault(part, "not asked for")

    def has(self, part: str) -> bool:
        """Whether a part of the chaos is played."""
        return part not in self.left_out

    @property
    def mounts(self) -> bool:
        """Whether disk and share are of their own."""
        return self.has("full") or self.has("away")

    @property
    def destinations(self) -> tuple[str, ...]:
        """Their names."""
        return (CANVAS, WEB, ALBUM) if self.has("hang") else (CANVAS, WEB)

    # making

    def make(self) -> None:
        """Make disk, share, root and mounts."""
        for each in (self.disk, self.share):
            each.mkdir()
            if self.mounts:
                run("mount", "-t", "tmpfs", "-o", _SIZE, "tmpfs", each)
        self.root.destinations.mkdir(parents=True)
        for name in self.destinations:
            self.write_settings(name)
        (self.root.path / "hotfolder.toml").write_text(_SETTINGS)
        make_root(self.root.path)
        for profile in self.root.profiles.iterdir():
            if profile.name != "srgb.icc":
                profile.unlink()
        for each in (self.disk, self.share):
            (each / "taken").mkdir()
        for point in self.mount_points():
            behind = self.behind(point)
            behind.mkdir(parents=True)
            for each in point.iterdir():
                shutil.move(each, behind)
            self.bring_back(point)
        if self.has("hang"):
            self._mount_what_hangs()
        self.allow(self.disk, self.share)

    def write_settings(self, name: str) -> None:
        """Write a destination's file, with the folders that were moved."""
        moved = self.moved.get(name, {})
        lines = ["[folders]", *(f'{key} = "{path}"' for key, path in moved.items())]
        text = _FILE.format(title=name, hold_below=self.hold_below[name])
        text += "\n".join(lines) + "\n" if moved else ""
        target = self.root.destinations / f"{name}.toml"
        target.write_text(text)

    def folders(self, name: str) -> DestinationFolders:
        """Where a destination's folders are now."""
        folders = vars(
            DestinationFolders(
                **{
                    key: self.root.path / kind / name
                    for key, kind in (
                        ("hot_folder", "in"), ("results", "out"), ("held", "held"),
                        ("refused", "refused"), ("originals", "originals"), ("release", "release"),
                    )
                }
            )
        )  # fmt: skip
        return DestinationFolders(**{**folders, **self.moved.get(name, {})})

    def allow(self, *tops: Path) -> None:
        """Let the daemon's user write in folders that others have made."""
        if not self.has("user"):
            return
        for top in tops:
            for folder, _, names in os.walk(top):
                os.chown(folder, NOBODY, NOBODY)
                Path(folder).chmod(0o777)
                if top == self.disk:
                    for name in names:
                        os.chown(Path(folder, name), NOBODY, NOBODY, follow_symlinks=False)

    def new_folder(self, path: Path) -> Path:
        """A folder in which the daemon's user may write."""
        path.mkdir(parents=True, exist_ok=True)
        if self.has("user"):
            for each in (path, *path.parents):
                if each in {self.disk, self.share} or each.stat().st_uid == NOBODY:
                    break
                os.chown(each, NOBODY, NOBODY)
        return path

    # shares

    def mount_points(self) -> tuple[Path, ...]:
        """Hot folder and results of the web."""
        if not self.has("away"):
            return ()
        return self.root.path / "in" / WEB, self.root.path / "out" / WEB

    def behind(self, path: Path) -> Path:
        """Where on the share something lies that a mount point shows."""
        for point in self.mount_points():
            if path.is_relative_to(point):
                return self.share / point.parent.name / path.relative_to(point)
        if self.has("hang"):
            point = self.root.path / "out" / ALBUM
            if path.is_relative_to(point):
                return self.share / "hangs" / path.relative_to(point)
        return path

    def take_away(self, point: Path) -> None:
        """Unmount a share at once, whoever has files of it open."""
        run("umount", "-l", point)
        self.away.add(point)

    def bring_back(self, point: Path) -> None:
        """Mount a share again."""
        below = [each.name for each in point.iterdir()]
        if below:
            self.wrong.append(f"written under the mount point {point}: {below}")
        run("mount", "--bind", self.behind(point), point)
        self.away.discard(point)

    def _mount_what_hangs(self) -> None:
        point = self.root.path / "out" / ALBUM
        behind = self.new_folder(self.share / "hangs")
        for each in point.iterdir():
            shutil.move(each, behind)
        self._bindfs = subprocess.Popen(
            ["bindfs", "-f", "-o", "allow_other", str(behind), str(point)],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        deadline = time.monotonic() + 10
        while not os.path.ismount(point):
            assert time.monotonic() < deadline, "bindfs does not mount"
            time.sleep(0.02)

    def hang(self) -> None:
        """Let the share that can do so give no answer any more."""
        if self._bindfs:
            self._bindfs.send_signal(signal.SIGSTOP)
            self.hangs = True

    def answer(self) -> None:
        """Let it answer again."""
        if self._bindfs:
            self._bindfs.send_signal(signal.SIGCONT)
            self.hangs = False

    # the daemon

    def start(self) -> None:
        """Serve the root in a child process."""
        self.lives += 1
        self.child = os.fork()
        if self.child == 0:
            self._serve(until_idle=False)

    def sweep(self, deadline_s: int) -> int | None:
        """Sweep in a child process; its exit code, or None when it found no end."""
        self.lives += 1
        child = os.fork()
        if child == 0:
            signal.alarm(deadline_s)
            self._serve(until_idle=True)
        _, status = os.waitpid(child, 0)
        return None if os.WIFSIGNALED(status) else os.WEXITSTATUS(status)

    def kill(self) -> bool:
        """Kill the daemon; whether it was still there."""
        if self.child is None:
            return False
        done, status = os.waitpid(self.child, os.WNOHANG)
        if not done:
            os.kill(self.child, signal.SIGKILL)
            if self.hangs:  # the kernel lets nobody end who waits for a server in user space
                self.answer()
            os.waitpid(self.child, 0)
        elif os.WIFSIGNALED(status) or os.WEXITSTATUS(status) not in {0, 4}:
            self.wrong.append(f"the daemon ended by itself: status {status}")
        self.child = None
        return not done

    def _serve(self, *, until_idle: bool) -> None:
        """In the child. Exit codes: 0 done, 3 something is in the way, 4 it said why not."""
        code = 1
        try:
            if self.has("user"):
                os.setgroups([])
                os.setgid(NOBODY)
                os.setuid(NOBODY)
            processes.die_with_parent()  # a change of user forgets it
            set_up_logs(self.root.log, terminal=False)
            trouble._RETRY_S = (0.05, 0.2, 0.5)
            found = check(self.root)
            if found.settings is None or found.registry is None:
                os._exit(4)
            daemon = Daemon(self.root, found.settings, found.registry, run=run_here)
            daemon.run(until_idle=until_idle)
            code = 3 if daemon.troubles() or daemon.refused() else 0
        except HotfolderError as error:
            self._note(str(error))
            code = 4
        except BaseException:  # noqa: BLE001 - the parent sees the code
            import traceback

            self._note(traceback.format_exc())
        finally:
            os._exit(code)

    def _note(self, text: str) -> None:
        with contextlib.suppress(OSError), (self.folder / "daemons.txt").open("a") as file:
            file.write(text + "\n")

    # the end

    def end_what_hangs(self) -> None:
        """End the process behind the share that hangs, and unmount it."""
        if self._bindfs:
            self.answer()
            self._bindfs.terminate()
            self._bindfs.wait()
            self._bindfs = None
            point = self.root.path / "out" / ALBUM
            if os.path.ismount(point):
                run("umount", "-l", point)

    def unmount(self) -> None:
        """Unmount everything."""
        self.end_what_hangs()
        if self.mounts:
            for each in (*self.mount_points(), self.disk, self.share):
                while os.path.ismount(each):
                    run("umount", "-l", each)

    def remove(self) -> None:
        """Unmount everything and remove it."""
        self.unmount()
        shutil.rmtree(self.folder)


def all_files(*tops: Path) -> Iterator[Path]:
    """Every file below folders, hidden names included, once: not again below a mount point."""
    mounted = _mount_points()
    for top in tops:
        for folder, inside, names in os.walk(top):
            inside[:] = [each for each in inside if f"{folder}/{each}" not in mounted]
            for name in names:
                yield Path(folder, name)


def _mount_points() -> set[str]:
    """Every folder of this machine on which something is mounted."""
    with contextlib.suppress(FileNotFoundError):  # not Linux: nothing is mounted here then
        return {line.split()[4] for line in Path("/proc/self/mountinfo").read_text().splitlines()}
    return set()


def is_marker(path: Path) -> bool:
    """Whether a file marks a folder as ours."""
    return path.name == MARKER


JOB = re.compile(r"\d{8}-\d{6}-[0-9a-f]{8}")
