"""A question as a person asks it, in words, and how the command and the desk understand it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from hotfolder.audit.choices import Sort, Statistic
from hotfolder.audit.periods import parse_period
from hotfolder.audit.question import Question
from hotfolder.errors import Problem, SettingsError
from hotfolder.measured.off_spans import read_off_spans
from hotfolder.model.ends import End
from hotfolder.model.units import parse_quantity
from hotfolder.settings.files import read_surface
from hotfolder.settings.root import Root


@dataclass(frozen=True)
class Asked:
    """What is asked, as it was said; None or empty: it does not matter."""

    destinations: tuple[str, ...] = ()
    during: str | None = None
    since: str | None = None
    until: str | None = None
    batch: str | None = None
    states: tuple[End, ...] = ()
    lost_above: str | None = None
    out_of_gamut_above: str | None = None
    delta_e_above: float | None = None
    statistic: Statistic = Statistic.P95
    hues: tuple[str, ...] = ()
    profile: str | None = None
    name: str | None = None
    sha256: str | None = None
    machine: str | None = None
    released: bool = False
    medium_off: bool = False
    sort: Sort = Sort.TIME
    reverse: bool = False
    limit: int | None = None


def read_question(asked: Asked, now: datetime, root: Root) -> Question:
    """Understand a question.

    Parameters
    ----------
    asked
        What was said.
    now
        From which "last month" is counted.
    root
        Whose measured strips say when a medium was off.

    Raises
    ------
    SettingsError
        When a period or a share is none.
    StorageError
        When what was measured cannot be read, and it is asked for.
    """
    during = parse_period(asked.during, now, "--during") if asked.during else None
    begin, end = (during.start, during.end) if during else (None, None)
    off = read_off_spans(root, asked.destinations) if asked.medium_off else None
    return Question(
        destinations=asked.destinations,
        since=parse_period(asked.since, now, "--since").start if asked.since else begin,
        until=parse_period(asked.until, now, "--until").end if asked.until else end,
        batch=asked.batch,
        states=asked.states or ((End.DELIVERED,) if asked.medium_off else ()),
        lost_above=_parse_share(asked.lost_above, "--lost-above"),
        out_of_gamut_above=_parse_share(asked.out_of_gamut_above, "--out-of-gamut-above"),
        delta_e_above=asked.delta_e_above,
        statistic=asked.statistic,
        hues=tuple(each.lower() for each in asked.hues),
        profile=asked.profile,
        name=asked.name,
        sha256=asked.sha256,
        machine=asked.machine,
        sort=asked.sort,
        reverse=asked.reverse,
        limit=asked.limit,
        released=asked.released,
        surfaces={path.stem: read_surface(path) for path in root.destinations.glob("*.toml")},
        off=None if off is None else tuple(off),
    )


def _parse_share(text: str | None, option: str) -> float | None:
    if text is None:
        return None
    try:
        return parse_quantity(text, {"%": 0.01}, "5 %")
    except ValueError as error:
        raise SettingsError([Problem(option, "", text, str(error))]) from None
