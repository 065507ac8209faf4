"""Bringing a ledger to where the folders are: it was lost, or an older one was put back.

What the folders say is enough to know what has ended: every record is a line of its destination's
log. For what was under way, the job's place in the spool holds two notes, written without being
flushed and read only here: whose job it is, and how its publishing was planned.

Whether a ledger is behind shows at every start, at little cost: the log goes on after the last line
that the ledger knows; an original lies in the spool of which the ledger knows nothing, or that it
ended; or it is not the ledger that was closed last. Then all is compared:

- lines that the ledger does not know are taken over, so nothing that they say is done again;
- a job whose publishing was planned is finished as after a kill, act by act, each where it is due;
- an original that no row knows is taken in as it came. It is held where a person may have decided
  about it, or where the ledger was lost: nothing is delivered again without a person's word;
- files of batches are known again, and their batches rest (`batch.found`).
"""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import stat
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from hotfolder.batch import found as batch_files
from hotfolder.disk import durable, names, pulse, trees
from hotfolder.disk.free_names import OF_JOBS, free_name
from hotfolder.disk.marker import away
from hotfolder.ending.deliver import PLAN_FILE, RECORD_FILE
from hotfolder.ending.release import keep_the_rest
from hotfolder.errors import StorageError
from hotfolder.intake.claim import JOB_FILE, LINKED, ORIGINAL, separate
from hotfolder.intake.junk import job_of
from hotfolder.ledger.details import (
    DETAILS,
    Claimed,
    Delivered,
    Detail,
    Held,
    Produced,
    Publishing,
    State,
    load_detail,
    map_hexadecimal,
)
from hotfolder.ledger.jobs import JobRow, Ledger, Restored, link
from hotfolder.ledger.log_places import LogPlaces
from hotfolder.ledger.log_years import LOG_FILE, list_parts, read_file, read_lines
from hotfolder.ledger.record_log import read_last_lines
from hotfolder.logs import get_log
from hotfolder.model.answer import Answer
from hotfolder.model.places import Places
from hotfolder.model.records import (
    OriginalRecord,
    Reason,
    Record,
    WayOn,
    WorkRecord,
    read_line,
    read_record,
)
from hotfolder.settings.root import DestinationFolders, Root

_JOB = re.compile(r"\d{8}-\d{6}-[0-9a-f]{8}")
_OURS = OF_JOBS - {"result"}
_HELD = "held"
_TAIL_BYTES = 64 * 2**10
_BEHIND, _CLOSED, _BEFORE = "behind", "closed", "closed before"


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


def fill(known: Known) -> dict[str, int]:
    """Fill a new ledger from the folders; return how many jobs of which kind there are.

    Raises
    ------
    OSError
        When a folder cannot be read.
    StorageError
        When a log of before is not there, which settings have left.
    """
    for name, each in known.folders.items():
        _give_back(each.hot_folder, known.root.spool, name)
    for note in known.root.spool.glob(f"*/{JOB_FILE}"):  # a destination may have another one since
        said = _read_note(note)
        with contextlib.suppress(ValueError):
            if said.folder:
                folder = map_hexadecimal(said.folder, known.ledger.places.find)
                begun = Path(os.fsdecode(bytes.fromhex(folder)))
                _give_back(begun, known.root.spool, said.destination)
    logs = LogPlaces(known.root.private)
    for name, each in known.folders.items():
        logs.bring(name, each.results / LOG_FILE, again=True)
        away_now = [log for log in logs.left_behind(name) if not durable.is_there(log)]
        if away_now:
            raise StorageError(
                f"the ledger is lost, and {away_now[0]}, where records of {name} were written "
                "before its results were moved, is not there: what they say would be forgotten. "
                "Connect its disk; if it has gone for good, take its line out of "
                f"{logs.file}"
            )
    ended = 0
    with known.ledger.many_to_come():
        for name, each in known.folders.items():
            log = each.results / LOG_FILE
            ended += known.ledger.restore(_read_records(name, log, read_lines(log)))
    return {"ended": ended, **_compare(known)}


def catch_up(known: Known) -> None:
    """Bring a ledger up to date that may be an older one; a destination out of reach comes later.

    Raises
    ------
    OSError
        When a folder cannot be read; can be called again.
    """
    ledger, root = known.ledger, known.root
    looks = {name: partial(away, each.all()) for name, each in known.folders.items()}
    answers = pulse.within(pulse.LOOK_S, looks)  # one that hangs keeps no other from being served
    near = {name: each for name, each in known.folders.items() if answers.get(name) == {}}
    reached = Known(ledger, root, near, known.with_tickets, was_lost=False)
    is_behind = ledger.mark(_BEHIND) != "" or _is_another(known)
    if not is_behind and _has_strangers(ledger, root):
        is_behind = True
    taken = 0
    logs = LogPlaces(root.private)
    for name, each in near.items():
        log = each.results / LOG_FILE
        try:
            logs.bring(name, log, again=True)
        except OSError as error:  # tried again before a line is written
            get_log().warning("log.not_brought", destination=name, reason=str(error))
        lines = _find_new_lines(ledger, name, log)
        first = next(lines, None)
        if first is None:
            continue
        ledger.set_mark(_BEHIND, "yes")
        is_behind = True
        taken += ledger.restore(_read_records(name, log, _chain(first, lines)))
    if is_behind:
        ledger.set_mark(_BEHIND, "yes")
        get_log().error("ledger.behind", records=taken, **_compare(reached))
        if len(near) == len(known.folders):
            ledger.set_mark(_BEHIND, "")
    close(ledger, root)


