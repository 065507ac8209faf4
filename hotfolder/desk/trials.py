"""Trying a change out before it is decided: what it would look like, and be held for.

A trial is made as `hotfolder proof` makes one (`work.trial`), in a temporary folder, one after the
other: the daemon's work goes first. What a person is told of is kept for a while, so that their
yes is a yes to what they have seen.
"""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from hotfolder.desk.pictures import take_views
from hotfolder.desk.reading import folders_of
from hotfolder.disk import durable
from hotfolder.disk.pulse import Errand
from hotfolder.ending.decision import plan_change
from hotfolder.ending.held_folder import find_held, place_before
from hotfolder.ending.kept import KeptOriginals
from hotfolder.ending.release import find_worse
from hotfolder.errors import HotfolderError, StorageError
from hotfolder.ledger.reading import JobRow, open_reader, read_job
from hotfolder.model.records import SHEET, Changes, Reason, Release, ResultRecord
from hotfolder.model.wishes import Wish
from hotfolder.pages.words import describe_changes
from hotfolder.settings.root import Root
from hotfolder.stages.registry import load_registry
from hotfolder.stages.roles import Role
from hotfolder.work.neighbours import find_neighbours
from hotfolder.work.trial import Trial, try_out, with_stage, workplace

_MOST_KEPT: Final = 12
_MOST_WAITING: Final = 4
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
    worse: tuple[Reason, ...]
    """Of that, what the person was not told of before, or less of: it needs another yes."""
    results: tuple[ResultRecord, ...]
    views: dict[str, bytes]
    """Pictures of its proof sheet, by the name of the view."""


@dataclass
class Tried:
    """A change to one held job that a person asked about."""

    job: str
    stamp: str
    """What the person had seen of the job."""
    asked: tuple[str, ...]
    """Changes as ``stage.key=value``."""
    wishes: tuple[Wish, ...]
    says: str
    """The change in words."""
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


class Trials:
    """Changes that are, or were, tried out at this desk."""

    def __init__(self, root: Root) -> None:
        self._root = root
        self._tried: OrderedDict[str, Tried] = OrderedDict()
        self._lock = threading.Lock()
        self._ending = threading.Event()
        self._turn = threading.Lock()

    def find(self, job: str, trial: str) -> Tried | None:
        """Find what was asked about a job; None when it is not kept any more."""
        found = self._tried.get(trial)
        return found if found and found.job == job else None

    def begin(self, row: JobRow, stamp: str, asked: Sequence[str], wishes: Sequence[Wish]) -> Tried:
        """Begin to try a change out, in a thread of its own.

        Raises
        ------
        SettingsError, StageError
            When the change is not right.
        TooMany
            When others wait already.
        """
        planned = plan_change(self._root, row, asked, wishes)
        tried = Tried(row.id, stamp, tuple(asked), tuple(wishes), _say(planned.changes))
        with self._lock:
            if sum(not each.is_done for each in self._tried.values()) >= _MOST_WAITING:
                raise TooMany("Others are being tried out already. Ask again in a moment.")
            self._tried[tried.id] = tried
            done = [key for key, each in self._tried.items() if each.is_done]
            for key in done[: max(0, len(self._tried) - _MOST_KEPT)]:
                del self._tried[key]
        Errand("trial", lambda: self._run(tried))
        return tried

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
        planned = plan_change(self._root, row, tried.asked, tried.wishes)
        showing = load_registry(self._root.plugins).name_in_role(
            Role.SHEET, planned.after.file.stages
        )
        raw = with_stage(planned.after, showing, {})

        def tell(doing: str, share: float) -> None:
            tried.doing, tried.share = doing, share
            if self._ending.is_set():
                raise _Ending("the desk is ending")

        with workplace() as folder:
            tell("reading", 0.0)
            image = _find_original(self._root, row)
            with open_reader(self._root.ledger) as ledger:
                neighbours = find_neighbours(ledger, row, planned.after)
            trial = try_out(
                self._root, image, planned.after, raw, folder, tell, neighbours=neighbours
            )
            reasons = trial.work.reasons if trial.work else ()
            told = Release(who="", why="", at=datetime.now(UTC), waived=row.record.reasons)
            return Outcome(
                end=trial.end,
                told=tuple(trial.reasons),
                worse=tuple(find_worse(reasons, told)),
                results=trial.work.results if trial.work else (),
                views=_read_views(trial),
            )


def _find_original(root: Root, row: JobRow) -> Path:
    """Find a held job's original with the bytes that it had.

    Raises
    ------
    StorageError
        When it is nowhere any more.
    """
    places = [KeptOriginals(root.kept).find(row.id)]
    if row.placement:
        places.append(Path(row.placement.kept))
    folders, before = folders_of(root, row.destination), place_before(row)
    found = find_held(row, folders.held, *([before] if before else []))
    if found and row.record:
        places.append(found / Path(row.record.original_kept).name)
    for path in places:
        if path and row.sha256 and durable.has_bytes(path, row.sha256):
            return path
    raise StorageError(f"The original of {row.id} is not there any more as it was held.")


def _read_views(trial: Trial) -> dict[str, bytes]:
    pages = (
        [each.path for each in trial.work.attachments if each.kind == SHEET] if (trial.work) else []
    )
    if not pages:
        return {}
    with durable.open_to_read(trial.folder / pages[0]) as file:
        sheet = file.read(_MOST_PAGE_BYTES + 1)
    return dict(take_views(sheet)) if len(sheet) <= _MOST_PAGE_BYTES else {}


def _say(changes: Changes) -> str:
    return describe_changes(
        {
            stage: {key: value for key, value in settings.items() if value is not None}
            for stage, settings in changes.items()
        }
    )
