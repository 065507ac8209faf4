"""Files about a job that pages show or give out, found by what its record says of them.

A held folder is a person's to work in, and a sheet was written by a process that has parsed a
stranger's file. So a file counts only while it has the bytes that the record names, and the
pictures of a sheet are taken out of it by their form.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Mapping
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO

from hotfolder.desk.reading import folders_of
from hotfolder.disk import durable
from hotfolder.disk.free_names import ATTACHMENTS
from hotfolder.ending.held_folder import find_held, place_before
from hotfolder.ledger.details import State
from hotfolder.ledger.reading import JobRow, read_job
from hotfolder.model.records import SHEET, Attachment, AttachmentKind, Record, ResultRecord
from hotfolder.settings.root import Root
from hotfolder.work.comparison import numbers_of, pictures_of

_MOST_BYTES = 16 * 2**20
_PIECE = 2**18


def read_attachment(root: Root, job: str, kind: AttachmentKind) -> bytes | None:
    """Read a file about a job, as it was made; None when it is not there any more.

    Raises
    ------
    OSError, StorageError
        When a folder or the ledger cannot be read.
    """
    row = read_job(root.ledger, job)
    if row is None or row.record is None:
        return None
    for each in row.record.attachments:
        if each.kind == kind and each.bytes <= _MOST_BYTES:
            return _read_as_made(root, row, each)
    return None


def read_page(root: Root, job: str, number: int) -> bytes | None:
    """Read one of the pages about a job beside its sheet, as it was made; None when it is gone.

    number: which of `list_pages`, from 1.

    Raises
    ------
    OSError, StorageError
        As for `read_attachment`.
    """
    row = read_job(root.ledger, job)
    pages = list_pages(row.record) if row and row.record else []
    if row is None or not 1 <= number <= len(pages) or pages[number - 1].bytes > _MOST_BYTES:
        return None
    return _read_as_made(root, row, pages[number - 1])


def list_pages(record: Record) -> list[Attachment]:
    """List the pages about a job beside its sheet."""
    return [e for e in record.attachments if e.kind == "other" and e.path.endswith(".html")]


def read_views(root: Root, job: str) -> Mapping[str, bytes]:
    """Return the pictures on a job's proof sheet, JPEG files by the name of the view.

    Raises
    ------
    OSError, StorageError
        As for `read_attachment`.
    """
    sheet = read_attachment(root, job, SHEET)
    return take_views(sheet) if sheet else {}


@lru_cache(maxsize=6)
def take_views(sheet: bytes) -> Mapping[str, bytes]:
    """Take the pictures out of a proof sheet: JPEG files by the name of the view."""
    found = pictures_of(sheet.decode("utf-8", "replace"))
    return {name: base64.b64decode(uri.partition(",")[2]) for name, uri in found.items()}


def read_numbers(root: Root, job: str) -> bytes | None:
    """Return the numbers on a job's proof sheet; None when it has none.

    Raises
    ------
    OSError, StorageError
        As for `read_attachment`.

    See Also
    --------
    hotfolder.pages.numbers
    """
    sheet = read_attachment(root, job, SHEET)
    return take_numbers(sheet) if sheet else None


@lru_cache(maxsize=6)
def take_numbers(sheet: bytes) -> bytes | None:
    """Take the numbers out of a proof sheet; None when it has none."""
    return numbers_of(sheet.decode("utf-8", "replace"))


def open_result(root: Root, job: str, number: int) -> tuple[ResultRecord, BinaryIO] | None:
    """Open a result of a delivered job; None when it is not there any more.

    number: which of them, from 1.

    Raises
    ------
    OSError, StorageError
        As for `read_attachment`.
    """
    row = read_job(root.ledger, job)
    record = row.record if row else None
    if row is None or record is None or row.state is not State.DELIVERED:
        return None
    if not 1 <= number <= len(record.results):
        return None
    result = record.results[number - 1]
    try:
        return result, durable.open_to_read(result.path)
    except FileNotFoundError:
        return None


def pieces_of(file: BinaryIO) -> Iterator[bytes]:
    """Read a file in pieces and close it."""
    with file:
        while piece := file.read(_PIECE):
            yield piece


def _read_as_made(root: Root, row: JobRow, file: Attachment) -> bytes | None:
    path = _find(root, row, file)
    data = _read(path) if path else b""
    return data if hashlib.sha256(data).hexdigest() == file.sha256 else None


def _find(root: Root, row: JobRow, file: Attachment) -> Path | None:
    """Find a file about a job where it was put, or where a person has taken its folder."""
    path = Path(file.path)
    if durable.is_there(path) or row.state is not State.HELD:
        return path
    folders, before = folders_of(root, row.destination), place_before(row)
    places = [folders.held, folders.release, *([before] if before else [])]
    found = find_held(row, *places)
    if found and path.parent.name == ATTACHMENTS:
        return found / ATTACHMENTS / path.name
    return found / path.name if found else None


def _read(path: Path) -> bytes:
    try:
        with durable.open_to_read(path) as file:
            return file.read(_MOST_BYTES + 1)
    except FileNotFoundError:
        return b""
