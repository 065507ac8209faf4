"""The morning report as one page that needs nothing else: pictures inside, no script."""

from __future__ import annotations

import os
from base64 import b64encode
from pathlib import Path
from urllib.parse import quote

from markupsafe import Markup

from hotfolder.batch.facts import find_attachment
from hotfolder.batch.report import BatchReport
from hotfolder.batch.standing import Standing
from hotfolder.batch.summary import BatchWay, count_reasons, list_batch_ways
from hotfolder.model.ends import End
from hotfolder.model.records import SHEET
from hotfolder.pages.frame import load_template, source_hash, text_of
from hotfolder.pages.words import describe_changes, duration

MOST_PICTURES = 24
"""Thumbnails in the page: those that lost most, and as many that are held."""

MOST_PICTURE_BYTES = 120_000
MOST_LISTED = 400


def render_page(document: BatchReport, found: list[Standing], folder: Path) -> str:
    """Return the page.

    Parameters
    ----------
    document
        As `report.make_report` makes it.
    found
        What became of each row, in the order of the document's placements.
    folder
        Where the page will lie: links are relative to it.
    """
    rows = {row["row"]: row for row in document["placements"]}
    standing = {each.row: each for each in found}
    held = [row for row in document["placements"] if row["state"] == "held"]
    lost = [rows[number] for number in document["lost"]]
    cropped = [rows[number] for number in document["cropped"]]
    few = MOST_PICTURES
    shown = {row["row"] for row in [*lost[:few], *held[:few], *cropped[:few]]}
    style = text_of("hotfolder.pages", "batch.css")
    return load_template("hotfolder.pages", "batch.html").render(
        said=document,
        rows=rows,
        held=held,
        lost=lost,
        cropped=cropped,
        measured_crops=sum(row["cropped_share"] is not None for row in document["placements"]),
        processed=any(row["elapsed_s"] is not None for row in document["placements"]),
        measured=any(row["lost_share"] is not None for row in document["placements"]),
        releasing=_list_reasons(document, found),
        released=[
            {**row, "changed": describe_changes(row["released_changes"])}
            for row in document["placements"]
            if row["released_at"] and row["state"] == "delivered"
        ],
        by_state={
            state: [row for row in document["placements"] if row["state"] == state]
            for state in ("discarded", "refused", "missing", "wrong", "waiting")
        },
        pictures={number: _embed_picture(standing[number]) for number in shown},
        sheets={number: _link_sheet(each, folder) for number, each in standing.items()},
        most_pictures=MOST_PICTURES,
        most_listed=MOST_LISTED,
        takes=duration(document["left_takes_s"]),
        style=Markup(style),  # noqa: S704 - ours
        style_hash=source_hash(style),
    )


def _list_reasons(
    document: BatchReport, found: list[Standing]
) -> list[tuple[str, int, list[BatchWay]]]:
    """Each reason for which rows are held, how many are, and how they are released together."""
    batch = f"{document['destination']}/{document['batch']}"
    held = [each.record for each in found if each.state == End.HELD and each.record]
    return [
        (code, len(records), list_batch_ways(records, code, batch))
        for code, records in count_reasons(held).items()
    ]


def _embed_picture(standing: Standing) -> str:
    """A job's thumbnail as a data URL; "" when there is none, or no longer."""
    path = find_attachment(standing, "thumbnail")
    try:
        data = path.read_bytes() if path else b""
    except OSError:
        return ""
    if not data.startswith(b"\xff\xd8") or len(data) > MOST_PICTURE_BYTES:
        return ""
    return f"data:image/jpeg;base64,{b64encode(data).decode('ascii')}"


def _link_sheet(standing: Standing, folder: Path) -> str:
    """A link to a job's proof sheet; "" when there is none."""
    path = find_attachment(standing, SHEET)
    return quote(Path(os.path.relpath(path, folder)).as_posix()) if path else ""
