"""File systems: which one a folder is on, where it is in it, and whether changes in it are told.

Like `platforms`, what only one operating system can say, with a fallback.
"""

from __future__ import annotations

import ctypes
import os
import re
import subprocess
import sys
from pathlib import Path

_LINUX = sys.platform == "linux"

_LOCAL_FILE_SYSTEMS = frozenset({
    "ext2", "ext3", "ext4", "xfs", "btrfs", "f2fs", "zfs", "bcachefs", "jfs", "reiserfs", "tmpfs",
    "ramfs", "overlay", "vfat", "exfat", "ntfs3", "hfsplus", "apfs", "hfs", "ntfs",
})  # fmt: skip


def filesystem_type(path: str | Path) -> str:
    """Name of the file system that `path` is on, as the system calls it: ``"ext4"``, ``"nfs4"``.

    Linux reads its mount table; macOS asks ``mount``; Windows only tells ``"ntfs"`` (some local
    drive) from ``"remote"``. ``"unknown"`` when nobody can say. `path` need not exist.
    """
    real = os.path.realpath(path)
    if _LINUX:
        table = Path("/proc/self/mountinfo")
        try:
            return fs_type_in_mountinfo(table.read_text("utf-8", "surrogateescape"), real)
        except OSError:
            return "unknown"
    if sys.platform == "darwin":
        said = subprocess.run(["/sbin/mount"], capture_output=True, text=True, check=False)
        return fs_type_in_mount_output(said.stdout, real)
    if sys.platform == "win32":
        drive = os.path.splitdrive(real)[0] + "\\"
        kind = ctypes.windll.kernel32.GetDriveTypeW(drive)
        return {2: "ntfs", 3: "ntfs", 4: "remote"}.get(kind, "unknown")
    return "unknown"


def fs_type_in_mountinfo(table: str, real_path: str) -> str:
    """Find `real_path` in the text of ``/proc/self/mountinfo`` (format: proc_pid_mountinfo(5))."""
    mounts = []
    for line in table.splitlines():
        before, _, after = line.partition(" - ")
        fields, kind = before.split(" "), after.split(" ")
        if len(fields) > 4 and kind[0]:
            mounts.append((_unescaped(fields[4]), kind[0]))
    return _deepest(mounts, real_path)


def fs_type_in_mount_output(text: str, real_path: str) -> str:
    """Find `real_path` in what macOS's ``mount`` prints: ``//x on /Volumes/y (smbfs, nodev)``."""
    found = re.findall(r"^.*? on (/.*) \(([^,)]+)[,)]", text, re.MULTILINE)
    return _deepest(found, real_path)


def find_mount(path: str | Path) -> str:
    """Return where the file system is mounted that a path is on, by the mount table alone.

    The path is taken as it is written: a share that hangs is not asked. "" when nobody can say.
    """
    if not _LINUX:
        return ""
    try:
        table = Path("/proc/self/mountinfo").read_text("utf-8", "surrogateescape")
    except OSError:
        return ""
    fields = [line.split(" ") for line in table.splitlines()]
    points = [_unescaped(each[4]) for each in fields if len(each) > 4]
    found = _deepest([(each, each) for each in points], str(path))
    return found if found in points else ""


def place_on_disk(real_path: str | Path) -> tuple[str, str]:
    """Device of the file system that a resolved path is on, and its path in that file system.

    Two paths of one folder, seen through mounts, have the same place; so have the folders above
    it. Where the mount table cannot be read, the device is "" and the path is as it was given.
    """
    real = str(real_path)
    if not _LINUX:
        return "", real
    try:
        table = Path("/proc/self/mountinfo").read_text("utf-8", "surrogateescape")
    except OSError:
        return "", real
    return place_in_mountinfo(table, real)


def place_in_mountinfo(table: str, real_path: str) -> tuple[str, str]:
    """Find where `real_path` is by the text of ``/proc/self/mountinfo`` (proc_pid_mountinfo(5))."""
    mounts = {}
    for line in table.splitlines():
        fields = line.partition(" - ")[0].split(" ")
        if len(fields) > 4:
            mounts[_unescaped(fields[4])] = fields[2], _unescaped(fields[3])
    point = _deepest([(place, place) for place in mounts], real_path)
    device, top = mounts.get(point, ("", "/"))
    below = os.path.relpath(real_path, point) if point in mounts else real_path
    return device, os.path.normpath(os.path.join(top, below))  # noqa: PTH118 - text, not a file


def delivers_events(fs_type: str) -> bool:
    """Tell whether changes made by anybody reach a watcher on this machine.

    On a share they do not when another machine made them, and a user-space file system decides
    for itself; so the answer is True only for file systems known to be local.
    """
    return fs_type in _LOCAL_FILE_SYSTEMS


def _unescaped(mount_point: str) -> str:
    r"""Undo the octal escapes of the mount table (``\040`` is a space)."""
    return re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), mount_point)


def _deepest(mounts: list[tuple[str, str]], real_path: str) -> str:
    """The kind of the mount that `real_path` is below; of several at one place, the last."""
    kind, depth = "unknown", -1
    for place, its_kind in mounts:
        inside = place in {"/", real_path} or real_path.startswith(f"{place}/")
        if inside and len(place) >= depth:
            kind, depth = its_kind, len(place)
    return kind
