"""One job's way from the spool to its end: hash, attempts, what comes of them."""

from __future__ import annotations

import contextlib
import errno
import stat
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from pydantic import ValidationError

from hotfolder.batch.changes import hash_placement
from hotfolder.batch.ticket import is_ticket
from hotfolder.daemon.answers import check_answer, flush_files
from hotfolder.daemon.endings import Endings
from hotfolder.daemon.meanwhile import has_missed, looks_for_others, name_passed_by
from hotfolder.daemon.slots import Slots
from hotfolder.daemon.spool import attempt_folder, find_original, find_sidecar, show_name
from hotfolder.daemon.strip_of_day import StripsOfDay
from hotfolder.daemon.turns import Turns
from hotfolder.daemon.waiting import find_waits, waits_still
from hotfolder.disk import durable, names, trees
from hotfolder.disk.kept_arrays import ArrayFolder
from hotfolder.ending.deliver import Deliverer
from hotfolder.ending.kept import KeptOriginals
from hotfolder.ending.release import collect_job
from hotfolder.errors import StorageError
from hotfolder.ledger.details import Claimed, Produced, State
from hotfolder.ledger.jobs import JobRow, Ledger
from hotfolder.logs import get_log
from hotfolder.measured.standing import find_standing
from hotfolder.measured.to_lay import find_strip_to_lay
from hotfolder.model.answer import Answer
from hotfolder.model.failure import Failure
from hotfolder.model.neighbour import Neighbour
from hotfolder.model.records import PlacementRecord
from hotfolder.model.standing import MediumStanding
from hotfolder.settings.changes import with_changes
from hotfolder.settings.files import Destination
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.work.machines.places import Runner
from hotfolder.work.neighbours import find_neighbours
from hotfolder.work.order import Order
from hotfolder.work.worker import ANSWER, OUTPUT, Attempt, Stopped, read_failure, run_attempt

_NOT_A_FILE = {
    "folder": (
        "a-folder",
        (
            "{name} is a folder with the name of a picture. "
            "Drop the pictures that are in it, or rename the folder."
        ),
    ),
    "link": ("a-link", "{name} is a link to a file, not a file. Drop the picture itself."),
    "special": ("not-a-file", "{name} is not a file that can be read. Drop a picture."),
}


_A_TICKET = (
    "This is a table, as a job ticket is, and {name} takes no tickets: drop it, with its pictures, "
    "into a destination that does. For {name} to take tickets, and no pictures without one, add "
    "the line [ticket] at the end of destinations/{name}.toml, and drop it again."
)


