"""What a person decides by a command: a held job is released, or a batch discarded.

A command does nothing but leave a note: in a held job's folder, which it moves to ``release/``, or
beside it. The daemon takes it up from there (`release`), now or when it is started next.
"""

from __future__ import annotations

import contextlib
import errno
import getpass
import os
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Final

from pydantic import JsonValue, TypeAdapter, ValidationError

from hotfolder.disk import durable, names
from hotfolder.disk.marker import Unreachable, check_marker, write_marked
from hotfolder.ending.dropping import drop
from hotfolder.ending.held_folder import JOB_NAME, find_held, place_before
from hotfolder.ending.kept import KeptOriginals
from hotfolder.ending.release import (
    DISCARD_SUFFIX,
    NOTE_FILE,
    changes_so_far,
    move_folder,
    say_changed,
)
from hotfolder.ending.why import can_be_released_as_it_is, list_ways, release_command
from hotfolder.errors import Problem, SettingsError, StorageError
from hotfolder.ledger.details import State
from hotfolder.ledger.jobs import JobRow
from hotfolder.ledger.reading import open_reader, read_job
from hotfolder.model.ends import End
from hotfolder.model.records import SIDECAR, Changes, Reason, Record, Release
from hotfolder.model.wishes import Wish
from hotfolder.pages.words import local_time
from hotfolder.settings.changes import READING, grant, who_grants, with_changes
from hotfolder.settings.files import (
    UNUSED,
    Destination,
    check_destination,
    load_destination,
    read_folders,
)
from hotfolder.settings.mistakes import find_like
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import Registry, load_registry

_JSON: Final[TypeAdapter[JsonValue]] = TypeAdapter(JsonValue)


def hand_over(job: str, held: Path, release: Path, note: Release) -> None:
    """What the command does: write the note into a held job's folder and move it to release.

    Raises
    ------
    FileExistsError
        When it has been handed over already.
    OSError, Unreachable
        When one of the folders cannot be written, or is not connected.
    """
    check_marker(held.parent)
    check_marker(release)
    target = release / job
    if target.exists():
        raise FileExistsError(errno.EEXIST, "it is being released already", str(target))
    (held / NOTE_FILE).unlink(missing_ok=True)
    durable.write_new(held / NOTE_FILE, note.model_dump_json().encode())
    move_folder(held, target)
    try:
        check_marker(release)
    except Unreachable:  # its share went meanwhile: the folder would look deleted
        move_folder(target, held)
        raise


def release_job(
    root: Root,
    job: str,
    asked: list[str],
    wishes: Sequence[Wish] = (),
    *,
    who: str | None,
    why: str,
    accept: bool = False,
    accepted: Sequence[Reason] = (),
) -> Changes:
    """Release a held job by its name, from outside the daemon.

    Parameters
    ----------
    root
        The root that holds it.
    job
        Its name.
    asked
        Changes for this job only, each ``stage.key=value``.
    wishes
        More of them, for whichever stage of its destination can grant it.
    who
        Who decides; None takes the name that the system knows.
    why
        Goes into the record.
    accept
        Whether what the changes make worse is accepted beforehand, whatever it is.
    accepted
        What the changes make worse as it was shown; what is worse than that is held again.

    Returns
    -------
    Changes
        What was asked for, by stage.

    Raises
    ------
    SettingsError
        When there is no such held job, or a change would not be right.
    StorageError
        When its folder cannot be moved.
    StageError
        When a stage fails at a wish.
    """
    row = read_job(root.ledger, job)
    if row is None or row.state is not State.HELD:
        state = f"is {row.state.in_words}" if row else "is not a job of this root"
        raise SettingsError([Problem(str(root.path), job, state, "a held job, as status shows")])
    if row.record and row.record.discarded:
        until = row.record.discarded.original_kept_until
        has_sidecar = any(each.kind == SIDECAR for each in row.record.attachments)
        with_it = ", and the sidecar beside it," if has_sidecar else ""
        kept = f"drop {row.record.original_kept}{with_it} into the hot folder"
        allowed = f"{kept}, until {local_time(until)}" if until else "drop the picture again"
        got = "was discarded: its folder was deleted"
        raise SettingsError([Problem(str(root.path), job, got, allowed)])
    planned = plan_change(root, row, asked, wishes)
    destination, changes = planned.before, planned.changes
    if not changes and row.record and not can_be_released_as_it_is(row.record):
        raise SettingsError([_say_no_result(root, row.record)])
    folders = root.folders(row.destination, destination.file.folders)
    if durable.is_there(folders.release / f"{job}{DISCARD_SUFFIX}"):
        raise StorageError(f"{job} is being discarded already")
    held = _find_folder(root, row, folders)
    note = Release(
        who=getpass.getuser() if who is None else who,
        why=why,
        at=datetime.now(UTC),
        changes=changes,
        accept=accept,
        accepted=tuple(accepted),
    )
    try:
        hand_over(job, held, folders.release, note)
    except FileNotFoundError as error:
        raise StorageError(
            f"{held} is not there any more: somebody else has decided about {job}, or has taken "
            "its folder away. Nothing was done"
        ) from error
    except OSError as error:
        raise StorageError(
            f"{held} cannot be moved to {folders.release}: {error.strerror or error}"
        ) from error
    return changes


