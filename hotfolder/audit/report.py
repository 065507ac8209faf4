"""The audit's page: one file that needs nothing else, with pictures, sums and trends."""

from __future__ import annotations

import base64
import sqlite3
from pathlib import Path
from typing import TypedDict

from hotfolder.audit import plot
from hotfolder.audit.choices import Group
from hotfolder.audit.question import (
    Question,
    Sums,
    ask,
    ask_sums,
    count,
    describe_question,
    list_machines,
)
from hotfolder.audit.trends import Change, Trend, find_trends
from hotfolder.errors import Problem, SettingsError, StorageError
from hotfolder.ledger.reading import read_stored
from hotfolder.ledger.roots import find_places
from hotfolder.logs import utc_now
from hotfolder.model.places import Places
from hotfolder.pages.frame import load_template
from hotfolder.settings.root import Root

_MOST_THUMBNAIL_BYTES = 256 * 2**10
_VERDICTS = {
    "more": "more is lost",
    "less": "less is lost",
    "same": "no clear difference",
    "unclear": "unclear",
}


def write_report(db: sqlite3.Connection, root: Root, question: Question, path: Path) -> str:
    """Write the page; return in words how many pictures answer and how many it shows.

    Raises
    ------
    SettingsError
        When the page cannot be written where it is wanted.
    """
    page, said = render_report(db, root, question)
    temporary = path.parent / f".hotfolder-{path.name}"
    try:
        temporary.write_text(page, encoding="utf-8")
        temporary.replace(path)
    except OSError as error:
        reason = error.strerror or str(error)
        raise SettingsError(
            [Problem("--report", str(path), reason, "a file in a folder that can be written")]
        ) from error
    return said


def render_report(db: sqlite3.Connection, root: Root, question: Question) -> tuple[str, str]:
    """Return the page, and in words how many pictures answer and how many it shows."""
    found = collect_answers(db, question)
    places = find_places(db, root.path)
    page = load_template("hotfolder.pages", "audit.html").render(
        {
            **found,
            "pictures": [
                {**each, "thumbnail": _embed_thumbnail(db, places, str(each["job"]))}
                for each in found["pictures"]
            ],
        },
        sort=question.sort.value,
        now=utc_now(),
        plot=plot,
    )
    return page, found["said"]


def collect_answers(db: sqlite3.Connection, question: Question) -> Answers:
    """Return all that a page about a question shows, but for its pictures' small pictures."""
    found, number = ask(db, question), count(db, question)
    said = f"{number} picture{'' if number == 1 else 's'}"
    if number > len(found):
        said += f", {len(found)} of them shown"
    by_destination, by_profile, by_month = ask_sums(
        db, question, [Group.DESTINATION, Group.PROFILE, Group.MONTH]
    )
    return {
        "question": describe_question(question),
        "said": said,
        "number": number,
        "pictures": [dict(each) for each in found],
        "by_destination": by_destination,
        "by_profile": by_profile,
        "by_month": by_month,
        "machines": list_machines(db),
        "trends": [_show(trend) for trend in find_trends(db, question)],
    }


class Answers(TypedDict):
    """What a page about a question shows."""

    question: str
    """In words."""
    said: str
    """How many pictures answer, and how many are shown."""
    number: int
    pictures: list[dict[str, object]]
    """With `hotfolder.audit.question.COLUMNS`."""
    by_destination: list[Sums]
    by_profile: list[Sums]
    by_month: list[Sums]
    machines: list[str]
    """All that ever made a result, where there are several."""
    trends: list[ShownTrend]


class ShownChange(TypedDict):
    """A change of profile, with the letter of its mark."""

    letter: str
    change: Change
    verdict: str


class ShownTrend(TypedDict):
    """A destination over time, as the page shows it."""

    destination: str
    unit: str
    pictures: int
    plot: plot.Plot
    changes: list[ShownChange]
    left_out: int


def _show(trend: Trend) -> ShownTrend:
    changes: list[ShownChange] = [
        {
            "letter": plot.name_mark(number),
            "change": change,
            "verdict": _VERDICTS[change.verdict],
        }
        for number, change in enumerate(trend.changes)
    ]
    return {
        "destination": trend.destination,
        "unit": trend.unit,
        "pictures": sum(bucket.pictures for bucket in trend.buckets),
        "plot": plot.place_trend(trend),
        "changes": changes,
        "left_out": trend.left_out,
    }


def _embed_thumbnail(db: sqlite3.Connection, places: Places, job: str) -> str:
    """A job's thumbnail as a data URL; "" when there is none, or no longer."""
    (stored,) = db.execute("SELECT record FROM jobs WHERE id = ?", (job,)).fetchone() or (None,)
    try:
        attachments = read_stored(job, stored).attachments if stored else ()
    except StorageError:
        return ""  # `--verify` says so, and what to do
    for each in attachments:
        if each.kind != "thumbnail":
            continue
        try:
            with Path(places.find(each.path)).open("rb") as file:
                data = file.read(_MOST_THUMBNAIL_BYTES + 1)
        except OSError:
            continue
        if data.startswith(b"\xff\xd8\xff") and len(data) <= _MOST_THUMBNAIL_BYTES:
            return f"data:image/jpeg;base64,{base64.b64encode(data).decode('ascii')}"
    return ""
