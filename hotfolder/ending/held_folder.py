"""Where the folder of a held job is: where we put it, or where a person has taken it.

A held folder is a person's to work in. It may have another name ("ask Ms Reed"), and settings may
have given held jobs another place since. So it is looked for by what it says and what it holds,
and a job is given up only when nothing of it is found. An error is never an absence.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from hotfolder.disk import durable
from hotfolder.disk.marker import MARKER
from hotfolder.ending.deliver import RECORD_FILE
from hotfolder.ledger.jobs import JobRow
from hotfolder.model.records import read_record

JOB_NAME: Final = re.compile(r"\d{8}-\d{6}-[0-9a-f]{8}")
TAKEN_PREFIX: Final = f"{durable.TEMPORARY_PREFIX}given-up-"
"""Of the folder of a held job that is being given up: nobody else's any more."""

_MAX_RECORD_BYTES = 16 * 2**20


def find_held(row: JobRow, *places: Path) -> Path | None:
    """Find what is there of a held job in folders that hold jobs: its folder, or its original.

    Raises
    ------
    OSError
        When a place cannot be read: nothing is known then.
    """
    for place in places:
        folder = place / row.id
        if durable.is_there(folder):
            return folder
    for place in places:
        for path in _others_in(place):
            if path.is_dir() and not path.is_symlink():
                job = job_in(path)
                # without its record, by its bytes: another job may have the same original
                if job == row.id or (
                    not job and any(_is_original(row, each) for each in path.iterdir())
                ):
                    return path
            elif _is_original(row, path):
                return path
    return None


def place_before(row: JobRow) -> Path | None:
    """Where held jobs were put when this one was; None when its record does not say."""
    kept = Path(row.record.original_kept) if row.record else Path()
    return kept.parent.parent if kept.parent.name == row.id else None


def job_in(folder: Path) -> str:
    """Which job a folder is of, by its name or its record; "" when neither says."""
    if JOB_NAME.fullmatch(folder.name):
        return folder.name
    try:
        with durable.open_to_read(folder / RECORD_FILE) as file:
            return read_record(file.read(_MAX_RECORD_BYTES)).job
    except (FileNotFoundError, NotADirectoryError, ValueError):
        return ""


def _others_in(place: Path) -> Iterator[Path]:
    """Entries of a folder that holds jobs, but for those that are named like a job, and ours."""
    try:
        entries = sorted(place.iterdir())
    except FileNotFoundError:
        return
    for path in entries:
        is_ours = path.name == MARKER or path.name.startswith(TAKEN_PREFIX)
        if not is_ours and not JOB_NAME.fullmatch(path.name):
            yield path


def _is_original(row: JobRow, path: Path) -> bool:
    if row.sha256 is None or not path.is_file() or path.stat().st_size != row.bytes:
        return False
    return durable.has_bytes(path, row.sha256)
