"""The morning report: what a night came to, for a person to decide by.

One document, three forms: JSON with everything, CSV with a row for each row of the ticket, and a
page. All are made from records that are there already, so they can be made again at any time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypedDict, get_args

from hotfolder.batch.facts import PlacementFacts, collect_facts, find_look
from hotfolder.batch.naming import sort_page
from hotfolder.batch.shelf import BatchState
from hotfolder.batch.spreads import compare_spreads
from hotfolder.batch.standing import Standing, count_words, find_standings
from hotfolder.ledger.pace import estimate_s
from hotfolder.ledger.reading import JobRow
from hotfolder.logs import utc_now
from hotfolder.model.ends import End
from hotfolder.model.records import Record
from hotfolder.pages.csv_out import Cell, to_csv
from hotfolder.pages.words import describe_changes
from hotfolder.settings.files import Destination

REPORT_SCHEMA_VERSION = 3
"""Version 3 has ``results_set_aside`` where version 2 had results that no row asks for; they are
not in the batch's folder any more. Version 2 calls ``discarded`` what version 1 called ``dropped``.
"""

WORTH_NAMING = 0.001
"""Share of a picture from which a loss or a crop is ranked; less is noise, or a rounded pixel."""

_Manifest = Literal[
    "page", "placement", "result", "state", "file", "caption", "copies", "width_mm", "height_mm",
    "ppi", "row", "job", "result_sha256", "cropped_share",
]  # fmt: skip
_MANIFEST: Final[tuple[_Manifest, ...]] = get_args(_Manifest)


class SetAsideResult(TypedDict):
    """A file that had a name in the batch's folder and was set aside."""

    was: str
    """Its name in the batch's folder."""
    now: str
    """Where it is, seen from there; "" when somebody had collected it before."""
    job: str
    """"" for a file that no job made."""
    page: str
    """For which it was made; "" for a file that no job made."""
    placement: str
    picture: str
    edited: bool
    """Whether a person had changed it since it was delivered."""
    ticket: str
    """The one that does not ask for it."""
    at: str
    """UTC."""


@dataclass(frozen=True)
class Batch:
    """A batch and its jobs, as they are now."""

    name: str
    destination: Destination
    state: BatchState
    jobs: Mapping[str, JobRow]
    recent: Sequence[Record]
    """The destination's latest deliveries, from which its pace is taken."""
    workers: int
    set_aside: tuple[SetAsideResult, ...] = ()
    """What had names in its folder that the ticket does not give it."""

    def standings(self) -> list[Standing]:
        """Return what became of each row."""
        return find_standings(self.state, self.jobs)


class Spent(TypedDict):
    """Number, area and cost of results, copies counted, bleed and wrap included."""

    placements: int
    copies: int
    area_m2: float
    cost: float | None
    currency: str | None


class DifferingSpread(TypedDict):
    """Two facing pages that differ, as `spreads.Spread` has it."""

    left: int
    right: int
    lightness: float
    greys: float | None
    what: list[str]


class FacingPages(TypedDict):
    """Spreads that were compared, by how much they may differ, and those that differ by more."""

    compared: int
    most_lightness: float | None
    most_neutral: float | None
    differ: list[DifferingSpread]


class SecondsPerPicture(TypedDict):
    """How long the work on a picture took, seconds; None when none was made."""

    mean: float | None
    longest: float | None


class BatchReport(TypedDict):
    """The document, as JSON values. Rows of the ticket are named by their numbers."""

    schema_version: int
    batch: str
    destination: str
    title: str
    ticket: str
    ticket_sha256: str
    ticket_problem: str
    remarks: list[str]
    written: str
    hours: str
    discarded_at: str
    """When a person gave the batch up, in UTC; "" when nobody has."""
    discarded_by: str
    discarded_why: str
    given_up: int
    """Of a batch that was given up: rows for which nothing had been made."""
    rows: int
    counts: dict[str, int]
    left_takes_s: float | None
    pictures_that_no_row_names: list[str]
    results_set_aside: list[SetAsideResult]
    made: Spent
    held: Spent
    seconds_per_picture: SecondsPerPicture
    lost: list[int]
    cropped: list[int]
    low_resolution: list[int]
    too_much_ink: list[int]
    casts: list[int]
    facing_pages: FacingPages
    placements: list[PlacementFacts]


