"""Releasing a held job: a person has decided, by moving its folder or by one command.

What lands in ``release/NAME/`` is looked at by content: the folder of a held job, whatever it is
called, or a file whose bytes are a held job's original. A file that is still being copied has other
bytes and waits; so does one that was edited, and what to do about it is said. Whoever copied the
folder, and did not move it, has decided as well: both folders are taken. The command does nothing
but write ``release.json`` into the held folder and move it here, so that it works whether or not a
daemon serves the root; `decision` has what it does.

A release without a change delivers the pixels that were made, bit for bit. With a change, or when
no pixels were made, the job goes through the stages once more, and what they would hold for is
recorded and delivered all the same.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, TypeVar

from pydantic import ValidationError

from hotfolder.disk import durable, names, trees
from hotfolder.disk.free_names import ATTACHMENTS, OF_JOBS, free_name
from hotfolder.disk.marker import check_marker, make_marked_folders
from hotfolder.ending.held_folder import find_held, job_in, place_before
from hotfolder.ending.kept import KeptOriginals
from hotfolder.ending.why import MADE_WORSE
from hotfolder.errors import StorageError
from hotfolder.intake.claim import ORIGINAL
from hotfolder.intake.claim import SIDECAR as SIDECAR_FILE
from hotfolder.intake.sidecars import is_fit_for_sidecar
from hotfolder.ledger.details import Claimed, Produced, Releasing, State
from hotfolder.ledger.jobs import JobRow, Ledger
from hotfolder.logs import get_log
from hotfolder.model.answer import Answer
from hotfolder.model.records import (
    SIDECAR,
    Attachment,
    Changes,
    Reason,
    Record,
    Release,
    ResultRecord,
    WorkRecord,
    fields_of,
)
from hotfolder.pages.words import describe_changes
from hotfolder.settings.root import DestinationFolders

NOTE_FILE: Final = "release.json"
DISCARD_SUFFIX: Final = ".discard"
"""Of a file in ``release/`` that gives the batch or the held job of its name up."""
_HELD = "held"
_RELEASED = "released"
_OURS = OF_JOBS - {"result"}
_MAX_NOTE_BYTES = 64 * 2**10
_Filed = TypeVar("_Filed", ResultRecord, Attachment)


@dataclass(frozen=True)
class HandedOver:
    """A held job that somebody has put into ``release/``."""

    row: JobRow
    path: Path
    """Its folder, or its original."""


@dataclass(frozen=True)
class _NotReleased:
    """Something in ``release/`` that cannot be released as it is."""

    stamp: tuple[int, int]
    remark: str
    """Why, and what to do, as a sentence."""


@dataclass(frozen=True)
class BatchDiscard:
    """A batch that somebody gives up, by a file in ``release/`` that is named for it."""

    destination: str
    batch: str
    path: Path
    note: Release
    """Who, and why; empty when the file was made by hand."""


@dataclass(frozen=True)
class JobDiscard:
    """A held job that somebody gives up, by a file in ``release/`` that is named for it."""

    job: str
    path: Path
    note: Release
    """Who, and why; empty when the file was made by hand."""


class ReleaseFolder:
    """The folder ``release/NAME/`` of one destination."""

    def __init__(self, destination: str, folder: Path, kept: KeptOriginals) -> None:
        self._destination = destination
        self._folder = folder
        self._kept = kept
        self._unmatched: dict[Path, _NotReleased] = {}
        self.discarded: list[BatchDiscard] = []
        """Batches that the last look found given up."""
        self.given_up: list[JobDiscard] = []
        """Held jobs that the last look found given up."""

    def look(self, ledger: Ledger) -> list[HandedOver]:
        """Find what is whole and known; what is not is hashed again when it has changed."""
        found: list[HandedOver] = []
        self.discarded, self.given_up = [], []
        unmatched: dict[Path, _NotReleased] = {}
        try:
            # a job's folder has its result too, so it goes before a copy of the original alone
            entries = sorted(self._folder.iterdir(), key=lambda path: (path.is_file(), path))
        except OSError:
            return []
        for path in entries:
            stamp = _read_stamp(path)
            if path.name.startswith(".") or stamp is None:
                continue
            before = self._unmatched.get(path)
            if before and before.stamp == stamp:
                unmatched[path] = before
                continue
            if path.suffix == DISCARD_SUFFIX and path.is_file():
                note = _read_file_note(path)
                named = ledger.find_job(path.stem)
                if named is not None and named.destination == self._destination:
                    self.given_up.append(JobDiscard(named.id, path, note))
                elif ledger.has_batch(self._destination, path.stem):
                    self.discarded.append(BatchDiscard(self._destination, path.stem, path, note))
                else:
                    said = f"{names.display_name(path.name)} in release/ names no batch or job of "
                    unmatched[path] = _NotReleased(stamp, said + self._destination)
                continue
            row = self._find_job(ledger, path)
            if row is None:
                continue
            if isinstance(row, str):
                unmatched[path] = _NotReleased(stamp, row)
                get_log().warning("release.not_taken", path=str(path), reason=row)
            elif any(row.id == each.row.id for each in found):
                unmatched[path] = _NotReleased(stamp, self._say_unknown(path))
            else:
                found.append(HandedOver(row, path))
        self._unmatched = unmatched
        return found

    def remarks(self) -> list[str]:
        """What stands there and cannot be released, as sentences."""
        return [each.remark for each in self._unmatched.values()]

    def _find_job(self, ledger: Ledger, path: Path) -> JobRow | str | None:
        """The held job that is handed over, or why nothing is; None for one on its way."""
        try:
            if not path.is_dir() or path.is_symlink():
                sha256 = durable.sha256_of(path).sha256
                row = ledger.held_with(self._destination, sha256)
                if row is None and (job := ledger.delivered_with(self._destination, sha256)):
                    return (
                        f"{names.display_name(path.name)} in release/ is the original of job "
                        f"{job}, which is delivered: take it away, or delete it"
                    )
                return row or self._say_unknown(path)
            row = ledger.find_job(job_in(path))
            if row is None or row.destination != self._destination or not row.record:
                return self._say_unknown(path)
            if not row.state.is_end:
                return None
            if row.state is not State.HELD:
                return (
                    f"{names.display_name(path.name)} in release/ is left of job {row.id}, which "
                    f"is {row.state}: take it away, or delete it"
                )
            original = path / Path(row.record.original_kept).name
            if not durable.is_there(original):
                return self._say_unknown(path)
            if row.sha256 is None or durable.sha256_of(original).sha256 == row.sha256:
                return row
            return say_changed(row, original, self._kept)
        except OSError:
            return self._say_unknown(path)

    def _say_unknown(self, path: Path) -> str:
        return (
            f"{names.display_name(path.name)} in release/ is not a held job of "
            f"{self._destination}, "
            "or parts of it are missing"
        )


def say_changed(row: JobRow, original: Path, kept: KeptOriginals) -> str:
    """Say of a held job whose original has other bytes now what a person can do."""
    copy = kept.find(row.id)
    as_it_was = f", or put the one that was held back in its place: {copy}" if copy else ""
    return (
        f"{names.display_name(str(original))} was changed after it was held, or is still being "
        f"copied. To have it processed as it is now, drop it into the hot folder and delete its "
        f"folder{as_it_was}"
    )


def begin_release(ledger: Ledger, found: HandedOver) -> JobRow:
    """Commit that the job is released; `collect_job` does the rest, also after a kill."""
    note = _read_note(found.path)
    if found.row.record is not None:
        # what its folder says, which is a person's to change, does not count
        note = note.model_copy(
            update={
                "waived": found.row.record.reasons,
                "changes": _join(changes_so_far(found.row.record), note.changes),
            }
        )
    get_log().info("job.released", job=found.row.id, who=note.who, why=note.why)
    detail = Releasing(release=note, source=found.path)
    return ledger.advance(found.row.id, State.RELEASING, detail)


def find_worse(reasons: Sequence[Reason], release: Release) -> list[Reason]:
    """Find what a released job would be held for that the person was not told of, or less of.

    Parameters
    ----------
    reasons
        Why it would be held now.
    release
        The decision. One that accepts whatever comes, or is of an earlier version, waives
        everything; what was shown and accepted counts for as much as was shown.
    """
    if release.waived is None or release.accept:
        return []
    waived = (*release.waived, *release.accepted)
    return [now for now in reasons if all(now.is_worse_than(before) for before in waived)]


def put_worse_first(reasons: Sequence[Reason], release: Release) -> tuple[Reason, ...]:
    """Put what a released job is held again for before its other reasons, and say so at first.

    Parameters
    ----------
    reasons
        Why it would be held now.
    release
        As for `find_worse`.

    Returns
    -------
    Nothing when the person was told of all of it.
    """
    worse = find_worse(reasons, release)
    if not worse:
        return ()
    others = [each for each in reasons if each not in worse]
    return (_say_worse(worse, release, is_all=not others), *worse, *others)


def _say_worse(worse: Sequence[Reason], release: Release, *, is_all: bool) -> Reason:
    """Say why a released job is held again; what it is held for stands behind it."""
    changes = describe_changes(release.changes)
    told = {(each.stage, each.code) for each in (*(release.waived or ()), *release.accepted)}
    are_told = {(each.stage, each.code) in told for each in worse}
    how = {True: "worse than you were told", False: "new"}
    first = "" if is_all else "first "
    which = f"the {first}reason that follows is"
    if len(worse) > 1:
        which = f"the {first and f'first {len(worse)} '}reasons that follow are"
    return Reason(
        stage="release",
        code=MADE_WORSE,
        message=(
            f"It was released with {changes or 'no change'}, but {which} "
            f"{', or '.join(how[each] for each in sorted(are_told, reverse=True))}. If you want it "
            "all the same, release it once more, as it is. (`hotfolder release` with --accept lets "
            "a picture go whatever comes of a change.)"
        ),
    )


def collect_job(
    ledger: Ledger, spool: Path, folders: DestinationFolders, kept: KeptOriginals, row: JobRow
) -> JobRow:
    """Bring a released job back into the spool; it goes on as produced, or as claimed.

    Its held folder comes too, when it was copied to ``release/``, or only the original was put
    there. Original and results are taken from where they have their bytes; whatever else a person
    left in either folder goes to where it was released.

    Raises
    ------
    OSError, StorageError
        When a folder cannot be reached, or the original is nowhere; can be called again.
    """
    place = spool / row.id
    durable.make_folders(place)
    detail = row.expect(Releasing)
    source, release, record = detail.source, detail.release, row.record
    if record is None:
        raise StorageError(f"the ledger has no record of the held job {row.id}")
    name = Path(record.original_kept).name
    held, released = place / _HELD, place / _RELEASED
    if source.is_dir() and not source.is_symlink():
        move_folder(source, released)
    elif durable.is_there(source):
        durable.make_folders(released)
        trees.move_any_new(source, free_name(released, name))
    before = place_before(row)
    places = [folders.held, folders.release, *([before] if before else [])]
    left = find_held(row, *places)
    while left is not None and left.is_dir():
        move_folder(left, held)
        left = find_held(row, *places)
    both = [each for each in (held, released) if durable.is_there(each)]
    if not both:
        check_marker(folders.held)
        check_marker(folders.release)
    _find_original(row, [each / name for each in both], kept.find(row.id), place / ORIGINAL)
    was_edited = _find_sidecar(record, both[::-1], place / SIDECAR_FILE)
    answer = None if was_edited else _restore_answer(row, record, both, place)
    for each in both:
        keep_the_rest(each, folders.release / row.id, record)
    if answer is None or release.changes != changes_so_far(record):
        row = ledger.advance(row.id, State.CLAIMED, Claimed(release=release), attempts=0)
    else:
        row = ledger.advance(row.id, State.PRODUCED, Produced(answer=answer, release=release))
    for each in both:
        trees.remove_tree(each, below=place)
    return row


def _find_original(row: JobRow, files: list[Path], kept: Path | None, to: Path) -> None:
    """Bring the held original to its place in the spool, from where it has its bytes.

    Raises
    ------
    StorageError
        When it is nowhere any more, and what to do.
    """
    sha256 = row.sha256
    if durable.is_there(to) and (sha256 is None or durable.has_bytes(to, sha256)):
        return
    for path in files:
        if durable.is_there(path) and (sha256 is None or durable.has_bytes(path, sha256)):
            durable.move_new(path, to)
            return
    if kept and sha256 and durable.has_bytes(kept, sha256):
        durable.copy_new(kept, to)
        return
    raise StorageError(
        f"job {row.id} was released, but its original is not there any more as it was held: put "
        f"it back as {to}, then the work continues"
    )


def _find_sidecar(record: Record, folders: list[Path], to: Path) -> bool:
    """Bring the sidecar that was held back to its place, if it is still there.

    Returns
    -------
    Whether a person has changed it meanwhile: it counts as it is now, and results that say what
    it said before are made again.
    """
    for each in record.attachments:
        if each.kind == SIDECAR:
            found = [folder / Path(each.path).name for folder in folders]
            as_it_was = [path for path in found if durable.has_bytes(path, each.sha256)]
            edited = [path for path in found if path not in as_it_was and is_fit_for_sidecar(path)]
            if not durable.is_there(to):
                if edited:
                    durable.move_new(edited[0], to)
                elif as_it_was:
                    durable.copy_new(as_it_was[0], to)
            return durable.is_there(to) and not durable.has_bytes(to, each.sha256)
    return False


def keep_the_rest(kept: Path, to: Path, record: Record | None) -> None:
    """Put what a person added to a held folder, or changed in it, to where it was released.

    kept: the folder, about to be removed, beside the original; to: in ``release/``, where it
    shows; record: of the job, whose results and attachments are ours while they have their bytes.

    Raises
    ------
    OSError, Unreachable
        When `to` cannot be written; can be called again.
    """
    made = {each.sha256 for each in record.files()} if record else set()
    for path in _below(kept):
        if path.parent == kept and path.name in _OURS and path.is_file():
            continue
        if path.name.startswith(durable.TEMPORARY_PREFIX):
            continue
        if path.parent in {kept, kept / "result", kept / ATTACHMENTS} and (
            any(durable.has_bytes(path, each) for each in made)
            or trees.is_same(path, kept.parent / ORIGINAL)
        ):
            continue
        check_marker(to.parent)
        target = to / path.relative_to(kept)
        make_marked_folders(target.parent)
        trees.move_any_new(path, free_name(target.parent, target.name))


def changes_so_far(record: Record) -> Changes:
    """With which changes a held job was made: it was released before, and held again."""
    return record.release.changes if record.release else {}


def _join(before: Changes, after: Changes) -> Changes:
    return {
        stage: {**before.get(stage, {}), **after.get(stage, {})} for stage in {**before, **after}
    }


def _read_stamp(path: Path) -> tuple[int, int] | None:
    """When an entry last changed: a file, or the latest of a folder's files, and their size."""
    try:
        inside = list(path.iterdir()) if path.is_dir() else [path]
        found = [each.stat() for each in inside]
    except OSError:
        return None
    return (max((each.st_mtime_ns for each in found), default=0), sum(e.st_size for e in found))


