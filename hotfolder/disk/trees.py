"""Whatever stands under a name, be it a folder with all in it, or no file at all.

It is moved, copied, compared, removed, or replaced by a page of ours. As in
`hotfolder.disk.durable`, every function lets `OSError` pass. How deep a folder goes is a stranger's
choice, so nothing here is recursive; and links in it are never followed.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from pathlib import Path

from hotfolder.disk import durable, platforms


def move_any_new(source: str | Path, target: str | Path) -> None:
    """Move anything that can be dropped to a name that nothing has: also what is no file.

    Within one file system as `durable.move_new`, across them as `copy_any_new`; the source goes
    last.

    Raises
    ------
    FileExistsError
        When `target` exists.
    """
    source = Path(source)
    try:
        durable.move_new(source, target)
    except OSError as error:
        if error.errno != errno.EXDEV:
            raise
        with platforms.entry_beneath(source.parent, source.name) as (folder, name):
            copy_any_new(name, target, folder=folder)
            remove_any(name, folder=folder)
        durable.fsync_folder(source.parent)


def copy_any_new(name: str | Path, target: str | Path, *, folder: int | None = None) -> None:
    """Copy anything that can be dropped to a name that nothing has, also what is no file.

    A file is copied as by `durable.copy_new`; a folder with all that is in it, links as links and
    never followed; a pipe, socket or device is made anew, or, where the system does not let us, an
    empty file of its name. With an open `folder`, `name` is a name in it.
    """
    target = Path(target)
    found = os.stat(name, dir_fd=folder, follow_symlinks=False)
    if stat.S_ISREG(found.st_mode):
        durable.copy_new(name, target, folder=folder)
        return
    if durable.is_there(target):
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))
    temporary = durable.temporary_name(target)
    remove_tree(temporary, below=temporary.parent)
    if not stat.S_ISDIR(found.st_mode):
        _make_like(name, folder, found, temporary)
    else:
        temporary.mkdir()
        _copy_tree(str(name), folder, temporary)
    durable.move_new(temporary, target)


def is_same(name: str | Path, other: str | Path, *, folder: int | None = None) -> bool:
    """Whether two places hold the same: bytes of files, targets of links, all that is in folders.

    With an open `folder`, `name` is a name in it. Pipes, sockets and devices have nothing to lose
    and are the same as anything. False when it cannot be proven.
    """
    try:
        with platforms.entry_beneath(Path(other).parent, Path(other).name) as (beside, last):
            return _is_same((folder, str(name)), (beside, last))
    except OSError:
        return False


def replace_text(path: str | Path, text: str) -> None:
    """Write a page or table of ours, whole or not at all, in the place of an earlier one.

    What stands under its temporary name is removed first: a kill may have left it, or somebody
    may have put a pipe there.

    Raises
    ------
    IsADirectoryError
        When a folder has its name.
    """
    path = Path(path)
    temporary = path.parent / f"{durable.TEMPORARY_PREFIX}{path.name}"
    remove_tree(temporary, below=temporary.parent)
    with temporary.open("x", encoding="utf-8", newline="") as file:
        file.write(text)
        file.flush()
        platforms.sync_file(file.fileno())
    temporary.replace(path)


def remove_tree(path: str | Path, *, below: str | Path) -> None:
    """Remove a folder with all that is in it, or a file; fine when it is not there.

    Links in it are removed, never followed. The removal is not flushed: after a power cut some of
    it may be back.

    Raises
    ------
    ValueError
        When `path` is not below the folder `below`: nothing is removed.
    """
    path, base = Path(path), Path(below).resolve()
    # the last component is not resolved: a link is removed itself, wherever it leads
    if path.name in {"", ".."} or base not in (path.parent.resolve() / path.name).parents:
        raise ValueError(f"{path} is not below {below}")
    try:
        if not stat.S_ISDIR(path.lstat().st_mode):
            path.unlink()
            return
    except FileNotFoundError:
        return
    with platforms.entry_beneath(path.parent, path.name) as (folder, name):
        remove_any(name, folder=folder)


def remove_any(name: str | Path, *, folder: int | None = None) -> None:
    """Remove a file, or a folder with all that is in it; with an open `folder`, a name in it.

    Links are removed and never followed, not even one that takes a folder's place meanwhile
    (but on Windows).
    """
    if not stat.S_ISDIR(os.stat(name, dir_fd=folder, follow_symlinks=False).st_mode):
        os.unlink(name, dir_fd=folder)
        return
    # shutil's way is recursive, and how deep a dropped folder goes is a stranger's choice
    top = str(name)
    folders = [top]
    for each in folders:
        for found, is_folder, inside in _entries(folder, each):
            if is_folder:
                folders.append(f"{each}/{found}")
            else:
                os.unlink(found, dir_fd=inside)
    for each in reversed(folders[1:]):
        parent, _, last = each.rpartition("/")
        inside = _open_below(folder, parent)
        try:
            os.rmdir(last, dir_fd=inside)
        finally:
            os.close(inside)
    os.rmdir(top, dir_fd=folder)


def _copy_tree(top: str, folder: int | None, target: Path) -> None:
    """Copy what is in a folder, without recursion: how deep it goes is a stranger's choice."""
    waiting = [(top, target)]
    while waiting:
        place, copy = waiting.pop()
        for name, is_folder, inside in _entries(folder, place):
            if is_folder:
                (copy / name).mkdir()
                waiting.append((f"{place}/{name}", copy / name))
                continue
            found = os.stat(name, dir_fd=inside, follow_symlinks=False)
            if stat.S_ISREG(found.st_mode):
                durable.copy_new(name, copy / name, folder=inside)
            else:
                _make_like(name, inside, found, copy / name)
        durable.fsync_folder(copy)


