"""The page about what was measured: verdict, patches as wanted and as measured, control charts.

Patches are shown as an instrument sees them, against the perfect diffuser; what a screen cannot
show is clipped to sRGB. All else is grey.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
from markupsafe import Markup

from hotfolder.audit.question import Question, ask
from hotfolder.colour.difference import delta_e_00
from hotfolder.errors import StorageError
from hotfolder.logs import utc_now
from hotfolder.measured.book import Book
from hotfolder.measured.control_strip import COLUMNS, ControlStrip
from hotfolder.measured.drift import FAMILY_LIMIT, limits_of
from hotfolder.measured.in_words import ENDS_IN_WORDS, NUMBERS_IN_WORDS
from hotfolder.measured.limits import LimitSet
from hotfolder.measured.off_spans import OffSpan, find_off_spans
from hotfolder.measured.records import Photographed, Verdict
from hotfolder.measured.under_lamps import UnderLamp, find_under_lamps
from hotfolder.measured.verdict import chart_prints, followed
from hotfolder.model.destination import Viewing
from hotfolder.model.ends import End
from hotfolder.overview.lab_hex import lab_to_hex
from hotfolder.pages.frame import load_template, source_hash, style, text_of
from hotfolder.pages.words import describe_viewing
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root

WIDTH: Final = 360
LEFT: Final = 44
RIGHT: Final = 10
TOP, BOTTOM = 10, 94
"""Of the values: above, each print less the first."""
AVERAGE_TOP, AVERAGE_BOTTOM = 108, 160
"""Of the average: below, in standard deviations, between its limits."""
HEIGHT: Final = 172

_LEAST_SPAN: Final = 1.0
_SHOWN_BEYOND: Final = 1.5
"""So much room there is around the limits of an average."""
_MOST_BEYOND: Final = 3.0
"""How far beyond its limits an average is drawn, as a factor; further is cut off."""
_MOST_PRINTS: Final = 120
_MOST_PICTURES: Final = 500
_MOST_PHOTOGRAPHS: Final = 12


@dataclass(frozen=True)
class DrawnChart:
    """The control chart of one number, in the units of its drawing, y downwards."""

    title: str
    says: str
    """In words how it stands."""
    alarm: bool
    span: float
    """What is at the upper edge of the values, and its negative at the lower one."""
    dots: tuple[tuple[float, float, str, bool], ...]
    """x, y, what a pointer over it is told, and whether the print is concerned by the alarm."""
    average: str
    """Points of a line."""
    limits: tuple[str, str]
    """Points of the upper and of the lower limit."""
    since_x: float | None
    """Where the first print concerned is."""


def collect_page(
    title: str,
    verdicts: Sequence[Verdict],
    strip: ControlStrip | None,
    limits: Mapping[str, LimitSet],
    db: sqlite3.Connection | None,
    *,
    make_strip: str,
    is_current: bool,
    lit: Lit | None = None,
    photographs: Sequence[Photographed] = (),
) -> dict[str, object]:
    """Collect what a page about a destination's measurements shows.

    Parameters
    ----------
    title
        Of the destination.
    verdicts
        On it, oldest first.
    strip
        The one that was measured last; None when it is not remembered.
    limits
        Sets of limits, by name.
    db
        The ledger, opened for reading, for pictures that are concerned; None: they are not listed.
    make_strip
        The command that makes a strip of the destination.
    is_current
        Whether the strip was made with the profile of today.
    lit
        The light in which prints are judged, and what they become under lamps.
    photographs
        What photographs said, oldest first; they stand apart from `verdicts`.
    """
    last = verdicts[-1] if verdicts else None
    own = [each for each in verdicts if last and each.chart == last.chart]
    span = next(iter(find_off_spans(verdicts)[-1:]), None)
    open_span = span if span and span.until is None else None
    concerned, between = _list_concerned(db, open_span) if db and open_span else ([], 0)
    return {
        "title": title,
        "now": utc_now(),
        "last": last,
        "make_strip": make_strip,
        "is_current": is_current,
        "prints": len(own),
        "first": own[0] if own else None,
        "within": [
            {"name": name, "title": limits[name].title if name in limits else name, "is": each}
            for name, each in (last.within.items() if last else ())
        ],
        "span": open_span,
        "concerned": concerned,
        "between": between,
        "judged_in": describe_viewing(lit.viewing) if lit and lit.viewing else "",
        "lamps": lit.lamps if lit else (),
        "photographed": [
            {"said": each, "numbers": [
                (NUMBERS_IN_WORDS.get(key, key), number) for key, number in each.drift.items()
            ]}
            for each in reversed(photographs[-_MOST_PHOTOGRAPHS:])
        ],
        "rows": _draw_patches(last, strip) if last and strip else [],
        "charts": _draw_charts(own, strip) if strip else [],
        "geometry": {
            "width": WIDTH, "left": LEFT, "right": WIDTH - RIGHT, "top": TOP, "bottom": BOTTOM,
            "average_top": AVERAGE_TOP, "average_bottom": AVERAGE_BOTTOM, "height": HEIGHT,
        },
        "verdicts": [
            {"verdict": each, "file": each.file, "alarm": each.has_alarm}
            for each in reversed(verdicts[-_MOST_PRINTS:])
        ],
    }  # fmt: skip


@dataclass(frozen=True)
class Lit:
    """In which light a destination's prints are judged."""

    viewing: Viewing | None
    """As its settings say."""
    lamps: tuple[UnderLamp, ...]
    """What the latest print becomes under each; none where its spectra are not known."""