def _read_note(path: Path) -> Release:
    if not path.is_dir():
        return Release(who="", why="", at=datetime.now(UTC))
    return _read_file_note(path / NOTE_FILE)


def _read_file_note(path: Path) -> Release:
    by_hand = Release(who="", why="", at=datetime.now(UTC))
    try:
        with durable.open_to_read(path) as file:
            return Release.model_validate_json(file.read(_MAX_NOTE_BYTES))
    except FileNotFoundError:
        return by_hand
    except (OSError, ValidationError) as error:
        get_log().warning("release.note_ignored", path=str(path), reason=str(error))
        return by_hand


def _restore_answer(row: JobRow, record: Record, both: list[Path], place: Path) -> Answer | None:
    """Return the worker's answer as it was, if the pixels that it made are still what they were.

    both: folders in which they may be.
    """
    attempt = place / f"attempt-{row.attempts}"
    results = _bring_back(record.results, [each / "result" for each in both], attempt)
    if not results or len(results) < len(record.results):
        return None  # several results of one picture are delivered together or not at all
    attachments = _bring_back(record.attachments, both, attempt)
    work = WorkRecord(**{**fields_of(record), "results": results, "attachments": attachments})
    return Answer(verdict="deliver", work=work)


def _bring_back(
    files: Sequence[_Filed], folders: Sequence[Path], attempt: Path
) -> tuple[_Filed, ...]:
    """Move files back to where a worker would leave them; those that are still what they were."""
    found = []
    for each in files:
        name = Path(each.path).name
        now = attempt / name
        for folder in folders:
            was = folder / name
            if Path(each.path).parent.name == ATTACHMENTS:
                was = folder / ATTACHMENTS / name
            if not durable.is_there(now) and durable.has_bytes(was, each.sha256):
                durable.make_folders(attempt)
                durable.move_new(was, now)
        if durable.has_bytes(now, each.sha256):
            found.append(each.model_copy(update={"path": name}))
    return tuple(found)


def move_folder(source: Path, target: Path) -> None:
    """Move a folder; across file systems file by file, so that it can be gone on with."""
    if not durable.is_there(target):
        try:
            durable.move_new(source, target)
        except OSError as error:
            if error.errno != errno.EXDEV:
                raise
        else:
            return
    durable.make_folders(target)
    for path in _below(source):
        to = target / path.relative_to(source)
        durable.make_folders(to.parent)
        try:
            trees.move_any_new(path, to)
        except FileExistsError:
            if trees.is_same(path, to):  # a kill came between copy and removal
                path.unlink()
            else:
                trees.move_any_new(path, free_name(to.parent, to.name))
    # what somebody has put there meanwhile keeps its folder, and is moved by the next try
    for top, _, _ in os.walk(source, topdown=False):
        Path(top).rmdir()


def _below(folder: Path) -> list[Path]:
    """Everything in a folder and below it but the folders."""
    return [
        Path(top) / name
        for top, folders, files in os.walk(folder)
        for name in (*files, *(each for each in folders if (Path(top) / each).is_symlink()))
    ]
