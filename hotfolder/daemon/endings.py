"""How a job ends: as its worker said, by a release, or without any work that is of use."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

from hotfolder.daemon.spool import (
    attempt_folder,
    describe_original,
    find_original,
    find_sidecar,
    show_name,
)
from hotfolder.disk import durable, names, trees
from hotfolder.ending.deliver import Deliverer
from hotfolder.ending.naming import name_result
from hotfolder.ending.plan import Ending
from hotfolder.ending.release import put_worse_first
from hotfolder.intake.claim import SIDECAR
from hotfolder.ledger.details import Claimed, Produced, State
from hotfolder.ledger.jobs import JobRow, Ledger
from hotfolder.model.answer import Answer
from hotfolder.model.failure import FAILURE_FILE, Failure
from hotfolder.model.records import Attachment, Reason, WayOn, WorkRecord
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root

_AGAIN = WayOn(says="have it worked on again, once the cause is mended")
_ENDS = {"deliver": State.DELIVERED, "hold": State.HELD, "refuse": State.REFUSED}


@dataclass(frozen=True)
class Endings:
    """Brings jobs to their ends. One per daemon, for several threads."""

    root: Root
    ledger: Ledger
    deliverer: Deliverer
    now: Callable[[], datetime]

    def end(self, row: JobRow, answer: Answer, destination: Destination | None = None) -> JobRow:
        """Bring a job to its end; destination: names its results, when it has any."""
        work = answer.work or WorkRecord(original=describe_original(row))
        folder = attempt_folder(self.root, row)
        files = {each.path: folder / each.path for each in work.files()}
        place = self.root.spool / row.id
        self.deliverer.take_sidecar_back(place)
        if sidecar := find_sidecar(self.root, row):
            files[SIDECAR] = sidecar
            work = _with_sidecar(work, sidecar)
        state, release = _ENDS[answer.verdict], row.release
        if release and state is State.HELD and work.results:
            worse_first = put_worse_first(work.reasons, release)
            if worse_first:
                work = work.model_copy(update={"reasons": worse_first})
            else:
                # a person has decided; what the stages would hold for stays in the record
                state = State.DELIVERED
        stem = ""
        if destination and work.results:
            stem = name_result(
                names.safe_component(show_name(row)),
                destination,
                work.results[0],
                row.seq,
                self.now().astimezone().date(),
            )
        ending = Ending(state, work, files, release, row.placement, stem, place)
        return self.clean(self.deliverer.end(row, find_original(self.root, row), ending))

    def commit_answer(self, row: JobRow, answer: Answer) -> JobRow:
        """Commit what the work came to, and with it the release that led to it."""
        claimed = row.expect(Claimed)
        detail = Produced(answer=answer, release=claimed.release, placement=claimed.placement)
        return self.ledger.advance(row.id, State.PRODUCED, detail)

    def refuse(self, row: JobRow, code: str, message: str) -> JobRow:
        """Refuse a file that cannot be worked on at all."""
        return self._end_without_work(
            row, "refuse", Reason(stage="intake", code=code, message=message)
        )

    def give_up(self, row: JobRow, message: str) -> JobRow:
        """Hold a picture for which no attempt has come to an end."""
        text = (
            f"{show_name(row)} could not be worked on, in {row.attempts} tries: {message}. "
            "Export it again and drop the new file; if that fails too, check the destination's "
            "stages and limits."
        )
        return self._end_without_work(
            row, "hold", Reason(stage="worker", code="work-failed", message=text, ways_on=(_AGAIN,))
        )

    def give_up_failed(self, row: JobRow, failure: Failure) -> JobRow:
        """Hold a picture whose stage has failed, with what the stage's author needs."""
        folder = attempt_folder(self.root, row)
        folder.mkdir(exist_ok=True)
        path = folder / FAILURE_FILE
        path.unlink(missing_ok=True)
        from hotfolder.work.describing import versions  # it loads the codecs

        path.write_text(failure.text(row.id, versions()), encoding="utf-8")
        title = "What failed, for whoever wrote the stage"
        attachment = _attach(path, "failure", title, failure.stage)
        message = failure.advice(show_name(row), row.destination)
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
            original=describe_original(row), attachments=attachments, reasons=(reason,)
        )
        answer = Answer(verdict=verdict, work=work)
        return self.end(self.commit_answer(row, answer), answer)

    def clean(self, row: JobRow) -> JobRow:
        """The last step: the job has ended and its place in the spool is given back."""
        trees.remove_tree(self.root.spool / row.id, below=self.root.spool)
        return row


def _with_sidecar(work: WorkRecord, sidecar: Path) -> WorkRecord:
    """What came of the work, and the sidecar that came with its original."""
    own = _attach(sidecar, "sidecar", "The XMP sidecar that came with it", "intake")
    others = (each for each in work.attachments if each.kind != "sidecar")
    return work.model_copy(update={"attachments": (*others, own)})


def _attach(path: Path, kind: Literal["failure", "sidecar"], title: str, stage: str) -> Attachment:
    """What the record says of a file that lies beside a held picture or a result."""
    sha256, size = durable.sha256_of(path)
    return Attachment(
        kind=kind, path=path.name, sha256=sha256, bytes=size, title=title, stage=stage
    )
