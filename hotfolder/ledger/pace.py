"""How long what is left will take, from what the latest jobs took."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime

from hotfolder.ledger.details import State
from hotfolder.ledger.reading import JobRow
from hotfolder.model.records import Record, ResultRecord
from hotfolder.model.units import MM_PER_INCH

RECENT = 50
"""Jobs of a destination from which its pace is taken: the latest that were delivered."""

_LINE_FROM = 4
"""So many measures tell what does not depend on the area."""


def estimate_s(left: Iterable[JobRow], recent: Iterable[Record], workers: int) -> float | None:
    """How long open jobs will take, from what the latest ones took for the area of their result.

    Seconds; None while nothing has been measured, or nothing is left to take any time. At one
    resolution an area is a number of pixels; what every job takes, however small, is told from
    that by a line through the measures. A job whose size is not known from its ticket counts as an
    average one, and one that is being worked on for what is left of it.
    """
    measured = [
        (record.elapsed_s, sum(measure_mm2(result) for result in record.results))
        for record in recent
        if record.elapsed_s
    ]
    area = sum(each for _, each in measured)
    if not area:
        return None
    fixed_s, per_mm2 = _fit_line(measured)
    now = datetime.now(UTC)
    each_s = []
    for row in left:
        takes_s = fixed_s + per_mm2 * (_find_asked_mm2(row) or area / len(measured))
        begun_s = (now - row.changed).total_seconds() if row.state is State.WORKING else 0.0
        each_s.append(max(takes_s - max(begun_s, 0.0), 0.0))
    return max([sum(each_s) / max(1, workers), *each_s])


def _fit_line(measured: list[tuple[float, float]]) -> tuple[float, float]:
    """Seconds of a job without any area, and seconds per mm²; both at least 0 (least squares)."""
    count = len(measured)
    mean_s, mean_mm2 = (sum(values) / count for values in zip(*measured, strict=True))
    spread = sum((mm2 - mean_mm2) ** 2 for _, mm2 in measured)
    if count < _LINE_FROM or spread < 1e-6 * mean_mm2**2:
        return 0.0, mean_s / mean_mm2
    slope = sum((mm2 - mean_mm2) * (seconds - mean_s) for seconds, mm2 in measured) / spread
    slope = min(max(slope, 0.0), mean_s / mean_mm2)
    return mean_s - slope * mean_mm2, slope


def measure_mm2(result: ResultRecord) -> float:
    """Area of a result in square millimetres, wrap and bleed included; 0 when it has no ppi."""
    ppi = result.ppi
    return result.width_px * result.height_px * (MM_PER_INCH / ppi) ** 2 if ppi else 0.0


def _find_asked_mm2(row: JobRow) -> float | None:
    asked = row.placement
    sides = [side for side in (asked.width_mm, asked.height_mm) if side] if asked else []
    # of one side, as if the picture were square: nearer than any average for a slip of the pen
    return sides[0] * sides[-1] if sides else None
