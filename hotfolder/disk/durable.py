"""Durable acts on files: each says what is guaranteed when it returns, and what is not.

"Durable" means: after a power cut the act has happened, as far as the disk keeps its word. A
disk or a share that claims to have written what it has not is beyond what a program can mend.
After an error from flushing or closing, the temporary file is thrown away and never flushed a
second time: the kernel may have dropped the very pages that failed.

Every function lets `OSError` pass; whoever calls knows whether it is about the user's file or
about our own storage.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import stat
import sys
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import BinaryIO, NamedTuple

from hotfolder.disk import platforms, pulse

TEMPORARY_PREFIX = ".hotfolder-"
"""All our temporary names start so; intake leaves them alone."""

_CHUNK = 4 * 2**20
_WRITE = 2**20
_CANNOT_SYNC_FOLDERS = {errno.EINVAL, errno.ENOTSUP, errno.EBADF}


_WAITING_AT_MOST = 2
"""Pieces that are written and not yet hashed."""


class Digest(NamedTuple):
    """SHA-256 as lower-case hexadecimal digits, and the number of bytes it is of."""

    sha256: str
    bytes: int


def is_there(path: str | Path) -> bool:
    """Whether something has this name, be it a dangling link.

    Any error but absence is raised: what is not there is made anew, forgotten or given up, so a
    disk that cannot say (for which `os.path.lexists` is False) must not be taken for one that has.
    """
    try:
        os.lstat(path)
    except (FileNotFoundError, NotADirectoryError):
        return False
    return True


def has_bytes(path: str | Path, sha256: str) -> bool:
    """Whether a regular file is there and has these bytes; False when that cannot be proven.

    For all who remove one copy because there is another: a name proves nothing.
    """
    try:
        return sha256_of(path).sha256 == sha256
    except OSError:
        return False


def fsync_file(path: str | Path) -> None:
    """Bring the data of the file at `path` to disk. Its name needs `fsync_folder`."""
    with Path(path).open("r+b" if sys.platform == "win32" else "rb") as file:
        platforms.sync_file(file.fileno())


def fsync_folder(path: str | Path | int) -> None:
    """Bring the names in a folder to disk: what was created, renamed or removed in it.

    An open folder may be given by its descriptor. Nothing is done on Windows and on file systems
    that do not know the act (some shares): there, a power cut may undo the latest renames.
    """
    if sys.platform == "win32":
        return
    folder = path if isinstance(path, int) else os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    except OSError as error:
        if error.errno not in _CANNOT_SYNC_FOLDERS:
            raise
    finally:
        if folder != path:
            os.close(folder)


def move_new(source: str | Path, target: str | Path) -> None:
    """Move a file, or within one file system anything, to a name that nothing has.

    When this returns, `target` is durable and `source` is gone. Within one file system it is one
    rename: after a power cut there is one of the two names, never both, never none. Across file
    systems a regular file is copied under a temporary name, flushed, read back and compared, and
    renamed; the source goes last. A power cut may then leave both names, or a temporary one.

    The data of a file that is renamed is *not* flushed: who wrote it does that (`fsync_file`).

    Raises
    ------
    FileExistsError
        When `target` exists; `source` is untouched.
    OSError
        ``EXDEV`` for what is no regular file, ``EBUSY`` when it changed while it was copied; in
        these and all other cases `source` is untouched and `target` is not made, but for an error
        while flushing a folder, after which the move may have happened.
    """
    source, target = Path(source), Path(target)
    before = source.lstat()
    with _held_open(target.parent) as folder:
        try:
            platforms.rename_noreplace(source, target)
        except OSError as error:
            if error.errno == errno.EXDEV and stat.S_ISREG(before.st_mode):
                _move_by_copy(source, target, error)
                return
            if not _has_happened(source, target, before):
                raise
        fsync_folder(folder)
    if source.parent != target.parent:
        with contextlib.suppress(FileNotFoundError):  # an emptied folder may have been removed
            fsync_folder(source.parent)


def is_doubtful(path: str | Path) -> bool:
    """Whether a flush of this file has failed, and `flush` has it still to write anew."""
    return is_there(_doubtful(Path(path)))


def is_kept(path: str | Path) -> bool:
    """Whether a file is there, if only under the name that a failed flush has given it."""
    return is_there(path) or is_doubtful(path)


def write_doubtful(path: str | Path) -> None:
    """Write a file anew whose flush has failed; nothing where there is none.

    What reads back may be other bytes than those that were written; the caller compares them, where
    it knows what they were.
    """
    path = Path(path)
    doubtful = _doubtful(path)
    if is_there(doubtful):
        if not is_there(path):
            copy_new(doubtful, path)
        doubtful.unlink()


def flush(path: str | Path, sha256: str) -> None:
    """Bring a file that someone else wrote to disk; it still is what `sha256` says.

    When the flush fails, the kernel may have dropped what it could not write and call the next
    flush a success. So the file is set aside under another name at once, and written anew from
    what can still be read of it; that is gone on with after a kill, and when it fails again.

    Raises
    ------
    OSError
        ``EIO`` when what can be read of it is not what it was; call again.
    """
    path = Path(path)
    doubtful = _doubtful(path)
    if not is_there(doubtful):
        try:
            fsync_file(path)
        except OSError:
            path.rename(doubtful)
        else:
            return
    if is_there(path) and not has_bytes(path, sha256):
        path.unlink()  # a kill came before what had been read wrongly was removed
    if not is_there(path) and copy_new(doubtful, path).sha256 != sha256:
        path.unlink()
        raise OSError(errno.EIO, "it could not be written to disk: it reads back changed", path)
    doubtful.unlink()


def copy_new(source: str | Path, target: str | Path, *, folder: int | None = None) -> Digest:
    """Copy a regular file to a name that nothing has: whole and durable, or not at all.

    With an open `folder`, `source` is a name in it.

    The copy is flushed, read back and compared before it takes its name, and keeps the time of
    the last change. A crash may leave a temporary name (`TEMPORARY_PREFIX`) beside the target.

    Returns
    -------
    Digest
        Of the bytes that were copied.

    Raises
    ------
    FileExistsError
        When `target` exists.
    OSError
        ``ELOOP`` or ``EINVAL`` when `source` is a link or no regular file, ``EBUSY`` when it
        changed while it was copied, ``EIO`` when what was written reads back differently.
    """
    copied = {}

    def fill(file: int) -> None:
        copied["digest"] = _copy_into(source, folder, file)

    _make_new(Path(target), fill, lambda temporary: _compare(temporary, copied["digest"]))
    return copied["digest"]


def write_new(path: str | Path, data: bytes) -> None:
    """Write a file under a name that nothing has: whole and durable, or not at all.

    A crash may leave a temporary name (`TEMPORARY_PREFIX`) beside it.

    Raises
    ------
    FileExistsError
        When `path` exists.
    """
    _make_new(Path(path), lambda file: write_all(file, data))


def temporary_name(target: Path) -> Path:
    """Name what becomes `target` while it is not whole.

    The same for the same target, so that a second try clears what a kill left of the first.
    """
    token = hashlib.sha256(os.fsencode(target.name)).hexdigest()[:16]
    return target.parent / f"{TEMPORARY_PREFIX}{token}"


def open_to_read(path: str | Path) -> BinaryIO:
    """Open a file that others can put there: never a link, and never waiting for a pipe.

    Raises
    ------
    OSError
        ``ELOOP`` for a link, ``EINVAL`` for what is no regular file.
    """
    return os.fdopen(platforms.open_regular(path), "rb")


def sha256_of(path: str | Path, *, folder: int | None = None) -> Digest:
    """Hash a regular file as it is now, in pieces; with an open `folder`, a name in it.

    Raises
    ------
    OSError
        ``ELOOP`` for a link, ``EINVAL`` for what is no regular file.
    """
    file = platforms.open_regular(path, folder=folder)
    try:
        digest, size = hashlib.sha256(), 0
        for chunk in _chunks(file):
            digest.update(chunk)
            size += len(chunk)
    finally:
        os.close(file)
    return Digest(digest.hexdigest(), size)


class HashedFile:
    """A file that is written from its beginning to its end, and hashed by a thread meanwhile.

    Parameters
    ----------
    path
        What is there is overwritten.
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("wb")
        self._hasher = ThreadPoolExecutor(1, "hash")
        self._waiting: deque[Future[None]] = deque()
        self._hash, self._bytes = hashlib.sha256(), 0

    def write(self, data: bytes | memoryview) -> None:
        """Write what comes next.

        Parameters
        ----------
        data
            It stays what it is: it is hashed a little later.

        Raises
        ------
        OSError
            When the disk is full or fails.
        """
        self._file.write(data)
        self._bytes += len(data)
        self._waiting.append(self._hasher.submit(self._hash.update, data))
        while len(self._waiting) > _WAITING_AT_MOST:
            self._waiting.popleft().result()

    def close(self) -> Digest:
        """Close the file and return the digest of what was written.

        Raises
        ------
        OSError
            When the disk is full or fails.
        """
        try:
            self._file.close()
        finally:
            self._hasher.shutdown()
        return Digest(self._hash.hexdigest(), self._bytes)


