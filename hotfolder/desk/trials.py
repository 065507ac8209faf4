"""Trying changes out before one is decided: what each would look like, and be held for.

A trial is made as `hotfolder proof` makes one (`work.trial`), in a temporary folder, one after the
other: the daemon's work goes first. What a person is told of is kept for a while, so that their
yes is a yes to what they have seen.
"""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Final

from hotfolder.desk.pictures import take_numbers, take_views
from hotfolder.desk.proofs import Measure, list_measures
from hotfolder.disk import durable
from hotfolder.disk.pulse import Errand
from hotfolder.ending.decision import plan_change
from hotfolder.ending.elsewhere import find_original
from hotfolder.ending.release import find_worse
from hotfolder.errors import HotfolderError, StorageError
from hotfolder.ledger.reading import JobRow, open_reader, read_job
from hotfolder.model.records import (
    SHEET,
    Changes,
    Reason,
    Record,
    Release,
    ResultRecord,
    WayOn,
    WorkRecord,
)
from hotfolder.model.wishes import IntentWish, LongEdgeWish, RenderingWish, Wish
from hotfolder.pages.words import describe_changes
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root
from hotfolder.stages.registry import load_registry
from hotfolder.stages.roles import Role, SheetFindings
from hotfolder.work.neighbours import find_neighbours
from hotfolder.work.trial import (
    Trial,
    destinations,
    read_findings,
    say_places,
    try_out,
    with_stage,
    workplace,
)

MOST_BESIDE: Final = 6
"""Alternatives that are shown next to each other."""

_MOST_KEPT: Final = 18
_MOST_SETS: Final = 12
_MOST_WAITING: Final = 12
_MOST_PAGE_BYTES = 16 * 2**20


class TooMany(StorageError):
    """More is being tried out than this machine does at once."""


class _Ending(HotfolderError):
    """The desk ends."""


@dataclass(frozen=True)
class Outcome:
    """What a change would come to."""

    end: str
    """``delivered``, ``held``, ``refused`` or ``failed``."""
    told: tuple[str, ...]
    """Why it would not simply be delivered, as sentences."""
    warned: tuple[str, ...]
    """What people should know of it that they were not told before, as sentences."""
    worse: tuple[Reason, ...]
    """Of that, what the person was not told of before, or less of: it needs another yes."""
    results: tuple[ResultRecord, ...]
    views: dict[str, bytes]
    """Pictures of its proof sheet, by the name of the view."""
    numbers: bytes | None
    """L*a*b* of both sides; see `hotfolder.pages.numbers`."""
    shown: SheetFindings | None
    """What was measured when its proof sheet was made."""
    measures: tuple[Measure, ...]


@dataclass(frozen=True)
class Idea:
    """What could be made of a picture instead."""

    title: str
    """As a person calls it."""
    asked: tuple[str, ...] = ()
    """Changes as ``stage.key=value``."""
    wishes: tuple[Wish, ...] = ()
    destination: str = ""
    """Another destination; "" for the job's own."""


def idea_of(way: WayOn) -> Idea:
    """Read what a way on says in words for the command ``release``."""
    asked: list[str] = []
    wishes: list[Wish] = []
    for option, value in zip(way.options[::2], way.options[1::2], strict=False):
        match option:
            case "--set":
                asked.append(value)
            case "--long-edge":
                wishes.append(LongEdgeWish(value))
            case "--intent":
                wishes.append(IntentWish(value))
            case "--rendering":
                wishes.append(RenderingWish(value))
    return Idea(way.says[:1].upper() + way.says[1:], tuple(asked), tuple(wishes))


@dataclass
class Tried:
    """An idea for one held job that a person asked about."""

    job: str
    stamp: str
    """What the person had seen of the job."""
    idea: Idea
    says: str
    """The change in words; "" when there is none."""
    at: tuple[tuple[float, float], ...] = ()
    """Places to be shown, as shares of the original's sides; the worst when there are none."""
    id: str = field(default_factory=lambda: secrets.token_urlsafe(12))
    doing: str = "waits for its turn"
    share: float = 0.0
    outcome: Outcome | None = None
    problem: str = ""
    """Why it could not be tried out; "" when it was, or will be."""

    @property
    def is_done(self) -> bool:
        """Whether there is an answer."""
        return self.outcome is not None or bool(self.problem)

    @property
    def can_be_decided(self) -> bool:
        """Whether the job can be let go with it: a change at its own destination."""
        return bool(self.says) and not self.idea.destination

    @property
    def can_be_sent(self) -> bool:
        """Whether its original can be dropped into the destination that it was tried for."""
        return bool(self.idea.destination) and self.outcome is not None


@dataclass(frozen=True)
class Beside:
    """Several ideas for one job, to be looked at next to each other."""

    job: str
    stamp: str
    tried: tuple[Tried, ...]
    id: str = field(default_factory=lambda: secrets.token_urlsafe(12))

    @property
    def is_done(self) -> bool:
        """Whether there is an answer to all of them."""
        return all(each.is_done for each in self.tried)