def make_report(batch: Batch) -> BatchReport:
    """Put the document together, as JSON values."""
    found = batch.standings()
    rows = [collect_facts(each) for each in found]
    left = [each.job for each in found if each.state == "waiting" and each.job]
    seconds = estimate_s(left, batch.recent, batch.workers) if left else None
    table = batch.destination.file.ticket
    looks = [each for each in map(find_look, found) if each]
    spreads, compared = (
        compare_spreads(looks, table.spread_lightness, table.spread_neutral) if table else ([], 0)
    )
    delivered = [row for row in rows if row["state"] == End.DELIVERED]
    held = [row for row in rows if row["state"] == End.HELD]
    times = [row["elapsed_s"] for row in rows if row["elapsed_s"]]
    return {
        "schema_version": REPORT_SCHEMA_VERSION,
        "batch": batch.name,
        "destination": batch.destination.name,
        "title": batch.destination.file.title,
        "ticket": batch.state.ticket,
        "ticket_sha256": batch.state.ticket_sha256,
        "ticket_problem": batch.state.ticket_problem,
        "remarks": list(batch.state.remarks),
        "written": utc_now(),
        "hours": str(batch.destination.file.hours or ""),
        "discarded_at": batch.state.discarded,
        "discarded_by": batch.state.discarded_by,
        "discarded_why": batch.state.discarded_why,
        "given_up": batch.state.given_up,
        "rows": batch.state.rows,
        "counts": count_words(found),
        "left_takes_s": seconds,
        "pictures_that_no_row_names": list(batch.state.spare),
        "results_set_aside": list(batch.set_aside),
        "made": _sum_spent(batch.destination, delivered),
        "held": _sum_spent(batch.destination, held),
        "seconds_per_picture": {
            "mean": round(sum(times) / len(times), 3) if times else None,
            "longest": max(times, default=None),
        },
        "lost": _rank(rows, lambda row: row["lost_share"], above=WORTH_NAMING),
        "cropped": _rank(rows, lambda row: row["cropped_share"], above=WORTH_NAMING),
        "low_resolution": [
            row["row"]
            for row in rows
            if row["own_ppi"] and row["wanted_ppi"] and row["own_ppi"] < row["wanted_ppi"]
        ],
        "too_much_ink": _rank(rows, lambda row: row["ink_above_share"]),
        "casts": _rank(rows, lambda row: row["cast_chroma"]),
        "facing_pages": {
            "compared": compared,
            "most_lightness": table.spread_lightness if table else None,
            "most_neutral": table.spread_neutral if table else None,
            "differ": [
                {
                    "left": each.left,
                    "right": each.right,
                    "lightness": each.lightness,
                    "greys": each.greys,
                    "what": list(each.what),
                }
                for each in spreads
            ],
        },
        "placements": rows,
    }


def _rank(
    rows: list[PlacementFacts],
    measure: Callable[[PlacementFacts], float | None],
    above: float = 0.0,
) -> list[int]:
    """Rows of the ticket, those with the most of something first; those with none are left out."""
    measured = [(measure(row) or 0.0, row["row"]) for row in rows]
    with_some = [each for each in measured if each[0] > above]
    return [row for _, row in sorted(with_some, key=lambda each: each[0], reverse=True)]


def _sum_spent(destination: Destination, rows: list[PlacementFacts]) -> Spent:
    area = sum(row["area_m2"] or 0.0 for row in rows)
    price = destination.file.medium.cost_per_square_metre
    return {
        "placements": len(rows),
        "copies": sum(row["copies"] for row in rows),
        "area_m2": round(area, 4),
        "cost": round(price.amount * area, 2) if price else None,
        "currency": price.currency if price else None,
    }


def make_report_csv(document: BatchReport) -> str:
    """Return the rows of a report as a table; what stages measured of their own comes last."""
    rows = document["placements"]
    header = [key for key in rows[0] if key != "columns"] if rows else ["row", "state"]
    measured = [{each["name"]: each["value"] for each in row["columns"]} for row in rows]
    names = list(dict.fromkeys(name for each in measured for name in each))
    # a stage chose its names without knowing ours
    heads = [f"stage-{name}" if name in header else name for name in names]
    cells = [
        [
            *(_to_cell(value) for key, value in row.items() if key != "columns"),
            *(_to_cell(own.get(name)) for name in names),
        ]
        for row, own in zip(rows, measured, strict=True)
    ]
    return to_csv([*header, *heads], cells)


def make_manifest_csv(document: BatchReport, relative: Mapping[str, str]) -> str:
    """Return what a person who lays the book out needs: which file goes where.

    relative: results by their absolute path, as seen from the manifest. A placement whose picture
    is not there yet stands in the table with its state and no result.
    """
    rows = []
    for row in sorted(document["placements"], key=lambda each: sort_page(each["page"])):
        if not row["page"]:
            continue
        is_there = row["state"] == "delivered"
        result = relative.get(row["result"], row["result"]) if is_there else ""
        own: PlacementFacts = {**row, "result": result}
        rows.append([_to_cell(own[key]) for key in _MANIFEST])
    return to_csv(_MANIFEST, rows)


def _to_cell(value: object) -> Cell:
    """Return a value of `PlacementFacts` as a cell of a table."""
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return value
    if isinstance(value, dict):
        return describe_changes(value)
    return "\n".join(map(str, value)) if isinstance(value, list) else str(value)