@dataclass(frozen=True)
class Work:
    """Works on claimed jobs. One per daemon; `step` is safe to call from several threads."""

    root: Root
    ledger: Ledger
    deliverer: Deliverer
    stop: threading.Event
    slots: Slots
    run: Runner = run_attempt
    now: Callable[[], datetime] = lambda: datetime.now(UTC)
    points: ArrayFolder | None = None
    """Where workers keep what depends on profiles alone."""
    _unkept: dict[str, str] = field(default_factory=dict)
    """By destination, why they could not at last."""
    _strips: StripsOfDay = field(default_factory=StripsOfDay)
    _turns: Turns = field(default_factory=Turns)

    @property
    def _endings(self) -> Endings:
        return Endings(self.root, self.ledger, self.deliverer, self.now)

    def remarks(self, name: str) -> list[str]:
        """Say what makes jobs of a destination slower than they need be, fit for showing."""
        reason = names.display_name(self._unkept.get(name, ""))
        said = "its pictures take longer than they need, since what was computed for earlier ones"
        return [f"{said} cannot be kept: {reason}"] if reason else []

    def step(self, row: JobRow, destination: Destination) -> JobRow:
        """Bring a job as far as it goes now: to its end, or back to ``claimed`` for another try.

        Raises
        ------
        StorageError
            When our own storage is in the way. No attempt is counted; call again later.
        """
        try:
            if row.state is State.PUBLISHING:
                return self._endings.clean(self.deliverer.finish(row))
            if row.state is State.RELEASING:
                folders, kept = self._find_folders(destination), KeptOriginals(self.root.kept)
                row = collect_job(self.ledger, self.root.spool, folders, kept, row)
            if row.state is State.PRODUCED:
                return self._endings.end(row, row.expect(Produced).answer, destination)
            if waits_still(self.ledger, row, destination, self.now()):
                return row
            with self._turns.under_way(row):
                return self._work(row, destination)
        except OSError as error:
            raise StorageError(f"job {row.id}: {error}") from error

    def _work(self, row: JobRow, destination: Destination) -> JobRow:
        """Try a job once, unless more tries are no use."""
        if row.kind in _NOT_A_FILE:
            code, message = _NOT_A_FILE[row.kind]
            return self._endings.refuse(row, code, message.format(name=show_name(row)))
        original = find_original(self.root, row)
        read = self._read(row, destination, original)
        if isinstance(read, JobRow):
            return read
        before = _read_stamp(original)
        if failure := self._find_repeated_failure(row):
            return self._endings.give_up_failed(row, failure)
        if row.attempts >= destination.file.limits.attempts:
            # the daemon died with this job in hand as often as it may be tried
            return self._endings.give_up(row, "the program stopped each time while working on it")
        standing = self._find_standing(row, destination)
        # a job that waits for a worker has not been tried: a kill meanwhile counts no attempt
        if not self.slots.take(row, destination, self.stop):
            return row
        tried = row.attempts + 1
        try:
            sha256, size = read
            row = self.ledger.advance(
                row.id,
                State.WORKING,
                _with_what_counts_now(row, destination),
                attempts=tried,
                sha256=sha256,
                size=size,
            )
            neighbours = find_neighbours(self.ledger, row, destination)
            answer = self._attempt(row, destination, original, neighbours, standing)
        except (OSError, EOFError) as error:
            # no process could be started, or no place made for it: not the file's fault
            self._uncount(row.id, tried)
            raise StorageError(f"no worker can be started: {error}; it is tried again") from error
        finally:
            self.slots.give_back(row.id)
        if isinstance(answer, Stopped):
            return self._uncount(row.id, tried)
        if _read_stamp(original) != before and answer.verdict != "wait":
            answer = Answer(verdict="failed", message="it was still being written to")
        return self._weigh(row, destination, neighbours, answer)

    def _read(
        self, row: JobRow, destination: Destination, original: Path
    ) -> tuple[str, int] | JobRow:
        """Hash a job's original and count its bytes; or return where the job stands without it."""
        placement = row.placement
        try:
            durable.write_doubtful(original)
            sha256, size = durable.sha256_of(original)
        except FileNotFoundError:
            if placement is None:
                raise StorageError(
                    f"the original of job {row.id} was taken away; put it back as {original}, "
                    "then the work continues"
                ) from None
            raise StorageError(_say_changed(placement)) from None
        except PermissionError:
            return self._endings.refuse(
                row,
                "unreadable",
                f"{show_name(row)} cannot be read: its permissions forbid it. "
                "Allow reading it, then drop it again.",
            )
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            return self._note_unreadable(row, destination, error)
        if placement and sha256 != placement.sha256:
            raise StorageError(_say_changed(placement))
        return sha256, size

    def _weigh(
        self,
        row: JobRow,
        destination: Destination,
        neighbours: Mapping[str, Sequence[Neighbour]],
        answer: Answer,
    ) -> JobRow:
        """Bring a job that was tried to where the answer to that takes it."""
        if answer.verdict == "wait":
            self._give_room_back(row)
            self._uncount(row.id, row.attempts)
            raise StorageError(answer.message)
        self._note_unkept(destination.name, answer)
        try:
            answer = check_answer(attempt_folder(self.root, row), answer)
            if answer.verdict != "failed":
                flush_files(attempt_folder(self.root, row), answer)
        except OSError as error:
            # our own disk: no attempt is counted for it
            self._uncount(row.id, row.attempts)
            raise StorageError(
                f"what was made of {show_name(row)} cannot be written to disk: "
                f"{error.strerror or error}; it is made again"
            ) from error
        if answer.verdict == "failed":
            return self._note_failed(row, destination, answer)
        if looks_for_others(answer, destination):
            self._turns.wait_for_earlier(row, self.stop)
        with self._turns.committing(row):
            if has_missed(self.ledger, row, destination, neighbours, answer):
                self._give_room_back(row)
                return self._uncount(row.id, row.attempts)
            if waits := find_waits(row, destination, neighbours, answer, self.now()):
                self._give_room_back(row)
                detail = row.expect(Claimed).model_copy(update={"waits": waits})
                return self._uncount(row.id, row.attempts, detail)
            answer = name_passed_by(self.ledger, row, destination, answer)
            row = self._endings.commit_answer(row, _tell_a_ticket(row, destination, answer))
        return self._endings.end(row, row.expect(Produced).answer, destination)

    def _note_failed(self, row: JobRow, destination: Destination, answer: Answer) -> JobRow:
        """Let a job be tried again, unless that is no use."""
        self._give_room_back(row)
        get_log().warning(
            "job.attempt_failed", job=row.id, attempt=row.attempts, message=answer.message,
            **({"stage": answer.failure.stage, "trace": answer.failure.trace}
               if answer.failure else {}),
        )  # fmt: skip
        is_last = row.attempts >= destination.file.limits.attempts
        if answer.failure and (is_last or self._find_repeated_failure(row)):
            return self._endings.give_up_failed(row, answer.failure)
        if is_last:
            return self._endings.give_up(row, answer.message)
        return self.ledger.advance(row.id, State.CLAIMED)

    def _uncount(self, job: str, tried: int, detail: Claimed | None = None) -> JobRow:
        """Let a job be tried again, as if it had not been tried."""
        return self.ledger.advance(job, State.CLAIMED, detail, attempts=tried - 1)

    def _note_unkept(self, name: str, answer: Answer) -> None:
        """Remember why a worker could keep nothing; it is logged when it is new."""
        if answer.work is None:
            return
        if answer.not_kept and self._unkept.get(name) != answer.not_kept:
            get_log().warning("points.not_kept", destination=name, error=answer.not_kept)
        self._unkept[name] = answer.not_kept

    def _give_room_back(self, row: JobRow) -> None:
        """Remove what an attempt made and nobody will look at; what it said stays.

        Before the ledger is told: on a disk that the attempt has filled, the ledger has no room.
        """
        folder = attempt_folder(self.root, row)
        if folder.is_symlink() or not folder.is_dir():  # a worker that was taken over
            trees.remove_tree(folder, below=self.root.spool)
            return
        for path in folder.iterdir():
            if path.name not in {OUTPUT, ANSWER}:
                trees.remove_tree(path, below=self.root.spool)

    def _note_unreadable(self, row: JobRow, destination: Destination, error: OSError) -> JobRow:
        """Its disk reports an error: tried as often as any work, then for a person to decide."""
        attempts = row.attempts + 1
        row = self.ledger.advance(row.id, State.CLAIMED, attempts=attempts)
        if attempts >= destination.file.limits.attempts:
            return self._endings.give_up(
                row, f"its disk reports an error when it is read ({error})"
            )
        raise StorageError(f"{show_name(row)} cannot be read: {error.strerror}") from error

    def _find_standing(self, row: JobRow, destination: Destination) -> MediumStanding:
        """How the medium stands, with the strip that a stage may lay beside the picture."""
        now = self.now()
        carried_by = self._strips.find_carrier(self.ledger, row, destination, now)
        strip = find_strip_to_lay(
            self.root, destination, _find_raw(row, destination), now.astimezone().date(), carried_by
        )
        return replace(find_standing(self.root, destination), strip=strip)

    def _attempt(
        self,
        row: JobRow,
        destination: Destination,
        original: Path,
        neighbours: Mapping[str, Sequence[Neighbour]],
        standing: MediumStanding,
    ) -> Answer | Stopped:
        folder = attempt_folder(self.root, row)
        # an earlier daemon's worker may have written here; its output is never looked at
        trees.remove_tree(folder, below=self.root.spool)
        durable.make_folders(folder)
        limits = destination.file.limits
        return self.run(
            Attempt(
                order=Order(
                    job=row.id,
                    original=original,
                    name=show_name(row),
                    sha256=row.sha256 or "",
                    bytes=row.bytes,
                    folder=folder,
                    profiles=self.root.profiles,
                    root=self.root.path.absolute(),
                    sidecar=find_sidecar(self.root, row),
                    neighbours=neighbours,
                    standing=standing,
                    points=self.points,
                ),
                destination_file=self.root.destinations / f"{destination.name}.toml",
                destination_raw=_find_raw(row, destination),
                plugins=self.root.plugins,
                time_s=limits.time,
                memory_bytes=int(limits.memory),
            ),
            self.stop,
        )

    def _find_repeated_failure(self, row: JobRow) -> Failure | None:
        """How a stage failed in the last two attempts, if in the same way: a third is no use."""
        last, before = (
            read_failure(self.root.spool / row.id / f"attempt-{number}")
            for number in (row.attempts, row.attempts - 1)
        )
        return last if last and last.is_same_as(before) else None

    def _find_folders(self, destination: Destination) -> DestinationFolders:
        return self.root.folders(destination.name, destination.file.folders)


