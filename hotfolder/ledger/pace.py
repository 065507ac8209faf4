"""How long what is left will take, from what the latest jobs took."""

from __future__ import annotations

from collections.abc import Iterable

from hotfolder.ledger.reading import JobRow
from hotfolder.model.records import Record, ResultRecord
from hotfolder.model.units import MM_PER_INCH

RECENT = 50
"""Jobs of a destination from which its pace is taken: the latest that were delivered."""


def estimate_s(left: Iterable[JobRow], recent: Iterable[Record], workers: int) -> float | None:
    """How long open jobs will take, from what the latest ones took for the area of their result.

    Seconds; None while nothing has been measured, or nothing is left to take any time. At one
    resolution an area is a number of pixels. A job whose size is not known from its ticket counts
    as an average one.
    """
    measured = [
        (record.elapsed_s, sum(measure_mm2(result) for result in record.results))
        for record in recent
        if record.elapsed_s
    ]
    area = sum(each for _, each in measured)
    if not area:
        return None
    per_mm2 = sum(seconds for seconds, _ in measured) / area
    sizes = [_find_asked_mm2(row) or area / len(measured) for row in left]
    return per_mm2 * sum(sizes) / max(1, workers)


def measure_mm2(result: ResultRecord) -> float:
    """Area of a result in square millimetres, wrap and bleed included; 0 when it has no ppi."""
    ppi = result.ppi
    return result.width_px * result.height_px * (MM_PER_INCH / ppi) ** 2 if ppi else 0.0


def _find_asked_mm2(row: JobRow) -> float | None:
    asked = row.placement
    if asked is None or not asked.width_mm or not asked.height_mm:
        return None
    return asked.width_mm * asked.height_mm
