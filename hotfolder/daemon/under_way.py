"""What was under way, or has ended, by the folders alone: places in the spool, and files near."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from hotfolder.daemon.new_lines import restore_publishing
from hotfolder.disk import durable, names, trees
from hotfolder.disk.free_names import OF_JOBS, free_name
from hotfolder.ending.deliver import PLAN_FILE, RECORD_FILE
from hotfolder.ending.release import keep_the_rest
from hotfolder.intake.claim import JOB_FILE, LINKED, ORIGINAL, separate
from hotfolder.intake.junk import job_of
from hotfolder.ledger.details import (
    Claimed,
    Detail,
    Produced,
    Publishing,
    State,
    load_detail,
)
from hotfolder.ledger.jobs import JobRow, Ledger, Restored
from hotfolder.ledger.log_years import LOG_FILE
from hotfolder.logs import get_log
from hotfolder.model.answer import Answer
from hotfolder.model.places import Places
from hotfolder.model.records import (
    OriginalRecord,
    Reason,
    WayOn,
    WorkRecord,
    read_record,
)
from hotfolder.settings.root import DestinationFolders, Root

JOB_NAME = re.compile(r"\d{8}-\d{6}-[0-9a-f]{8}")
_OURS = OF_JOBS - {"result"}
_HELD = "held"


class JobNote(BaseModel):
    """What stands beside an original in the spool; what cannot be read of it is missing."""

    model_config = ConfigDict(frozen=True)

    destination: str = ""
    source: str = ""
    """Path below the hot folder, its bytes in hexadecimal."""
    arrived: str = ""
    folder: str = ""
    """The hot folder in which it was found, its bytes in hexadecimal."""


@dataclass(frozen=True)
class Known:
    """What is known of the root whose ledger is brought up to date."""

    ledger: Ledger
    root: Root
    folders: Mapping[str, DestinationFolders]
    """Of the destinations that can be reached."""
    with_tickets: Collection[str]
    was_lost: bool
    """Whether there was no ledger: what had been decided is not known."""


def has_original(place: Path) -> bool:
    """Whether a job's place in the spool has the file that came, in any of its forms."""
    return any(durable.is_kept(place / each) for each in (ORIGINAL, LINKED, _HELD))


def find_under_way(known: Known) -> Iterator[Restored]:
    """Jobs that have a place in the spool, or files near the places where they were to go."""
    ledger, root, folders = known.ledger, known.root, known.folders
    near = {name: _find_near(each) for name, each in folders.items()}
    jobs = {path.name for path in root.spool.iterdir() if JOB_NAME.fullmatch(path.name)}
    jobs |= {job for found in near.values() for job in found}
    if not known.was_lost:
        jobs |= {row.id for row in ledger.open_jobs() if row.state is State.PUBLISHING}
    for job in sorted(jobs):
        place = root.spool / job
        durable.write_doubtful(place / ORIGINAL)
        row = ledger.find_job(job)
        said = read_note(place / JOB_FILE)
        name = said.destination
        if name not in folders:
            owner = row.destination if row else ""
            name = next((each for each, found in near.items() if job in found), owner)
        if name not in folders:
            if not folders or (name and not known.was_lost):
                continue  # its folders are out of reach, or its settings are wrong
            name = min(folders)
        is_here = any(durable.is_there(place / each) for each in (ORIGINAL, LINKED))
        plan = None if is_here else _read_plan(place / PLAN_FILE, ledger.places)
        if plan is None and row and row.state is State.PUBLISHING and not is_here:
            plan = row.expect(Publishing)
        if plan is not None and not _is_recorded(plan, row):
            # the ledger that went on knew which renames were begun
            plan = plan.model_copy(update={"begun": len(plan.moves)})
            yield restore_publishing(plan, name)
            continue
        found = near[name].get(job, [])
        if row is not None and not row.state.is_end:
            # it goes on from where the ledger says, which may be before what was brought near
            if row.state in {State.CLAIMED, State.WORKING} and found and not is_here:
                _recover_original(place, found, row)
            continue
        if row is not None and not known.was_lost and not found and not has_original(place):
            continue  # what a kill left of one that has ended
        separate(place)
        _recover_original(place, found, row)
        if _is_kept(place / ORIGINAL, row):
            trees.remove_tree(place, below=root.spool)
            continue
        if durable.is_there(place / _HELD):
            keep_the_rest(place / _HELD, folders[name].release / job, row.record if row else None)
        if durable.is_there(place / ORIGINAL):
            yield _restore_original(known, place, name, said, row)
        else:
            # its file was not taken yet, or the job had ended: what is here is notes and attempts
            trees.remove_tree(place, below=root.spool)


