"""Putting a copy of a root back: `hotfolder restore`.

Every file of the copy is hashed before anything is written, and once more as it is written.

A root may have gone on since it was copied, and be there still. Its logs say what was done: a file
of the copy that was on its way then, and whose job has ended since, stays in the copy.
"""

from __future__ import annotations

import json
import tomllib
from collections import defaultdict
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

from hotfolder.disk import durable, trees
from hotfolder.errors import Problem, SettingsError, StorageError
from hotfolder.intake.sidecars import SUFFIX
from hotfolder.ledger.lock import find_holder, served_alone
from hotfolder.ledger.log_years import LOG_FILE
from hotfolder.model.records import SIDECAR, read_record
from hotfolder.settings.root import FOLDER_KINDS, Root
from hotfolder.upkeep.copies import (
    ELSEWHERE,
    IN_ROOT,
    LEDGER,
    MANIFEST,
    Copied,
    Entry,
    check_chains,
    check_ledger,
    is_database,
    read_folders,
)

_JOB_LENGTH = len("20260131-235959-0123abcd")
_HOT = ("in", "hot_folder")


def put_back(copy: Path, root: Root, *, over: bool) -> Copied:
    """Put a copy back to where a root is to be, after checking every file of it.

    over: also where something is. What is there with other bytes is set aside first, into
    ``.hotfolder/before-restore-…``; a log that goes on where the copy's ends stays as it is, so
    what was delivered since is not delivered again.

    Raises
    ------
    SettingsError
        When it is no copy, or something is where the root is to be.
    StorageError
        When the copy is damaged, a daemon serves the root, or something cannot be written; it can
        be called again.
    """
    entries = _read_manifest(copy)
    if root.private.is_dir() and find_holder(root):
        with served_alone(root):  # says by whom
            pass
    if root.path.is_dir() and any(root.path.iterdir()) and not over:
        allowed = "an empty folder, or --over: what is in the way is set aside"
        raise SettingsError([Problem(str(root.path), "", "is not empty", allowed)])
    _check_copy(copy, entries)
    try:
        root.private.mkdir(parents=True, exist_ok=True)
        with served_alone(root):
            kept = _write_back(copy, root, entries)
    except OSError as error:
        raise StorageError(
            f"{error.filename or root.path} cannot be put back: {error.strerror or error}; "
            "nothing of what was there is lost, and the same command goes on"
        ) from error
    check_ledger(root.ledger)
    logs = {name: each.results / LOG_FILE for name, each in read_folders(root).items()}
    faults = check_chains(root.ledger, logs, going_on=kept)
    return Copied(
        place=str(root.path),
        files=len(entries),
        bytes=sum(each.bytes for each in entries),
        kept=sorted(kept.values()),
        missing=[],
        faults=faults,
        left_out=[],
    )


def _read_manifest(copy: Path) -> list[Entry]:
    try:
        lines = (copy / MANIFEST).read_bytes().splitlines()
        said = [json.loads(line) for line in lines]
        entries = [Entry(**each) for each in said[1:]]
    except (OSError, ValueError, KeyError, TypeError) as error:
        reason = f"has no {MANIFEST} that can be read: {error}"
        allowed = "a folder that `hotfolder backup` made"
        raise SettingsError([Problem(str(copy), "", reason, allowed)]) from error
    for each in entries:
        parts = PurePosixPath(each.path).parts
        if parts[0] not in {IN_ROOT, ELSEWHERE} or ".." in parts or each.path.startswith("/"):
            raise SettingsError([Problem(str(copy), "", f"names {each.path}", "paths in the copy")])
    return entries


def _check_copy(copy: Path, entries: list[Entry]) -> None:
    damaged = [each.path for each in entries if not each.is_at(copy / each.path)]
    if damaged:
        raise StorageError(
            f"the copy {copy} is damaged, and nothing was put back: {len(damaged)} of its files "
            f"are gone or changed, the first is {damaged[0]}. Use another copy"
        )
    check_ledger(copy / LEDGER)


def _write_back(copy: Path, root: Root, entries: list[Entry]) -> dict[Path, str]:
    """Copy every file to its place; return what stays as it was and what was set aside."""
    aside = root.private / f"before-restore-{datetime.now(UTC):%Y%m%d-%H%M%S}"
    elsewhere = _find_elsewhere(copy, root)
    kept: dict[Path, str] = {}
    for name in ("ledger.sqlite", "ledger.sqlite-wal", "ledger.sqlite-shm"):
        old = root.private / name
        if durable.is_there(old):
            durable.make_folders(aside)
            trees.move_any_new(old, aside / name)
            kept[old] = f"{old} was set aside as {aside / name}"
    done = _read_what_was_done(copy, root, elsewhere, entries)
    ended = {each.path for each in entries if done.has_ended(each)}
    ended |= _find_sidecars(entries, ended, done)
    for each in entries:
        source, target = copy / each.path, _find_target(root, elsewhere, each.path)
        if each.path in ended:
            kept[target] = f"{each.path} stays in the copy: its job has ended since"
            continue
        if durable.is_there(target):
            if each.is_at(target):
                continue
            if target.name == LOG_FILE and _begins_with(target, source):
                kept[target] = f"{target} stays: it goes on after the copy's last line"
                continue
            if _is_of_a_stage(root, target) and is_database(target):
                kept[target] = f"{target} stays: it may know more than the copy, {source}"
                continue
            place = aside / each.path
            durable.make_folders(place.parent)
            trees.move_any_new(target, place)
            kept[target] = f"{target} was set aside as {place}"
        durable.make_folders(target.parent)
        trees.copy_any_new(source, target)
    return kept


