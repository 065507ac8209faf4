"""Where a soak happens: a root on a small disk of its own, and a share that can be taken away."""

from __future__ import annotations

import ctypes
import errno
import os
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

from hotfolder.overview.new_root import make_root
from hotfolder.settings.root import Root

CANVAS, ALBUM, WEB = "canvas", "album", "web"
DESTINATIONS = (CANVAS, ALBUM, WEB)
DISK_BYTES = 6 * 2**30
SHARE = "size=256m"

NOREPLACE, EXCHANGE = 1, 2
"""Flags of renameat2, linux/fs.h."""
_AT_FDCWD = -100

_SETTINGS = """
workers = 2
free_space = "64 KiB"
[intake]
rescan = "5 s"
poll = "1 s"
quiet = "0.3 s"
patience = "1 s"
"""
_LIMITS = '[limits]\ntime = "30 s"\nmemory = "1 GiB"\n'
_FILES = {
    CANVAS: """
title = "Canvas"
stages = ["profile-conversion", "tagging"]
[medium]
profile = "matte-canvas.icc"
surface = "canvas"
viewing_distance = "2 m"
[result]
format = "tiff"
""",
    ALBUM: """
title = "Album"
keep_sheets = "held"
stages = ["preflight", "sizing", "gamut-check", "proof-sheet", "profile-conversion", "tagging"]
[medium]
profile = "coated-book.icc"
surface = "lustre"
viewing_distance = "35 cm"
[result]
format = "tiff"
bits = 8
compression = "lzw"
[stage.sizing]
long_edge = "3 cm"
ppi = 60
[stage.gamut-check]
hold_above = "10 %"
[stage.proof-sheet]
places = 1
""",
    WEB: """
title = "Web"
stages = ["preflight", "sizing", "output-sharpening", "profile-conversion", "tagging"]
[medium]
profile = "srgb.icc"
surface = "screen"
viewing_distance = "50 cm"
[result]
format = "jpeg"
also = ["png"]
bits = 8
[stage.sizing]
long_edge = "64 px"
""",
}


class Place:
    """A root to soak.

    With `mounts`, the root is on an ext4 in a file, so that its disk can be full, and hot folder
    and results of the web are on a share, a small disk in memory that can be taken away.
    """

    def __init__(self, folder: Path, *, mounts: bool) -> None:
        self.folder, self.mounts = folder, mounts
        self.disk, self.share = folder / "disk", folder / "share"
        self.root = Root(self.disk / "root")
        self.away: set[Path] = set()
        """Mount points whose share has been taken away."""

    def make(self) -> None:
        self.disk.mkdir()
        if self.mounts:
            image = self.folder / "disk.img"
            with image.open("wb") as file:
                file.truncate(DISK_BYTES)
            run("mkfs.ext4", "-q", "-F", "-m", "0", "-E", "lazy_itable_init=1,nodiscard", image)
            run("mount", "-o", "loop", image, self.disk)
            self.share.mkdir()
            run("mount", "-t", "tmpfs", "-o", SHARE, "tmpfs", self.share)
        self.root.destinations.mkdir(parents=True)
        for name, text in _FILES.items():
            (self.root.destinations / f"{name}.toml").write_text(text + _LIMITS)
        (self.root.path / "hotfolder.toml").write_text(_SETTINGS)
        make_root(self.root.path)
        for each in self._asides():
            each.mkdir()
        if self.mounts:
            for point in self.mount_points():
                behind = self.behind(point)
                behind.mkdir(parents=True)
                for each in point.iterdir():  # its marker is on the share, not below it
                    shutil.move(each, behind)
                self.bring_back(point)
        for each in self._asides():
            (each / "canary.tif").write_bytes(b"not yours\n" * 10)

    def mount_points(self) -> tuple[Path, ...]:
        """Hot folder and results of the web."""
        return self.root.path / "in" / WEB, self.root.path / "out" / WEB

    def behind(self, point: Path) -> Path:
        """What a mount point shows, on the share itself."""
        return self.share / point.parent.name

    def take_away(self, point: Path) -> None:
        """Unmount a share at once, whoever has files of it open."""
        run("umount", "-l", point)
        self.away.add(point)

    def bring_back(self, point: Path) -> None:
        """Mount a share again."""
        run("mount", "--bind", self.behind(point), point)
        self.away.discard(point)

    def on_share(self, destination: str) -> bool:
        """Whether a destination's hot folder is on the share."""
        return self.mounts and destination == WEB

    def aside(self, destination: str) -> Path:
        """A folder outside the root on the file system of a destination's hot folder."""
        return (self.share if self.on_share(destination) else self.disk) / "outside"

    def _asides(self) -> list[Path]:
        return sorted({self.aside(name) for name in DESTINATIONS})

    def remove(self) -> None:
        """Unmount everything and remove it."""
        if self.mounts:
            for each in (*self.mount_points(), self.disk, self.share):
                while os.path.ismount(each):
                    run("umount", "-l", each)
        shutil.rmtree(self.folder)


def run(*command: object) -> None:
    """Run a command of the system; an error says what it said."""
    done = subprocess.run(
        [str(each) for each in command], check=False, capture_output=True, text=True
    )
    assert done.returncode == 0, f"{command}: {done.stderr}"


def rename2(source: Path, target: Path, flag: int) -> None:
    """Rename without replacing, or change two names for each other, as one act."""
    libc = ctypes.CDLL(None, use_errno=True)
    paths: Sequence[bytes] = (os.fsencode(source), os.fsencode(target))
    if libc.renameat2(_AT_FDCWD, paths[0], _AT_FDCWD, paths[1], flag):
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number), str(source), None, str(target))


def has_gone(error: OSError) -> bool:
    """Whether an error says that a name is not there any more."""
    return error.errno in {errno.ENOENT, errno.ENOTDIR}
