"""Ending a job: results, original and record go where they belong, whole or not at all, once.

Every act is planned first (`plan`), and the plan is committed to the ledger before the first name
becomes visible. After a kill at any instant, `Deliverer.finish` reads the row and goes on: each
act looks whether it was done already. The order is what makes that sound:

1. results and original are brought, durable, under temporary names in the marked folders above
   their final ones, never in a sub-folder: a consumer may take that away whole at any moment;
2. the ledger says ``publishing``, with every source, target and hash;
3. the results take their final names (a rename that never replaces), then the original, each
   after the ledger says that its rename is begun;
4. the record is appended to the log;
5. the ledger says ``delivered`` (or ``held``, ``refused``), with the record;
6. the spool folder goes.

A result that is under neither name was collected only if its rename had been begun, and not by
this very process, which knows what it has renamed. Else its temporary name was taken away: the job
goes back and its result is made again. So a result is brought twice, rather than lost, in one case:
a server does a rename, its answer is lost, and the result is collected before we look.

Settings may have moved the folders since. What has no final name yet is taken back and planned
anew; what has one stays where it is, and its record goes to the log that is the destination's now.
"""

from __future__ import annotations

import contextlib
import errno
import os
import threading
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final, NoReturn

from hotfolder.disk import durable, trees
from hotfolder.disk.free_names import TakenNames
from hotfolder.disk.marker import (
    Unreachable,
    check_marked_above,
    check_marker,
    find_marked_above,
    make_marked_folders,
)
from hotfolder.ending.kept import KeptOriginals
from hotfolder.ending.plan import Ending, name_building, places_of, plan_ending, replace_target
from hotfolder.ending.supersede import NotAskedFor, Supersedes, find_folder, make_way
from hotfolder.ending.why import say_why
from hotfolder.errors import StorageError
from hotfolder.ledger.details import Claimed, Move, Publishing, State, dump_detail, load_detail
from hotfolder.ledger.jobs import JobRow, Ledger
from hotfolder.ledger.record_log import LOG_FILE, RecordLog
from hotfolder.model.records import SIDECAR, PlacementRecord, Record, to_json_line
from hotfolder.settings.root import DestinationFolders

RECORD_FILE: Final = "record.json"
WHY_FILE: Final = "why.txt"
PLAN_FILE: Final = "plan.json"
"""Beside the original in the spool; only read when the ledger is lost (`rebuild`)."""
_BRINGING_FILE: Final = "bringing.json"
"""Beside it: the plan by which files are brought near, before the ledger has one."""
_FOLDER: Final = "folder"
_CAME: Final = frozenset({"original", SIDECAR})
"""What cannot be made again."""
_TRIES: Final = 5


