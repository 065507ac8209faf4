"""One job's way from the spool to its end: hash, attempts, checking what the worker says."""

from __future__ import annotations

import contextlib
import errno
import stat
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from pydantic import ValidationError

from hotfolder.batch.changes import hash_placement
from hotfolder.daemon.slots import Slots
from hotfolder.daemon.strip_of_day import StripsOfDay
from hotfolder.daemon.waiting import find_waits, waits_still
from hotfolder.disk import durable, names, trees
from hotfolder.disk.kept_arrays import ArrayFolder
from hotfolder.ending.deliver import Deliverer
from hotfolder.ending.kept import KeptOriginals
from hotfolder.ending.naming import name_result
from hotfolder.ending.plan import Ending
from hotfolder.ending.release import collect_job, find_worse, say_worse
from hotfolder.engine.places import Runner
from hotfolder.errors import StorageError
from hotfolder.intake.claim import ORIGINAL, SIDECAR
from hotfolder.ledger.details import Claimed, Produced, State
from hotfolder.ledger.jobs import JobRow, Ledger
from hotfolder.logs import get_log
from hotfolder.measured.standing import find_standing
from hotfolder.measured.to_lay import find_strip_to_lay
from hotfolder.model.answer import Answer
from hotfolder.model.failure import FAILURE_FILE, Failure
from hotfolder.model.neighbour import Neighbour
from hotfolder.model.records import (
    Attachment,
    JobWarning,
    OriginalRecord,
    PlacementRecord,
    Reason,
    WayOn,
    WorkRecord,
)
from hotfolder.model.standing import MediumStanding
from hotfolder.settings.changes import with_changes
from hotfolder.settings.files import Destination
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.work.neighbours import find_neighbours, find_shared
from hotfolder.work.order import Order
from hotfolder.work.worker import ANSWER, OUTPUT, Attempt, Stopped, read_failure, run_attempt