@dataclass(frozen=True)
class _Done:
    """What ended after the copy was made, as the logs say that go on."""

    jobs: frozenset[str]
    originals: frozenset[str]
    """SHA-256, as are those of the sidecars."""
    sidecars: frozenset[str]

    def has_ended(self, entry: Entry) -> bool:
        """Whether a file of the copy was on its way then, and is at its end now."""
        place, parts = _find_place(entry), PurePosixPath(entry.path).parts
        is_half = parts[-1].startswith(durable.TEMPORARY_PREFIX)
        for part in parts:
            job = part.removeprefix(durable.TEMPORARY_PREFIX)[:_JOB_LENGTH]
            if job in self.jobs and (place or is_half or job != part[:_JOB_LENGTH]):
                return True
        return place in _HOT and entry.sha256 in self.originals


def _find_place(entry: Entry) -> str:
    """Find the kind of folder on a file's way that it lies in; "" for any other."""
    parts = PurePosixPath(entry.path).parts
    if parts[:3] == (IN_ROOT, ".hotfolder", "spool"):
        return "spool"
    if parts[0] == IN_ROOT and parts[1] in {"in", "held", "release"}:
        return parts[1]
    if parts[0] == ELSEWHERE and parts[2] in {"hot_folder", "held", "release"}:
        return parts[2]
    return ""


def _find_sidecars(entries: list[Entry], ended: set[str], done: _Done) -> set[str]:
    """Sidecars of none but pictures that have ended: they have gone with them.

    One whose picture is not beside it any more had been left for a moment when the copy was made:
    a picture is taken up before its sidecar.
    """
    pictures: defaultdict[str, set[str]] = defaultdict(set)
    for each in entries:
        path = PurePosixPath(each.path)
        for name in (path, path.with_suffix("")):
            pictures[str(name)].add(each.path)
    found = set()
    for each in entries:
        if each.path.casefold().endswith(SUFFIX):
            own = pictures[each.path[: -len(SUFFIX)]] - {each.path}
            is_left = not own and _find_place(each) in _HOT and each.sha256 in done.sidecars
            if is_left or (own and own <= ended):
                found.add(each.path)
    return found


def _read_what_was_done(
    copy: Path, root: Root, elsewhere: Mapping[str, Path], entries: list[Entry]
) -> _Done:
    copied = {_find_target(root, elsewhere, each.path): each for each in entries}
    jobs, originals, sidecars = set(), set(), set()
    # a new root has no settings yet, and those of the copy may lead to folders that went on
    to_come = read_folders(root, copy / IN_ROOT / root.destinations.name)
    for log in {
        folders.results / LOG_FILE for folders in (*read_folders(root).values(), *to_come.values())
    }:
        if not durable.is_there(log):
            continue
        entry = copied.get(log)
        if entry and not _begins_with(log, copy / entry.path):
            continue
        with durable.open_to_read(log) as lines:
            lines.seek(entry.bytes if entry else 0)
            for line in lines:
                with suppress(ValueError):
                    record = read_record(line)
                    jobs.add(record.job)
                    originals.add(record.original.sha256 or "")
                    sidecars |= {a.sha256 for a in record.attachments if a.kind == SIDECAR}
    return _Done(frozenset(jobs), frozenset(originals), frozenset(sidecars))


def _find_target(root: Root, elsewhere: Mapping[str, Path], path: str) -> Path:
    first, *rest = PurePosixPath(path).parts
    if first == IN_ROOT:
        return root.path.joinpath(*rest)
    destination, kind, *below = rest
    return elsewhere[f"{destination}/{kind}"].joinpath(*below)


def _find_elsewhere(copy: Path, root: Root) -> dict[str, Path]:
    """Where folders are that do not lie in the root, as the copied settings say."""
    found: dict[str, Path] = {}
    top = copy / ELSEWHERE
    for folder in sorted(top.iterdir()) if top.is_dir() else ():
        settings = copy / IN_ROOT / "destinations" / f"{folder.name}.toml"
        said = tomllib.loads(settings.read_text(encoding="utf-8-sig")).get("folders", {})
        for kind in folder.iterdir():
            found[f"{folder.name}/{kind.name}"] = root.path / said[kind.name]
    return found


def _is_of_a_stage(root: Root, target: Path) -> bool:
    """Whether a file in the root is neither the program's own nor in a destination's folder."""
    first = target.relative_to(root.path).parts[0] if target.is_relative_to(root.path) else ""
    return first not in {"", root.private.name, *FOLDER_KINDS}


def _begins_with(log: Path, other: Path) -> bool:
    """Whether a log has all of another one's bytes, and then more."""
    with durable.open_to_read(log) as ours, durable.open_to_read(other) as theirs:
        while piece := theirs.read(2**20):
            if ours.read(len(piece)) != piece:
                return False
    return True
