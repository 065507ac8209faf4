"""A question to the books, as one SQL statement, and its answers.

Only the latest record of each job answers. Names and profiles may have ``*`` and ``?`` in them,
and capitals of ASCII do not matter.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, Final

from hotfolder.audit.periods import Span

COLUMNS: Final = (
    "finished", "destination", "state", "dropped_at", "was_held", "batch", "name", "share_lost",
    "tolerance", "delta_e_mean", "delta_e_p95", "delta_e_max", "hues", "profile", "profile_sha256",
    "original_sha256", "result_sha256", "elapsed_s", "job",
)  # fmt: skip
"""What an answer has, in this order. Times are UTC; shares are 0 … 1; delta_e is ΔE00; was_held is
0 or 1; hues have blanks between them."""


class Sort(StrEnum):
    """Ways to sort. Times and numbers come largest first, words from A."""

    TIME = "time"
    LOST = "lost"
    DELTA_E = "delta-e"
    NAME = "name"
    DESTINATION = "destination"
    WORK = "work"


class Group(StrEnum):
    """What pictures are put together by. Months are of local time."""

    DESTINATION = "destination"
    MONTH = "month"
    PROFILE = "profile"


class Statistic(StrEnum):
    """Of the ΔE00 of all pixels of a picture."""

    MEAN = "mean"
    P95 = "p95"
    MAX = "max"


class End(StrEnum):
    """How a job ended. Held: it waits; dropped: it was held, and a person gave it up."""

    DELIVERED = "delivered"
    HELD = "held"
    DROPPED = "dropped"
    REFUSED = "refused"


_SORTS: Final = {
    "time": ("finished {down}", "number {down}"),
    "lost": ("share_lost {down} NULLS LAST", "number DESC"),
    "delta-e": ("{delta_e} {down} NULLS LAST", "number DESC"),
    "name": ("name COLLATE NOCASE {up}", "number {down}"),
    "destination": ("destination {up}", "finished {down}"),
    "work": ("elapsed_s {down}", "number DESC"),
}
_GROUPS: Final = {Group.DESTINATION: "destination", Group.PROFILE: "profile_sha256"}
_SUMS: Final = {
    "jobs": "1",
    "delivered": "state = 'delivered'",
    "was_held": "was_held",
    "held": "state = 'held'",
    "dropped": "state = 'dropped'",
    "refused": "state = 'refused'",
    "elapsed_s": "elapsed_s",
}
_MEASURES: Final = ("share_lost", "delta_e_mean", "delta_e_p95", "delta_e_max")


@dataclass(frozen=True)
class Question:
    """What is asked; what is empty or None does not matter.

    since, until: from a moment up to, and without, another, when a job ended; lost_above: share,
    0 … 1; delta_e_above: ΔE00, of `statistic`; hues: all of them must be among what was lost;
    profile: of the result, its description, or the first digits of its SHA-256; sha256: the first
    digits of an original's or a result's; limit: the most answers.
    """

    destinations: tuple[str, ...] = ()
    since: datetime | None = None
    until: datetime | None = None
    batch: str | None = None
    states: tuple[End, ...] = ()
    lost_above: float | None = None
    delta_e_above: float | None = None
    statistic: Statistic = Statistic.P95
    hues: tuple[str, ...] = ()
    profile: str | None = None
    name: str | None = None
    sha256: str | None = None
    sort: Sort = Sort.TIME
    reverse: bool = False
    limit: int | None = None


def select(question: Question) -> tuple[str, list[Any]]:
    """Return the SQL of a question, with its values apart."""
    where, values = where_of(question)
    down, up = ("ASC", "DESC") if question.reverse else ("DESC", "ASC")
    # SQLite sorts NULL as smallest: said only where it is not so already, as no index can do it
    order = ", ".join(
        part.format(down=down, up=up, delta_e=f"delta_e_{question.statistic}").replace(
            "DESC NULLS LAST", "DESC"
        )
        for part in _SORTS[question.sort]
    )
    columns = ", ".join(COLUMNS).replace("hues", "trim(hues) AS hues")
    sql = f"SELECT {columns} FROM records WHERE {where} ORDER BY {order}"  # noqa: S608
    if question.limit is not None:
        sql += " LIMIT ?"
        values.append(question.limit)
    return sql, values


def select_jobs(question: Question) -> tuple[str, list[Any]]:
    """Return the SQL for whole records of the jobs in question, oldest first."""
    where, values = where_of(question)
    joined = "records JOIN jobs ON jobs.id = records.job"
    return f"SELECT jobs.record FROM {joined} WHERE {where} ORDER BY number", values  # noqa: S608


def select_columns(question: Question, columns: str, order: str = "") -> tuple[str, list[Any]]:
    """Return the SQL for columns, or sums, of all answers."""
    where, values = where_of(question)
    ordered = f" ORDER BY {order}" if order else ""
    return f"SELECT {columns} FROM records WHERE {where}{ordered}", values  # noqa: S608


def ask(db: sqlite3.Connection, question: Question) -> list[sqlite3.Row]:
    """Return the answers, with `COLUMNS`."""
    cursor = db.cursor()
    cursor.row_factory = sqlite3.Row
    return cursor.execute(*select(question)).fetchall()


def plain(db: sqlite3.Connection) -> sqlite3.Cursor:
    """Return a cursor whose rows are tuples: names cost too much for a hundred thousand rows."""
    cursor = db.cursor()
    cursor.row_factory = None
    return cursor


def count(db: sqlite3.Connection, question: Question) -> int:
    """Return how many answers there are without a limit."""
    (number,) = plain(db).execute(*select_columns(question, "count(*)")).fetchone()
    return int(number)


def ask_groups(db: sqlite3.Connection, question: Question, group: Group) -> list[dict[str, Any]]:
    """Return sums by destination, month (local time) or profile of the result.

    ``was_held`` counts jobs that were held at any time. Shares and ΔE00 are means over the
    pictures that have them, but for what is called the most.
    """
    (found,) = ask_sums(db, question, [group])
    return found


def ask_sums(
    db: sqlite3.Connection, question: Question, groups: Sequence[Group]
) -> list[list[dict[str, Any]]]:
    """Return what `ask_groups` does for each group, and read the records only once for it."""
    keys = [_GROUPS[group] for group in groups if group is not Group.MONTH]
    parts = [("", question)] if Group.MONTH not in groups else months(db, question)
    sums = [f"sum({what}) AS {name}" for name, what in _SUMS.items()]
    sums += [f"total({name}), count({name}), max({name})" for name in _MEASURES]
    columns = [*keys, "min(finished)", "max(finished)", "max(profile)", *sums]
    found: list[dict[Any, list[tuple[Any, ...]]]] = [{} for _ in groups]
    for month, part in parts:
        where, values = where_of(part)
        rows = plain(db).execute(
            f"SELECT {', '.join(columns)} FROM records"  # noqa: S608 - names are ours
            f" WHERE {where}{' GROUP BY ' if keys else ''}{', '.join(keys)}",
            values,
        )
        for row in rows:
            if row[len(keys)] is None:
                continue  # a month without answers
            named = iter(row)
            for those, group in zip(found, groups, strict=True):
                key = month if group is Group.MONTH else next(named)
                those.setdefault(key, []).append(row[len(keys) :])
    return [
        [
            _sum(group, key, those[key])
            for key in sorted(those, key=lambda key: (key is not None, key))
        ]
        for group, those in zip(groups, found, strict=True)
    ]


def months(db: sqlite3.Connection, question: Question) -> list[tuple[str, Question]]:
    """Cut a question into one for each month of local time, from the first answer to the last.

    An index finds the answers of a month: that costs less than to ask of each its month.
    """
    span = span_of(db, question)
    steps = span.steps("month") if span else []
    return [(f"{each.start:%Y-%m}", within(question, each)) for each in steps]


def span_of(db: sqlite3.Connection, question: Question) -> Span | None:
    """From the first answer to the last, in local time; None when there is no answer."""
    where, values = where_of(question)
    ends = [f"(SELECT {end}(finished) FROM records WHERE {where})" for end in ("min", "max")]  # noqa: S608
    first, last = plain(db).execute(f"SELECT {', '.join(ends)}", values * 2).fetchone()
    return Span(moment_of(first), moment_of(last)) if first else None


def within(question: Question, span: Span) -> Question:
    """Return the same question about a span, as far as it was about that time."""
    since, until = question.since or span.start, question.until or span.end
    return replace(question, since=max(since, span.start), until=min(until, span.end))


def _sum(group: Group, key: Any, parts: list[tuple[Any, ...]]) -> dict[str, Any]:
    """Put sums of parts together to those of the whole."""
    firsts, lasts, profiles, *columns = zip(*parts, strict=True)
    sums = {name: sum(columns[place]) for place, name in enumerate(_SUMS)}
    elapsed_s = sums.pop("elapsed_s")
    mean: dict[str, float | None] = {}
    most: dict[str, float | None] = {}
    for place, name in enumerate(_MEASURES):
        totals, numbers, largest = columns[len(_SUMS) + 3 * place :][:3]
        mean[name] = sum(totals) / sum(numbers) if sum(numbers) else None
        most[name] = max((each for each in largest if each is not None), default=None)
    named = max((each for each in profiles if each is not None), default=None)
    return {
        group.value: named if group is Group.PROFILE else key,
        **sums,
        "share_lost_mean": mean["share_lost"],
        "share_lost_most": most["share_lost"],
        "delta_e_mean": mean["delta_e_mean"],
        "delta_e_p95": mean["delta_e_p95"],
        "delta_e_max": most["delta_e_max"],
        "elapsed_s": elapsed_s,
        "first": min(firsts),
        "last": max(lasts),
        **({"profile_sha256": key} if group is Group.PROFILE else {}),
    }


def in_words(question: Question) -> str:
    """Say a question as a person would."""
    parts = [f"to {' or '.join(question.destinations)}"] if question.destinations else []
    parts += [f"that are {' or '.join(question.states)}"] if question.states else []
    if question.since:
        parts.append(f"since {question.since:%Y-%m-%d %H:%M}")
    if question.until:
        parts.append(f"before {question.until:%Y-%m-%d %H:%M}")
    if question.batch is not None:
        parts.append(f"of the batch {question.batch}")
    if question.lost_above is not None:
        parts.append(f"with more than {question.lost_above * 100:g} % lost")
    if question.delta_e_above is not None:
        parts.append(f"with a {question.statistic} loss above {question.delta_e_above:g} ΔE00")
    if question.hues:
        parts.append(f"that lost {' and '.join(question.hues)}")
    if question.profile is not None:
        parts.append(f"with the profile {question.profile}")
    if question.name is not None:
        parts.append(f"named {question.name}")
    if question.sha256 is not None:
        parts.append(f"with the hash {question.sha256}…")
    return ", ".join(["All pictures", *parts]) if parts else "All pictures"


def where_of(question: Question) -> tuple[str, list[Any]]:
    """Return the SQL of a question's filters, with its values apart."""
    parts = ["latest = 1"]
    values: list[Any] = []

    def add(part: str, *these: Any) -> None:
        parts.append(part)
        values.extend(these)

    if question.destinations:
        add(f"records.destination IN ({_marks(question.destinations)})", *question.destinations)
    if question.since:
        add("finished >= ?", as_text(question.since))
    if question.until:
        add("finished < ?", as_text(question.until))
    if question.batch is not None:
        add("batch = ?", question.batch)
    if question.states:
        add(f"records.state IN ({_marks(question.states)})", *question.states)
    if question.lost_above is not None:
        add("share_lost > ?", question.lost_above)
    if question.delta_e_above is not None:
        add(f"delta_e_{question.statistic} > ?", question.delta_e_above)
    for hue in question.hues:
        add("instr(hues, ?)", f" {hue} ")
    if question.profile is not None:
        like = _like(question.profile)
        add(r"(profile LIKE ? ESCAPE '\' OR profile_sha256 LIKE ? ESCAPE '\')", like, f"{like}%")
    if question.name is not None:
        add(r"name LIKE ? ESCAPE '\'", _like(question.name))
    if question.sha256 is not None:
        # a range, not LIKE, so that the indexes of both columns are used
        low, high = question.sha256.lower(), question.sha256.lower() + "g"
        add(
            "(original_sha256 >= ? AND original_sha256 < ?"
            " OR result_sha256 >= ? AND result_sha256 < ?)",
            low,
            high,
            low,
            high,
        )
    return " AND ".join(parts), values


def _marks(values: tuple[str, ...]) -> str:
    return ", ".join("?" * len(values))


def _like(glob: str) -> str:
    for special in "\\%_":
        glob = glob.replace(special, f"\\{special}")
    return glob.replace("*", "%").replace("?", "_")


def moment_of(text: str) -> datetime:
    """Return a time of a record as a moment in local time."""
    return datetime.fromisoformat(text).astimezone()


def as_text(moment: datetime) -> str:
    """Return a moment as records have it, so that it compares with theirs as text."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
