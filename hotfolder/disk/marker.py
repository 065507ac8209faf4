"""The marker: a file of our own by which a folder of a root is told from an empty place.

When a share is not mounted, an empty local folder stands where it was. Without a marker that
would look like a hot folder with nothing in it, or like a place for results, and what is written
there would vanish under the share once it returns.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
from collections.abc import Iterable
from pathlib import Path

from hotfolder.disk import durable, platforms, pulse
from hotfolder.errors import FOR_ANY_ROOT, StorageError

MARKER = ".hotfolder-folder"
_LONGEST_ID = 100

_REASONS = {
    errno.ENOENT: "it is not there",
    errno.ENOTDIR: "it is not a folder",
    errno.EACCES: "reading it is not permitted",
    errno.EPERM: "reading it is not permitted",
    errno.ESTALE: "its share is gone",
    errno.EHOSTDOWN: "its server does not answer",
    errno.EHOSTUNREACH: "its server does not answer",
    errno.ETIMEDOUT: "its server does not answer",
    errno.ENOTCONN: "its share is not connected",
    errno.EIO: "its disk or share reports an error",
}


class Unreachable(StorageError):
    """A folder of a root cannot be used; nothing is known of what is in it."""


def unreachable(folder: str | Path, error: OSError) -> Unreachable:
    """Say in plain words why a folder cannot be read."""
    reason = _REASONS.get(error.errno or 0, error.strerror or str(error))
    is_gone = isinstance(error, FileNotFoundError)
    anew = f" If it was moved away or deleted, run {FOR_ANY_ROOT}, which makes it anew."
    return Unreachable(
        f"{folder} cannot be reached: {reason}. Check the share, the disk and the permissions; "
        f"the work continues by itself when the folder is back.{anew if is_gone else ''}"
    )


def write_marker(folder: str | Path) -> str:
    """Mark a folder as ours, durably, and return the marker's id; an old marker is kept.

    Raises
    ------
    OSError
        When the folder is not there or cannot be written.
    """
    marker = Path(folder) / MARKER
    with contextlib.suppress(FileExistsError):
        durable.write_new(marker, secrets.token_hex(8).encode("ascii") + b"\n")
    return marker_id(folder)


def marker_id(folder: str | Path) -> str:
    """Return the id in a folder's marker; "" when there is none, or it cannot be read.

    Neither waited for nor followed: whoever can write there may have put a pipe or a link.
    """
    pulse.beat(folder)
    try:
        file = platforms.open_regular(Path(folder) / MARKER)
    except OSError:
        return ""
    with os.fdopen(file, "rb") as opened, contextlib.suppress(OSError):
        return opened.read(_LONGEST_ID).decode("ascii", "replace").strip()
    return ""


def check_marker(folder: str | Path) -> None:
    """Make sure that a folder is there and is the one that was marked.

    Raises
    ------
    Unreachable
        Says what is missing and what to do.
    """
    pulse.beat(folder)
    try:
        Path(folder).stat()
        (Path(folder) / MARKER).lstat()
    except FileNotFoundError as error:
        if not os.path.lexists(folder):
            raise unreachable(folder, error) from error
        raise Unreachable(
            f"{folder} is there, but without the file {MARKER} that marks it as ours: "
            "its share or disk is probably not connected. If it is a new folder, run "
            f"{FOR_ANY_ROOT}, which only adds what is missing."
        ) from error
    except OSError as error:
        raise unreachable(folder, error) from error


def away(folders: Iterable[str | Path]) -> dict[str, str]:
    """Of these folders, those that are not there or not the ones that were marked, and why."""
    found = {}
    for folder in folders:
        try:
            check_marker(folder)
        except Unreachable as error:
            found[str(folder)] = str(error)
    return found


def check_marked_above(path: str | Path) -> None:
    """Make sure that a place to write to is in, or below, a folder that was marked.

    Raises
    ------
    Unreachable
        Says that a share or disk is probably not connected.
    """
    find_marked_above(path)


def find_marked_above(path: str | Path) -> Path:
    """Return the marked folder in which, or below which, a place to write to is.

    Raises
    ------
    Unreachable
        Says that a share or disk is probably not connected.
    """
    pulse.beat(path)
    for folder in (Path(path), *Path(path).parents):
        if os.path.lexists(folder / MARKER):
            return folder
    raise Unreachable(
        f"{path} cannot be written: no folder there has the file {MARKER} that marks it as ours. "
        "Its share or disk is probably not connected; the work continues by itself when it is. If "
        f"it is a new folder, run {FOR_ANY_ROOT}, which only adds what is missing."
    )


def make_marked_folders(path: str | Path) -> None:
    """Make a folder, and those above it that are missing, in or below a folder that was marked.

    A share may go between a look at its marker and this: what was then made where it had been is
    taken away again, so that nothing hides under the share when it comes back.

    Raises
    ------
    Unreachable
        Says that a share or disk is probably not connected.
    OSError
        As `durable.make_folders`.
    """
    made = durable.make_folders(path)
    if not made:
        return
    try:
        check_marked_above(path)
    except Unreachable:
        for folder in reversed(made):
            # the share may be back, or somebody has put a file there
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise


def write_marked(path: str | Path, data: bytes) -> None:
    """Write a new file, whole and durable, in or below a folder that was marked.

    Raises
    ------
    FileExistsError
        When `path` exists.
    Unreachable
        When its share is away: what was written where it had been is taken away again.
    """
    check_marked_above(path)
    durable.write_new(path, data)
    try:
        check_marked_above(path)
    except Unreachable:
        Path(path).unlink(missing_ok=True)
        raise