def close(ledger: Ledger, root: Root) -> None:
    """Note in the ledger and beside it that it is the one that was used last.

    Two numbers, the one that is noted beside it and the next: a kill, or a full disk, may come
    between the two notes, and again.
    """
    token = secrets.token_hex(8)
    with contextlib.suppress(OSError):
        ledger.set_mark(_BEFORE, root.closed.read_text().strip())
    ledger.set_mark(_CLOSED, token)
    temporary = root.closed.with_suffix(".new")
    temporary.write_text(token)
    temporary.replace(root.closed)


def _is_another(known: Known) -> bool:
    try:
        noted = known.root.closed.read_text().strip()
    except OSError:
        return False  # there was none yet
    ours = {known.ledger.mark(_CLOSED), known.ledger.mark(_BEFORE)}
    return noted not in ours


def _has_strangers(ledger: Ledger, root: Root) -> bool:
    """Whether the spool has a job that the ledger does not know, or the original of one ended."""
    for place in root.spool.iterdir():
        if _JOB.fullmatch(place.name):
            row = ledger.find_job(place.name)
            if row is None or (row.state.is_end and has_original(place)):
                return True
    return False


def has_original(place: Path) -> bool:
    """Whether a job's place in the spool has the file that came, in any of its forms."""
    return any(durable.is_kept(place / each) for each in (ORIGINAL, LINKED, _HELD))


def _find_new_lines(ledger: Ledger, destination: str, log: Path) -> Iterator[bytes]:
    """Lines of a log that follow the last one that the ledger knows.

    One that is there because a kill came before the ledger was told is left to the job itself.
    """
    head = ledger.last_line_of(destination)
    last = read_last_lines(log, _TAIL_BYTES)
    if not last or link(last[-1]) == head:
        return
    places = [place for place, line in enumerate(last) if link(line) == head]
    if places:
        new = last[places[-1] + 1 :]
        if not all(_is_being_ended(ledger, line) for line in new):
            yield from new
        return
    if head is None:
        if ledger.has_records(destination):
            return  # of a version that did not keep the hashes
        new = last if log.stat().st_size <= _TAIL_BYTES else []
        if new and not list_parts(log) and all(_is_being_ended(ledger, line) for line in new):
            return
        yield from read_lines(log)
        return
    is_new = _says_previous(last[0]) == head
    for line in read_file(log):
        whole = line.removesuffix(b"\n") + b"\n"
        if not is_new and _says_previous(whole) == head:
            is_new = True
        if is_new:
            yield whole


def _says_previous(line: bytes) -> str | None:
    try:
        return read_line(line).previous_sha256
    except ValueError:
        return None


def _is_being_ended(ledger: Ledger, line: bytes) -> bool:
    """Whether a line was appended for what the ledger says is being done."""
    try:
        record = read_record(line)
    except ValueError:
        return False
    row = ledger.find_job(record.job)
    if row is None:
        return False
    if row.state is State.HELD:
        return row.expect(Held).discarding is not None
    if row.state is State.DELIVERED:
        return row.expect(Delivered).superseding is not None
    return row.state is State.PUBLISHING and row.expect(Publishing).state.value == record.state


def _chain(first: bytes, lines: Iterator[bytes]) -> Iterator[bytes]:
    yield first
    yield from lines


def _read_records(destination: str, log: Path, lines: Iterator[bytes]) -> Iterator[Restored]:
    for number, line in enumerate(lines, 1):
        try:
            record = read_record(line)
        except ValueError:
            get_log().error("ledger.line_ignored", log=str(log), line=number)
            continue
        whole = line.removesuffix(b"\n") + b"\n"  # an editor may have saved the last without
        yield _restore_ended(record, destination, whole)


def _compare(known: Known) -> dict[str, int]:
    """Find what is under way, or has ended, by the folders alone."""
    under_way = known.ledger.restore(_find_under_way(known))
    unlogged = known.ledger.restore(_find_unlogged(known))
    files = 0
    for name in known.with_tickets:
        if name in known.folders:
            for batch, number in batch_files.take_up(
                known.ledger, name, known.folders[name].originals
            ).items():
                files += number
                said = batch_files.describe_resting(name, batch, number)
                get_log().warning("batch.rests", destination=name, batch=batch, message=said)
            batch_files.forget_kept(known.ledger, name, known.root.spool)
    return {"under_way": under_way, "unlogged": unlogged, "batch_files": files}


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
        source=record.source.encode("utf-8", "surrogateescape"),
        kind="file" if record.original.sha256 else "special",
        state=state,
        bytes=record.original.bytes,
        sha256=record.original.sha256,
        attempts=record.attempts,
        arrived=record.arrived,
        changed=record.finished,
        detail=detail,
        line=line,
        record=record if line else None,
    )


def _find_under_way(known: Known) -> Iterator[Restored]:
    """Jobs that have a place in the spool, or files near the places where they were to go."""
    ledger, root, folders = known.ledger, known.root, known.folders
    near = {name: _find_near(each) for name, each in folders.items()}
    jobs = {path.name for path in root.spool.iterdir() if _JOB.fullmatch(path.name)}
    jobs |= {job for found in near.values() for job in found}
    if not known.was_lost:
        jobs |= {row.id for row in ledger.open_jobs() if row.state is State.PUBLISHING}
    for job in sorted(jobs):
        place = root.spool / job
        durable.write_doubtful(place / ORIGINAL)
        row = ledger.find_job(job)
        said = _read_note(place / JOB_FILE)
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
            yield _restore_publishing(plan, name)
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


def _find_unlogged(known: Known) -> Iterator[Restored]:
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


def _give_back(hot_folder: Path, spool: Path, destination: str) -> None:
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


def _read_plan(path: Path, places: Places) -> Publishing | None:
    try:
        plan = load_detail(State.PUBLISHING, path.read_text(), places)
    except (OSError, ValueError):
        return None
    return plan if isinstance(plan, Publishing) else None
