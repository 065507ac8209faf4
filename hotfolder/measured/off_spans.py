"""When a medium was off: from the first measured print concerned to the next good one.

Between the last good print and the first bad one nobody knows when it began; pictures of that
time are not counted as concerned, and whoever lists the others says how many there are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from hotfolder.errors import StorageError
from hotfolder.measured.book import Book
from hotfolder.measured.records import Verdict
from hotfolder.settings.root import Root


@dataclass(frozen=True)
class OffSpan:
    """A time in which a destination's medium had drifted, or was not within its limits."""

    destination: str
    since: datetime
    """When the first print concerned was measured."""
    until: datetime | None
    """When a good one was measured; None: it still is so."""
    good_before: datetime | None
    """When the last good one before it was measured; None: there was none."""
    file: str
    """Of the first print concerned."""
    why: str
    """``"drifted"``, ``"out of limits"``, or both."""


def find_off_spans(verdicts: Sequence[Verdict]) -> list[OffSpan]:
    """List the times in which a medium was off, oldest first.

    Parameters
    ----------
    verdicts
        Of one destination, oldest first.
    """
    spans: list[OffSpan] = []
    open_at: int | None = None
    first = _find_first_concerned(verdicts)
    for at, verdict in enumerate(verdicts):
        moment = datetime.fromisoformat(verdict.judged)
        why = first.get(at)
        if why is None:
            if open_at is not None:
                spans[-1] = replace(spans[-1], until=moment)
            open_at = None
            continue
        if open_at is None:
            open_at = at
            before = datetime.fromisoformat(verdicts[at - 1].judged) if at else None
            spans.append(OffSpan(verdict.destination, moment, None, before, verdict.file, why))
        elif why not in spans[-1].why:
            spans[-1] = replace(spans[-1], why=f"{spans[-1].why} and {why}")
    return spans


def read_off_spans(root: Root, destinations: Sequence[str] = ()) -> list[OffSpan]:
    """List the times in which media of a root were off; of all destinations when none is named.

    Raises
    ------
    StorageError
        When what was measured cannot be read.
    """
    try:
        there = sorted(each.name for each in root.measured.iterdir() if each.is_dir())
        return [
            span
            for name in there
            if not destinations or name in destinations
            for span in find_off_spans(Book(root, name).read())
        ]
    except FileNotFoundError:
        return []
    except OSError as error:
        raise StorageError(f"{error.filename}: {error.strerror or error}") from error


def _find_first_concerned(verdicts: Sequence[Verdict]) -> dict[int, str]:
    """Which verdicts are concerned, and why; an alarm concerns prints before it was raised."""
    found: dict[int, str] = {}
    for at, verdict in enumerate(verdicts):
        if any(each is False for each in verdict.within.values()):
            found.setdefault(at, "out of limits")
        if not verdict.has_alarm:
            continue
        files = {each.since for each in verdict.drift.values() if each.alarm}
        same_chart = [place for place in range(at + 1) if verdicts[place].chart == verdict.chart]
        begun = next((place for place in same_chart if verdicts[place].file in files), at)
        for place in same_chart:
            if place >= begun:
                found[place] = "drifted"
    return found