_AGAIN = WayOn(says="have it worked on again, once the cause is mended")
_ENDS = {"deliver": State.DELIVERED, "hold": State.HELD, "refuse": State.REFUSED}
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
                return self._clean(self.deliverer.finish(row))
            if row.state is State.RELEASING:
                folders, kept = self._find_folders(destination), KeptOriginals(self.root.kept)
                row = collect_job(self.ledger, self.root.spool, folders, kept, row)
            if row.state is State.PRODUCED:
                return self._end(row, row.expect(Produced).answer, destination)
            if waits_still(self.ledger, row, destination, self.now()):
                return row
            return self._work(row, destination)
        except OSError as error:
            raise StorageError(f"job {row.id}: {error}") from error

    def _work(self, row: JobRow, destination: Destination) -> JobRow:
        if row.kind in _NOT_A_FILE:
            code, message = _NOT_A_FILE[row.kind]
            return self._refuse(row, code, message.format(name=self._show_name(row)))
        original, placement = self._find_original(row), row.placement
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
            return self._refuse(
                row,
                "unreadable",
                f"{self._show_name(row)} cannot be read: its permissions forbid it. "
                "Allow reading it, then drop it again.",
            )
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            return self._note_unreadable(row, destination, error)
        if placement and sha256 != placement.sha256:
            raise StorageError(_say_changed(placement))
        before = _read_stamp(original)
        if failure := self._find_repeated_failure(row):
            return self._give_up_failed(row, failure)
        if row.attempts >= destination.file.limits.attempts:
            # the daemon died with this job in hand as often as it may be tried
            return self._give_up(row, "the program stopped each time while working on it")
        standing = self._find_standing(row, destination)
        attempts = row.attempts + 1
        # a job that waits for a worker has not been tried: a kill meanwhile counts no attempt
        if not self.slots.take(row, destination, self.stop):
            return row
        try:
            row = self.ledger.advance(
                row.id,
                State.WORKING,
                _with_what_counts_now(row, destination),
                attempts=attempts,
                sha256=sha256,
                size=size,
            )
            neighbours = find_neighbours(self.ledger, row, destination)
            answer = self._attempt(row, destination, original, neighbours, standing)
        except (OSError, EOFError) as error:
            # no process could be started, or no place made for it: not the file's fault
            self.ledger.advance(row.id, State.CLAIMED, attempts=attempts - 1)
            raise StorageError(f"no worker can be started: {error}; it is tried again") from error
        finally:
            self.slots.give_back(row.id)
        if isinstance(answer, Stopped):
            return self.ledger.advance(row.id, State.CLAIMED, attempts=attempts - 1)
        if answer.verdict == "wait":
            self._give_room_back(row)
            self.ledger.advance(row.id, State.CLAIMED, attempts=attempts - 1)
            raise StorageError(answer.message)
        if _read_stamp(original) != before:
            answer = Answer(verdict="failed", message="it was still being written to")
        if self._has_missed(row, destination, neighbours, answer):
            self._give_room_back(row)
            return self.ledger.advance(row.id, State.CLAIMED, attempts=attempts - 1)
        if waits := find_waits(row, destination, neighbours, answer, self.now()):
            self._give_room_back(row)
            detail = row.expect(Claimed).model_copy(update={"waits": waits})
            return self.ledger.advance(row.id, State.CLAIMED, detail, attempts=attempts - 1)
        answer = self._name_passed_by(row, destination, neighbours, answer)
        self._note_unkept(destination.name, answer)
        try:
            answer = self._check(row, answer)
            if answer.verdict != "failed":
                self._flush(row, answer)
        except OSError as error:
            # our own disk: no attempt is counted for it
            self.ledger.advance(row.id, State.CLAIMED, attempts=attempts - 1)
            raise StorageError(
                f"what was made of {self._show_name(row)} cannot be written to disk: "
                f"{error.strerror or error}; it is made again"
            ) from error
        if answer.verdict == "failed":
            self._give_room_back(row)
            get_log().warning(
                "job.attempt_failed", job=row.id, attempt=attempts, message=answer.message,
                **({"stage": answer.failure.stage, "trace": answer.failure.trace}
                   if answer.failure else {}),
            )  # fmt: skip
            if answer.failure and (
                attempts >= destination.file.limits.attempts or self._find_repeated_failure(row)
            ):
                return self._give_up_failed(row, answer.failure)
            if attempts >= destination.file.limits.attempts:
                return self._give_up(row, answer.message)
            return self.ledger.advance(row.id, State.CLAIMED)
        return self._end(self._commit_answer(row, answer), answer, destination)

    def _has_missed(
        self,
        row: JobRow,
        destination: Destination,
        known: Mapping[str, Sequence[Neighbour]],
        answer: Answer,
    ) -> bool:
        """Whether a picture that others can use ended while this one was being worked on.

        Then it is worked on once more, so that it does not matter which of the two was begun first.
        One that gives something itself has no need of another.
        """
        if answer.work is None:
            return False
        shared = find_shared(answer.work.findings, destination)
        for name, now in find_neighbours(self.ledger, row, destination).items():
            before = {each.job for each in known[name]}
            is_new = any(each.gives and each.job not in before for each in now)
            if name in shared and shared[name].get("gives") is not True and is_new:
                return True
        return False

    def _name_passed_by(
        self,
        row: JobRow,
        destination: Destination,
        known: Mapping[str, Sequence[Neighbour]],
        answer: Answer,
    ) -> Answer:
        """Warn of pictures that were delivered while one that others can use was worked on."""
        if answer.work is None:
            return answer
        warnings = list(answer.work.warnings)
        for name, now in find_neighbours(self.ledger, row, destination).items():
            own = find_shared(answer.work.findings, destination).get(name, {})
            before = {each.job for each in known[name]}
            passed = [each.name for each in now if each.went_without and each.job not in before]
            if own.get("gives") is True and passed:
                more = f" and {len(passed) - 5} more" if len(passed) > 5 else ""
                message = (
                    f"While it was being worked on, {', '.join(passed[:5])}{more} of the same "
                    "folder was delivered without what it brings. If that is of the same shoot, "
                    "drop it again."
                )
                warnings.append(JobWarning(stage=name, code="passed-by", message=message))
        work = answer.work.model_copy(update={"warnings": tuple(warnings)})
        return answer.model_copy(update={"work": work})

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
            return self._give_up(row, f"its disk reports an error when it is read ({error})")
        raise StorageError(f"{self._show_name(row)} cannot be read: {error.strerror}") from error

    def _flush(self, row: JobRow, answer: Answer) -> None:
        """Bring to disk what was made, before the ledger says so.

        After a power cut nobody looks again.
        """
        folder = attempt_folder(self.root, row)
        files = answer.work.files() if answer.work else ()
        for made in files:
            durable.flush(folder / made.path, made.sha256)
        if files:
            durable.fsync_folder(folder)

    def _commit_answer(self, row: JobRow, answer: Answer) -> JobRow:
        """Commit what the work came to, and with it the release that led to it."""
        claimed = row.expect(Claimed)
        detail = Produced(answer=answer, release=claimed.release, placement=claimed.placement)
        return self.ledger.advance(row.id, State.PRODUCED, detail)

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
                    name=self._show_name(row),
                    sha256=row.sha256 or "",
                    bytes=row.bytes,
                    folder=folder,
                    profiles=self.root.profiles,
                    sidecar=self._find_sidecar(row),
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

    def _check(self, row: JobRow, answer: Answer) -> Answer:
        """The answer, if every file it speaks of is there and is what it says."""
        if answer.verdict == "failed":
            return answer
        if answer.work is None:
            return Answer(verdict="failed", message="the worker did not say what it did")
        for result in answer.work.files():
            path = attempt_folder(self.root, row) / result.path
            if Path(result.path).name != result.path:
                return Answer(verdict="failed", message="the worker named a file elsewhere")
            try:
                found = durable.sha256_of(path)
            except FileNotFoundError:
                return Answer(verdict="failed", message="the worker's result is missing")
            if found != (result.sha256, result.bytes):
                return Answer(
                    verdict="failed", message="the worker's result is not what the worker said"
                )
        if answer.verdict == "deliver" and not answer.work.results:
            return Answer(verdict="failed", message="the worker made no result")
        return answer

    def _end(self, row: JobRow, answer: Answer, destination: Destination | None = None) -> JobRow:
        """Bring a job to its end; destination: names its results, when it has any."""
        work = answer.work or WorkRecord(original=self._describe_original(row))
        folder = attempt_folder(self.root, row)
        files = {each.path: folder / each.path for each in work.files()}
        if sidecar := self._find_sidecar(row):
            files[SIDECAR] = sidecar
            work = _with_sidecar(work, sidecar)
        state, release = _ENDS[answer.verdict], row.release
        if release and state is State.HELD and work.results:
            worse = find_worse(work.reasons, release)
            if worse:
                work = work.model_copy(
                    update={"reasons": (say_worse(worse, release), *work.reasons)}
                )
            else:
                # a person has decided; what the stages would hold for stays in the record
                state = State.DELIVERED
        stem = ""
        if destination and work.results:
            stem = name_result(
                names.safe_component(self._show_name(row)),
                destination,
                work.results[0],
                row.seq,
                self.now().astimezone().date(),
            )
        place = self.root.spool / row.id
        ending = Ending(state, work, files, release, row.placement, stem, place)
        return self._clean(self.deliverer.end(row, self._find_original(row), ending))

    def _refuse(self, row: JobRow, code: str, message: str) -> JobRow:
        return self._end_without_work(
            row, "refuse", Reason(stage="intake", code=code, message=message)
        )

    def _give_up(self, row: JobRow, message: str) -> JobRow:
        text = (
            f"{self._show_name(row)} could not be worked on, in {row.attempts} tries: {message}. "
            "Export it again and drop the new file; if that fails too, check the destination's "
            "stages and limits."
        )
        return self._end_without_work(
            row, "hold", Reason(stage="worker", code="work-failed", message=text, ways_on=(_AGAIN,))
        )

    def _find_repeated_failure(self, row: JobRow) -> Failure | None:
        """How a stage failed in the last two attempts, if in the same way: a third is no use."""
        last, before = (
            read_failure(self.root.spool / row.id / f"attempt-{number}")
            for number in (row.attempts, row.attempts - 1)
        )
        return last if last and last.is_same_as(before) else None

    def _give_up_failed(self, row: JobRow, failure: Failure) -> JobRow:
        """Hold a picture whose stage has failed, with what the stage's author needs."""
        folder = attempt_folder(self.root, row)
        folder.mkdir(exist_ok=True)
        path = folder / FAILURE_FILE
        path.unlink(missing_ok=True)
        from hotfolder.work.pipeline import versions  # it loads the codecs

        path.write_text(failure.text(row.id, versions()), encoding="utf-8")
        sha256, size = durable.sha256_of(path)
        attachment = Attachment(
            kind="failure",
            path=FAILURE_FILE,
            sha256=sha256,
            bytes=size,
            title="What failed, for whoever wrote the stage",
            stage=failure.stage,
        )
        message = failure.advice(self._show_name(row), row.destination)
        reason = Reason(
            stage=failure.stage, code="stage-failed", message=message, ways_on=(_AGAIN,)
        )
        return self._end_without_work(row, "hold", reason, (attachment,))

    def _end_without_work(
        self,
        row: JobRow,
        verdict: Literal["hold", "refuse"],
        reason: Reason,
        attachments: tuple[Attachment, ...] = (),
    ) -> JobRow:
        work = WorkRecord(
            original=self._describe_original(row), attachments=attachments, reasons=(reason,)
        )
        answer = Answer(verdict=verdict, work=work)
        return self._end(self._commit_answer(row, answer), answer)

    def _find_folders(self, destination: Destination) -> DestinationFolders:
        return self.root.folders(destination.name, destination.file.folders)

    def _clean(self, row: JobRow) -> JobRow:
        """The last step: the job has ended and its place in the spool is given back."""
        trees.remove_tree(self.root.spool / row.id, below=self.root.spool)
        return row

    def _describe_original(self, row: JobRow) -> OriginalRecord:
        return OriginalRecord(name=self._show_name(row), sha256=row.sha256, bytes=row.bytes)

    def _find_original(self, row: JobRow) -> Path:
        own = self.root.spool / row.id / ORIGINAL
        placement = row.placement
        return own if placement is None or own.exists() else Path(placement.kept)

    def _find_sidecar(self, row: JobRow) -> Path | None:
        path = self.root.spool / row.id / SIDECAR
        return path if path.is_file() and not path.is_symlink() else None

    @staticmethod
    def _show_name(row: JobRow) -> str:
        return names.display_name(row.source.rsplit(b"/", 1)[-1])


def _with_sidecar(work: WorkRecord, sidecar: Path) -> WorkRecord:
    """What came of the work, and the sidecar that came with its original."""
    sha256, size = durable.sha256_of(sidecar)
    own = Attachment(
        kind="sidecar",
        path=SIDECAR,
        sha256=sha256,
        bytes=size,
        title="The XMP sidecar that came with it",
        stage="intake",
    )
    others = (each for each in work.attachments if each.kind != "sidecar")
    return work.model_copy(update={"attachments": (*others, own)})


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


def _say_changed(placement: PlacementRecord) -> str:
    return (
        f"the picture {placement.file} of {placement.batch} has changed since it arrived: "
        f"{placement.kept}. Put it back as it was, or drop it into the batch's hot folder "
        "again"
    )


def attempt_folder(root: Root, row: JobRow) -> Path:
    """Where the latest attempt at a job writes; a new folder for each."""
    return root.spool / row.id / f"attempt-{row.attempts}"


def _read_stamp(path: Path) -> tuple[int, int]:
    found = path.lstat()
    if not stat.S_ISREG(found.st_mode):
        return (-1, -1)
    return (found.st_size, found.st_mtime_ns)
