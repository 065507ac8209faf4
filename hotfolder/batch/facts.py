"""What a record says of a placement, as a morning report needs it: plain numbers, with units."""

from __future__ import annotations

from pathlib import Path
from typing import TypedDict

from hotfolder.batch.spreads import PageLook
from hotfolder.batch.standing import Standing
from hotfolder.ending.why import list_ways, release_command
from hotfolder.ledger.pace import measure_mm2
from hotfolder.model.earlier_findings import find_facts
from hotfolder.model.ends import End
from hotfolder.model.facts import ColumnValues, Facts
from hotfolder.model.records import Changes, Record, ResultRecord, format_time
from hotfolder.model.units import MM_PER_INCH


class PlacementFacts(TypedDict):
    """All that is known of a row of a ticket; None where nothing was measured."""

    row: int
    state: str
    why: list[str]
    held_for: list[str]
    """Codes of the reasons, for the command that releases."""
    ways_on: list[str]
    """Commands that answer them, quoted for the shell, in the folder of the root."""
    warnings: list[str]
    """What people should know of it, though it is not held for it."""
    page: str
    placement: str
    file: str
    """As the row names it."""
    picture: str
    """As it came."""
    name: str
    """Of the result, without suffix."""
    asked_width_mm: float | None
    asked_height_mm: float | None
    copies: int
    caption: str
    job: str
    discarded_at: str
    released_at: str
    released_by: str
    released_why: str
    released_changes: Changes
    result: str
    """Path; "" when there is none, or its job was discarded."""
    result_sha256: str
    width_px: int | None
    height_px: int | None
    ppi: float | None
    width_mm: float | None
    height_mm: float | None
    area_m2: float | None
    """Of all copies."""
    lost_share: float | None
    """Of what is delivered, 0 … 1."""
    out_of_gamut_share: float | None
    """Of the picture, what the medium cannot make at all, 0 … 1."""
    lost_in_words: str
    lost_tolerance_delta_e_00: float | None
    cropped_share: float | None
    """Of the picture's area, what is cut off to fill its place, 0 … 1."""
    own_ppi: float | None
    """Of the picture at its size, before it is sized."""
    wanted_ppi: float | None
    """The resolution below which the destination warns, or else holds."""
    ink_max_percent: float | None
    ink_limit_percent: float | None
    ink_above_share: float | None
    black_and_white: bool | None
    cast_chroma: float | None
    mean_lightness: float | None
    grey_a: float | None
    grey_b: float | None
    elapsed_s: float | None
    columns: list[ColumnValues]
    """Measures of the stages' own."""


def collect_facts(standing: Standing) -> PlacementFacts:
    """Return all that is known of a row, as JSON values."""
    line, record = standing.line, standing.record
    written = line or standing.fault
    result = record.results[0] if record and record.results else None
    release = record.release if record else None
    discarded = record.discarded if record and standing.state == End.DISCARDED else None
    facts = find_facts(record) if record else Facts()
    return {
        "row": standing.row,
        "state": standing.state,
        "why": list(standing.why),
        "held_for": [each.code for each in record.reasons] if record else [],
        "ways_on": [
            f"{release_command(record.job, None, way.options)} ({way.says})"
            for way in list_ways(record)
        ]
        if record and standing.state == End.HELD
        else [],
        "warnings": [each.message for each in record.warnings] if record else [],
        "page": written.page if written else "",
        "placement": written.placement if written else "",
        "file": written.file if written else "",
        "picture": line.picture if line else "",
        "name": line.name if line else "",
        "asked_width_mm": line.width_mm if line else None,
        "asked_height_mm": line.height_mm if line else None,
        "copies": line.copies if line else 1,
        "caption": line.caption if line else "",
        "job": line.job if line else "",
        "discarded_at": format_time(discarded.noticed) if discarded else "",
        "released_at": format_time(release.at) if release else "",
        "released_by": release.who if release else "",
        "released_why": release.why if release else "",
        "released_changes": release.changes if release else {},
        "result": result.path if result and not discarded else "",
        "result_sha256": result.sha256 if result else "",
        "width_px": result.width_px if result else None,
        "height_px": result.height_px if result else None,
        "ppi": result.ppi if result else None,
        "width_mm": _measure_mm(result, result.width_px) if result else None,
        "height_mm": _measure_mm(result, result.height_px) if result else None,
        "area_m2": _measure_m2(standing, record, result),
        "lost_share": facts.share_lost,
        "out_of_gamut_share": facts.share_out_of_gamut,
        "lost_in_words": facts.lost_in_words,
        "lost_tolerance_delta_e_00": facts.tolerance_delta_e_00,
        "cropped_share": facts.cropped_share,
        "own_ppi": facts.effective_ppi,
        "wanted_ppi": facts.wanted_ppi,
        "ink_max_percent": facts.ink_max_percent,
        "ink_limit_percent": facts.ink_limit_percent,
        "ink_above_share": facts.ink_above_share,
        "black_and_white": facts.is_black_and_white,
        "cast_chroma": facts.cast_chroma,
        "mean_lightness": facts.mean_lightness,
        "grey_a": facts.grey_a,
        "grey_b": facts.grey_b,
        "elapsed_s": record.elapsed_s if record else None,
        "columns": [each.to_json() for each in facts.columns],
    }


def find_attachment(standing: Standing, kind: str) -> Path | None:
    """Where a file about the job is: its ``thumbnail`` or ``proof-sheet``."""
    attachments = standing.record.attachments if standing.record else ()
    return next((Path(each.path) for each in attachments if each.kind == kind), None)


def find_look(standing: Standing) -> PageLook | None:
    """Return how a placement looks beside others; None when that was not measured.

    One that was discarded stands beside nothing.
    """
    record = standing.record
    if record is None or not record.results or standing.line is None:
        return None
    facts = find_facts(record)
    lightness, grey_share = facts.mean_lightness, facts.grey_share
    if standing.state == End.DISCARDED or lightness is None or grey_share is None:
        return None
    result = record.results[0]
    return PageLook(
        standing.line.page,
        float(result.width_px * result.height_px),
        lightness,
        grey_share,
        facts.grey_a,
        facts.grey_b,
        result.profile.sha256 if result.profile else "",
    )


def _measure_m2(
    standing: Standing, record: Record | None, result: ResultRecord | None
) -> float | None:
    """Area of all copies; what was asked for, where a picture was held before it was made.

    A side that was not asked for follows from the picture's shape; bleed is in results only.
    """
    line = standing.line
    copies = line.copies if line else 1
    if result:
        return round(measure_mm2(result) * copies / 1e6, 6)
    if line is None or standing.state != End.HELD:
        return None
    width, height = line.width_mm, line.height_mm
    original = record.original if record else None
    if original and original.width_px and original.height_px:
        shape = original.width_px / original.height_px
        width, height = width or (height and height * shape), height or (width and width / shape)
    return round(width * height * copies / 1e6, 6) if width and height else None


def _measure_mm(result: ResultRecord, side_px: int) -> float | None:
    return round(side_px / result.ppi * MM_PER_INCH, 2) if result.ppi else None
