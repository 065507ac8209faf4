"""The plan by which a job ends: where each of its files goes, and what its record says.

A plan is a value. It is made before anything is moved and committed to the ledger; `deliver`
carries it out, and after a kill reads it there and goes on.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Final, Literal, TypeVar

from hotfolder.disk import durable, names
from hotfolder.disk.free_names import (
    ATTACHMENTS,
    OF_JOBS,
    OF_RESULTS,
    SUPERSEDED,
    TakenNames,
    free_folder,
    free_name,
)
from hotfolder.ending.supersede import deliver_aside
from hotfolder.intake.sidecars import name_sidecar
from hotfolder.ledger.details import Move, Publishing, State
from hotfolder.ledger.jobs import JobRow, Ledger
from hotfolder.ledger.record_log import LOG_FILE
from hotfolder.model.records import (
    SHEET,
    SIDECAR,
    Attachment,
    PlacementRecord,
    Record,
    Release,
    ResultRecord,
    WorkRecord,
    fields_of,
)
from hotfolder.settings.root import DestinationFolders

_Filed = TypeVar("_Filed", ResultRecord, Attachment)
_END_STATES: Final[Mapping[State, Literal["delivered", "held", "refused"]]] = {
    State.DELIVERED: "delivered",
    State.HELD: "held",
    State.REFUSED: "refused",
}


_ONE_OF_A_KIND: Final = frozenset({SHEET, "thumbnail", SIDECAR})
"""Kinds of attachment of which a job has one: a move of one is named by it."""


@dataclass(frozen=True)
class Ending:
    """What the work on a job came to."""

    state: State
    work: WorkRecord
    files: Mapping[str, Path]
    """Results, and files about the job, by the name that ``work`` gives them."""
    release: Release | None = None
    """The decision behind it, if any."""
    placement: PlacementRecord | None = None
    """The row of a ticket that it is for, if for one."""
    stem: str = ""
    """Of the results' names; by default the original's."""
    place: Path | None = None
    """The job's own in the spool, by default where its original is."""


def plan_ending(
    row: JobRow,
    original: Path,
    ending: Ending,
    folders: DestinationFolders,
    *,
    ledger: Ledger,
    taken: TakenNames,
    ticket: str | None,
) -> Publishing:
    """Plan where every file of a job goes, and what its record says; nothing is moved yet.

    Parameters
    ----------
    row
        The job.
    original
        Where its original is.
    ending
        What the work on it came to.
    folders
        Its destination's.
    ledger
        Asked for earlier jobs with this original.
    taken
        Names in use in the destination's folders; held under its lock until the plan is done.
    ticket
        The ticket that does not ask for this job any more; None when it does, or of no batch.

    Returns
    -------
    Publishing
        What the ledger says before the first name becomes visible.

    Raises
    ------
    OSError
        When a folder cannot be looked into.
    """
    filing = _Filing(row, original, ending, folders, taken, ticket)
    placement = ending.placement
    results, attachments = filing.place_results(), filing.place_attachments()
    filing.place_original()
    record = Record(
        **fields_of(
            ending.work.model_copy(update={"results": results, "attachments": attachments})
        ),
        job=row.id,
        destination=row.destination,
        state=_END_STATES[ending.state],
        source=names.display_name(row.source),
        original_kept=str(filing.kept),
        attempts=row.attempts,
        arrived=row.arrived,
        finished=datetime.now(UTC),
        release=ending.release,
        earlier_jobs=placement.earlier if placement else tuple(ledger.earlier_jobs(row)),
        same_original=() if placement else tuple(ledger.same_original(row)),
        batch=placement.batch if placement else None,
        placement=placement,
    )
    if ticket is not None and ending.state is State.DELIVERED:
        record = deliver_aside(record, ticket)
    return Publishing(
        state=ending.state,
        moves=tuple(filing.moves),
        record=record,
        log=str(folders.results / LOG_FILE),
        folder=str(filing.folder) if filing.folder else None,
        place=str(ending.place or original.parent),
    )


