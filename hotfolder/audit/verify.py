"""Whether all is as it was recorded: files by their hashes, records by their chain.

A result that its consumer took away is normal, also when a later result has its name since, and so
is the folder of a held or refused job that a person deleted. What is there and has other bytes is
not, nor is an original that is gone.
"""

from __future__ import annotations

import json
import os
import sqlite3
from array import array
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final, NotRequired, TypedDict

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from hotfolder.audit.chain import ChainReport, check_chain
from hotfolder.audit.question import Question, make_cursor, select_columns
from hotfolder.disk import durable, names
from hotfolder.errors import StorageError
from hotfolder.ledger.reading import read_stored
from hotfolder.ledger.roots import find_places
from hotfolder.model.places import Places
from hotfolder.model.records import Record, SetAside
from hotfolder.settings.files import read_folders
from hotfolder.settings.root import Root

_LISTED = 50
_AT_ONCE = 500
"""Records that are in memory at a time; there may be hundreds of thousands."""
_REMEMBERED = 10_000
"""Originals of batches; the jobs that share one are near each other."""
_LEDGER: Final = ".hotfolder/ledger.sqlite"
_SAID: Final = ("changed", "gone", "unreadable")


@dataclass(frozen=True)
class _File:
    """A file that a record speaks of."""

    what: str
    job: str
    destination: str
    path: str
    sha256: str
    may_go: bool
    """Whether a person may take it away."""
    is_shared: bool = False
    """Whether other jobs may have the same one."""


class WrongFile(TypedDict):
    """A file that is not as it was recorded."""

    what: str
    job: str
    destination: str
    path: str
    why: NotRequired[str]


class Files(TypedDict):
    """How many files were looked at, and those that are not as they were recorded."""

    checked: int
    as_recorded: int
    taken_away: int
    changed: list[WrongFile]
    gone: list[WrongFile]
    unreadable: list[WrongFile]


class Chain(TypedDict):
    """A destination's chain of records; see `chain.ChainReport`."""

    destination: str
    log: str
    records: int
    unchained: int
    last_sha256: str
    faults: list[str]
    is_whole: bool
    is_checked: bool


class Verdict(TypedDict):
    """Whether all is as it was recorded."""

    root: str
    as_recorded: bool
    files: Files
    chains: list[Chain]


def verify_root(
    db: sqlite3.Connection, root: Root, question: Question, console: Console
) -> Verdict:
    """Hash every file that the records in question speak of, and check their destinations' logs.

    The answer is of JSON values; ``as_recorded`` is the verdict.
    """
    found: dict[str, list[WrongFile]] = {said: [] for said in _SAID}
    counts: Counter[str] = Counter()
    numbers = _list_numbers(db, question)
    progress = Progress(
        TextColumn("hashing"),
        BarColumn(24),
        MofNCompleteColumn(),
        TextColumn("jobs"),
        TimeRemainingColumn(),
        console=console,
        transient=True,
        disable=not console.is_terminal,
    )
    look = _Looking(db, find_places(db, root.path))
    with progress:
        task = progress.add_task("", total=len(numbers))
        for record in _read_records(db, numbers):
            if isinstance(record, dict):
                found["unreadable"].append(record)
                progress.advance(task)
                continue
            for file in _list_files(look.places.find_record(record)):
                said, why = look.at(file)
                counts[said] += 1
                if said in found:
                    wrong: WrongFile = {
                        "what": file.what,
                        "job": file.job,
                        "destination": file.destination,
                        "path": file.path,
                    }
                    found[said].append({**wrong, "why": why} if why else wrong)
            progress.advance(task)
    chains = [_check_chain(db, root, name) for name in _list_destinations(db, question)]
    as_recorded = not any(found.values()) and all(chain.is_whole for chain in chains)
    return {
        "root": str(root.path),
        "as_recorded": as_recorded,
        "files": {
            "checked": counts.total(),
            "as_recorded": counts["as recorded"],
            "taken_away": counts["taken away"],
            "changed": found["changed"],
            "gone": found["gone"],
            "unreadable": found["unreadable"],
        },
        "chains": [
            {
                "destination": chain.destination,
                "log": chain.log,
                "records": chain.records,
                "unchained": chain.unchained,
                "last_sha256": chain.last_sha256,
                "faults": list(chain.faults),
                "is_whole": chain.is_whole,
                "is_checked": chain.is_checked,
            }
            for chain in chains
        ],
    }