def write_all(file: int, data: bytes) -> None:
    """Write all of it to an open file, however little the system takes at once."""
    view = memoryview(data)
    while view:
        # in pieces: on a slow share each one is a sign of life
        view = view[os.write(file, view[:_WRITE]) :]
        pulse.beat()


def make_folders(path: str | Path) -> list[Path]:
    """Make a folder and those above it that are missing, durably; fine when it exists.

    Returns
    -------
    Those that were missing, the upper ones first.

    Raises
    ------
    FileExistsError, NotADirectoryError
        When something that is no folder stands in the way.
    """
    missing = []
    place = Path(path)
    while not place.is_dir() and place.parent != place:
        missing.append(place)
        place = place.parent
    missing.reverse()
    for folder in missing:
        folder.mkdir(exist_ok=True)
        fsync_folder(folder.parent)
    return missing


def _has_happened(source: Path, target: Path, before: os.stat_result) -> bool:
    """Whether a rename that was reported as failed has been made all the same.

    A file server may do the rename, lose its answer and, asked again, find no source.
    """
    try:
        found = target.lstat()
    except OSError:
        return False
    same = (found.st_dev, found.st_ino) == (before.st_dev, before.st_ino)
    return same and found.st_ino != 0 and not os.path.lexists(source)


def _move_by_copy(source: Path, target: Path, reason: OSError) -> None:
    copy_new(source, target)
    try:
        source.unlink()
    except OSError as error:
        # the source stays where it is, so the copy must not: one file, one place
        target.unlink()
        raise error from reason
    fsync_folder(source.parent)


