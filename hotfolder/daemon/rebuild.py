"""A ledger that is lost or damaged is set aside, and a new one is made from the folders.

What the folders say is enough to know what has ended: every record is a line of its destination's
``log.jsonl``. For what was under way, the job's place in the spool holds two notes, written without
being flushed and read only here: whose job it is, and how its publishing was planned.

Nothing is delivered again without a person's word: a job whose original is still in the spool has
not been published, but what had been decided about it is not known, so it is held. A job whose
publishing was planned is finished as after a kill, act by act, each only where it was not done.
"""

from __future__ import annotations

import contextlib
import os
import re
import sqlite3
from collections.abc import Collection, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from hotfolder.disk import durable, names
from hotfolder.disk.free_names import OF_JOBS, free_name
from hotfolder.disk.marker import check_marker
from hotfolder.ending.deliver import PLAN_FILE, RECORD_FILE
from hotfolder.ending.release import keep_the_rest
from hotfolder.errors import StorageError
from hotfolder.intake.claim import JOB_FILE, LINKED, ORIGINAL, separate
from hotfolder.intake.junk import job_of
from hotfolder.ledger.details import (
    DETAILS,
    Detail,
    Produced,
    Publishing,
    State,
    load_detail,
)
from hotfolder.ledger.jobs import Ledger, Restored
from hotfolder.ledger.record_log import LOG_FILE
from hotfolder.logs import get_log
from hotfolder.model.answer import Answer
from hotfolder.model.records import (
    OriginalRecord,
    Reason,
    Record,
    WayOn,
    WorkRecord,
    read_record,
)
from hotfolder.settings.root import DestinationFolders, Root

_JOB = re.compile(r"\d{8}-\d{6}-[0-9a-f]{8}")
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


def open_ledger(
    root: Root, folders: Mapping[str, DestinationFolders], refused: Collection[str] = ()
) -> Ledger:
    """Open a root's ledger; make a new one from the folders when it is lost or damaged.

    refused: destinations whose settings are wrong, so that nobody knows where their folders are.

    Raises
    ------
    StorageError
        When a newer version of this program wrote it, or a folder that the new one needs cannot
        be read: nothing is changed then.
    """
    damage = _find_damage(root.ledger)
    if damage is None and root.ledger.exists():
        return Ledger(root.ledger)
    trouble = f"the ledger {root.ledger} {damage or 'is not there'}, and cannot be rebuilt"
    try:
        for each in folders.values():  # what is away may know of jobs that nothing else knows of
            for folder in vars(each).values():
                check_marker(folder)
    except StorageError as error:
        raise StorageError(f"{trouble}: {error}") from error
    was_served = _has_worked(root, folders) or (refused and root.snapshot.exists())
    if damage is None and not was_served:
        return Ledger(root.ledger)
    if refused:
        raise StorageError(
            f"{trouble} while the settings of {', '.join(sorted(refused))} are wrong: its "
            f"folders may hold jobs that are recorded nowhere else. `hotfolder check` says what "
            f"is wrong"
        )
    new = root.ledger.with_name("ledger.new.sqlite")
    for leftover in root.private.glob(f"{new.name}*"):
        leftover.unlink()
    try:
        counts = _rebuild(new, root, folders)
    except OSError as error:
        raise StorageError(f"{trouble}: {error}") from error
    aside = _set_aside(root.ledger) if damage else None
    new.rename(root.ledger)
    durable.fsync_folder(root.private)
    get_log().error(
        "ledger.rebuilt",
        reason=damage or "it was not there",
        set_aside=str(aside) if aside else "",
        **counts,
    )
    return Ledger(root.ledger)


def _find_damage(path: Path) -> str | None:
    """What is wrong with the file; None when it is fine or not there."""
    if not path.exists():
        return None
    try:
        with contextlib.closing(sqlite3.connect(path)) as db:
            (said,) = db.execute("PRAGMA quick_check(1)").fetchone()
            version = db.execute("PRAGMA user_version").fetchone()[0]
            if said == "ok" and version == 0:
                return "is empty"
    except sqlite3.OperationalError as error:
        raise StorageError(f"the ledger {path} cannot be used: {error}") from error
    except sqlite3.DatabaseError as error:
        return f"is damaged: {error}"
    return None if said == "ok" else f"is damaged: {said}"


def _has_worked(root: Root, folders: Mapping[str, DestinationFolders]) -> bool:
    """Whether this root has had a ledger: a new one has neither logs nor jobs."""
    logs = (each.results / LOG_FILE for each in folders.values())
    return any(root.spool.iterdir()) or any(log.exists() for log in logs)


def _set_aside(ledger: Path) -> Path:
    now = f"{datetime.now(UTC):%Y%m%d-%H%M%S}"
    aside = ledger.with_name(f"ledger.damaged-{now}.sqlite")
    for suffix in ("", "-wal", "-shm"):
        old = ledger.with_name(ledger.name + suffix)
        if old.exists():
            old.rename(aside.with_name(aside.name + suffix))
    return aside


