"""What ``watch`` says while it serves a root, and the desk that it opens beside itself."""

from __future__ import annotations

import contextlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from hotfolder.logs import get_log

if TYPE_CHECKING:
    from hotfolder.ledger.reading import JobRow

_DESK_ENDS_S = 5.0


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


@contextlib.contextmanager
def desk_beside(root: Path) -> Iterator[None]:
    """Open the desk of a root in a process of its own, which ends with this one.

    What becomes of it is nothing to the daemon: when it cannot begin, or dies, the work goes on.
    """
    command = [sys.executable, "-m", "hotfolder", "desk", str(root), "--beside"]
    try:
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL)
    except OSError as error:
        get_log().error("desk.not_opened", reason=str(error))
        yield
        return
    try:
        yield
    finally:
        process.terminate()
        try:
            process.wait(_DESK_ENDS_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
