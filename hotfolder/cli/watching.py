"""What ``watch`` says while it serves a root."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hotfolder.logs import get_log

if TYPE_CHECKING:
    from hotfolder.ledger.reading import JobRow


def note_ended(row: JobRow) -> None:
    """Log what became of a job, and why: to the terminal it is the one thing that counts."""
    record = row.record
    if record is None:
        return
    result = record.results[0] if record.results else None
    get_log().info(
        "job.ended",
        job=row.id,
        destination=record.destination,
        file=record.source,
        state=str(record.state),
        result=result.path if result else "",
        size=f"{result.width_px} × {result.height_px} px" if result else "",
        reasons=[each.message for each in record.reasons],
        warnings=[each.message for each in record.warnings],
    )