def light_up(
    root: Root, destination: Destination, verdicts: Sequence[Verdict], strip: ControlStrip | None
) -> Lit:
    """Find out what a destination's latest print becomes under lamps, for `collect_page`.

    Raises
    ------
    StorageError
        When a measurement that is there cannot be read.
    """
    viewing = destination.file.medium.viewing
    if strip is None or not verdicts:
        return Lit(viewing, ())
    last = verdicts[-1]
    first = next(each for each in verdicts if each.chart == last.chart)
    book, lamp = Book(root, destination.name), viewing.lamp if viewing else None
    try:
        lamps = find_under_lamps(book, strip, last, None if first is last else first, lamp)
    except OSError as error:
        raise StorageError(f"{error.filename}: {error.strerror or error}") from error
    return Lit(viewing, tuple(lamps))


def make_page(found: Mapping[str, object]) -> str:
    """Make the page from what `collect_page` has found: one file that needs nothing else."""
    look = style({}, text_of("hotfolder.pages", "measured.css"))
    return load_template("hotfolder.pages", "measured.html").render(
        found=found,
        style=Markup(look),  # noqa: S704 - ours alone
        style_hash=source_hash(look),
    )


def _list_concerned(db: sqlite3.Connection, span: OffSpan) -> tuple[list[dict[str, object]], int]:
    """Pictures delivered since the first print concerned, and how many before it may be."""
    asked = Question(
        destinations=(span.destination,), states=(End.DELIVERED,), off=(span,), limit=_MOST_PICTURES
    )
    found = [{key: row[key] for key in ("name", "finished", "job")} for row in ask(db, asked)]
    if span.good_before is None:
        return found, 0
    before = Question(
        destinations=(span.destination,),
        states=(End.DELIVERED,),
        since=span.good_before,
        until=span.since,
    )
    return found, len(ask(db, before))


def _draw_patches(last: Verdict, strip: ControlStrip) -> list[list[dict[str, object]]]:
    lab = np.array(last.lab)
    apart = delta_e_00(lab, strip.lab)
    made = [
        {
            "name": each.name,
            "kind": each.kind,
            "wanted": lab_to_hex(strip.lab[at]),
            "measured": lab_to_hex(lab[at]),
            "delta_e_00": float(apart[at]),
            "wanted_lab": tuple(strip.lab[at]),
            "measured_lab": tuple(lab[at]),
            "is_worst": each.name == last.worst_patch,
        }
        for at, each in enumerate(strip.patches)
    ]
    return [made[at : at + COLUMNS] for at in range(0, len(made), COLUMNS)]


def _draw_charts(own: Sequence[Verdict], strip: ControlStrip) -> list[DrawnChart]:
    prints = [np.array(each.lab) for each in own if each.strip == strip.id]
    if not prints:
        return []
    moments = [datetime.fromisoformat(each.judged) for each in own if each.strip == strip.id]
    numbers = [followed(each, strip) for each in prints]
    found = chart_prints(prints, strip)
    across = _place_across(len(prints))
    limits = limits_of(max(1, len(prints) - 1), limit=FAMILY_LIMIT)
    drawn = []
    for key, each in found.items():
        values = np.array([number[key] - numbers[0][key] for number in numbers])
        span = max(_LEAST_SPAN, float(np.ceil(np.abs(values).max() * 2) / 2))
        dots = tuple(
            (
                across[at],
                _place(value, span, TOP, BOTTOM),
                f"{own[at].file}, {moments[at].astimezone():%Y-%m-%d}: {value:+.2f}",
                each.since is not None and at >= each.since,
            )
            for at, value in enumerate(values.tolist())
        )
        furthest = max((abs(average) for average in each.path), default=0.0)
        reach = max(limits.max() * _SHOWN_BEYOND, min(furthest, limits.max() * _MOST_BEYOND)) * 1.05
        path = list(zip(across[1:], each.path, strict=True))
        drawn.append(
            DrawnChart(
                title=NUMBERS_IN_WORDS.get(key, key),
                says=_say(key, float(values[-1]), each.since, own),
                alarm=each.alarm,
                span=span,
                dots=dots,
                average=_points(path, reach),
                limits=(
                    _points(list(zip(across[1:], limits.tolist(), strict=False)), reach),
                    _points(list(zip(across[1:], (-limits).tolist(), strict=False)), reach),
                ),
                since_x=None if each.since is None else across[each.since],
            )
        )
    worst = {NUMBERS_IN_WORDS.get(key, key): abs(each.ewma) for key, each in found.items()}
    return sorted(drawn, key=lambda each: -worst[each.title] if each.alarm else 0)


def _say(key: str, value: float, since: int | None, own: Sequence[Verdict]) -> str:
    if since is None:
        return f"{value:+.2f} since the first print; no alarm"
    more, less = ENDS_IN_WORDS[key.rpartition("_")[2]]
    return f"Alarm: {value:+.2f}, {more if value > 0 else less}, from {own[since].file} on"


def _place_across(count: int) -> list[float]:
    room = WIDTH - LEFT - RIGHT - 10
    return [round(LEFT + 5 + room * at / max(1, count - 1), 1) for at in range(count)]


def _place(value: float, span: float, top: float, bottom: float) -> float:
    middle, half = (top + bottom) / 2, (bottom - top) / 2
    return round(middle - half * max(-1.0, min(1.0, value / span)), 1)


def _points(path: Sequence[tuple[float, float]], reach: float) -> str:
    return " ".join(f"{x},{_place(y, reach, AVERAGE_TOP, AVERAGE_BOTTOM)}" for x, y in path)
