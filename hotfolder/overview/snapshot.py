"""What a daemon leaves for ``status`` to read: a JSON file, written again every second."""

from __future__ import annotations

import json
from typing import NotRequired, TypedDict

from hotfolder.settings.root import Root


class ArrivingFile(TypedDict):
    """A file that has not settled yet."""

    file: str
    reason: str
    since_s: float
    """How long it has been there, seconds."""


class FolderSnapshot(TypedDict):
    """A destination's hot folder, as the daemon sees it."""

    hot_folder: str
    watch: str
    watch_reason: str
    last_scan: str
    left_alone: int
    remarks: list[str]
    unreachable: str
    unreachable_since: str
    away: dict[str, str]
    """Other folders of the destination that cannot be reached, and since when."""
    arriving: int
    arriving_files: list[ArrivingFile]


class WorkSnapshot(TypedDict):
    """A job that is being worked on."""

    job: str
    destination: str
    doing: str
    share: float
    attempt: int


class TroubleSnapshot(TypedDict):
    """What keeps work waiting."""

    about: str
    """A job, a destination, or what else is in trouble."""
    message: str
    since: str


class Snapshot(TypedDict):
    """The whole file; empty when there is none."""

    pid: NotRequired[int | None]
    """None when the daemon has ended."""
    started: NotRequired[str]
    written: NotRequired[str]
    workers: NotRequired[int]
    folders: NotRequired[dict[str, FolderSnapshot]]
    work: NotRequired[list[WorkSnapshot]]
    trouble: NotRequired[list[TroubleSnapshot]]


def read_snapshot(root: Root) -> Snapshot:
    """Read what the daemon of a root has left last; nothing when that cannot be read."""
    try:
        found: Snapshot = json.loads(root.snapshot.read_bytes())
    except (OSError, ValueError):
        return {}
    return found