@dataclass(frozen=True)
class PlannedChange:
    """A change to one held job, checked."""

    before: Destination
    """Its destination as the file says."""
    after: Destination
    """Its destination as it would be for this job."""
    changes: Changes
    """What was asked for, by stage."""


def plan_change(
    root: Root, row: JobRow, asked: Sequence[str], wishes: Sequence[Wish] = ()
) -> PlannedChange:
    """Work out what a change to a held job comes to, and check it.

    asked, wishes: as for `release_job`.

    Raises
    ------
    SettingsError
        When a change would not be right.
    StageError
        When a stage fails at a wish.
    """
    changes = _parse_changes(asked)
    path = root.destinations / f"{row.destination}.toml"
    registry = load_registry(root.plugins)
    destination = load_destination(path, registry, Intake())
    # as the picture was made: a row of a ticket, or an earlier release, may have set its size
    raw = with_changes(destination.raw, row.placement.changes if row.placement else {})
    raw = with_changes(raw, changes_so_far(row.record) if row.record else {})
    made_with = check_destination(path, raw, registry, Intake()) if wishes else destination
    for wish in wishes:
        granted = grant(wish, made_with)
        if not granted:
            able = " or ".join(who_grants(wish, registry)) or "that can set it"
            got = f"no stage of it sets {wish.what}"
            raise SettingsError([Problem(str(path), "stages", got, f"a stage {able}")])
        for stage, settings in granted.items():
            changes.setdefault(stage, {}).update(settings)
    after = destination
    if changes or raw != destination.raw:
        after = _check_changes(path, with_changes(raw, changes), changes, registry)
    return PlannedChange(destination, after, changes)


def change_destination(root: Root, destination: Destination, asked: Sequence[str]) -> Destination:
    """Return a destination with other settings, to try them out.

    Parameters
    ----------
    asked
        Changes as ``stage.key=value``, as for `release_job`.

    Raises
    ------
    SettingsError
        When a change would not be right.
    """
    changes = _parse_changes(asked)
    if not changes:
        return destination
    path = root.destinations / f"{destination.name}.toml"
    raw = with_changes(destination.raw, changes)
    return _check_changes(path, raw, changes, load_registry(root.plugins))


def _parse_changes(asked: Sequence[str]) -> Changes:
    changes: Changes = {}
    for text in asked:
        stage, key, value = parse_change(text)
        changes.setdefault(stage, {})[key] = value
    return changes


def _check_changes(
    path: Path, raw: Mapping[str, object], changes: Changes, registry: Registry
) -> Destination:
    """Check a destination's settings with what is asked for, which is in no line of its file.

    Raises
    ------
    SettingsError
        When they are not right.
    """
    asked = {
        f"{stage}.{key}" if stage == READING else f"stage.{stage}.{key}"
        for stage, of in changes.items()
        for key in of
    }
    try:
        return check_destination(path, raw, registry, Intake())
    except SettingsError as error:
        problems = [
            replace(each, file="--set", line=None) if each.key in asked else each
            for each in error.problems
        ]
        strangers = {
            f"stage.{stage}": _say_no_stage(path, raw, stage, registry)
            for stage in changes.keys() - {READING}
        }
        problems = [
            strangers[each.key] if each.key in strangers and each.got == UNUSED else each
            for each in problems
        ]
        raise SettingsError(problems) from None


