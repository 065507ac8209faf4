"""One look at everything in a hot folder and below it. No file is opened, no link followed."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from hotfolder.disk import platforms, pulse
from hotfolder.disk.marker import MARKER, check_marker, unreachable
from hotfolder.disk.names import display_name
from hotfolder.intake.junk import is_junk, job_of

Kind = Literal["file", "link", "special", "folder"]
"""special: a pipe, socket or device. folder: one whose name looks like a picture's."""

_PICTURE_SUFFIXES = (
    ".tif", ".tiff", ".jpg", ".jpeg", ".jpe", ".png", ".jxl", ".avif", ".heic", ".heif", ".webp",
    ".jp2", ".j2k", ".jpf", ".exr", ".psd", ".psb",
)  # fmt: skip
_MAX_COUNTED = 10_000
_GONE = {errno.ENOENT, errno.ENOTDIR}
_SWAPPED = {errno.ELOOP, errno.EXDEV}
"""A link stands where a folder was a moment ago: what it leads to is not ours to look at."""


@dataclass(frozen=True, slots=True)
class Identity:
    """What tells a file from a later one of the same name, and from itself after a change.

    For a folder: size is the number of entries in it and below, mtime_ns and ctime_ns are the
    newest among them.
    """

    dev: int
    ino: int
    size: int
    mtime_ns: int
    ctime_ns: int


@dataclass(frozen=True, slots=True)
class Candidate:
    """Something in a hot folder that someone may have dropped."""

    folder: Path
    """The hot folder."""
    relative: str
    """The path below it, with ``/``; bytes that are no UTF-8 stand in it as surrogates (PEP
    383)."""
    kind: Kind
    identity: Identity
    nlink: int = 1
    """Number of names that the file has, here and elsewhere."""

    @property
    def path(self) -> Path:
        """Where it is."""
        return self.folder / self.relative


@dataclass(frozen=True)
class ScanResult:
    """What one scan found."""

    candidates: tuple[Candidate, ...]
    """In order of their paths, a folder's files before those of its sub-folders."""
    junk_names: tuple[str, ...] = ()
    """Relative paths of what is left alone."""
    problems: tuple[str, ...] = ()
    """What could not be looked at, as plain sentences."""
    elapsed_s: float = 0.0
    """How long the scan took, in seconds."""
    set_aside: tuple[str, ...] = ()
    """Relative paths of dropped files that stand under a name of ours, since a claim was broken
    off (`claim`)."""

    @property
    def junk(self) -> int:
        """How many files and folders are left alone."""
        return len(self.junk_names)


def _nothing(_relative: str) -> bool:
    return False


def scan(folder: str | Path, *, is_ours: Callable[[str], bool] = _nothing) -> ScanResult:
    """Look at everything in a hot folder.

    is_ours: whether a file, by its path in the folder, is no input but something that we wrote
    there: in a chain, another destination's results lie here, and its log beside them.

    A folder that vanishes meanwhile is passed over; one that may not be read is a problem of its
    own and does not hide the others.

    Raises
    ------
    Unreachable
        When the folder is not there, cannot be read, or has lost its marker. It is never taken
        for empty then.
    """
    started = time.monotonic()
    check_marker(folder)
    walk = _Walk(Path(folder), is_ours)
    try:
        walk.into()
        check_marker(folder)  # a share that went away meanwhile looks empty from there on
    except OSError as error:
        raise unreachable(folder, error) from error
    return ScanResult(
        tuple(walk.candidates),
        tuple(walk.junk),
        tuple(walk.problems),
        time.monotonic() - started,
        tuple(walk.set_aside),
    )


@dataclass
class _Walk:
    folder: Path
    is_ours: Callable[[str], bool]
    candidates: list[Candidate] = field(default_factory=list)
    junk: list[str] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    set_aside: list[str] = field(default_factory=list)

    def into(self) -> None:
        """Look at the folder and all below; an explicit stack, for depth is a stranger's choice."""
        waiting = [""]
        while waiting:
            below = waiting.pop()
            try:
                with _listed(self.folder, below) as (opened, names):
                    folders = [
                        relative
                        for name in names
                        if self._look(relative := _joined(below, name), name, opened)
                    ]
            except OSError as error:
                if not below:
                    raise
                self._note(below, error)
                continue
            waiting += reversed(folders)

    def _look(self, relative: str, name: str, opened: int | None) -> bool:
        """Look at one entry of an open folder; tell whether it is a folder to go into."""
        pulse.beat()
        if name == MARKER or self.is_ours(relative):
            return False
        if job_of(name):
            self.set_aside.append(relative)
            return False
        if is_junk(name):
            self.junk.append(relative)
            return False
        path = self.folder / relative
        try:
            if opened is None:
                found = path.lstat()
            else:
                found = os.stat(name, dir_fd=opened, follow_symlinks=False)
        except OSError as error:
            self._note(relative, error)
            return False
        is_folder = stat.S_ISDIR(found.st_mode)
        if is_folder and not name.casefold().endswith(_PICTURE_SUFFIXES):
            return True
        identity = _identity(found)
        if is_folder:
            identity = _identity_of_folder(path, identity)
        self.candidates.append(
            Candidate(self.folder, relative, _kind(found.st_mode), identity, found.st_nlink)
        )
        return False

    def _note(self, relative: str, error: OSError) -> None:
        if error.errno not in _GONE | _SWAPPED:
            self.problems.append(
                f"{display_name(relative)} cannot be read: {error.strerror or error}."
            )


@contextlib.contextmanager
def _listed(top: Path, below: str) -> Iterator[tuple[int | None, list[str]]]:
    """A folder below the hot folder, opened without following a link, and the names in it."""
    with platforms.entry_beneath(top, f"{below}/." if below else ".") as (opened, _):
        yield opened, sorted(os.listdir(top / below if opened is None else opened))  # noqa: PTH208


def _joined(below: str, name: str) -> str:
    return f"{below}/{name}" if below else name


def _kind(mode: int) -> Kind:
    if stat.S_ISREG(mode):
        return "file"
    if stat.S_ISLNK(mode):
        return "link"
    return "folder" if stat.S_ISDIR(mode) else "special"


def _identity(found: os.stat_result) -> Identity:
    return Identity(found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns)


def _identity_of_folder(path: Path, own: Identity) -> Identity:
    """The folder as one thing that is still arriving while anything in it changes."""
    count, mtime_ns, ctime_ns = 0, own.mtime_ns, own.ctime_ns
    for found in _below(path):
        count += 1
        mtime_ns = max(mtime_ns, found.st_mtime_ns)
        ctime_ns = max(ctime_ns, found.st_ctime_ns)
        if count >= _MAX_COUNTED:
            break
    return Identity(own.dev, own.ino, count, mtime_ns, ctime_ns)


def _below(path: Path) -> Iterator[os.stat_result]:
    """Everything below a folder, without recursion: its depth is a stranger's choice."""
    waiting = [path]
    while waiting:
        try:
            with os.scandir(waiting.pop()) as entries:
                for entry in entries:
                    found = entry.stat(follow_symlinks=False)
                    yield found
                    if stat.S_ISDIR(found.st_mode):
                        waiting.append(Path(entry.path))
        except OSError:
            continue  # it has gone or is closed to us; its own time says when that changes