def _list_numbers(db: sqlite3.Connection, question: Question) -> array[int]:
    """Numbers of the records in question, in order."""
    rows = make_cursor(db).execute(*select_columns(question, "number", "number"))
    return array("q", (number for (number,) in rows))


def _read_records(db: sqlite3.Connection, numbers: array[int]) -> Iterator[Record | WrongFile]:
    """Read records some at a time: while they are looked at, no transaction stays open."""
    for start in range(0, len(numbers), _AT_ONCE):
        some = numbers[start : start + _AT_ONCE].tolist()
        rows = make_cursor(db).execute(
            "SELECT jobs.id, records.destination, jobs.record"
            " FROM records JOIN jobs ON jobs.id = records.job"
            " WHERE number IN (SELECT value FROM json_each(?)) ORDER BY number",
            (json.dumps(some),),
        )
        for job, destination, stored in rows.fetchall():
            try:
                yield read_stored(job, stored)
            except StorageError as error:
                wrong = WrongFile(what="record", job=job, destination=destination, path=_LEDGER)
                yield {**wrong, "why": str(error)}


def _list_files(record: Record) -> Iterator[_File]:
    """All files of a record."""
    job, destination = record.job, record.destination
    original = record.original
    if original.sha256 is not None:
        yield _File(
            "original", job, destination, record.original_kept, original.sha256,
            may_go=record.state != "delivered", is_shared=record.batch is not None,
        )  # fmt: skip
    # a person may have edited what was set aside; the record says so
    aside = {each.path: each.sha256 for each in _list_set_aside(record) if each.sha256}
    for result in record.results:
        sha256 = aside.get(result.path, result.sha256)
        yield _File("result", job, destination, result.path, sha256, may_go=True)
    for each in record.attachments:
        yield _File(each.kind, job, destination, each.path, each.sha256, may_go=True)


def _list_set_aside(record: Record) -> tuple[SetAside, ...]:
    return record.superseded.files if record.superseded else ()


class _Looking:
    """Looks at files; one that several jobs of a batch share only once."""

    def __init__(self, db: sqlite3.Connection, places: Places) -> None:
        self._db = db
        self.places = places
        self._seen: dict[tuple[str, str, bool], tuple[str, str]] = {}

    def at(self, file: _File) -> tuple[str, str]:
        """Say how a file is, and more about it or ""."""
        key = (file.path, file.sha256, file.may_go)
        if file.is_shared and key in self._seen:
            return self._seen[key]
        said, why = _look(file)
        if said == "gone" and self._was_removed(file):
            said, why = "taken away", ""
        if said == "changed" and file.may_go and self._is_of_a_later_job(file):
            said = "taken away"
        if file.is_shared:
            if len(self._seen) >= _REMEMBERED:
                self._seen.clear()
            self._seen[key] = said, why
        return said, why

    def _was_removed(self, file: _File) -> bool:
        """Whether its time was over: the settings say how long originals are kept."""
        query = "SELECT 1 FROM removed WHERE job = ? OR job IN (SELECT job FROM records WHERE"
        found = self._db.execute(
            f"{query} original_sha256 = ? AND destination = ?)",
            (file.job, file.sha256, file.destination),
        )
        return found.fetchone() is not None

    def _is_of_a_later_job(self, file: _File) -> bool:
        """Whether what stands there is a later job's result: a freed name is given again.

        Which is the later one says the order of the records, since clocks are set back.
        """
        try:
            now = durable.sha256_of(file.path).sha256
        except OSError:
            return False
        rows = make_cursor(self._db).execute(
            "SELECT jobs.id, jobs.record FROM records JOIN jobs ON jobs.id = records.job"
            " WHERE (result_sha256 = ? OR number IN"
            " (SELECT number FROM other_results WHERE sha256 = ?))"
            " AND latest = 1 AND records.state = 'delivered'"
            " AND number > (SELECT max(number) FROM records"
            " WHERE job = ? AND state = 'delivered')",
            (now, now, file.job),
        )
        records = (
            self.places.find_record(read_stored(job, stored)) for job, stored in rows.fetchall()
        )
        return any(
            each.job != file.job and _is_same_file(Path(file.path), Path(made.path))
            for each in records
            for made in each.results
        )


