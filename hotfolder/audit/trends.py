"""What a destination loses and holds over time, and what each change of its profile did to that.

Trends look at all pictures of a destination in the time in question, whatever else was asked:
a mean over only those that lost much would say nothing.
"""

from __future__ import annotations

import itertools
import math
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from statistics import fmean
from typing import Final, NamedTuple

from hotfolder.audit.periods import Span
from hotfolder.audit.question import (
    Question,
    find_span,
    make_cursor,
    make_filter,
    narrow,
    parse_moment,
    select_columns,
)

ENOUGH: Final = 8
"""Pictures on each side of a change from which different pictures are compared at all."""

ENOUGH_PAIRS: Final = 5
"""Pictures made with both profiles from which they decide."""

MOST_CHANGES: Final = 12
"""Changes of a destination that are looked into, the latest."""

_MOST_COMPARED = 500
_SURE, _SURE_BY_PAIRS = 0.01, 0.05
_WORTH_SAYING = {"share_lost": 0.001, "delta_e_mean": 0.05}  # our own judgement
_SPANS = (
    (timedelta(days=2), "hour"),
    (timedelta(days=62), "day"),
    (timedelta(days=400), "week"),
)


class Picture(NamedTuple):
    """One job as trends see it."""

    finished: str
    """UTC, as records have it, which sorts as text."""
    share_lost: float | None
    """0 … 1."""
    delta_e_mean: float | None
    """ΔE00."""
    tolerance: float | None
    profile: str | None
    profile_sha256: str | None
    original_sha256: str | None


@dataclass(frozen=True)
class Bucket:
    """Pictures of one hour, day, week or month."""

    start: datetime
    end: datetime
    pictures: int
    lost: float | None
    """Mean share, 0 … 1; None when nothing measured it."""
    held: float
    """Share of the pictures that were held at any time, 0 … 1."""


@dataclass(frozen=True)
class Side:
    """Pictures before, or after, a change of profile; means over those that were measured."""

    profile: str
    pictures: int
    lost: float | None
    delta_e: float | None


@dataclass(frozen=True)
class Change:
    """A destination's profile became another one."""

    at: datetime
    before: Side
    after: Side
    pairs: int
    """How many pictures were made with both."""
    verdict: str
    """"more", "less", "same" or "unclear"."""
    why: str
    """By what the verdict was reached, in words."""


@dataclass(frozen=True)
class Trend:
    """One destination over time."""

    destination: str
    unit: str
    """Hour, day, week or month."""
    buckets: tuple[Bucket, ...]
    changes: tuple[Change, ...]
    """The latest `MOST_CHANGES`."""
    left_out: int
    """How many came before them."""


@dataclass
class _Run:
    """Results with the same profile, one after the other."""

    profile_sha256: str
    first: str
    """When the first of them ended."""
    last: str


def find_trends(db: sqlite3.Connection, question: Question) -> list[Trend]:
    """Return a trend for each destination in question that has any picture."""
    names = question.destinations or tuple(
        name
        for (name,) in make_cursor(db).execute(
            "SELECT DISTINCT destination FROM records ORDER BY 1"
        )
    )
    found = []
    for name in names:
        asked = Question(
            destinations=(name,),
            since=question.since,
            until=question.until,
            batch=question.batch,
        )
        if span := find_span(db, asked):
            found.append(_find_trend(db, asked, span))
    return found


def _find_trend(db: sqlite3.Connection, question: Question, span: Span) -> Trend:
    """Let SQLite count what is shown; pictures are read only beside a change of profile."""
    length = to_utc(span.end) - to_utc(span.start)
    unit = next((unit for most, unit in _SPANS if length <= most), "month")
    buckets: list[Bucket] = []
    runs: list[_Run] = []
    for step in span.steps(unit):
        part = narrow(question, step)
        number, lost, held, *profiles, first, last = (
            make_cursor(db)
            .execute(
                *select_columns(
                    part,
                    "count(*), avg(share_lost), avg(was_held), min(profile_sha256),"
                    " max(profile_sha256), min(finished), max(finished)",
                )
            )
            .fetchone()
        )
        if not number:
            continue
        buckets.append(Bucket(step.start, step.end, number, lost, held))
        if profiles[0] == profiles[1]:
            _go_on(runs, profiles[0], first, last)
        else:
            for profile, finished in make_cursor(db).execute(
                *select_columns(part, "profile_sha256, finished", "finished, number")
            ):
                _go_on(runs, profile, finished, finished)
    pairs = list(itertools.pairwise(runs))
    return Trend(
        destination=question.destinations[0],
        unit=unit,
        buckets=tuple(buckets),
        changes=tuple(_find_change(db, question, *pair) for pair in pairs[-MOST_CHANGES:]),
        left_out=max(0, len(pairs) - MOST_CHANGES),
    )


def _go_on(runs: list[_Run], profile: str | None, first: str, last: str) -> None:
    """Add results to the last run, or as a run of their own; None: they have no profile."""
    if profile is None:
        return
    if runs and runs[-1].profile_sha256 == profile:
        runs[-1].last = last
    else:
        runs.append(_Run(profile, first, last))


