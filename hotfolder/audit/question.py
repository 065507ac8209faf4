"""A question to the books, as one SQL statement, and its answers.

Only the latest record of each job answers. Names and profiles may have ``*`` and ``?`` in them,
and capitals of ASCII do not matter.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final, NotRequired, TypedDict

from hotfolder.audit.choices import Group, Sort, Statistic
from hotfolder.audit.periods import Span
from hotfolder.ledger.reading import Row, Value
from hotfolder.measured.off_spans import OffSpan
from hotfolder.model.destination import Surface
from hotfolder.model.ends import End
from hotfolder.model.records import format_time
from hotfolder.pages.words import local_time

COLUMNS: Final = (
    "finished", "destination", "state", "discarded_at", "was_held", "batch", "name", "share_lost",
    "share_out_of_gamut", "tolerance", "delta_e_mean", "delta_e_p95", "delta_e_max", "hues",
    "profile", "profile_sha256", "original_sha256", "result_sha256", "elapsed_s", "job",
    "printed_m2", "machine",
)  # fmt: skip
"""What an answer has, in this order. Times are UTC; shares are 0 … 1; delta_e is ΔE00; was_held is
0 or 1; hues have blanks between them. printed_m2 is the area of all copies in square metres; None
for a screen."""


_SORTS: Final = {
    "time": ("finished {down}", "number {down}"),
    "lost": ("share_lost {down} NULLS LAST", "number DESC"),
    "delta-e": ("{delta_e} {down} NULLS LAST", "number DESC"),
    "name": ("name COLLATE NOCASE {up}", "number {down}"),
    "destination": ("destination {up}", "finished {down}"),
    "work": ("elapsed_s {down}", "number DESC"),
}
_GROUPS: Final = {
    Group.DESTINATION: "destination",
    Group.MEDIUM: "destination",
    Group.PROFILE: "profile_sha256",
    Group.REASON: "released_for",
}
_SUMS: Final = {
    "jobs": "1",
    "delivered": "state = 'delivered'",
    "was_held": "was_held",
    "held": "state = 'held'",
    "discarded": "state = 'discarded'",
    "refused": "state = 'refused'",
    "elapsed_s": "elapsed_s",
    "printed_m2": "CASE WHEN state = 'delivered' THEN coalesce({printed_m2}, 0) ELSE 0.0 END",
}
_MEASURES: Final = (
    "share_lost",
    "share_out_of_gamut",
    "delta_e_mean",
    "delta_e_p95",
    "delta_e_max",
)


@dataclass(frozen=True)
class Question:
    """What is asked; what is empty or None does not matter."""

    destinations: tuple[str, ...] = ()
    since: datetime | None = None
    """The job ended at this moment or later."""
    until: datetime | None = None
    """The job ended before this moment."""
    batch: str | None = None
    states: tuple[End, ...] = ()
    lost_above: float | None = None
    """Share of the picture, 0 … 1."""
    out_of_gamut_above: float | None = None
    """The same, of what the medium cannot make."""
    delta_e_above: float | None = None
    """ΔE00, of `statistic`."""
    statistic: Statistic = Statistic.P95
    hues: tuple[str, ...] = ()
    """All of them must be among what was lost."""
    profile: str | None = None
    """Of the result: its description, or the first digits of its SHA-256."""
    name: str | None = None
    """Of the original."""
    sha256: str | None = None
    """The first digits of an original's or a result's."""
    machine: str | None = None
    """Which made the result, where there are several."""
    released: bool = False
    """The job was held, and a person released it."""
    off: tuple[OffSpan, ...] | None = None
    """The job ended while its destination's medium was off: in one of these times."""
    surfaces: Mapping[str, str] = field(default_factory=dict)
    """What the medium of each destination is; "" where that is not known."""
    sort: Sort = Sort.TIME
    reverse: bool = False
    limit: int | None = None
    """The most answers."""