def _is_same_file(path: Path, other: Path) -> bool:
    """Whether two paths lead to one file: where case is ignored, other names may.

    Some file systems in user space number a file by the name it was asked for; there the name
    that stands in the folder tells.
    """
    if path == other:
        return True
    with suppress(OSError):
        if path.samefile(other):
            return True
        is_alike = names.collision_key(path.name) == names.collision_key(other.name)
        return (
            is_alike
            and path.parent == other.parent
            and path.name not in {each.name for each in path.parent.iterdir()}
        )
    return False


def _look(file: _File) -> tuple[str, str]:
    if not os.path.lexists(file.path):
        away = "" if Path(file.path).parent.is_dir() else "its folder is not there"
        return ("taken away" if file.may_go else "gone"), away
    try:
        found = durable.sha256_of(file.path)
    except OSError as error:
        return "unreadable", error.strerror or str(error)
    return ("as recorded" if found.sha256 == file.sha256 else "changed"), ""


def _list_destinations(db: sqlite3.Connection, question: Question) -> list[str]:
    if question.destinations:
        return list(question.destinations)
    return [name for (name,) in db.execute("SELECT DISTINCT destination FROM records ORDER BY 1")]


def _check_chain(db: sqlite3.Connection, root: Root, destination: str) -> ChainReport:
    # of a destination that was given up, the folders are where they are by default
    moved = read_folders(root.destinations / f"{destination}.toml")
    return check_chain(db, destination, root.folders(destination, moved).results)


def describe_verdict(verdict: Verdict) -> list[str]:
    """Tell a verdict in lines for a person."""
    files = verdict["files"]
    wrong = {
        "changed": files["changed"],
        "gone": files["gone"],
        "unreadable": files["unreadable"],
    }
    counts = [
        f"{files['as_recorded']} as recorded",
        f"{files['taken_away']} no longer where they were put",
        *(f"{len(those)} {said}" for said, those in wrong.items()),
    ]
    lines = [f"{files['checked']} files: {', '.join(counts)}."]
    for said, those in wrong.items():
        for each in those[:_LISTED]:
            why = f": {each['why']}" if "why" in each else ""
            lines.append(f"  {said}: {each['what']} of job {each['job']}: {each['path']}{why}")
        if len(those) > _LISTED:
            lines.append(f"  and {len(those) - _LISTED} more; --json lists all")
    for chain in verdict["chains"]:
        lines += _describe_chain(chain)
    if verdict["chains"]:
        lines += [
            "The chain shows a record that was changed, removed or inserted. Anyone who can",
            "rewrite both the log and the ledger can forge a new chain: keep the last hash",
            "elsewhere to compare it.",
        ]
    lines.append(
        "Everything is as recorded."
        if verdict["as_recorded"]
        else "Some things are not as recorded."
    )
    return lines


def _describe_chain(chain: Chain) -> list[str]:
    if not chain["is_checked"]:
        return [f"{chain['destination']}: chain cannot be checked now: {chain['faults'][0]}"]
    state = "whole" if chain["is_whole"] else "BROKEN"
    before = f", {chain['unchained']} from before the chain" if chain["unchained"] else ""
    records = "1 record" if chain["records"] == 1 else f"{chain['records']} records"
    lines = [f"{chain['destination']}: {records}{before}, chain {state}"]
    lines += [f"  {fault}" for fault in chain["faults"][:_LISTED]]
    if len(chain["faults"]) > _LISTED:
        lines.append(f"  and {len(chain['faults']) - _LISTED} more; --json lists all")
    if chain["last_sha256"]:
        lines.append(f"  last hash {chain['last_sha256']}")
    return lines