class Trials:
    """Changes that are, or were, tried out at this desk."""

    def __init__(self, root: Root) -> None:
        self._root = root
        self._tried: OrderedDict[str, Tried] = OrderedDict()
        self._beside: OrderedDict[str, Beside] = OrderedDict()
        self._lock = threading.Lock()
        self._ending = threading.Event()
        self._turn = threading.Lock()

    def find(self, job: str, trial: str) -> Tried | None:
        """Find what was asked about a job; None when it is not kept any more."""
        found = self._tried.get(trial)
        return found if found and found.job == job else None

    def find_beside(self, job: str, name: str) -> Beside | None:
        """Find ideas that were asked about together; None when they are not kept any more."""
        found = self._beside.get(name)
        return found if found and found.job == job else None

    def begin(
        self, row: JobRow, stamp: str, idea: Idea, at: Sequence[tuple[float, float]] = ()
    ) -> Tried:
        """Begin to try a change out, in a thread of its own.

        Raises
        ------
        SettingsError, StageError
            When the change is not right.
        TooMany
            When others wait already.
        """
        (tried,) = self._begin(row, stamp, [idea], at)
        return tried

    def begin_beside(
        self, row: JobRow, stamp: str, ideas: Sequence[Idea], at: Sequence[tuple[float, float]]
    ) -> Beside:
        """Begin to try several ideas out, one after the other; raises as `begin` does."""
        beside = Beside(row.id, stamp, tuple(self._begin(row, stamp, ideas, at)))
        with self._lock:
            self._beside[beside.id] = beside
            while len(self._beside) > _MOST_SETS:
                self._beside.popitem(last=False)
        return beside

    def _begin(
        self, row: JobRow, stamp: str, ideas: Sequence[Idea], at: Sequence[tuple[float, float]]
    ) -> list[Tried]:
        begun = []
        for idea in ideas:
            after, changes = self._plan(row, idea)
            if idea.destination:
                idea = replace(idea, title=f"For {after.file.title or after.name}")  # noqa: PLW2901
            begun.append(Tried(row.id, stamp, idea, _say(changes), tuple(at)))
        with self._lock:
            waiting = sum(not each.is_done for each in self._tried.values())
            if waiting + len(begun) > _MOST_WAITING:
                raise TooMany("Others are being tried out already. Ask again in a moment.")
            self._tried.update((each.id, each) for each in begun)
            done = [key for key, each in self._tried.items() if each.is_done]
            for key in done[: max(0, len(self._tried) - _MOST_KEPT)]:
                del self._tried[key]

        def run_all() -> None:
            for each in begun:
                self._run(each)

        Errand("trial", run_all)
        return begun

    def _plan(self, row: JobRow, idea: Idea) -> tuple[Destination, Changes]:
        """Return the destination as it would be, and what is changed of it."""
        if idea.destination:
            (found,) = destinations(self._root, [idea.destination])
            return found, {}
        planned = plan_change(self._root, row, idea.asked, idea.wishes)
        return planned.after, planned.changes

    def end(self) -> None:
        """Stop what is being tried out."""
        self._ending.set()

    def _run(self, tried: Tried) -> None:
        try:
            with self._turn:
                tried.outcome = self._try(tried)
        except _Ending:
            tried.problem = "The desk is ending."
        except (HotfolderError, OSError) as error:
            tried.problem = str(error)

    def _try(self, tried: Tried) -> Outcome:
        row = read_job(self._root.ledger, tried.job)
        if row is None or row.record is None:
            raise StorageError("There is no such job any more.")
        after, _ = self._plan(row, tried.idea)
        showing = load_registry(self._root.plugins).name_in_role(Role.SHEET, after.file.stages)
        raw = with_stage(after, showing, {"at": say_places(tried.at)} if tried.at else {})

        def tell(doing: str, share: float) -> None:
            tried.doing, tried.share = doing, share
            if self._ending.is_set():
                raise _Ending("the desk is ending")

        with workplace() as folder:
            tell("reading", 0.0)
            image = find_original(self._root, row)
            with open_reader(self._root.ledger) as ledger:
                neighbours = find_neighbours(ledger, row, after)
            trial = try_out(self._root, image, after, raw, folder, tell, neighbours=neighbours)
            reasons = trial.work.reasons if trial.work else ()
            told = Release(who="", why="", at=datetime.now(UTC), waived=row.record.reasons)
            shown = read_findings(trial, showing, SheetFindings)
            sheet = _read_sheet(trial)
            return Outcome(
                end=trial.end,
                told=tuple(trial.reasons),
                warned=_list_new_warnings(trial.work, row.record),
                worse=tuple(find_worse(reasons, told)),
                results=trial.work.results if trial.work else (),
                views=dict(take_views(sheet)),
                numbers=take_numbers(sheet),
                shown=shown,
                measures=tuple(list_measures(trial.work, shown)) if trial.work else (),
            )


def _list_new_warnings(work: WorkRecord | None, before: Record) -> tuple[str, ...]:
    known = {each.message for each in before.warnings}
    warnings = work.warnings if work else ()
    return tuple(each.message for each in warnings if each.message not in known)


def _read_sheet(trial: Trial) -> bytes:
    """Read a trial's proof sheet; nothing when it has none."""
    work = trial.work
    pages = [each.path for each in work.attachments if each.kind == SHEET] if work else []
    if not pages:
        return b""
    with durable.open_to_read(trial.folder / pages[0]) as file:
        sheet = file.read(_MOST_PAGE_BYTES + 1)
    return sheet if len(sheet) <= _MOST_PAGE_BYTES else b""


def _say(changes: Changes) -> str:
    return describe_changes(
        {
            stage: {key: value for key, value in settings.items() if value is not None}
            for stage, settings in changes.items()
        }
    )