class _Filing:
    """Finds a place for each file of a job, and notes its move there."""

    def __init__(
        self,
        row: JobRow,
        original: Path,
        ending: Ending,
        folders: DestinationFolders,
        taken: TakenNames,
        ticket: str | None,
    ) -> None:
        self._row, self._original, self._ending = row, original, ending
        self._folders, self._taken, self._ticket = folders, taken, ticket
        self.moves: list[Move] = []
        source = Path(os.fsdecode(row.source))
        below = names.safe_relative(source.parent.as_posix())
        kept_name = names.safe_component(source.name)
        placement = ending.placement
        self._stays = placement is not None and (
            durable.is_there(placement.kept)
            if original == Path(placement.kept)
            else durable.has_bytes(placement.kept, placement.sha256)
        )
        self.folder: Path | None = None
        """The job's own, of one that is not delivered."""
        if ending.state is State.DELIVERED:
            self._results = self._find_results(below)
            self.kept = (
                Path(placement.kept)
                if placement and self._stays
                else taken.find_free(free_folder(folders.originals, below), kept_name)
            )
            self._attached = folders.results / "sheets" / row.id
        else:
            place = folders.held if ending.state is State.HELD else folders.refused
            self.folder = place / row.id
            self._results = self.folder / "result"
            self.kept = free_name(self.folder, kept_name, OF_JOBS)
            self._attached = self.folder / SHEET
        self._stem = placement.name if placement else ending.stem or Path(kept_name).stem

    def place_results(self) -> tuple[ResultRecord, ...]:
        """Find a place for each result, and return what the record says of them."""
        # what a ticket asks for has its name: whatever stands there makes way
        # (`Deliverer._make_way`)
        is_asked_for = self._ending.placement and not self.folder and self._ticket is None
        placed = []
        for number, result in enumerate(self._ending.work.results, 1):
            word = f" {result.variant}" if result.variant else ""
            name = self._stem + word + Path(result.path).suffix
            target = (
                self._results / name if is_asked_for else self._taken.find_free(self._results, name)
            )
            self._move(result, target, self._folders.results, f"result-{number}")
            placed.append(result.model_copy(update={"path": str(target)}))
        return tuple(placed)

    def place_attachments(self) -> tuple[Attachment, ...]:
        """Find a place for each attachment, and return what the record says of them."""
        placed = []
        for number, attachment in enumerate(self._ending.work.attachments, 1):
            has_its_word = attachment.kind in _ONE_OF_A_KIND
            is_sidecar = attachment.kind == SIDECAR
            target = self._find_place(attachment)
            self._move(
                attachment,
                target,
                self._folders.originals if is_sidecar else self._folders.results,
                attachment.kind if has_its_word else f"attachment-{number}",
            )
            placed.append(attachment.model_copy(update={"path": str(target)}))
        return tuple(placed)

    def place_original(self) -> None:
        """Note the move of the original, unless it stays where it is."""
        row, placement = self._row, self._ending.placement
        is_delivered = self._ending.state is State.DELIVERED
        if self._original == self.kept or (self._stays and is_delivered):
            return
        self.moves.append(
            Move(
                source=str(self._original),
                target=str(self.kept),
                sha256=row.sha256,
                what="original",
                copy_only=placement is not None and self._original == Path(placement.kept),
                near=self._near(self._folders.originals, "original"),
            )
        )

    def _find_results(self, below: PurePosixPath) -> Path:
        placement, results = self._ending.placement, self._folders.results
        if placement is None:
            return free_folder(results, below, OF_RESULTS)
        return (results if self._ticket is None else results / SUPERSEDED) / placement.batch

    def _find_place(self, attachment: Attachment) -> Path:
        if attachment.kind == SIDECAR:
            beside = name_sidecar(self.kept)
            if self.folder:
                return beside
            return self._taken.find_free(beside.parent, beside.name)
        if attachment.kind in _ONE_OF_A_KIND:
            return self._attached.with_suffix(Path(attachment.path).suffix)
        if self.folder:
            is_failure = attachment.kind == "failure"
            return (self.folder if is_failure else self.folder / ATTACHMENTS) / attachment.path
        return self._taken.find_free(self._attached.parent, f"{self._row.id}-{attachment.path}")

    def _move(self, made: ResultRecord | Attachment, target: Path, top: Path, what: str) -> None:
        self.moves.append(
            Move(
                source=str(self._ending.files[made.path]),
                target=str(target),
                sha256=made.sha256,
                what=what,
                near=self._near(top, what),
            )
        )

    def _near(self, top: Path, what: str) -> str:
        # short, of fixed length, never the user's words
        name = f"{durable.TEMPORARY_PREFIX}{self._row.id}-{what}"
        return str(top / name) if self._ending.state is State.DELIVERED else ""


def places_of(plan: Publishing) -> dict[str, str]:
    """Where each file of a plan is brought, by where it is now."""
    if plan.folder is None:
        return {move.source: move.near for move in plan.moves}
    building = name_building(Path(plan.folder))
    return {
        move.source: str(building / Path(move.target).relative_to(plan.folder))
        for move in plan.moves
    }


def name_building(folder: Path) -> Path:
    """The temporary name of a held or refused job's folder, beside its final one."""
    return folder.parent / f".hotfolder-{folder.name}"


def replace_target(plan: Publishing, index: int, target: Path) -> Publishing:
    """The plan with another final name for one file; the record says the new one."""
    move = plan.moves[index]
    moves = list(plan.moves)
    moves[index] = move.model_copy(update={"target": str(target)})
    if move.what == "original":
        record = plan.record.model_copy(update={"original_kept": str(target)})
    else:
        changes = {
            "results": _replace_path(plan.record.results, move.target, target),
            "attachments": _replace_path(plan.record.attachments, move.target, target),
        }
        record = plan.record.model_copy(update=changes)
    return plan.model_copy(update={"moves": tuple(moves), "record": record})


def _replace_path(records: tuple[_Filed, ...], old: str, new: Path) -> tuple[_Filed, ...]:
    return tuple(
        each.model_copy(update={"path": str(new)}) if each.path == old else each for each in records
    )
