"""Resting outside a destination's hours, and how long what is left will take."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from typing import Any

from hotfolder.ledger.jobs import JobRow, Ledger, State
from hotfolder.logs import get_log
from hotfolder.model.units import MM_PER_INCH
from hotfolder.settings.files import Destination

RECENT = 50
"""Jobs of a destination from which its pace is taken: the latest that were delivered."""

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
        return row.state in _BEFORE_WORK and "release" not in row.detail and self.rests(destination)

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
        recent = [row.record for row in ledger.latest_delivered(destination.name, RECENT)]
        seconds = takes_s(left, [record for record in recent if record], workers)
        get_log().info(
            "hours.over" if rests else "hours.begun",
            destination=destination.name,
            hours=str(destination.file.hours),
            left=len(left),
            takes=duration(seconds),
        )


def takes_s(
    left: Iterable[JobRow], recent: Iterable[Mapping[str, Any]], workers: int
) -> float | None:
    """How long open jobs will take, from what the latest ones took for the area of their result.

    Seconds; None while nothing has been measured, or nothing is left to take any time. At one
    resolution an area is a number of pixels. A job whose size is not known from its ticket counts
    as an average one.
    """
    measured = [
        (float(record["elapsed_s"]), sum(area_mm2(result) for result in record["results"]))
        for record in recent
        if record.get("elapsed_s")
    ]
    area = sum(each for _, each in measured)
    if not area:
        return None
    per_mm2 = sum(seconds for seconds, _ in measured) / area
    sizes = [_asked_mm2(row) or area / len(measured) for row in left]
    return per_mm2 * sum(sizes) / max(1, workers)


def area_mm2(result: Mapping[str, Any]) -> float:
    """Area of a result in square millimetres, wrap and bleed included; 0 when it has no ppi."""
    ppi = result["ppi"]
    return result["width_px"] * result["height_px"] * (MM_PER_INCH / ppi) ** 2 if ppi else 0.0


def duration(seconds: float | None) -> str:
    """Say a length of time as a person would; "" for None.

    Examples
    --------
    >>> [duration(each) for each in (None, 20, 400, 9000)]
    ['', 'less than a minute', 'about 7 min', 'about 2 h 30 min']
    """
    if seconds is None:
        return ""
    minutes = round(seconds / 60)
    if minutes < 1:
        return "less than a minute"
    return f"about {minutes} min" if minutes < 60 else f"about {minutes // 60} h {minutes % 60} min"


def clock_time(moment_s: float) -> str:
    """Say a moment by the clocks on the wall: "22:00"."""
    there = datetime.fromtimestamp(moment_s)  # noqa: DTZ006 - local time is meant
    return f"{there:%H:%M}"


def _asked_mm2(row: JobRow) -> float | None:
    sizing = row.detail.get("placement", {}).get("changes", {}).get("sizing", {})
    sides = [str(sizing.get(key) or "").removesuffix(" mm") for key in ("width", "height")]
    return float(sides[0]) * float(sides[1]) if all(sides) else None
