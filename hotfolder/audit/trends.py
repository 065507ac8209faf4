"""What a destination loses and holds over time, and what each change of its profile did to that.

Trends look at all pictures of a destination in the time in question, whatever else was asked:
a mean over only those that lost much would say nothing.
"""

from __future__ import annotations

import itertools
import math
import sqlite3
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from operator import attrgetter, itemgetter
from statistics import fmean
from typing import Final, NamedTuple

from hotfolder.audit.question import Question, as_text, plain, select_all

ENOUGH: Final = 8
"""Pictures on each side of a change from which different pictures are compared at all."""

ENOUGH_PAIRS: Final = 5
"""Pictures made with both profiles from which they decide."""

_MOST_COMPARED = 500
_SURE, _SURE_BY_PAIRS = 0.01, 0.05
_WORTH_SAYING = {"share_lost": 0.001, "delta_e_mean": 0.05}  # our own judgement
_SPANS = (
    (timedelta(days=2), "hour"),
    (timedelta(days=62), "day"),
    (timedelta(days=400), "week"),
)


class Picture(NamedTuple):
    """One job as trends see it.

    finished: UTC, as records have it, which sorts as text: a hundred thousand times are not read,
    only those that are shown; shares 0 … 1; delta_e_mean: ΔE00.
    """

    finished: str
    share_lost: float | None
    delta_e_mean: float | None
    tolerance: float | None
    was_held: bool
    profile: str | None
    profile_sha256: str | None
    original_sha256: str | None

    @property
    def at(self) -> datetime:
        """When it ended, in local time."""
        return datetime.fromisoformat(self.finished).astimezone()


@dataclass(frozen=True)
class Bucket:
    """Pictures of one hour, day, week or month. lost: mean share, None when nothing measured it."""

    start: datetime
    end: datetime
    pictures: int
    lost: float | None
    held: float


@dataclass(frozen=True)
class Side:
    """Pictures before, or after, a change of profile; means over those that were measured."""

    profile: str
    pictures: int
    lost: float | None
    delta_e: float | None


@dataclass(frozen=True)
class Change:
    """A destination's profile became another one. verdict: "more", "less", "same", "unclear"."""

    at: datetime
    before: Side
    after: Side
    pairs: int
    verdict: str
    why: str


@dataclass(frozen=True)
class Trend:
    """One destination over time. unit: hour, day, week or month."""

    destination: str
    unit: str
    buckets: tuple[Bucket, ...]
    changes: tuple[Change, ...]


def trends(db: sqlite3.Connection, question: Question) -> list[Trend]:
    """Return a trend for each destination in question that has any picture."""
    asked = Question(
        destinations=question.destinations,
        since=question.since,
        until=question.until,
        batch=question.batch,
    )
    columns = (
        "destination, finished, share_lost, delta_e_mean, tolerance, was_held, profile,"
        " profile_sha256, original_sha256"
    )
    rows = plain(db).execute(*select_all(asked, columns))
    return [
        trend_of(destination, [Picture._make(row[1:]) for row in those])
        for destination, those in itertools.groupby(rows, key=itemgetter(0))
    ]


def trend_of(destination: str, pictures: Sequence[Picture]) -> Trend:
    """Return the trend of one destination's pictures, the oldest first."""
    span = pictures[-1].at - pictures[0].at
    unit = next((unit for most, unit in _SPANS if span <= most), "month")
    return Trend(destination, unit, _buckets(pictures, unit), tuple(_changes(pictures)))


def _buckets(pictures: Sequence[Picture], unit: str) -> tuple[Bucket, ...]:
    found = []
    first = 0
    while first < len(pictures):
        start = _floor(pictures[first].at, unit)
        end = _next(start, unit).astimezone()
        after = bisect_left(pictures, as_text(end), lo=first + 1, key=attrgetter("finished"))
        those = pictures[first:after]
        found.append(
            Bucket(
                start=start.astimezone(),
                end=end,
                pictures=len(those),
                lost=_mean([each.share_lost for each in those]),
                held=sum(each.was_held for each in those) / len(those),
            )
        )
        first = after
    return tuple(found)