class Deliverer:
    """Brings jobs to their end. One per daemon; safe to use from several threads."""

    def __init__(
        self,
        ledger: Ledger,
        folders: Callable[[str], DestinationFolders],
        kept: KeptOriginals | None = None,
        not_asked_for: NotAskedFor = lambda _destination, _batch, _job: None,
        root: Path | None = None,
    ) -> None:
        """Prepare.

        kept: takes a copy of every original that is held; not_asked_for: says whether the ticket
        that stands asks for a batch's job; root: is said in advice.
        """
        self._root = root
        self._ledger = ledger
        self._kept = kept
        self._folders = folders
        self._not_asked_for = not_asked_for
        self.record_log = RecordLog(ledger, check_marked_above)
        self._name_locks: defaultdict[str, threading.RLock] = defaultdict(threading.RLock)
        """By destination: no two have a folder in common, and a share that is slow, or hangs, keeps
        no other destination's results waiting."""
        self._names: defaultdict[str, TakenNames] = defaultdict(TakenNames)
        """By destination, too, each used under its lock."""
        self.supersedes = Supersedes(ledger, self.record_log, self._name_locks.__getitem__)
        self._waiting: set[tuple[str, str]] = set()
        """Job and kind of all that this process brought near and has not yet given its name."""

    def end(self, row: JobRow, original: Path, ending: Ending) -> JobRow:
        """Bring a job that has been worked on to its end.

        Raises
        ------
        StorageError
            When a folder is full, gone or not writable; the job waits as it is and `end` or
            `finish` can be called again.
        """
        folders = self._folders(row.destination)
        lock = self._name_locks[row.destination]
        with lock, _translate_errors("planning", folders.results):
            check_marked_above(folders.results)
            ticket = self._find_other_ticket(row.destination, ending.placement, row.id)
            plan = plan_ending(
                row,
                original,
                ending,
                folders,
                ledger=self._ledger,
                taken=self._names[row.destination],
                ticket=ticket,
            )
            Path(plan.place).mkdir(exist_ok=True)
            self._note_bringing(plan)
            with _taking_back_where_away(plan):
                self._bring_near(plan, row)
            text = dump_detail(State.PUBLISHING, plan, self._ledger.places)
            (Path(plan.place) / PLAN_FILE).write_text(text)
            row = self._ledger.advance(row.id, State.PUBLISHING, plan)
            if plan.folder is None:
                # still under the lock: the next job must see this name as taken
                plan = self._publish_results(row, plan)
        return self._finish(plan, again=False)

    def take_sidecar_back(self, place: Path) -> None:
        """Take a sidecar back to a job's place in the spool from where an earlier try brought it.

        An original, or a result, is planned from the ledger; a sidecar only when it lies there.

        Raises
        ------
        StorageError
            When the folder that it waits in cannot be reached; the job waits as it is.
        """
        before = self._read_note(place)
        if before is None:
            return
        brought = places_of(before)
        for move in before.moves:
            if move.what == SIDECAR:
                near = Path(brought[move.source])
                with _translate_errors("taking the sidecar back", near):
                    _take_back(Path(move.source), near)

    def set_aside(self, row: JobRow) -> JobRow:
        """Set a delivered job's result aside, if its ticket does not ask for it any more.

        Raises
        ------
        StorageError
            When a folder cannot be reached; can be called again.
        """
        ticket = self._find_other_ticket(row.destination, row.placement, row.id)
        if ticket is None:
            return row
        return self.supersedes.set_aside(row, self._folders(row.destination), ticket)

    def finish(self, row: JobRow) -> JobRow:
        """Finish a job that a kill left in ``publishing``.

        Raises
        ------
        StorageError
            As for `end`.
        """
        plan = row.expect(Publishing)
        if plan.folder is None:
            lock = self._name_locks[row.destination]
            with lock, _translate_errors("publishing", Path(plan.log)):
                plan = self._name_near(row, plan)
                self._leave_old_places(row, plan)
                plan = self._publish_results(row, plan)
        return self._finish(plan, again=True)

    def _note_bringing(self, plan: Publishing) -> None:
        """Say where files will be brought; take back what an earlier try has brought elsewhere."""
        before = self._read_note(Path(plan.place))
        if before is not None and places_of(before) != places_of(plan):
            for source, near in places_of(before).items():
                _take_back(Path(source), Path(near))
            _remove_building(before)
        note = Path(plan.place) / _BRINGING_FILE
        text = dump_detail(State.PUBLISHING, plan, self._ledger.places)
        if any(move.what == SIDECAR for move in plan.moves):
            # nothing else says where it is, also after a power cut
            trees.replace_text(note, text)
            durable.fsync_folder(note.parent)
        else:
            note.write_text(text)

    def _read_note(self, place: Path) -> Publishing | None:
        """The plan by which an earlier try has brought files, if there was one."""
        try:
            text = (place / _BRINGING_FILE).read_text()
            before = load_detail(State.PUBLISHING, text, self._ledger.places)
        except (FileNotFoundError, ValueError):
            return None
        return before if isinstance(before, Publishing) else None

    def _name_near(self, row: JobRow, plan: Publishing) -> Publishing:
        """Give a plan of an older version the temporary names of this one.

        They were beside the final names, and which renames were begun was not said: a result that
        is under neither name is made again.
        """
        if all(move.near for move in plan.moves):
            return plan
        moves = []
        for move in plan.moves:
            target, name = Path(move.target), f"{durable.TEMPORARY_PREFIX}{row.id}-{move.what}"
            top = find_marked_above(target)
            if durable.is_there(target.parent / name) and target.parent != top:
                durable.move_new(target.parent / name, top / name)
            moves.append(move.model_copy(update={"near": str(top / name)}))
        return self._commit(row, plan.model_copy(update={"moves": tuple(moves)}))

    def _leave_old_places(self, row: JobRow, plan: Publishing) -> None:
        """Begin a job anew if settings have moved its folders before anything had its name.

        Raises
        ------
        StorageError
            When they have: the job goes on as claimed.
        """
        folders = self._folders(row.destination)
        tops = {folders.results, folders.originals}
        if plan.begun or all(Path(move.near).parent in tops for move in plan.moves):
            return
        if any(os.path.lexists(move.target) for move in plan.moves):
            return
        said = f"settings have moved folders of {row.destination} since it was planned where "
        self._go_back(row, plan, f"{said}job {row.id} goes; the job is done again")

    def _bring_near(self, plan: Publishing, row: JobRow) -> None:
        """Step 1: bring every file durably under a temporary name in a marked folder."""
        if plan.folder is not None:
            check_marked_above(Path(plan.folder).parent)
            building = name_building(Path(plan.folder))
            make_marked_folders(building)
            if self._kept and plan.state is State.HELD:
                self._keep(self._kept, plan)
            for move in plan.moves:
                target = building / Path(move.target).relative_to(plan.folder)
                make_marked_folders(target.parent)
                _bring(move, target)
            self._waiting.add((row.id, _FOLDER))
            return
        for move in plan.moves:
            near = Path(move.near)
            check_marker(near.parent)
            if not durable.is_there(near) and not durable.is_kept(move.source):
                self._go_back(row, plan, _say_taken(move))  # brought near by an earlier try
            _bring(move, near)
            self._waiting.add((row.id, move.what))

    def _keep(self, kept: KeptOriginals, plan: Publishing) -> None:
        """Keep copies of what came, the original first: what is found first is the original."""
        job = plan.record.job
        for original in (move for move in plan.moves if move.is_only_original):
            kept.store(job, Path(original.source), Path(original.target).name)
            for move in plan.moves:
                if move.what == SIDECAR:
                    kept.store_sidecar(job, Path(move.source), Path(move.target).name)

    def _publish_results(self, row: JobRow, plan: Publishing) -> Publishing:
        """Step 3: give results and original their final names, other ones if those are taken."""
        lost = [m for n, m in enumerate(plan.moves) if not self._is_safe(row.id, plan, n, m)]
        if lost:
            self._go_back(row, plan, _say_taken(lost[0]))
        for index, move in enumerate(plan.moves):
            if durable.is_there(move.near):
                plan = self._rename(row, plan, index)
            self._waiting.discard((row.id, move.what))
        return plan

    def _is_safe(self, job: str, plan: Publishing, index: int, move: Move) -> bool:
        """Whether a file waits for its name, or has had it, even if it is not there any more."""
        if durable.is_there(move.near):
            return True
        # without its share, a file that waits there looks like one that was collected; it may
        # have come back between two looks
        check_marker(Path(move.near).parent)
        if durable.is_there(move.near):
            return True
        if index < plan.begun and (job, move.what) not in self._waiting:
            return True
        return move.sha256 is not None and durable.has_bytes(move.target, move.sha256)

    def _rename(self, row: JobRow, plan: Publishing, index: int) -> Publishing:
        if index >= plan.begun:
            plan = self._commit(row, plan.model_copy(update={"begun": index + 1}))
        move = plan.moves[index]
        near, target = Path(move.near), Path(move.target)
        tries = 0
        while True:
            make_marked_folders(target.parent)
            try:
                durable.move_new(near, target)
            except FileExistsError:
                if _was_copied(near, target, move.sha256):
                    near.unlink()
                    break
                if (cleared := self._make_way(row, plan, index)) is not None:
                    plan = cleared
                    continue
                target = self._names[row.destination].find_free(target.parent, target.name)
                plan = self._commit(row, replace_target(plan, index, target))
            except FileNotFoundError:
                if not durable.is_there(near):
                    self._go_back(row, plan, _say_taken(move))
                tries += 1  # a consumer has taken the folder away between the two acts
                if tries == _TRIES:
                    raise
            else:
                break
        return plan

    def _make_way(self, row: JobRow, plan: Publishing, index: int) -> Publishing | None:
        """Set aside what stands under a name that a ticket asks for; None when it stays there."""
        record, target = plan.record, Path(plan.moves[index].target)
        batch = record.batch
        if batch is None or record.superseded or not plan.moves[index].is_result:
            return None
        folders = self._folders(row.destination)
        owner = self._ledger.find_delivered_at(row.destination, batch, str(target))
        if owner is not None:
            ticket = self._find_other_ticket(row.destination, owner.placement, owner.id)
            if ticket is None:
                return None
            self.supersedes.set_aside(owner, folders, ticket)
            return plan
        begun = (each for each in record.displaced if each.was == str(target))
        aside = next((each for each in begun if not durable.is_there(each.path)), None)
        if aside is None:
            aside = make_way(target, find_folder(folders, record))
            if aside is None:
                return None
            displaced = {"displaced": (*record.displaced, aside)}
            changed = {"record": record.model_copy(update=displaced)}
            plan = self._commit(row, plan.model_copy(update=changed))
        make_marked_folders(Path(aside.path).parent)
        with contextlib.suppress(FileNotFoundError):  # its owner has taken it meanwhile
            durable.move_new(target, aside.path)
        return plan

    def _find_other_ticket(
        self, destination: str, placement: PlacementRecord | None, job: str
    ) -> str | None:
        """The ticket that does not ask for a job of a batch; None when it does, or of no batch."""
        return self._not_asked_for(destination, placement.batch, job) if placement else None

    def _commit(self, row: JobRow, plan: Publishing) -> Publishing:
        self._ledger.advance(row.id, State.PUBLISHING, plan)
        return plan

    def _go_back(self, row: JobRow, plan: Publishing, because: str) -> NoReturn:
        """Begin a job anew of which something was taken away before it had its final name.

        Raises
        ------
        StorageError
            Always: says `because`; when the original itself is gone, nothing has been done.
        """
        for move in plan.moves:
            if move.what in _CAME and not move.copy_only:
                source, near = Path(move.source), Path(move.near)
                if not durable.is_kept(source):
                    if move.what == SIDECAR and not durable.is_there(near):
                        continue  # the picture goes on without it
                    if not durable.is_there(near):
                        check_marker(near.parent)
                        raise StorageError(
                            f"the original of job {row.id} waited at {near} and was taken away "
                            "from there; put it back under that name, then the work continues"
                        )
                    durable.make_folders(source.parent)
                    trees.move_any_new(near, source)
        self._take_back_results(plan)
        for move in plan.moves:
            self._waiting.discard((row.id, move.what))
            # what was made from the original is made again
            if move.what not in _CAME or durable.has_bytes(move.source, move.sha256 or ""):
                with contextlib.suppress(OSError):  # its disk may have gone for good
                    trees.remove_tree(move.near, below=Path(move.near).parent)
        # without the ledger this plan would be gone on with
        (Path(plan.place) / PLAN_FILE).unlink(missing_ok=True)
        detail = Claimed(release=plan.record.release, placement=plan.record.placement)
        attempts = max(0, row.attempts - 1)
        self._ledger.advance(row.id, State.CLAIMED, detail, attempts=attempts)
        raise StorageError(because)

    def _take_back_results(self, plan: Publishing) -> None:
        """Take results back that have their names already: all of a job's are made again.

        One that a consumer has collected, or changed, stays where it is.
        """
        for move in plan.moves[: plan.begun]:
            near, target = Path(move.near), Path(move.target)
            if move.is_result and move.sha256 and not durable.is_there(near):
                with contextlib.suppress(FileNotFoundError):
                    if durable.has_bytes(target, move.sha256):
                        durable.move_new(target, near)

    def _finish(self, plan: Publishing, *, again: bool) -> JobRow:
        """Steps 3 (for a folder), 4 and 5; `again`: some of it may have been done before."""
        if plan.folder is not None:
            with _translate_errors("building", Path(plan.folder)):
                self._publish_folder(Path(plan.folder), plan.record)
                self._waiting.discard((plan.record.job, _FOLDER))
        planned, log = Path(plan.log), self._folders(plan.record.destination).results / LOG_FILE
        with _translate_errors("recording", log):
            check_marked_above(log)
            before = planned if planned != log else None
            row = self.record_log.end(log, plan.record, again=again, before=before)
        if plan.state is State.DELIVERED:
            row = self.set_aside(row)  # a ticket may have come since this was planned
        if self._kept and plan.state is State.DELIVERED:
            with contextlib.suppress(OSError):  # `Discards.expire` removes it later
                original = plan.record.original
                where = Path(plan.record.original_kept)
                self._kept.forget_if_kept_at(row.id, where, original.sha256 or "")
        return row

    def _publish_folder(self, folder: Path, record: Record) -> None:
        building = name_building(folder)
        if not durable.is_there(building):
            check_marker(folder.parent)  # else it may be there, on a share that is away
            is_ours = (record.job, _FOLDER) in self._waiting
            if is_ours and not durable.is_there(building) and not durable.is_there(folder):
                raise StorageError(
                    f"{building} was taken away before it had its final name; put it back under "
                    "that name, then the work continues: the original is in it"
                )
            if not durable.is_there(building):
                return
        for name, data in (
            (WHY_FILE, say_why(record, self._root).encode()),
            (RECORD_FILE, to_json_line(self._ledger.places.shorten_record(record))),
        ):
            (building / name).unlink(missing_ok=True)
            durable.write_new(building / name, data)
        durable.move_new(building, folder)


