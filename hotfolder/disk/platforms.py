"""What only one operating system can do, each with a portable fallback and its weaker promise.

Here are files and locks; `mounts` has file systems, and `processes` processes. The rest of the
program asks them and never looks at ``sys.platform`` itself. Where a kernel cannot do a thing, the
docstring says what is then *not* promised.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import platform
import shutil
import signal
import stat
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

_LINUX = sys.platform == "linux"
_AT_FDCWD = -100
_RENAME_NOREPLACE = 1
_SYS_OPENAT2 = 437
"""The same on every Linux architecture, as all system calls that came after 5.1."""
_SYS_RENAMEAT2 = {"x86_64": 316, "aarch64": 276, "riscv64": 276}
_RESOLVE_NO_MAGICLINKS = 0x02
_RESOLVE_NO_SYMLINKS = 0x04
_RESOLVE_BENEATH = 0x08


def free_bytes(path: str | Path) -> int:
    """Bytes that an ordinary user can still write on the disk of `path`, which must exist."""
    return shutil.disk_usage(path).free


# Files


def has_writer(file: int) -> bool | None:
    """Tell whether any process of this machine has the file open for writing.

    Parameters
    ----------
    file
        A descriptor of a regular file, opened read-only.

    Returns
    -------
    bool or None
        None when the kernel cannot tell: not Linux, a file of another user, a file system without
        leases. On a share, False says nothing about writers on other machines.

    Notes
    -----
    Linux grants a read lease (fcntl(2), F_SETLEASE) only while nobody has the file open for
    writing. It is given back at once. A program that opens the file for writing within these
    microseconds makes the kernel send a signal; SIGIO would end this process, so a signal that is
    ignored by default is asked for instead.
    """
    if not _LINUX:
        return None
    import fcntl

    try:
        fcntl.fcntl(file, fcntl.F_SETSIG, signal.SIGURG)  # type: ignore[attr-defined, unused-ignore]  # Linux only
        fcntl.fcntl(file, fcntl.F_SETLEASE, fcntl.F_RDLCK)
    except OSError as error:
        return True if error.errno == errno.EAGAIN else None
    fcntl.fcntl(file, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    return False


def sync_file(file: int) -> None:
    """Bring a file's data to the disk itself; on macOS also through the disk's own cache."""
    if sys.platform == "darwin":
        import fcntl

        with contextlib.suppress(OSError):  # shares do not know it; fsync is all they have
            fcntl.fcntl(file, fcntl.F_FULLFSYNC)
            return
    os.fsync(file)


def rename_noreplace(
    source: str | Path,
    target: str | Path,
    *,
    source_folder: int | None = None,
    target_folder: int | None = None,
) -> None:
    """Rename within one file system, in one step, never over something that exists.

    Where the file system cannot do both at once (NFS, many user-space ones, not Linux), absence
    is checked first and then the rename is made: still one step, but a file that someone else
    puts at `target` in between is lost. There, only one program may write to the folder.

    Parameters
    ----------
    source, target
        Paths; with an open folder given, names in it.
    source_folder, target_folder
        Descriptors of open folders: what they were opened as stays, whatever is put in the place
        of their names meanwhile. Windows has none.

    Raises
    ------
    FileExistsError
        When `target` exists, be it as a dangling link.
    OSError
        As rename(2); ``EXDEV`` when the two are on different file systems.
    """
    number = errno.ENOSYS
    if _LINUX:
        number = _renameat2(os.fsencode(source), os.fsencode(target), source_folder, target_folder)
    if number == 0:
        return
    if number not in {errno.ENOSYS, errno.EINVAL, errno.EOPNOTSUPP}:
        raise OSError(number, os.strerror(number), str(source), None, str(target))
    try:
        os.stat(target, dir_fd=target_folder, follow_symlinks=False)
    except FileNotFoundError:
        os.rename(source, target, src_dir_fd=source_folder, dst_dir_fd=target_folder)
    else:
        raise FileExistsError(
            errno.EEXIST, os.strerror(errno.EEXIST), str(source), None, str(target)
        )


def open_folder(path: str | Path) -> int:
    """Open a folder, to name what is in it by descriptor and not by a path that may change."""
    return os.open(path, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0) | getattr(os, "O_CLOEXEC", 0))


def open_beneath(root: int, relative: str, flags: int) -> int:
    """Open what `relative` names below the open folder `root`, following no link at any step.

    Linux resolves the whole path in one step (openat2(2)), so that a folder swapped for a link
    meanwhile leads nowhere. Elsewhere each component is opened in turn without following links,
    which holds as well but costs more calls; on Windows, which opens no folders, only the last
    look before the open protects.

    Raises
    ------
    OSError
        ``ELOOP``, ``ENOTDIR`` or ``EXDEV`` when the path has a link in it or leads outside.
    """
    flags |= getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NOFOLLOW", 0)
    parts = relative.split("/")
    if relative.startswith("/") or ".." in parts:
        raise OSError(errno.EXDEV, "leads outside its folder", relative)
    if _LINUX:
        number, file = _openat2(root, os.fsencode(relative), flags)
        if number == 0:
            return file
        if number not in {errno.ENOSYS, errno.EPERM}:
            raise OSError(number, os.strerror(number), relative)
    return _open_stepwise(root, parts, flags)


@contextlib.contextmanager
def entry_beneath(top: str | Path, relative: str) -> Iterator[tuple[int | None, str]]:
    """What `relative` names below the folder `top`: its open folder, and its name in that one.

    No link is followed below `top`, and what takes the folder's name afterwards changes nothing.
    On Windows, which opens no folders, the first is None and the second a whole path: there, a
    folder that is swapped for a link meanwhile is followed.

    Raises
    ------
    OSError
        As `open_beneath`.
    """
    if not hasattr(os, "O_DIRECTORY"):
        yield None, os.path.join(top, relative)  # noqa: PTH118 - names, not paths
        return
    parent, _, name = relative.rpartition("/")
    folder = open_folder(top)
    try:
        if parent:
            below = open_beneath(folder, parent, os.O_RDONLY | os.O_DIRECTORY)
            os.close(folder)
            folder = below
        yield folder, name
    finally:
        os.close(folder)


def open_regular(path: str | Path, *, folder: int | None = None) -> int:
    """Open a regular file for reading: never through a link in the last place, never waiting.

    With an open `folder`, `path` is a name in it.

    Raises
    ------
    OSError
        ``ELOOP`` for a link, ``EINVAL`` for what is no regular file.
    """
    flags = os.O_RDONLY | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
    flags |= getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    file = os.open(path, flags, dir_fd=folder)
    if not stat.S_ISREG(os.fstat(file).st_mode):
        os.close(file)
        raise OSError(errno.EINVAL, "not a regular file", str(path))
    return file


# Locks


Release = Callable[[], None]
"""Gives a lock back."""


def lock_folder(folder: str | Path) -> Release | None:
    """Lock a folder for this process; it holds until it is released or the process ends.

    What is locked is the open folder (flock(2)), no file in it that somebody could delete to let
    another process in. Windows opens no folders: there a file in it is locked, which cannot be
    deleted while it is open.

    Returns
    -------
    callable or None
        What releases it; None when another process, or another place in this one, has it.

    Raises
    ------
    OSError
        When the folder cannot be opened, or its file system knows no locks.
    """
    try:
        import fcntl
    except ImportError:
        return _lock_file_in(folder)
    opened = open_folder(folder)
    try:
        fcntl.flock(opened, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(opened)
        return None
    except BaseException:
        os.close(opened)
        raise
    return lambda: os.close(opened)


def is_folder_locked(folder: str | Path) -> bool:
    """Tell whether any process has locked a folder by `lock_folder`.

    To ask, the lock is shared for some microseconds; several who ask do not see one another, and
    one who locks must try again for a moment before it believes that somebody else has it. On
    Windows two who ask at the same moment may take one another for the holder.

    Raises
    ------
    OSError
        As `lock_folder`.
    """
    try:
        import fcntl
    except ImportError:
        release = _lock_file_in(folder)
        if release is not None:
            release()
        return release is None
    opened = open_folder(folder)
    try:
        fcntl.flock(opened, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(opened)
    return False


def hold_name(name: str) -> Release | None:
    """Hold a name on this machine; it is free when it is released or the process ends.

    Linux has names of sockets that are in no folder (unix(7), abstract), for all its users.
    Elsewhere, and where no socket can be had, nothing is held and nobody kept out.

    Returns
    -------
    callable or None
        What releases it; None when another process, or another place in this one, has it.
    """
    if not _LINUX:
        return lambda: None
    import socket

    try:
        held = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    except OSError:
        return lambda: None
    try:
        held.bind(f"\0{name}")
    except OSError as error:
        held.close()
        return None if error.errno == errno.EADDRINUSE else lambda: None
    return held.close


def _lock_file_in(folder: str | Path) -> Release | None:
    from filelock import FileLock, Timeout

    lock = FileLock(Path(folder) / "lock", thread_local=False)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        return None
    return lock.release


def _libc() -> Any:
    return ctypes.CDLL(None, use_errno=True)


def _renameat2(
    source: bytes, target: bytes, source_folder: int | None, target_folder: int | None
) -> int:
    libc = _libc()
    near = _AT_FDCWD if source_folder is None else source_folder
    far = _AT_FDCWD if target_folder is None else target_folder
    arguments = (
        ctypes.c_int(near), ctypes.c_char_p(source),
        ctypes.c_int(far), ctypes.c_char_p(target), ctypes.c_uint(_RENAME_NOREPLACE),
    )  # fmt: skip
    if hasattr(libc, "renameat2"):
        result = libc.renameat2(*arguments)
    else:
        number = _SYS_RENAMEAT2.get(platform.machine())
        if number is None:
            return errno.ENOSYS
        result = libc.syscall(ctypes.c_long(number), *arguments)
    return 0 if result == 0 else ctypes.get_errno()


class _OpenHow(ctypes.Structure):
    _fields_ = (
        ("flags", ctypes.c_uint64), ("mode", ctypes.c_uint64), ("resolve", ctypes.c_uint64),
    )  # fmt: skip


def _openat2(root: int, relative: bytes, flags: int) -> tuple[int, int]:
    resolve = _RESOLVE_BENEATH | _RESOLVE_NO_SYMLINKS | _RESOLVE_NO_MAGICLINKS
    how = _OpenHow(flags, 0, resolve)
    result = _libc().syscall(
        ctypes.c_long(_SYS_OPENAT2), ctypes.c_int(root), ctypes.c_char_p(relative),
        ctypes.byref(how), ctypes.c_size_t(ctypes.sizeof(how)),
    )  # fmt: skip
    return (0, result) if result >= 0 else (ctypes.get_errno(), -1)


def _open_stepwise(root: int, parts: list[str], flags: int) -> int:
    folder_flags = os.O_RDONLY | getattr(os, "O_DIRECTORY", 0) | getattr(os, "O_NOFOLLOW", 0)
    folder = os.dup(root)
    try:
        for part in parts[:-1]:
            below = os.open(part, folder_flags, dir_fd=folder)
            os.close(folder)
            folder = below
        return os.open(parts[-1], flags, dir_fd=folder)
    finally:
        os.close(folder)
