"""Where the files of a job lie in the spool, and how people know it."""

from __future__ import annotations

from pathlib import Path

from hotfolder.disk import names
from hotfolder.intake.claim import ORIGINAL, SIDECAR
from hotfolder.ledger.jobs import JobRow
from hotfolder.model.records import OriginalRecord
from hotfolder.settings.root import Root


def attempt_folder(root: Root, row: JobRow) -> Path:
    """Where the latest attempt at a job writes; a new folder for each."""
    return root.spool / row.id / f"attempt-{row.attempts}"


def find_original(root: Root, row: JobRow) -> Path:
    """Where the original of a job is: in the spool, or kept since a ticket planned with it."""
    own = root.spool / row.id / ORIGINAL
    placement = row.placement
    return own if placement is None or own.exists() else Path(placement.kept)


def find_sidecar(root: Root, row: JobRow) -> Path | None:
    """Find the sidecar that came with the original."""
    path = root.spool / row.id / SIDECAR
    return path if path.is_file() and not path.is_symlink() else None


def show_name(row: JobRow) -> str:
    """Name a job's original as its sender did, fit for showing."""
    return names.display_name(row.source.rsplit(b"/", 1)[-1])


def describe_original(row: JobRow) -> OriginalRecord:
    """What the record says of an original that was not opened."""
    return OriginalRecord(name=show_name(row), sha256=row.sha256, bytes=row.bytes)