def find_unlogged(known: Known) -> Iterator[Restored]:
    """Jobs whose folder is in held/ or refused/ whole, but whose record is not in the log."""
    for name, each in known.folders.items():
        for place in (each.held, each.refused):
            for folder in sorted(place.iterdir()):
                # a kill may have left it under the name it has while it is being put there
                job = folder.name.removeprefix(durable.TEMPORARY_PREFIX)
                if known.ledger.find_job(job):
                    continue
                try:
                    with durable.open_to_read(folder / RECORD_FILE) as file:
                        record = known.ledger.places.find_record(read_record(file.read()))
                except (OSError, ValueError):
                    continue
                if known.ledger.find_job(record.job):
                    continue  # a person has renamed its folder
                plan = Publishing(
                    state=State(record.state),
                    moves=(),
                    record=record,
                    log=str(each.results / LOG_FILE),
                    folder=str(place / job),
                )
                yield restore_publishing(plan, name)


def give_back(hot_folder: Path, spool: Path, destination: str) -> None:
    """Give files their names back that had been set aside in a hot folder to be copied."""
    for top, inside, files in os.walk(hot_folder):
        for name in (*inside, *files):
            job = job_of(name)
            if job is None:
                continue
            path = Path(top) / name
            if trees.is_same(path, spool / job / ORIGINAL):
                trees.remove_tree(path, below=top)
                continue
            said = read_note(spool / job / JOB_FILE)
            try:
                was = Path(os.fsdecode(bytes.fromhex(said.source))).name
                durable.move_new(path, path.with_name(was))
            except (ValueError, FileExistsError):
                durable.move_new(path, path.with_name(f"found-{job}"))
            get_log().warning("ledger.file_given_back", destination=destination, job=job)


def read_note(path: Path) -> JobNote:
    """Read the note beside an original; an empty one where nothing can be read."""
    try:
        return JobNote.model_validate_json(path.read_bytes())
    except (OSError, ValueError):
        return JobNote()


def _read_plan(path: Path, places: Places) -> Publishing | None:
    try:
        plan = load_detail(State.PUBLISHING, path.read_text(), places)
    except (OSError, ValueError):
        return None
    return plan if isinstance(plan, Publishing) else None


def _is_kept(original: Path, row: JobRow | None) -> bool:
    """Whether a job was delivered, and its original is where its record says, with its bytes."""
    record = row.record if row and row.state is State.DELIVERED else None
    return (
        record is not None
        and record.original.sha256 is not None
        and durable.has_bytes(original, record.original.sha256)
        and durable.has_bytes(record.original_kept, record.original.sha256)
    )


def _is_recorded(plan: Publishing, row: JobRow | None) -> bool:
    """Whether the end that was planned is one that the log has."""
    record = row.record if row and row.state.is_end else None
    return record is not None and (record.state, record.finished) == (
        plan.record.state,
        plan.record.finished,
    )