def _make_like(name: str | Path, folder: int | None, found: os.stat_result, target: Path) -> None:
    if stat.S_ISLNK(found.st_mode):
        target.symlink_to(os.readlink(name, dir_fd=folder))
        return
    try:
        os.mknod(target, found.st_mode, found.st_rdev)
    except (OSError, AttributeError):  # devices are not for everybody to make
        target.touch()


def _is_same(one: tuple[int | None, str], other: tuple[int | None, str]) -> bool:
    """Compare without recursion: how deep a folder goes is a stranger's choice."""
    waiting = [(one[1], other[1])]
    while waiting:
        name, name_of_other = waiting.pop()
        mode = os.stat(name, dir_fd=one[0], follow_symlinks=False).st_mode
        mode_of_other = os.stat(name_of_other, dir_fd=other[0], follow_symlinks=False).st_mode
        if not (stat.S_ISREG(mode) or stat.S_ISLNK(mode) or stat.S_ISDIR(mode)):
            continue
        if stat.S_IFMT(mode) != stat.S_IFMT(mode_of_other):
            return False
        if stat.S_ISREG(mode):
            if durable.sha256_of(name, folder=one[0]) != durable.sha256_of(
                name_of_other, folder=other[0]
            ):
                return False
        elif stat.S_ISLNK(mode):
            if os.readlink(name, dir_fd=one[0]) != os.readlink(name_of_other, dir_fd=other[0]):
                return False
        else:
            inside = {entry for entry, _, _ in _entries(one[0], name)}
            if inside != {entry for entry, _, _ in _entries(other[0], name_of_other)}:
                return False
            waiting += [(f"{name}/{each}", f"{name_of_other}/{each}") for each in inside]
    return True


def _entries(folder: int | None, relative: str) -> Iterator[tuple[str, bool, int]]:
    """Every entry of a folder: its name, whether it is a folder itself, and the open folder."""
    inside = _open_below(folder, relative)
    try:
        with os.scandir(inside) as entries:
            # listed at once: what is removed while one reads a folder may hide what is not
            listed = [(each.name, each.is_dir(follow_symlinks=False)) for each in entries]
        for name, is_folder in listed:
            yield name, is_folder, inside
    finally:
        os.close(inside)


def _open_below(folder: int | None, relative: str) -> int:
    if folder is None:
        return platforms.open_folder(relative)
    return platforms.open_beneath(folder, relative, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
