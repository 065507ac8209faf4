"""Intake: what is in a hot folder, what of it has finished arriving, and when to look again.

The scan is the truth. Events of the file system only wake it, so that a lost event costs time and
never a file.
"""

from hotfolder.intake.junk import is_junk
from hotfolder.intake.marker import (
    Unreachable,
    away,
    check_marked_above,
    check_marker,
    write_marker,
)
from hotfolder.intake.scan import Candidate, Identity, ScanResult, scan
from hotfolder.intake.settle import Settler, Waiting
from hotfolder.intake.watch import Watch

__all__ = [
    "Candidate",
    "Identity",
    "ScanResult",
    "Settler",
    "Unreachable",
    "Waiting",
    "Watch",
    "away",
    "check_marked_above",
    "check_marker",
    "is_junk",
    "scan",
    "write_marker",
]
