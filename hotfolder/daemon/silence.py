"""What does not answer: a thread that works for a destination has shown no sign of life."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from hotfolder.disk.pulse import SILENT_S, Pulse
from hotfolder.model.records import format_time
from hotfolder.pages.words import local_time


@dataclass(frozen=True)
class Silence:
    """A folder of a destination that does not answer."""

    message: str
    """A sentence for people."""
    since: str
    """UTC."""
    seconds: float
    """How long already."""


def find_silence(destination: str, pulse: Pulse) -> Silence | None:
    """Say what a thread waits for; None when it has shown a sign of life not long ago."""
    seconds = pulse.silent_s()
    if seconds < SILENT_S:
        return None
    since = datetime.now(UTC) - timedelta(seconds=seconds)
    return Silence(
        f"{pulse.at or f'a folder of {destination}'} does not answer since {local_time(since)}: "
        "check its share or disk. The work continues by itself when it answers; the other "
        "destinations are served meanwhile",
        format_time(since),
        seconds,
    )