def _was_copied(near: Path, target: Path, sha256: str | None) -> bool:
    """Whether `near` is only left of a move to another file system that a kill broke off."""
    return (
        sha256 is not None
        and near.lstat().st_dev != target.lstat().st_dev
        and durable.has_bytes(target, sha256)
    )


def _say_taken(lost: Move) -> str:
    return (
        f"{lost.near} was taken away before it had its final name; the job is done again. "
        "Leave files whose names begin with .hotfolder- where they are"
    )


@contextmanager
def _taking_back_where_away(plan: Publishing) -> Iterator[None]:
    """See that what was brought lies on its share, and not under it, and take it back else.

    A share may go between the look at its marker and the last byte: a large result is read and
    flushed in between. What lay under it would be recorded as delivered when it is back.

    Raises
    ------
    Unreachable
        When the share of one is away: what was brought under it is where it came from.
    """
    try:
        yield
    except (OSError, StorageError):  # a share may have gone before this
        _take_back_where_away(plan)
        raise
    _take_back_where_away(plan)


def _take_back_where_away(plan: Publishing) -> None:
    away: Unreachable | None = None
    for source, near in places_of(plan).items():
        try:
            if plan.folder is None:
                check_marker(Path(near).parent)
            else:
                check_marked_above(Path(plan.folder).parent)
        except Unreachable as error:
            away = error
            with contextlib.suppress(Unreachable):  # it waits on the share, from an earlier try
                _take_back(Path(source), Path(near))
    if away is not None:
        # the share may be back by now, with what an earlier try brought to it
        if all(durable.is_kept(source) for source in places_of(plan)):
            _remove_building(plan)
        raise away


