"""The snapshot: what the daemon last said of itself, written by it and read by ``status``."""

from __future__ import annotations

from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError

from hotfolder.model.machines import MachineStatus


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class ArrivingFile(_Model):
    """A file that has not finished arriving."""

    file: str
    """Its path below the hot folder, fit for showing."""
    reason: str
    since_s: float
    """Seconds since it was first seen, when the snapshot was written."""


class FolderStatus(_Model):
    """A hot folder, as the daemon last saw it."""

    hot_folder: str
    watch: str
    """``events`` or ``poll``."""
    watch_reason: str = ""
    last_scan: str = ""
    """UTC; "" before the first."""
    left_alone: int = 0
    """Files that are no pictures, or not for us."""
    remarks: tuple[str, ...] = ()
    unreachable: str = ""
    """Why it cannot be reached; "" when it can."""
    unreachable_since: str = ""
    silent: str = ""
    """What of it does not answer; "" when all does, or is only slow."""
    silent_since: str = ""
    """UTC."""
    away: dict[str, str] = {}
    """Other folders of the destination that are away, and since when (UTC)."""
    arriving: int = 0
    arriving_files: tuple[ArrivingFile, ...] = ()


class WorkStatus(_Model):
    """A job that is being worked on."""

    job: str
    destination: str
    doing: str
    share: float
    """Of the whole, 0 to 1."""
    attempt: int


class TroubleStatus(_Model):
    """Something that waits for our own storage."""

    kind: str
    """What cannot be done; see `hotfolder.daemon.trouble.Kind`."""
    destination: str
    name: str
    """The job, or the file, fit for showing; "" for what concerns no single one."""
    message: str
    since: str
    """UTC."""
    next_try_s: float
    """Seconds until it is tried next, when the snapshot was written."""
    tries: int


class Snapshot(_Model):
    """All that a daemon says of itself."""

    pid: int
    """Its process; whether that still serves the root only the lock tells."""
    started: str
    """UTC."""
    written: str
    """UTC."""
    workers: int
    folders: dict[str, FolderStatus] = {}
    work: tuple[WorkStatus, ...] = ()
    troubles: tuple[TroubleStatus, ...] = ()
    machines: tuple[MachineStatus, ...] = ()
    """That pictures are worked on; empty where there is one machine."""


def read_snapshot(path: Path) -> Snapshot | None:
    """Read a snapshot; None when there is none, or none that this version understands."""
    try:
        return Snapshot.model_validate_json(path.read_bytes())
    except (OSError, ValidationError):
        return None
