"""What a record says of a placement, as a morning report needs it: plain numbers, with units."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from hotfolder.batch.spreads import Look
from hotfolder.batch.standing import Standing
from hotfolder.ledger.pace import area_mm2
from hotfolder.model.units import MM_PER_INCH


def facts(standing: Standing) -> dict[str, Any]:
    """Return all that is known of a row, as JSON values; None where nothing was measured."""
    line, job = standing.line, standing.job
    written = line or standing.fault
    record: Mapping[str, Any] = (job.record if job else None) or {}
    result = record["results"][0] if record.get("results") else None
    findings: Mapping[str, Any] = record.get("findings", {})
    gamut, ink = findings.get("gamut-check", {}), findings.get("ink-check", {})
    neutral, balance = findings.get("neutral-check", {}), findings.get("page-balance", {})
    copies = line.copies if line else 1
    release: Mapping[str, Any] = record.get("release") or {}
    is_dropped = standing.state == "dropped"
    made: dict[str, Any] = {
        "row": standing.row,
        "state": standing.state,
        "why": list(standing.why),
        "page": written.page if written else "",
        "placement": written.placement if written else "",
        "file": written.file if written else "",
        "picture": line.picture if line else "",
        "name": line.name if line else "",
        "asked_width_mm": line.width_mm if line else None,
        "asked_height_mm": line.height_mm if line else None,
        "copies": copies,
        "caption": line.caption if line else "",
        "job": line.job if line else "",
        "dropped_at": record["dropped"]["noticed"] if is_dropped else "",
        "released_at": release.get("at", ""),
        "released_by": release.get("who", ""),
        "released_why": release.get("why", ""),
        "released_changes": release.get("changes", {}),
        "result": result["path"] if result and not is_dropped else "",
        "result_sha256": result["sha256"] if result else "",
        "width_px": result["width_px"] if result else None,
        "height_px": result["height_px"] if result else None,
        "ppi": result["ppi"] if result else None,
        "width_mm": _mm(result, "width_px"),
        "height_mm": _mm(result, "height_px"),
        "area_m2": _area_m2(standing, result, record),
        "lost_share": gamut.get("out_of_gamut_share"),
        "lost_in_words": gamut.get("lost_in_words", ""),
        "lost_tolerance_delta_e_00": gamut.get("effective_tolerance_delta_e_00"),
        "own_ppi": findings.get("preflight", {}).get("effective_ppi"),
        "wanted_ppi": _wanted_ppi(record),
        "ink_max_percent": ink.get("max_percent"),
        "ink_limit_percent": ink.get("limit_percent"),
        "ink_above_share": ink.get("above_limit_share"),
        "black_and_white": neutral.get("monochrome"),
        "cast_chroma": (neutral.get("worst_cast") or {}).get("chroma"),
        "mean_lightness": balance.get("mean_lightness"),
        "grey_a": balance.get("grey_a"),
        "grey_b": balance.get("grey_b"),
        "elapsed_s": record.get("elapsed_s"),
    }
    return made


def attachment(standing: Standing, kind: str) -> Path | None:
    """Where a file about the job is: its ``thumbnail`` or ``proof-sheet``."""
    record = (standing.job.record if standing.job else None) or {}
    for each in record.get("attachments", []):
        if each["kind"] == kind:
            return Path(each["path"])
    return None


def look(standing: Standing) -> Look | None:
    """Return how a placement looks beside others; None when that was not measured.

    One that a person has given up stands beside nothing.
    """
    record = (standing.job.record if standing.job else None) or {}
    found = record.get("findings", {}).get("page-balance")
    if not found or not record.get("results") or standing.line is None:
        return None
    if standing.state == "dropped":
        return None
    result = record["results"][0]
    return Look(
        standing.line.page,
        float(result["width_px"] * result["height_px"]),
        found["mean_lightness"],
        found["grey_share"],
        found["grey_a"],
        found["grey_b"],
        (result["profile"] or {}).get("sha256", ""),
    )


def _area_m2(
    standing: Standing, result: Mapping[str, Any] | None, record: Mapping[str, Any]
) -> float | None:
    """Area of all copies; what was asked for, where a picture was held before it was made.

    A side that was not asked for follows from the picture's shape; bleed is in results only.
    """
    line = standing.line
    copies = line.copies if line else 1
    if result:
        return round(area_mm2(result) * copies / 1e6, 6)
    if line is None or standing.state != "held":
        return None
    width, height = line.width_mm, line.height_mm
    original = record.get("original", {})
    if original.get("width_px") and original.get("height_px"):
        shape = original["width_px"] / original["height_px"]
        width, height = width or (height and height * shape), height or (width and width / shape)
    return round(width * height * copies / 1e6, 6) if width and height else None


def _mm(result: Mapping[str, Any] | None, side: str) -> float | None:
    if result is None or not result["ppi"]:
        return None
    return round(float(result[side] / result["ppi"] * MM_PER_INCH), 2)


def _wanted_ppi(record: Mapping[str, Any]) -> float | None:
    """The resolution below which the destination warns, or else holds."""
    for stage in record.get("stages", []):
        if stage["stage"] == "preflight":
            settings = stage["settings"]
            found = settings.get("warn_below_ppi") or settings.get("hold_below_ppi")
            return None if found is None else float(found)
    return None