class Sums(TypedDict):
    """What the pictures of a group come to.

    The key of the group is in the field of its name; shares are 0 … 1 and delta_e is ΔE00, over
    the pictures that have them.
    """

    destination: NotRequired[str]
    medium: NotRequired[str]
    reason: NotRequired[str]
    month: NotRequired[str]
    profile: NotRequired[str | None]
    jobs: int
    delivered: int
    was_held: int
    """At any time."""
    held: int
    discarded: int
    refused: int
    share_lost_mean: float | None
    share_lost_most: float | None
    share_out_of_gamut_mean: float | None
    share_out_of_gamut_most: float | None
    delta_e_mean: float | None
    delta_e_p95: float | None
    delta_e_max: float | None
    elapsed_s: float
    printed_m2: float
    """Area of what was delivered, all copies, in square metres; nothing of a screen."""
    first: str
    """When the first of them ended, UTC."""
    last: str
    profile_sha256: NotRequired[str | None]


def select(question: Question) -> tuple[str, list[Value]]:
    """Return the SQL of a question, with its values apart."""
    where, values = make_filter(question)
    down, up = ("ASC", "DESC") if question.reverse else ("DESC", "ASC")
    # SQLite sorts NULL as smallest: said only where it is not so already, as no index can do it
    order = ", ".join(
        part.format(down=down, up=up, delta_e=f"delta_e_{question.statistic}").replace(
            "DESC NULLS LAST", "DESC"
        )
        for part in _SORTS[question.sort]
    )
    printed = f"{_select_printed(question)} AS printed_m2"
    columns = ", ".join(COLUMNS).replace("hues", "trim(hues) AS hues")
    columns = columns.replace("printed_m2", printed)
    sql = f"SELECT {columns} FROM records WHERE {where} ORDER BY {order}"  # noqa: S608
    if question.limit is not None:
        sql += " LIMIT ?"
        values.append(question.limit)
    return sql, values


def _select_printed(question: Question) -> str:
    """Return the SQL for the area of a result; a screen's is none, whatever its ppi says."""
    screens = [name for name, said in question.surfaces.items() if said == Surface.SCREEN]
    names = ", ".join("'" + name.replace("'", "''") + "'" for name in screens)
    return f"CASE WHEN destination NOT IN ({names}) THEN printed_m2 END"


def select_columns(question: Question, columns: str, order: str = "") -> tuple[str, list[Value]]:
    """Return the SQL for columns, or sums, of all answers."""
    where, values = make_filter(question)
    ordered = f" ORDER BY {order}" if order else ""
    return f"SELECT {columns} FROM records WHERE {where}{ordered}", values  # noqa: S608


def ask(db: sqlite3.Connection, question: Question) -> list[sqlite3.Row]:
    """Return the answers, with `COLUMNS`."""
    cursor = db.cursor()
    cursor.row_factory = sqlite3.Row
    return cursor.execute(*select(question)).fetchall()


def make_cursor(db: sqlite3.Connection) -> sqlite3.Cursor:
    """Return a cursor whose rows are tuples: names cost too much for a hundred thousand rows."""
    cursor = db.cursor()
    cursor.row_factory = None
    return cursor


def count(db: sqlite3.Connection, question: Question) -> int:
    """Return how many answers there are without a limit."""
    (number,) = make_cursor(db).execute(*select_columns(question, "count(*)")).fetchone()
    return int(number)


def list_machines(db: sqlite3.Connection) -> list[str]:
    """List the machines that have made a result, where there are several."""
    rows = make_cursor(db).execute("SELECT DISTINCT machine FROM records ORDER BY machine")
    return [machine for (machine,) in rows if machine]


def ask_groups(db: sqlite3.Connection, question: Question, group: Group) -> list[Sums]:
    """Return sums by destination, medium, month (local time), profile or reason of a release.

    ``was_held`` counts jobs that were held at any time. Shares and ΔE00 are means over the
    pictures that have them, but for what is called the most.
    """
    (found,) = ask_sums(db, question, [group])
    return found