def _say_no_stage(path: Path, raw: Mapping[str, object], stage: str, registry: Registry) -> Problem:
    """Say that a destination's pictures do not go through a stage that a change is for."""
    named = raw.get("stages")
    names = [str(each) for each in named] if isinstance(named, list) else []
    allowed = f"a stage that `stages` names: {', '.join(names)}"
    if stage in registry.stages:
        allowed += f'; or, for all pictures, put "{stage}" into `stages` of {path}'
    got, meant = f"is no stage of {path.stem}", find_like(stage, names)
    return Problem("--set", f"stage.{stage}", got, allowed, meant=meant)


def _say_no_result(root: Root, record: Record) -> Problem:
    """Why a job without a result cannot be released as it is, and what can be done instead."""
    ways = [
        f"{release_command(record.job, root.path, way.options)} ({way.says})"
        for way in list_ways(record)
    ]
    why = " ".join(reason.message for reason in record.reasons)
    do = " or ".join(ways) or "another picture, or a setting that answers the reason, with --set"
    got = f"cannot be released as it is, because no result was made: {why} Instead: {do}"
    return Problem(record.original.name, "", got, "")


def split_words(words: list[str]) -> tuple[list[str], Root]:
    """Tell held jobs from the root among the words of a command: a root is a folder with settings.

    Raises
    ------
    SettingsError
        When two words are roots.
    """
    roots = [word for word in words if not JOB_NAME.fullmatch(word) and Root(Path(word)).is_there]
    if len(roots) > 1:
        raise SettingsError([Problem("release", "", ", ".join(roots), "one root")])
    return [word for word in words if word not in roots], Root(Path(roots[0]) if roots else Path())


def find_held_named(root: Root, word: str) -> str:
    """Return the held job of a name: its own, or its picture's where one alone is called so.

    Raises
    ------
    SettingsError
        When no held job is called so, or several are.
    """
    if JOB_NAME.fullmatch(word):
        return word
    wanted = names.collision_key(word)
    with open_reader(root.ledger) as ledger:
        held = [row for row in ledger.ended_jobs() if row.end is End.HELD]
    found = [row for row in held if wanted in _names_of(row)]
    if len(found) == 1:
        return found[0].id
    if found:
        several = " or ".join(
            f"{row.id} ({row.destination}: {names.display_name(row.source)})" for row in found
        )
        said = f"{len(found)} held jobs are called so; name the one you mean: {several}"
        raise SettingsError([Problem(str(root.path), word, said, "")])
    known = sorted({PurePosixPath(names.display_name(row.source)).name for row in held})
    allowed = (
        "a held job or its picture, as `hotfolder status` shows; a root is a folder with a "
        "hotfolder.toml"
    )
    got, meant = "no held job is called so", find_like(word, known)
    raise SettingsError([Problem(str(root.path), word, got, allowed, meant=meant)])


def _names_of(row: JobRow) -> set[str]:
    """What people may call a job's picture: its path, its name, its name without suffix."""
    path = PurePosixPath(names.display_name(row.source))
    return {names.collision_key(each) for each in (str(path), path.name, path.stem)}


def parse_change(text: str) -> tuple[str, str, JsonValue]:
    """Read ``stage.key=value`` as the command line gives it; the value is TOML, or plain text.

    Raises
    ------
    SettingsError
        When it has another form.
    """
    name, equals, value = text.partition("=")
    stage, dot, key = name.strip().partition(".")
    if not (equals and dot and stage and key):
        allowed = (
            "STAGE.KEY=VALUE: a key of the table [stage.STAGE], or of [reading], and its value "
            "as TOML"
        )
        raise SettingsError([Problem("--set", "", text, allowed)])
    try:
        return stage, key, _JSON.validate_python(tomllib.loads(f"value = {value}")["value"])
    except (tomllib.TOMLDecodeError, ValidationError):  # a date is none of JSON's values
        return stage, key, value.strip()