def _restore_original(
    known: Known, place: Path, destination: str, said: JobNote, row: JobRow | None
) -> Restored:
    """A job whose original is in the spool: it goes on as it came, or is held."""
    original = place / ORIGINAL
    kind = _kind_of(original)
    found = durable.sha256_of(original) if kind == "file" else None
    try:
        source = bytes.fromhex(said.source)
        arrived = datetime.fromisoformat(said.arrived)
    except ValueError:
        source, arrived = row.source if row else place.name.encode(), datetime.now(UTC)
    earlier = known.ledger.delivered_with(destination, found.sha256) if found else ""
    state: State = State.CLAIMED
    detail: Detail = Claimed()
    if known.was_lost or earlier or row is not None or not said.source:
        name = names.display_name(source.rsplit(b"/", 1)[-1])
        work = WorkRecord(
            original=OriginalRecord(
                name=name, sha256=found.sha256 if found else None, bytes=found.bytes if found else 0
            ),
            reasons=(_say_unknown(name, said, earlier),),
        )
        state, detail = State.PRODUCED, Produced(answer=Answer(verdict="hold", work=work))
    return Restored(
        id=place.name,
        destination=destination,
        source=source,
        kind=kind if state is State.CLAIMED or kind == "file" else "special",
        state=state,
        bytes=found.bytes if found else 0,
        sha256=found.sha256 if found else None,
        attempts=0,
        arrived=arrived,
        changed=datetime.now(UTC),
        detail=detail,
    )


def _say_unknown(name: str, said: JobNote, earlier: str) -> Reason:
    message = (
        f"The ledger was lost while {name} was being processed, so nobody knows how far it had "
        "come. Check whether you have it already; release it if you want it delivered."
    )
    if not said.destination:
        message += " Which folder it was dropped into is not known either."
    if earlier:
        message += f" The same picture was delivered here before, as job {earlier}."
    return Reason(
        stage="intake",
        code="ledger-lost",
        message=message,
        ways_on=(WayOn(says="have it worked on"),),
    )


def _kind_of(path: Path) -> str:
    mode = path.lstat().st_mode
    if stat.S_ISREG(mode):
        return "file"
    if stat.S_ISLNK(mode):
        return "link"
    return "folder" if stat.S_ISDIR(mode) else "special"


def _find_near(folders: DestinationFolders) -> dict[str, list[Path]]:
    """Our temporary names beside the places where results and originals go, by job."""
    found: dict[str, list[Path]] = {}
    for top in (folders.results, folders.originals):
        for folder, _, files in os.walk(top):
            for name in files:
                _file_under_job(found, Path(folder) / name)
    for top in (folders.held, folders.refused):
        for path in top.iterdir():
            _file_under_job(found, path)
    return found


def _file_under_job(found: dict[str, list[Path]], path: Path) -> None:
    if path.name.startswith(durable.TEMPORARY_PREFIX):
        match = JOB_NAME.match(path.name.removeprefix(durable.TEMPORARY_PREFIX))
        if match:
            found.setdefault(match[0], []).append(path)


def _recover_original(place: Path, near: list[Path], row: JobRow | None) -> None:
    """Bring an original that was on its way back into the spool; what was made from it goes."""
    durable.make_folders(place)
    target = place / ORIGINAL
    if not durable.is_there(target) and (place / _HELD).is_dir():
        record = row.record if row else None
        if record:
            kept = [place / _HELD / Path(record.original_kept).name]
        else:
            kept = _originals_in(place / _HELD)
        for each in kept[:1]:
            if durable.is_there(each):
                trees.move_any_new(each, target)
    for path in near:
        if path.is_dir() and not path.is_symlink():
            originals = _originals_in(path)
        else:
            originals = [path] if path.name.endswith("-original") else []
        for each in originals:
            if not durable.is_there(target):
                trees.move_any_new(each, target)
            elif not trees.is_same(each, target):
                trees.move_any_new(each, free_name(path.parent, f"found-{place.name}"))
        trees.remove_tree(path, below=path.parent)


def _originals_in(folder: Path) -> list[Path]:
    """What is in a job's folder beside that which we have made."""
    return [
        each
        for each in sorted(folder.iterdir())
        if each.name not in {*_OURS, "result"}
        and not each.name.startswith(durable.TEMPORARY_PREFIX)
    ]
