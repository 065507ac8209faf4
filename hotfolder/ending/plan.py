"""The plan by which a job ends: where each of its files goes, and what its record says.

A plan is a value. It is made before anything is moved and committed to the ledger; `deliver`
carries it out, and after a kill reads it there and goes on.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
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
    source = os.fsdecode(row.source)
    shown = names.display_name(row.source)
    kept_name = names.safe_component(Path(source).name)
    below = names.safe_relative(Path(source).parent.as_posix())
    placement = ending.placement
    stays = placement is not None and (
        durable.is_there(placement.kept)
        if original == Path(placement.kept)
        else durable.has_bytes(placement.kept, placement.sha256)
    )
    folder = None

    def near(top: Path, what: str) -> str:
        # short, of fixed length, never the user's words
        name = f"{durable.TEMPORARY_PREFIX}{row.id}-{what}"
        return str(top / name) if ending.state is State.DELIVERED else ""

    moves = []
    if ending.state is State.DELIVERED:
        results = (
            free_folder(folders.results, below, OF_RESULTS)
            if placement is None
            else folders.results / placement.batch
            if ticket is None
            else folders.results / SUPERSEDED / placement.batch
        )
        kept = (
            Path(placement.kept)
            if placement and stays
            else taken.find_free(free_folder(folders.originals, below), kept_name)
        )
        attached = folders.results / "sheets" / row.id
    else:
        place = folders.held if ending.state is State.HELD else folders.refused
        folder = place / row.id
        results = folder / "result"
        kept = free_name(folder, kept_name, OF_JOBS)
        attached = folder / SHEET
    sheets = attached.parent
    stem = placement.name if placement else ending.stem or Path(kept_name).stem
    records = []
    for number, result in enumerate(ending.work.results, 1):
        word = f" {result.variant}" if result.variant else ""
        name = stem + word + Path(result.path).suffix
        # what a ticket asks for has its name: whatever stands there makes way
        # (`Deliverer._make_way`)
        is_asked_for = placement is not None and folder is None and ticket is None
        target = results / name if is_asked_for else taken.find_free(results, name)
        moves.append(
            Move(
                source=str(ending.files[result.path]),
                target=str(target),
                sha256=result.sha256,
                what=f"result-{number}",
                near=near(folders.results, f"result-{number}"),
            )
        )
        records.append(result.model_copy(update={"path": str(target)}))
    attachments = []
    for number, attachment in enumerate(ending.work.attachments, 1):
        is_listed = attachment.kind in {SHEET, "thumbnail"}
        is_sidecar = attachment.kind == SIDECAR
        if is_sidecar:
            beside = f"{kept.name}.xmp"
            target = folder / beside if folder else taken.find_free(kept.parent, beside)
        elif is_listed:
            target = attached.with_suffix(Path(attachment.path).suffix)
        elif folder:
            is_failure = attachment.kind == "failure"
            target = (folder if is_failure else folder / ATTACHMENTS) / attachment.path
        else:
            target = taken.find_free(sheets, f"{row.id}-{attachment.path}")
        what = attachment.kind if is_listed or is_sidecar else f"attachment-{number}"
        moves.append(
            Move(
                source=str(ending.files[attachment.path]),
                target=str(target),
                sha256=attachment.sha256,
                what=what,
                near=near(folders.originals if is_sidecar else folders.results, what),
            )
        )
        attachments.append(attachment.model_copy(update={"path": str(target)}))
    if original != kept and not (stays and ending.state is State.DELIVERED):
        moves.append(
            Move(
                source=str(original),
                target=str(kept),
                sha256=row.sha256,
                what="original",
                copy_only=placement is not None and original == Path(placement.kept),
                near=near(folders.originals, "original"),
            )
        )
    work = ending.work
    record = Record(
        **fields_of(
            work.model_copy(update={"results": tuple(records), "attachments": tuple(attachments)})
        ),
        job=row.id,
        destination=row.destination,
        state=_END_STATES[ending.state],
        source=shown,
        original_kept=str(kept),
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
        moves=tuple(moves),
        record=record,
        log=str(folders.results / LOG_FILE),
        folder=str(folder) if folder else None,
        place=str(ending.place or original.parent),
    )


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
