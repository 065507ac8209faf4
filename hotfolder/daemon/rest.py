"""Resting outside a destination's hours, and how long what is left will take."""

from __future__ import annotations

from collections.abc import Callable

from hotfolder.ledger.jobs import JobRow, Ledger, State
from hotfolder.ledger.pace import RECENT, estimate_s
from hotfolder.logs import get_log
from hotfolder.pages.words import duration
from hotfolder.settings.files import Destination

_BEFORE_WORK = {State.CLAIMED, State.WORKING}


class Rest:
    """Tells which jobs wait for their destination's hours."""

    def __init__(self, clock: Callable[[], float], *, keep_hours: bool) -> None:
        self._clock = clock
        self._keep_hours = keep_hours
        self._rested: dict[str, bool] = {}

    def rests(self, destination: Destination) -> bool:
        """Whether a destination begins no jobs now."""
        hours = destination.file.hours
        return self._keep_hours and hours is not None and not hours.is_open(self._clock())

    def waits(self, row: JobRow, destination: Destination) -> bool:
        """Whether a job waits for the hours: not what was released, or has only to be delivered."""
        return row.state in _BEFORE_WORK and row.release is None and self.rests(destination)

    def opens_in(self, destination: Destination) -> float | None:
        """Seconds until a destination that rests begins; None when it does not rest."""
        hours = destination.file.hours
        if hours is None or not self.rests(destination):
            return None
        now = self._clock()
        return hours.opens_at(now) - now

    def say(self, destination: Destination, ledger: Ledger, workers: int) -> None:
        """Log once when a destination begins and ends its hours, with what is left."""
        rests = self.rests(destination)
        if destination.file.hours is None or self._rested.get(destination.name) == rests:
            return
        self._rested[destination.name] = rests
        left = [row for row in ledger.open_jobs() if row.destination == destination.name]
        recent = ledger.latest_records(destination.name, RECENT)
        seconds = estimate_s(left, recent, workers)
        get_log().info(
            "hours.over" if rests else "hours.begun",
            destination=destination.name,
            hours=str(destination.file.hours),
            left=len(left),
            takes=duration(seconds),
        )