def _find_change(db: sqlite3.Connection, question: Question, before: _Run, after: _Run) -> Change:
    old = _read_pictures(db, question, before, "finished DESC, number DESC")
    return judge_change(old[::-1], _read_pictures(db, question, after, "finished, number"))


def _read_pictures(
    db: sqlite3.Connection, question: Question, run: _Run, order: str
) -> list[Picture]:
    """The first pictures of a run in an order, as many as are compared."""
    where, values = make_filter(question)
    rows = make_cursor(db).execute(
        f"SELECT {', '.join(Picture._fields)} FROM records WHERE {where} AND profile_sha256 = ?"  # noqa: S608
        f" AND finished BETWEEN ? AND ? ORDER BY {order} LIMIT {_MOST_COMPARED}",
        (*values, run.profile_sha256, run.first, run.last),
    )
    return [Picture._make(row) for row in rows]


def judge_change(before: Sequence[Picture], after: Sequence[Picture]) -> Change:
    """Return what a change of profile did, by the pictures on both sides, the oldest first."""
    change = Change(
        parse_moment(after[0].finished), _sum_up_side(before), _sum_up_side(after), 0, "unclear", ""
    )
    key = "share_lost"
    if {each.tolerance for each in before} != {each.tolerance for each in after}:
        # a share over another tolerance is another measure; the mean loss is the same one
        key = "delta_e_mean"
    measure = "share lost" if key == "share_lost" else "mean ΔE00, as the tolerance changed too"
    pairs = _find_pairs(before, after, key)
    change = replace(change, pairs=len(pairs))
    if len(pairs) >= ENOUGH_PAIRS:
        worse = sum(new > old for old, new in pairs)
        better = sum(new < old for old, new in pairs)
        difference = fmean(new - old for old, new in pairs)
        sure = _test_signs(worse, better) < _SURE_BY_PAIRS
        why = f"by {len(pairs)} pictures made with both, {worse} of them worse ({measure})"
    else:
        old, new = _list_values(before, key), _list_values(after, key)
        if min(len(old), len(new)) < ENOUGH:
            return replace(change, why="too few pictures to tell")
        difference = fmean(new) - fmean(old)
        sure = _test_ranks(old, new) < _SURE
        why = f"by different pictures before and after ({measure}): a hint, no proof"
    if not sure or abs(difference) < _WORTH_SAYING[key]:
        return replace(change, verdict="same", why=why)
    return replace(change, verdict="more" if difference > 0 else "less", why=why)


def _sum_up_side(pictures: Sequence[Picture]) -> Side:
    last = pictures[-1]
    return Side(
        profile=f"{last.profile} ({(last.profile_sha256 or '')[:8]})",
        pictures=len(pictures),
        lost=_average([each.share_lost for each in pictures]),
        delta_e=_average([each.delta_e_mean for each in pictures]),
    )


def _find_pairs(
    before: Sequence[Picture], after: Sequence[Picture], key: str
) -> list[tuple[float, float]]:
    """Measures of originals made with both profiles: of each the last before, the first after."""
    old = {each.original_sha256: getattr(each, key) for each in before}
    new = {each.original_sha256: getattr(each, key) for each in reversed(after)}
    both = [name for name in new if name is not None and name in old]
    return [
        (old[name], new[name]) for name in both if old[name] is not None and new[name] is not None
    ]


def _test_signs(worse: int, better: int) -> float:
    """Probability of so uneven a count, or a more uneven one, by chance: two-sided sign test."""
    number = worse + better
    tail = sum(math.comb(number, k) for k in range(min(worse, better) + 1))
    return min(1.0, 2 * tail * 0.5**number)


def _test_ranks(old: Sequence[float], new: Sequence[float]) -> float:
    """Probability by the Mann-Whitney U test, two-sided: normal approximation with ties.

    Conover, Practical Nonparametric Statistics, 3rd edition, section 5.1. SciPy has it too, but
    to load that takes longer than the whole page.
    """
    ranks, ties, place = {}, 0, 0
    for value, those in itertools.groupby(sorted([*old, *new])):
        number = len(list(those))
        ranks[value] = place + (number + 1) / 2
        ties += number**3 - number
        place += number
    both = len(old) * len(new)
    u = sum(ranks[value] for value in new) - len(new) * (len(new) + 1) / 2
    variance = both / 12 * (place + 1 - ties / (place * (place - 1)))
    if variance <= 0:
        return 1.0
    # half a step nearer to the middle: a count is compared with a continuous distribution
    z = max(0.0, abs(u - both / 2) - 0.5) / math.sqrt(variance)
    return math.erfc(z / math.sqrt(2))


def _list_values(pictures: Sequence[Picture], key: str) -> list[float]:
    return [value for each in pictures if (value := getattr(each, key)) is not None]


def _average(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return fmean(known) if known else None


def to_utc(at: datetime) -> datetime:
    """The same moment in UTC, whose differences are true also over a change of the clock."""
    return at.astimezone(UTC)