def _find_folder(root: Root, row: JobRow, folders: DestinationFolders) -> Path:
    """Return the folder of a held job, whose original is what was held.

    Raises
    ------
    SettingsError
        When it was changed since: a daemon would not take it.
    StorageError
        When a place cannot be read.
    """
    before = place_before(row)
    try:
        found = find_held(row, folders.held, *([before] if before else []))
    except OSError as error:
        raise StorageError(f"{folders.held} cannot be read: {error.strerror or error}") from error
    if found is None or not found.is_dir() or row.record is None:
        return folders.held / row.id  # moving it says what is in the way
    original = found / Path(row.record.original_kept).name
    if durable.is_there(original) and row.sha256 and not durable.has_bytes(original, row.sha256):
        said = say_changed(row, original, KeptOriginals(root.kept))
        raise SettingsError([Problem(str(root.path), row.id, said, "the original that was held")])
    return found


def discard_job(root: Root, job: str, *, who: str | None, why: str) -> None:
    """Give a held job up by its name, from outside the daemon: leave a note in ``release/``.

    Parameters
    ----------
    root
        The root that holds it.
    job
        Its name.
    who
        Who decides; None takes the name that the system knows.
    why
        Goes into the record.

    Raises
    ------
    SettingsError
        When there is no such held job.
    StorageError
        When it is being decided already, or the note cannot be written.
    """
    row = read_job(root.ledger, job)
    if row is None or row.end is not End.HELD:
        state = f"is {row.end or row.state}" if row else "is not a job of this root"
        raise SettingsError([Problem(str(root.path), job, state, "a held job, as status shows")])
    folders = root.folders(
        row.destination, read_folders(root.destinations / f"{row.destination}.toml")
    )
    note = Release(who=getpass.getuser() if who is None else who, why=why, at=datetime.now(UTC))
    path = folders.release / f"{job}{DISCARD_SUFFIX}"
    try:
        check_marker(folders.release)
        if durable.is_there(folders.release / job):
            raise StorageError(f"{job} is being released already")
        write_marked(path, note.model_dump_json().encode())
        if durable.is_there(folders.release / job):
            # released in this instant, which the daemon puts first
            path.unlink(missing_ok=True)
            raise StorageError(f"{job} is being released already")
    except FileExistsError as error:
        raise StorageError(f"{job} is being discarded already") from error
    except OSError as error:
        raise StorageError(f"{path} cannot be written: {error.strerror or error}") from error


def put_back(root: Root, job: str) -> Path:
    """Drop the original of a job that was discarded again, and its sidecar: it is a new job.

    Returns
    -------
    Where it was dropped.

    Raises
    ------
    SettingsError
        When the job was not discarded, or its original is not kept any more.
    StorageError
        When it lies in the hot folder already, or cannot be copied there.
    """
    row = read_job(root.ledger, job)
    if row is None or row.end is not End.DISCARDED:
        state = f"is {row.end or row.state}" if row else "is not a job of this root"
        raise SettingsError([Problem(str(root.path), job, state, "a job that was discarded")])
    kept = KeptOriginals(root.kept).find(job)
    if kept is None or row.sha256 is None or not durable.has_bytes(kept, row.sha256):
        raise SettingsError([Problem(str(root.path), job, "its original is not kept any more", "")])
    folders = root.folders(
        row.destination, read_folders(root.destinations / f"{row.destination}.toml")
    )
    target = folders.hot_folder / names.safe_relative(os.fsdecode(row.source))
    try:
        drop(kept, KeptOriginals(root.kept).find_sidecar(job), target, folders.hot_folder)
    except FileExistsError as error:
        raise StorageError(f"{target} is there already, and about to be taken up") from error
    except OSError as error:
        raise StorageError(f"{target} cannot be written: {error.strerror or error}") from error
    return target


def discard_batch(release: Path, batch: str, *, who: str | None, why: str) -> None:
    """What the command does: leave a note in ``release/`` that gives a batch up.

    Raises
    ------
    StorageError
        When it cannot be written.
    """
    name = getpass.getuser() if who is None else who
    note = Release(who=name, why=why, at=datetime.now(UTC))
    path = release / f"{batch}{DISCARD_SUFFIX}"
    try:
        check_marker(release)
        with contextlib.suppress(FileExistsError):  # it has been discarded already
            write_marked(path, note.model_dump_json().encode())
    except OSError as error:
        raise StorageError(f"{path} cannot be written: {error.strerror or error}") from error
