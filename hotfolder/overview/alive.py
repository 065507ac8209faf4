"""Whether a root is being served right now, at the least cost: for who asks every few seconds."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final, NamedTuple

from hotfolder.ledger.lock import find_holder
from hotfolder.model.snapshot import read_snapshot
from hotfolder.settings.root import Root

SILENT_S: Final = 60.0
"""A daemon says every few seconds how it stands; one that has not for so long hangs, or its disk is
full."""


class Alive(NamedTuple):
    """Whether a root is being served."""

    is_alive: bool
    says: str
    """A sentence."""


def find_alive(root: Root, now: datetime | None = None) -> Alive:
    """Ask the lock who serves a root, and look when that process spoke last.

    Raises
    ------
    StorageError
        When the private folder is there and cannot be read.
    """
    holder = find_holder(root)
    if holder is None:
        return Alive(
            is_alive=False, says=f"it is not being served; start `{root.command('watch')}`"
        )
    by = f"process {holder.pid}" if holder.pid else "another process"
    snapshot = read_snapshot(root.snapshot)
    if snapshot is None or snapshot.pid != holder.pid:
        return Alive(is_alive=False, says=f"{by} begins to serve it and has not said how it stands")
    written = datetime.fromisoformat(snapshot.written)
    silent_s = ((now or datetime.now(UTC)) - written).total_seconds()
    if silent_s > SILENT_S:
        return Alive(
            is_alive=False, says=f"{by} serves it and has said nothing for {silent_s:.0f} s"
        )
    return Alive(is_alive=True, says=f"served by {by}")