def _floor(at: datetime, unit: str) -> datetime:
    """The beginning of the hour, day, week or month, in local time without its offset."""
    hour = at.replace(tzinfo=None, minute=0, second=0, microsecond=0)
    if unit == "hour":
        return hour
    day = hour.replace(hour=0)
    if unit == "day":
        return day
    return day - timedelta(days=day.weekday()) if unit == "week" else day.replace(day=1)


def _next(start: datetime, unit: str) -> datetime:
    if unit == "month":
        return (start + timedelta(days=31)).replace(day=1)
    days = {"hour": 1 / 24, "day": 1, "week": 7}[unit]
    return start + timedelta(days=days)


def _changes(pictures: Sequence[Picture]) -> list[Change]:
    runs: list[list[Picture]] = []
    for picture in pictures:
        if picture.profile_sha256 is None:
            continue
        if not runs or runs[-1][-1].profile_sha256 != picture.profile_sha256:
            runs.append([])
        runs[-1].append(picture)
    return [
        _change(before[-_MOST_COMPARED:], after[:_MOST_COMPARED])
        for before, after in itertools.pairwise(runs)
    ]


def _change(before: Sequence[Picture], after: Sequence[Picture]) -> Change:
    change = Change(after[0].at, _side(before), _side(after), 0, "unclear", "")
    key = "share_lost"
    if {each.tolerance for each in before} != {each.tolerance for each in after}:
        # a share over another tolerance is another measure; the mean loss is the same one
        key = "delta_e_mean"
    measure = "share lost" if key == "share_lost" else "mean ΔE00, as the tolerance changed too"
    pairs = _pairs(before, after, key)
    change = replace(change, pairs=len(pairs))
    if len(pairs) >= ENOUGH_PAIRS:
        worse = sum(new > old for old, new in pairs)
        better = sum(new < old for old, new in pairs)
        difference = fmean(new - old for old, new in pairs)
        sure = _sign_test(worse, better) < _SURE_BY_PAIRS
        why = f"by {len(pairs)} pictures made with both, {worse} of them worse ({measure})"
    else:
        old, new = _values(before, key), _values(after, key)
        if min(len(old), len(new)) < ENOUGH:
            return replace(change, why="too few pictures to tell")
        difference = fmean(new) - fmean(old)
        sure = _rank_test(old, new) < _SURE
        why = f"by different pictures before and after ({measure}): a hint, no proof"
    if not sure or abs(difference) < _WORTH_SAYING[key]:
        return replace(change, verdict="same", why=why)
    return replace(change, verdict="more" if difference > 0 else "less", why=why)


def _side(pictures: Sequence[Picture]) -> Side:
    last = pictures[-1]
    return Side(
        profile=f"{last.profile} ({(last.profile_sha256 or '')[:8]})",
        pictures=len(pictures),
        lost=_mean([each.share_lost for each in pictures]),
        delta_e=_mean([each.delta_e_mean for each in pictures]),
    )


def _pairs(
    before: Sequence[Picture], after: Sequence[Picture], key: str
) -> list[tuple[float, float]]:
    """Measures of originals made with both profiles: of each the last before, the first after."""
    old = {each.original_sha256: getattr(each, key) for each in before}
    new = {each.original_sha256: getattr(each, key) for each in reversed(after)}
    both = [name for name in new if name is not None and name in old]
    return [
        (old[name], new[name]) for name in both if old[name] is not None and new[name] is not None
    ]


def _sign_test(worse: int, better: int) -> float:
    """Probability of so uneven a count, or a more uneven one, by chance: two-sided sign test."""
    number = worse + better
    tail = sum(math.comb(number, k) for k in range(min(worse, better) + 1))
    return min(1.0, 2 * tail * 0.5**number)


def _rank_test(old: Sequence[float], new: Sequence[float]) -> float:
    """Probability by the Mann-Whitney U test, two-sided."""
    if len({*old, *new}) == 1:
        return 1.0
    from scipy.stats import mannwhitneyu

    _, probability = mannwhitneyu(old, new, method="asymptotic")
    return float(probability)


def _values(pictures: Sequence[Picture], key: str) -> list[float]:
    return [value for each in pictures if (value := getattr(each, key)) is not None]


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return fmean(known) if known else None


def to_utc(at: datetime) -> datetime:
    """The same moment in UTC, whose differences are true also over a change of the clock."""
    return at.astimezone(UTC)