@contextlib.contextmanager
def _held_open(folder: Path) -> Iterator[int | Path]:
    """A folder that can be flushed though somebody takes it away with what was put into it."""
    if sys.platform == "win32":
        yield folder
        return
    opened = platforms.open_folder(folder)
    try:
        yield opened
    finally:
        os.close(opened)


def _doubtful(path: Path) -> Path:
    return temporary_name(path.with_name(f"doubtful {path.name}"))


def _make_new(
    target: Path, fill: Callable[[int], None], check: Callable[[Path], None] | None = None
) -> None:
    """Make a file under a temporary name beside `target`; on success rename it, else remove it.

    There must be one writer at a time for one target.
    """
    temporary = temporary_name(target)
    temporary.unlink(missing_ok=True)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    with _held_open(target.parent) as folder:
        file = os.open(temporary, flags | getattr(os, "O_CLOEXEC", 0), 0o644)
        try:
            try:
                fill(file)
                platforms.sync_file(file)
            finally:
                os.close(file)
            if check:
                check(temporary)
            platforms.rename_noreplace(temporary, target)
        except BaseException:
            with contextlib.suppress(OSError):
                temporary.unlink()
            raise
        fsync_folder(folder)


def _copy_into(source: str | Path, folder: int | None, file: int) -> Digest:
    original = platforms.open_regular(source, folder=folder)
    try:
        before = os.fstat(original)
        digest, size = hashlib.sha256(), 0
        for chunk in _chunks(original):
            write_all(file, chunk)
            digest.update(chunk)
            size += len(chunk)
        after = os.fstat(original)
    finally:
        os.close(original)
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns) or (
        size != after.st_size
    ):
        raise OSError(errno.EBUSY, "changed while it was copied", str(source))
    with contextlib.suppress(OSError, NotImplementedError):  # not every share keeps times
        os.utime(file, ns=(after.st_atime_ns, after.st_mtime_ns))
    return Digest(digest.hexdigest(), size)


def _compare(copy: Path, expected: Digest) -> None:
    if sha256_of(copy) != expected:
        raise OSError(errno.EIO, "what was written reads back differently", str(copy))


def _chunks(file: int) -> Iterator[bytes]:
    while chunk := os.read(file, _CHUNK):
        pulse.beat()
        yield chunk
