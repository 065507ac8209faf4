"""Which print of a day carries the control strip, where only the first of a day shall.

Records decide: a print that was delivered with the strip of the day has carried it, and so does one
that has been made with it and is on its way. Two jobs that begin at once are told apart here: the
one that asks first will carry it, and if it is not delivered after all, the next one that asks.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Final

from hotfolder.ledger.reading import JobRow, LedgerReader
from hotfolder.measured.to_lay import find_laying_stage
from hotfolder.settings.files import Destination

_KEY: Final = "laid_on"
_AGAIN: Final = timedelta(minutes=30)
"""Records of that time are looked through again: a job may end later than one that began later."""


@dataclass(frozen=True)
class StripsOfDay:
    """Who carries the strip of a day, by destination; safe to ask from several threads."""

    _first: dict[str, tuple[date, str]] = field(default_factory=dict)
    _carried: dict[str, tuple[date, str]] = field(default_factory=dict)
    """Whose print carries it, by what records say."""
    _looked: dict[str, datetime] = field(default_factory=dict)
    """Up to when records were looked through in vain, by destination."""
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def find_carrier(
        self, ledger: LedgerReader, row: JobRow, destination: Destination, now: datetime
    ) -> str:
        """Return the other job whose print carries the strip of today; "" when there is none.

        Then the job that asks is the first, and stays so until it has ended.

        Parameters
        ----------
        now
            Its day is that of the desk's own time zone.
        """
        stage = find_laying_stage(destination)
        if stage is None:
            return ""
        name, here = destination.name, now.astimezone()
        midnight = here.replace(hour=0, minute=0, second=0, microsecond=0)
        with self._lock:
            day, job = self._carried.get(name, (None, ""))
            if day == here.date():
                return job if job != row.id else ""
            since = max(midnight, self._looked.get(name, midnight))
            said = ledger.find_saying(name, stage, _KEY, here.date().isoformat(), since, but=row.id)
            if said:
                self._carried[name] = (here.date(), said)
                return said
            # a day in which nobody carries it has thousands of records: each is read once
            self._looked[name] = here - _AGAIN
            day, job = self._first.get(name, (None, ""))
            if day == here.date() and job != row.id:
                other = ledger.find_job(job)
                if other is not None and not other.state.is_end:
                    return job
            self._first[name] = (here.date(), row.id)
            return ""