def ask_sums(
    db: sqlite3.Connection, question: Question, groups: Sequence[Group]
) -> list[list[Sums]]:
    """Return what `ask_groups` does for each group, and read the records only once for it."""
    keys = [_GROUPS[group] for group in groups if group is not Group.MONTH]
    parts = [("", question)] if Group.MONTH not in groups else split_by_month(db, question)
    printed = _select_printed(question)
    sums = [f"sum({what.format(printed_m2=printed)}) AS {name}_sum" for name, what in _SUMS.items()]
    sums += [f"total({name}), count({name}), max({name})" for name in _MEASURES]
    columns = [*keys, "min(finished)", "max(finished)", "max(profile)", *sums]
    found: list[dict[str | None, list[Row]]] = [{} for _ in groups]
    for month, part in parts:
        where, values = make_filter(part)
        rows = make_cursor(db).execute(
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
                for each in _find_groups(question, group, key):
                    those.setdefault(each, []).append(row[len(keys) :])
    return [
        [
            _sum_up(group, key, those[key])
            for key in sorted(those, key=lambda key: (key is not None, key))
        ]
        for group, those in zip(groups, found, strict=True)
    ]


def _find_groups(question: Question, group: Group, key: str | None) -> Sequence[str | None]:
    """Return the groups that pictures with this key count in."""
    if group is Group.MEDIUM:
        return [question.surfaces.get(key or "")]
    if group is Group.REASON:
        return (key or "").split()  # none of what nobody released
    return [key]


def split_by_month(db: sqlite3.Connection, question: Question) -> list[tuple[str, Question]]:
    """Cut a question into one for each month of local time, from the first answer to the last.

    An index finds the answers of a month: that costs less than to ask of each its month.
    """
    span = find_span(db, question)
    steps = span.steps("month") if span else []
    return [(f"{each.start:%Y-%m}", narrow(question, each)) for each in steps]


def find_span(db: sqlite3.Connection, question: Question) -> Span | None:
    """From the first answer to the last, in local time; None when there is no answer."""
    where, values = make_filter(question)
    ends = [f"(SELECT {end}(finished) FROM records WHERE {where})" for end in ("min", "max")]  # noqa: S608
    first, last = make_cursor(db).execute(f"SELECT {', '.join(ends)}", values * 2).fetchone()
    return Span(parse_moment(first), parse_moment(last)) if first else None


def narrow(question: Question, span: Span) -> Question:
    """Return the same question about a span, as far as it was about that time."""
    since, until = question.since or span.start, question.until or span.end
    return replace(question, since=max(since, span.start), until=min(until, span.end))


def _sum_up(group: Group, key: str | None, parts: list[Row]) -> Sums:
    """Put sums of parts together to those of the whole."""
    firsts, lasts, profiles, *columns = zip(*parts, strict=True)
    sums = {name: sum(columns[place]) for place, name in enumerate(_SUMS)}
    mean: dict[str, float | None] = {}
    most: dict[str, float | None] = {}
    for place, name in enumerate(_MEASURES):
        totals, numbers, largest = columns[len(_SUMS) + 3 * place :][:3]
        mean[name] = sum(totals) / sum(numbers) if sum(numbers) else None
        most[name] = max((each for each in largest if each is not None), default=None)
    rest: Sums = {
        "jobs": sums["jobs"],
        "delivered": sums["delivered"],
        "was_held": sums["was_held"],
        "held": sums["held"],
        "discarded": sums["discarded"],
        "refused": sums["refused"],
        "share_lost_mean": mean["share_lost"],
        "share_lost_most": most["share_lost"],
        "share_out_of_gamut_mean": mean["share_out_of_gamut"],
        "share_out_of_gamut_most": most["share_out_of_gamut"],
        "delta_e_mean": mean["delta_e_mean"],
        "delta_e_p95": mean["delta_e_p95"],
        "delta_e_max": most["delta_e_max"],
        "elapsed_s": sums["elapsed_s"],
        "printed_m2": round(sums["printed_m2"], 6),
        "first": min(firsts),
        "last": max(lasts),
    }
    # the key comes first: it is the first column of the table
    if group is Group.DESTINATION:
        return {"destination": key or "", **rest}
    if group is Group.MEDIUM:
        return {"medium": key or "", **rest}
    if group is Group.REASON:
        return {"reason": key or "", **rest}
    if group is Group.MONTH:
        return {"month": key or "", **rest}
    named = max((each for each in profiles if each is not None), default=None)
    return {"profile": named, **rest, "profile_sha256": key}


def describe_question(question: Question) -> str:
    """Say a question as a person would."""
    parts = [f"to {' or '.join(question.destinations)}"] if question.destinations else []
    parts += [f"that are {' or '.join(question.states)}"] if question.states else []
    if question.since:
        parts.append(f"since {local_time(question.since)}")
    if question.until:
        parts.append(f"before {local_time(question.until)}")
    if question.batch is not None:
        parts.append(f"of the batch {question.batch}")
    if question.lost_above is not None:
        parts.append(f"with more than {question.lost_above * 100:g} % lost")
    if question.out_of_gamut_above is not None:
        parts.append(
            f"with more than {question.out_of_gamut_above * 100:g} % that the medium cannot make"
        )
    if question.delta_e_above is not None:
        parts.append(f"with a {question.statistic} loss above {question.delta_e_above:g} ΔE00")
    if question.hues:
        parts.append(f"that lost {' and '.join(question.hues)}")
    if question.profile is not None:
        parts.append(f"with the profile {question.profile}")
    if question.name is not None:
        parts.append(f"named {question.name}")
    if question.machine is not None:
        parts.append(f"made on {question.machine}")
    if question.released:
        parts.append("that a person released")
    if question.off is not None:
        parts.append("made while their medium was off")
    if question.sha256 is not None:
        parts.append(f"with the hash {question.sha256}…")
    return ", ".join(["All pictures", *parts]) if parts else "All pictures"


def make_filter(question: Question) -> tuple[str, list[Value]]:
    """Return the SQL of a question's filters, with its values apart."""
    parts = ["latest = 1"]
    values: list[Value] = []

    def add(part: str, *these: Value) -> None:
        parts.append(part)
        values.extend(these)

    if question.destinations:
        add(
            f"records.destination IN ({_make_marks(question.destinations)})", *question.destinations
        )
    if question.since:
        add("finished >= ?", format_time(question.since))
    if question.until:
        add("finished < ?", format_time(question.until))
    if question.batch is not None:
        add("batch = ?", question.batch)
    if question.states:
        add(f"records.state IN ({_make_marks(question.states)})", *question.states)
    if question.lost_above is not None:
        add("share_lost > ?", question.lost_above)
    if question.out_of_gamut_above is not None:
        add("share_out_of_gamut > ?", question.out_of_gamut_above)
    if question.delta_e_above is not None:
        add(f"delta_e_{question.statistic} > ?", question.delta_e_above)
    for hue in question.hues:
        add("instr(hues, ?)", f" {hue} ")
    if question.profile is not None:
        like = _make_like(question.profile)
        add(r"(profile LIKE ? ESCAPE '\' OR profile_sha256 LIKE ? ESCAPE '\')", like, f"{like}%")
    if question.name is not None:
        add(r"name LIKE ? ESCAPE '\'", _make_like(question.name))
    if question.machine is not None:
        add(r"machine LIKE ? ESCAPE '\'", _make_like(question.machine))
    if question.released:
        add("was_held = 1 AND records.state = ?", End.DELIVERED)
    if question.off is not None:
        spans = []
        for span in question.off:
            spans.append(
                "(records.destination = ? AND finished >= ?"
                f"{' AND finished < ?' if span.until else ''})"
            )
            values += [span.destination, format_time(span.since)]
            values += [format_time(span.until)] if span.until else []
        parts.append(f"({' OR '.join(spans) or '0'})")
    if question.sha256 is not None:
        # a range, not LIKE, so that the indexes of both columns are used
        low, high = question.sha256.lower(), question.sha256.lower() + "g"
        add(
            "(original_sha256 >= ? AND original_sha256 < ?"
            " OR result_sha256 >= ? AND result_sha256 < ?"
            " OR number IN (SELECT number FROM other_results WHERE sha256 >= ? AND sha256 < ?))",
            *(low, high, low, high, low, high),
        )
    return " AND ".join(parts), values


def _make_marks(values: tuple[str, ...]) -> str:
    return ", ".join("?" * len(values))


def _make_like(glob: str) -> str:
    for special in "\\%_":
        glob = glob.replace(special, f"\\{special}")
    return glob.replace("*", "%").replace("?", "_")


def parse_moment(text: str) -> datetime:
    """Return a time of a record as a moment in local time."""
    return datetime.fromisoformat(text).astimezone()