def _rebuild(new: Path, root: Root, folders: Mapping[str, DestinationFolders]) -> dict[str, int]:
    ended: dict[str, Restored] = {}
    for name, each in folders.items():
        _give_back(each.hot_folder, root.spool, name)
    for note in root.spool.glob(f"*/{JOB_FILE}"):  # a destination may have another one since
        said = _read_note(note)
        with contextlib.suppress(ValueError):
            if said.folder:
                begun = Path(os.fsdecode(bytes.fromhex(said.folder)))
                _give_back(begun, root.spool, said.destination)
    ledger = Ledger(new)
    try:
        with ledger.restoring() as restore:
            for name, each in folders.items():
                for row in _read_log(name, each.results / LOG_FILE):
                    ended[row.id] = row
                    restore(row)
            delivered = {
                (row.destination, row.sha256): row.id
                for row in ended.values()
                if row.state is State.DELIVERED
            }
            under_way = list(_find_under_way(root, folders, ended, delivered))
            for row in under_way:
                restore(row)
            unlogged = list(_find_unlogged(folders, ended, {row.id for row in under_way}))
            for row in unlogged:
                restore(row)
    finally:
        ledger.close()
    durable.fsync_file(new)
    return {"ended": len(ended), "under_way": len(under_way), "unlogged": len(unlogged)}


def _read_log(destination: str, log: Path) -> Iterator[Restored]:
    try:
        file = durable.open_to_read(log)
    except FileNotFoundError:
        return
    with file:
        for number, line in enumerate(file, 1):
            try:
                record = read_record(line)
            except ValueError:
                get_log().error("ledger.line_ignored", log=str(log), line=number)
                continue
            whole = line.removesuffix(b"\n") + b"\n"  # an editor may have saved the last without
            yield _restore_ended(record, destination, whole)


def _restore_ended(record: Record, destination: str, line: bytes) -> Restored:
    state = State(record.state)
    return _restore(record, destination, state, DETAILS[state](), line)


def _restore_publishing(plan: Publishing, destination: str) -> Restored:
    return _restore(plan.record, destination, State.PUBLISHING, plan)


def _restore(
    record: Record, destination: str, state: State, detail: Detail, line: bytes | None = None
) -> Restored:
    return Restored(
        id=record.job,
        destination=destination,
        source=record.source.encode(),
        kind="file" if record.original.sha256 else "special",
        state=state,
        bytes=record.original.bytes,
        sha256=record.original.sha256,
        attempts=record.attempts,
        arrived=record.arrived,
        changed=record.finished,
        detail=detail,
        line=line,
    )


def _find_under_way(
    root: Root,
    folders: Mapping[str, DestinationFolders],
    ended: Mapping[str, Restored],
    delivered: Mapping[tuple[str, str | None], str],
) -> Iterator[Restored]:
    """Jobs that have a place in the spool, or files near the places where they were to go."""
    near = {name: _find_near(each) for name, each in folders.items()}
    jobs = {path.name for path in root.spool.iterdir() if _JOB.fullmatch(path.name)}
    jobs |= {job for found in near.values() for job in found}
    for job in sorted(jobs):
        place = root.spool / job
        said = _read_note(place / JOB_FILE)
        name: str | None = said.destination
        if name not in folders:
            name = next((each for each, found in near.items() if job in found), None)
        if name is None and job in ended:
            name = ended[job].destination
        destination = name or min(folders)
        is_here = any(durable.is_there(place / each) for each in (ORIGINAL, LINKED))
        plan = None if is_here else _read_plan(place / PLAN_FILE)
        if plan is not None:
            # the lost ledger knew which renames were begun
            plan = plan.model_copy(update={"begun": len(plan.moves)})
            yield _restore_publishing(plan, destination)
            continue
        separate(place)
        _recover_original(place, near[destination].get(job, []), ended.get(job))
        if durable.is_there(place / _HELD):
            known = ended.get(job)
            record = read_record(known.line) if known and known.line else None
            keep_the_rest(place / _HELD, folders[destination].release / job, record)
        if durable.is_there(place / ORIGINAL):
            yield _restore_held(place, destination, said, delivered)
        else:
            # its file was not taken yet, or the job had ended: what is here is notes and attempts
            durable.remove_tree(place, below=root.spool)


