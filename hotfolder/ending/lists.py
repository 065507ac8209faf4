"""Pages that list jobs: ``out/NAME/sheets/index.html`` and ``held/NAME/index.html``.

The daemon writes them between jobs, whole or not at all, from records that are there already.
They are a convenience: a page that cannot be written is tried again with the next change.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TypedDict
from urllib.parse import quote

from hotfolder.disk import durable, trees
from hotfolder.disk.marker import check_marker
from hotfolder.ending.deliver import RECORD_FILE
from hotfolder.ledger.jobs import Ledger
from hotfolder.logs import utc_now
from hotfolder.model.places import Places
from hotfolder.model.records import SHEET, Attachment, Record, read_record
from hotfolder.pages.frame import load_template
from hotfolder.pages.words import local_time
from hotfolder.settings.root import DestinationFolders

INDEX = "index.html"
_MOST = 300


class OtherFile(TypedDict):
    """A file about a job that a stage has left for people."""

    title: str
    link: str


class ListedJob(TypedDict):
    """A job as its page lists it."""

    job: str
    name: str
    when: str
    reasons: list[str]
    warnings: list[str]
    size: str
    sheet: str
    """A link to its proof sheet; "" when there is none."""
    thumbnail: str
    """A link to its thumbnail; "" when there is none."""
    no_picture: str
    """Why there is no thumbnail; "" when there is one."""
    others: list[OtherFile]
    """What else stages have left about it."""


class Pages:
    """The pages of one destination, written again when what they list has changed."""

    def __init__(self, destination: str, folders: DestinationFolders, ledger: Ledger) -> None:
        self._destination = destination
        self._folders = folders
        self._ledger = ledger
        self._held_listed: set[str] = set()
        self._last_delivered = -1

    def refresh(self) -> None:
        """Write the pages that are out of date.

        Raises
        ------
        OSError, Unreachable
            When a page cannot be written; it is out of date still.
        """
        check_marker(self._folders.held)
        # looked at before: what comes while the page is written comes onto the next
        there = {each.name for each in self._folders.held.iterdir()}
        if there != self._held_listed:
            write_held_index(self._folders, self._destination, self._ledger.places)
            self._held_listed = there | {INDEX}
        delivered = self._ledger.latest_delivered(self._destination, 1)
        last = delivered[0].seq if delivered else 0
        sheets = self._folders.results / "sheets"
        if last != self._last_delivered and sheets.is_dir():
            check_marker(self._folders.results)
            latest = self._ledger.latest_records(self._destination, _MOST)
            records = [record for record in latest if record.attachments]
            write_sheets_index(self._folders, self._destination, records)
            self._last_delivered = last


def write_held_index(folders: DestinationFolders, destination: str, places: Places) -> None:
    """List the jobs that wait for a decision; each links to its own folder's proof sheet."""
    jobs = []
    for path in sorted(folders.held.iterdir(), reverse=True)[:_MOST]:
        # the folder is a person's to work in: what is no record of ours is left out
        with (
            contextlib.suppress(OSError, ValueError),
            durable.open_to_read(path / RECORD_FILE) as file,
        ):
            record = places.find_record(read_record(file.read()))
            jobs.append(_show(record, folders.held))
    _write(
        folders.held / INDEX,
        title=f"{destination}: held",
        explanation="These pictures wait for your decision; each folder's why.txt says what "
        "you can do.",
        jobs=jobs,
    )


def write_sheets_index(
    folders: DestinationFolders, destination: str, records: Iterable[Record]
) -> None:
    """List delivered jobs that have a proof sheet, the newest first."""
    _write(
        folders.results / "sheets" / INDEX,
        title=f"{destination}: proof sheets",
        explanation="What was delivered, and how it was expected to look.",
        jobs=[_show(record, folders.results / "sheets") for record in records],
    )


def _write(path: Path, *, title: str, explanation: str, jobs: Sequence[ListedJob]) -> None:
    page = load_template("hotfolder.pages", INDEX).render(
        title=title,
        explanation=explanation,
        now=local_time(utc_now()),
        jobs=jobs,
    )
    trees.replace_text(path, page)


def _show(record: Record, base: Path) -> ListedJob:
    attached = {
        each.kind: _link(each, base)
        for each in record.attachments
        if base in Path(each.path).parents
    }
    although = "Released, although: " if record.state == "delivered" else ""
    sizes = [f"{each.width_px} × {each.height_px} px" for each in record.results]
    return {
        "job": record.job,
        "name": record.source,
        "when": local_time(record.finished),
        "reasons": [f"{although}{reason.message}" for reason in record.reasons],
        "warnings": [warning.message for warning in record.warnings],
        "size": ", ".join(sizes),
        "sheet": attached.get(SHEET, ""),
        "thumbnail": attached.get("thumbnail", ""),
        "no_picture": "" if "thumbnail" in attached else _say_no_picture(record),
        "others": [
            {"title": each.title or Path(each.path).name, "link": _link(each, base)}
            for each in record.attachments
            if each.kind not in {SHEET, "thumbnail"} and base in Path(each.path).parents
        ],
    }


def _say_no_picture(record: Record) -> str:
    """Why a job has no thumbnail here."""
    if any(each.kind == "thumbnail" for each in record.attachments):
        return "The small picture is not in this folder any more."
    if not record.results:
        return "No small picture: the job was held before one was made."
    return "No small picture: no stage of this destination makes one."


def _link(attachment: Attachment, base: Path) -> str:
    return quote(Path(attachment.path).relative_to(base).as_posix())
