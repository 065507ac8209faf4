"""The morning report: what a night came to, for a person to decide by.

One document, three forms: JSON with everything, CSV with a row for each row of the ticket, and a
page. All are made from records that are there already, so they can be made again at any time.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from hotfolder.batch.facts import facts, look
from hotfolder.batch.shelf import State
from hotfolder.batch.spreads import differing
from hotfolder.batch.standing import Standing, counts, standings
from hotfolder.ledger.jobs import JobRow
from hotfolder.ledger.pace import takes_s
from hotfolder.logs import utc_now
from hotfolder.pages.csv_out import Cell, to_csv
from hotfolder.settings.files import Destination

WORTH_NAMING = 0.001
"""Share of a picture from which a loss is ranked; less is the noise of a profile's tables."""

_MANIFEST = (
    "page", "placement", "result", "state", "file", "caption", "copies", "width_mm", "height_mm",
    "ppi", "row", "job", "result_sha256",
)  # fmt: skip


@dataclass(frozen=True)
class Batch:
    """A batch and its jobs, as they are now. left_over: results that no row asks for any more."""

    name: str
    destination: Destination
    state: State
    jobs: Mapping[str, JobRow]
    recent: Sequence[Mapping[str, Any]]
    workers: int
    left_over: tuple[str, ...] = ()

    def standings(self) -> list[Standing]:
        """Return what became of each row."""
        return standings(self.state, self.jobs)


def report(batch: Batch) -> dict[str, Any]:
    """Put the document together, as JSON values."""
    found = batch.standings()
    rows = [facts(each) for each in found]
    left = [each.job for each in found if each.state == "waiting" and each.job]
    seconds = takes_s(left, batch.recent, batch.workers) if left else None
    table = batch.destination.file.ticket
    looks = [each for each in map(look, found) if each]
    spreads, compared = (
        differing(looks, table.spread_lightness, table.spread_neutral) if table else ([], 0)
    )
    times = [row["elapsed_s"] for row in rows if row["elapsed_s"]]
    return {
        "schema_version": 1,
        "batch": batch.name,
        "destination": batch.destination.name,
        "title": batch.destination.file.title,
        "ticket": batch.state.ticket,
        "ticket_sha256": batch.state.ticket_sha256,
        "ticket_problem": batch.state.ticket_problem,
        "remarks": list(batch.state.remarks),
        "written": utc_now(),
        "hours": str(batch.destination.file.hours or ""),
        "rows": batch.state.rows,
        "counts": counts(found),
        "left_takes_s": seconds,
        "pictures_that_no_row_names": list(batch.state.spare),
        "results_that_no_row_asks_for_any_more": list(batch.left_over),
        "made": _spent(batch.destination, [row for row in rows if row["state"] == "delivered"]),
        "held": _spent(batch.destination, [row for row in rows if row["state"] == "held"]),
        "seconds_per_picture": {
            "mean": round(sum(times) / len(times), 3) if times else None,
            "longest": max(times, default=None),
        },
        "lost": _ranked(rows, "lost_share", above=WORTH_NAMING),
        "low_resolution": [
            row["row"]
            for row in rows
            if row["own_ppi"] and row["wanted_ppi"] and row["own_ppi"] < row["wanted_ppi"]
        ],
        "too_much_ink": _ranked(rows, "ink_above_share"),
        "casts": _ranked(rows, "cast_chroma"),
        "facing_pages": {
            "compared": compared,
            "most_lightness": table.spread_lightness if table else None,
            "most_neutral": table.spread_neutral if table else None,
            "differ": [asdict(each) for each in spreads],
        },
        "placements": rows,
    }


def _ranked(rows: list[dict[str, Any]], key: str, above: float = 0.0) -> list[int]:
    """Rows of the ticket, those with the most of something first; those with none are left out."""
    with_some = [row for row in rows if row[key] is not None and row[key] > above]
    return [row["row"] for row in sorted(with_some, key=lambda row: row[key], reverse=True)]


def _spent(destination: Destination, rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Number, area and cost of results, copies counted, bleed and wrap included."""
    area = sum(row["area_m2"] or 0.0 for row in rows)
    price = destination.file.medium.cost_per_square_metre
    return {
        "placements": len(rows),
        "copies": sum(row["copies"] for row in rows),
        "area_m2": round(area, 4),
        "cost": round(price.amount * area, 2) if price else None,
        "currency": price.currency if price else None,
    }


def report_csv(document: Mapping[str, Any]) -> str:
    """Return the rows of a report as a table."""
    rows = document["placements"]
    header = list(rows[0]) if rows else ["row", "state"]
    return to_csv(header, [[_cell(row[key]) for key in header] for row in rows])


def manifest_csv(document: Mapping[str, Any], relative: Mapping[str, str]) -> str:
    """Return what a person who lays the book out needs: which file goes where.

    relative: results by their absolute path, as seen from the manifest. A placement whose picture
    is not there yet stands in the table with its state and no result.
    """
    rows = []
    for row in document["placements"]:
        if not row["page"]:
            continue
        is_there = row["state"] == "delivered"
        result = relative.get(row["result"], row["result"]) if is_there else ""
        rows.append([_cell({**row, "result": result}[key]) for key in _MANIFEST])
    return to_csv(_MANIFEST, rows)


def changes_in_words(changes: Mapping[str, Mapping[str, Any]]) -> str:
    """Say what a person changed when releasing, as it is written in a destination's file."""
    return "; ".join(
        f"{stage}.{key} = {json.dumps(value, ensure_ascii=False)}"
        for stage, settings in changes.items()
        for key, value in settings.items()
    )


def _cell(value: Any) -> Cell:
    if isinstance(value, list):
        return " ".join(str(each) for each in value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping):
        return changes_in_words(value)
    cell: Cell = value
    return cell