def _restore_held(
    place: Path,
    destination: str,
    said: JobNote,
    delivered: Mapping[tuple[str, str | None], str],
) -> Restored:
    original = place / ORIGINAL
    is_file = original.is_file() and not original.is_symlink()
    found = durable.sha256_of(original) if is_file else None
    try:
        source = bytes.fromhex(said.source)
        arrived = datetime.fromisoformat(said.arrived)
    except ValueError:
        source, arrived = place.name.encode(), datetime.now(UTC)
    name = names.display_name(source.rsplit(b"/", 1)[-1])
    message = (
        f"The ledger was lost while {name} was being processed, so nobody knows how far it had "
        "come. Check whether you have it already; release it if you want it delivered."
    )
    if not said.destination:
        message += " Which folder it was dropped into is not known either."
    earlier = found and delivered.get((destination, found.sha256))
    if earlier:
        message += f" The same picture was delivered here before, as job {earlier}."
    work = WorkRecord(
        original=OriginalRecord(
            name=name, sha256=found.sha256 if found else None, bytes=found.bytes if found else 0
        ),
        reasons=(
            Reason(
                stage="intake",
                code="ledger-lost",
                message=message,
                ways_on=(WayOn(says="have it worked on"),),
            ),
        ),
    )
    return Restored(
        id=place.name,
        destination=destination,
        source=source,
        kind="file" if is_file else "special",
        state=State.PRODUCED,
        bytes=found.bytes if found else 0,
        sha256=found.sha256 if found else None,
        attempts=0,
        arrived=arrived,
        changed=datetime.now(UTC),
        detail=Produced(answer=Answer(verdict="hold", work=work)),
    )


def _find_unlogged(
    folders: Mapping[str, DestinationFolders], ended: Mapping[str, Restored], known: set[str]
) -> Iterator[Restored]:
    """Jobs whose folder is in held/ or refused/ whole, but whose record is not in the log."""
    for name, each in folders.items():
        for place in (each.held, each.refused):
            for folder in sorted(place.iterdir()):
                # a kill may have left it under the name it has while it is being put there
                job = folder.name.removeprefix(durable.TEMPORARY_PREFIX)
                if job in ended or job in known:
                    continue
                try:
                    with durable.open_to_read(folder / RECORD_FILE) as file:
                        record = read_record(file.read())
                except (OSError, ValueError):
                    continue
                plan = Publishing(
                    state=State(record.state),
                    moves=(),
                    record=record,
                    log=str(each.results / LOG_FILE),
                    folder=str(place / job),
                )
                yield _restore_publishing(plan, name)


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
        match = _JOB.match(path.name.removeprefix(durable.TEMPORARY_PREFIX))
        if match:
            found.setdefault(match[0], []).append(path)


def _recover_original(place: Path, near: list[Path], ended: Restored | None) -> None:
    """Bring an original that was on its way back into the spool; what was made from it goes."""
    durable.make_folders(place)
    target = place / ORIGINAL
    if not durable.is_there(target) and (place / _HELD).is_dir():
        if ended and ended.line:
            kept = [place / _HELD / Path(read_record(ended.line).original_kept).name]
        else:
            kept = _originals_in(place / _HELD)
        for each in kept[:1]:
            if durable.is_there(each):
                durable.move_any_new(each, target)
    for path in near:
        if path.is_dir() and not path.is_symlink():
            originals = _originals_in(path)
        else:
            originals = [path] if path.name.endswith("-original") else []
        for each in originals:
            if not durable.is_there(target):
                durable.move_any_new(each, target)
            elif not durable.is_same(each, target):
                durable.move_any_new(each, free_name(path.parent, f"found-{place.name}"))
        durable.remove_tree(path, below=path.parent)


def _originals_in(folder: Path) -> list[Path]:
    """What is in a job's folder beside that which we have made."""
    return [
        each
        for each in sorted(folder.iterdir())
        if each.name not in {*_OURS, "result"}
        and not each.name.startswith(durable.TEMPORARY_PREFIX)
    ]


def _give_back(hot_folder: Path, spool: Path, destination: str) -> None:
    """Give files their names back that had been set aside in a hot folder to be copied."""
    for top, inside, files in os.walk(hot_folder):
        for name in (*inside, *files):
            job = job_of(name)
            if job is None:
                continue
            path = Path(top) / name
            if durable.is_same(path, spool / job / ORIGINAL):
                durable.remove_tree(path, below=top)
                continue
            said = _read_note(spool / job / JOB_FILE)
            try:
                was = Path(os.fsdecode(bytes.fromhex(said.source))).name
                durable.move_new(path, path.with_name(was))
            except (ValueError, FileExistsError):
                durable.move_new(path, path.with_name(f"found-{job}"))
            get_log().warning("ledger.file_given_back", destination=destination, job=job)


def _read_note(path: Path) -> JobNote:
    try:
        return JobNote.model_validate_json(path.read_bytes())
    except (OSError, ValueError):
        return JobNote()


def _read_plan(path: Path) -> Publishing | None:
    try:
        plan = load_detail(State.PUBLISHING, path.read_text())
    except (OSError, ValueError):
        return None
    return plan if isinstance(plan, Publishing) else None