def _find_raw(row: JobRow, destination: Destination) -> Mapping[str, object]:
    """The destination's file, with what a ticket's row and a release change."""
    placement, release = row.placement, row.release
    raw = with_changes(destination.raw, placement.changes if placement else {})
    return with_changes(raw, release.changes if release else {})


def _with_what_counts_now(row: JobRow, destination: Destination) -> Claimed:
    """A job's detail with the fingerprint of what it is made with, if it is for a placement.

    Settings may have changed since it was planned; what was made with them is not made again.
    """
    detail = row.expect(Claimed)
    placement = detail.placement
    if placement is None:
        return detail
    with contextlib.suppress(ValidationError):  # the worker says what is wrong with them
        now = hash_placement(placement.sha256, placement.changes, destination, placement.name)
        placement = placement.model_copy(update={"fingerprint": now})
    return detail.model_copy(update={"placement": placement})


def _tell_a_ticket(row: JobRow, destination: Destination, answer: Answer) -> Answer:
    """Say of a ticket that nothing here works on it, not that it is no picture."""
    work = answer.work
    if work is None or destination.file.ticket is not None or not is_ticket(show_name(row)):
        return answer
    message = _A_TICKET.format(name=destination.name)
    reasons = tuple(
        each.model_copy(update={"code": "a-ticket", "message": message})
        if each.code == "not-a-picture"
        else each
        for each in work.reasons
    )
    return answer.model_copy(update={"work": work.model_copy(update={"reasons": reasons})})


def _say_changed(placement: PlacementRecord) -> str:
    return (
        f"the picture {placement.file} of {placement.batch} has changed since it arrived: "
        f"{placement.kept}. Put it back as it was, or drop it into the batch's hot folder "
        "again"
    )


def _read_stamp(path: Path) -> tuple[int, int]:
    found = path.lstat()
    if not stat.S_ISREG(found.st_mode):
        return (-1, -1)
    return (found.st_size, found.st_mtime_ns)