def _remove_building(plan: Publishing) -> None:
    """Remove the folder in which a job's folder was being put together."""
    if plan.folder is not None:
        building = name_building(Path(plan.folder))
        trees.remove_tree(building, below=building.parent)


def _take_back(source: Path, near: Path) -> None:
    """Bring back what was brought to a place that settings have left since."""
    if durable.is_there(near) and not durable.is_there(source):
        durable.make_folders(source.parent)
        trees.move_any_new(near, source)
    elif durable.is_there(near):
        trees.remove_tree(near, below=near.parent)
    elif not durable.is_kept(source):
        check_marked_above(near)  # it waits there, and its share is away


def _bring(move: Move, target: Path) -> None:
    if not move.copy_only:
        _move_near(Path(move.source), target, move.sha256)
    elif not durable.is_there(target):
        durable.copy_new(move.source, target)


def _move_near(source: Path, target: Path, sha256: str | None) -> None:
    """Move `source` to our own temporary name `target`, whatever an earlier try left there."""
    if sha256 is not None and durable.is_doubtful(source):
        durable.flush(source, sha256)
    if durable.is_there(target) and durable.is_there(source):
        # a copy across file systems that did not reach its end, or whose source was not yet
        # removed: the source is the truth, if it still is what it was
        if sha256 is not None and not durable.has_bytes(source, sha256):
            if durable.has_bytes(target, sha256):
                return
            raise OSError(errno.EIO, "it has changed", str(source))
        trees.remove_tree(target, below=target.parent)
    if durable.is_there(source):
        if sha256 is not None:
            # a worker, or a stranger's copy program, wrote it and did not flush it
            durable.flush(source, sha256)
        trees.move_any_new(source, target)
    elif not durable.is_there(target):
        raise FileNotFoundError(f"neither {source} nor {target} exists")


@contextmanager
def _translate_errors(doing: str, where: Path) -> Iterator[None]:
    """Translate what the file system says into our own storage being in the way."""
    try:
        yield
    except OSError as error:
        place = error.filename or where
        raise StorageError(
            f"{doing} failed at {place}: {error.strerror or error}; "
            "the job waits and is tried again by itself"
        ) from error
