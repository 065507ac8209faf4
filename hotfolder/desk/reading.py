"""What the pages show, read from outside the daemon: its ledger, its snapshot and the folders.

Nothing here writes, and nothing waits for the daemon. Everything is read in a thread of its own
(`errands`), by a connection that is opened for it and closed again.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Final

from pydantic import ValidationError

from hotfolder.audit.story import list_later
from hotfolder.disk import durable, names
from hotfolder.ending.kept import KeptOriginals
from hotfolder.ending.release import DISCARD_SUFFIX
from hotfolder.ending.why import leave_out_name
from hotfolder.errors import PluginError
from hotfolder.ledger.details import State
from hotfolder.ledger.lock import find_holder
from hotfolder.ledger.reading import JobRow, LedgerReader, open_reader
from hotfolder.model.ends import End
from hotfolder.model.records import Record, WorkRecord
from hotfolder.model.snapshot import read_snapshot
from hotfolder.model.units import Money
from hotfolder.overview.sentences import (
    describe_batches,
    describe_machines,
    describe_problems,
)
from hotfolder.overview.status import Status, collect
from hotfolder.overview.waiting import WaitingThing, describe_job
from hotfolder.pages.words import describe_changes, duration, local_time
from hotfolder.settings.files import read_folders, read_title
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.stages.registry import load_registry
from hotfolder.stages.roles import Role, SheetFindings

PER_PAGE: Final = 24
"""Pictures on one page of a list."""

_MOST_AT_WORK = 12
_AT_FIRST = timedelta(days=1)
_THUMBNAIL = "thumbnail"


SmallOf = Callable[[JobRow], str | None]
"""Returns the address of a held job's small original; None while it is made, "" for none."""


def no_small(_row: JobRow) -> str:
    """Know of no small original."""
    return ""


@dataclass(frozen=True)
class Card:
    """A picture in a list."""

    job: str
    name: str
    """As it was dropped, fit for showing."""
    destination: str
    title: str
    """Of the destination, as people call it."""
    says: tuple[str, ...]
    """Sentences: why it is held, or what is to be looked at."""
    since: datetime
    for_long: str
    """How long that is ago, in words."""
    cost: Money | None
    """Of the material for one print; None when no price is known."""
    thumbnail: str
    """Address of its small picture; "" when there is none."""
    why_bare: str
    """Why there is none, in few words; "" when there is one."""
    shows_original: bool
    """Whether the small picture is the original as it came: no other has been made."""
    stamp: str
    """What it was when it was read; see `stamp_of`."""
    under_way: str = ""
    """What has been decided, where the daemon has not taken it up yet; "" when nothing."""


@dataclass(frozen=True)
class Overview:
    """All that the first page shows."""

    status: Status
    held: tuple[Card, ...]
    held_in_all: int
    page: int
    pages: int
    at_stake: tuple[Money, ...]
    """Of what is on this page, an amount for each currency."""
    stopped: tuple[WaitingThing, ...]
    """What waits for a person and is no held picture."""
    problems: tuple[tuple[str, str], ...]
    """What is wrong with a destination: its name, and a sentence."""
    batches: tuple[str, ...]
    machines: tuple[str, ...]
    """How each machine stands, as sentences; none where there is one machine."""
    at_work: tuple[WaitingThing, ...]
    small: Mapping[str, str]
    """Addresses of small pictures of what is worked on, by its job, as far as there are any."""
    queued: tuple[tuple[str, int], ...]
    """What waits for the program: why, and how many."""
    delivered: tuple[Card, ...]
    """Since `since`, those to be looked at first."""
    delivered_in_all: int
    since: datetime
    read_at: datetime
    """What was delivered later is not on the page."""


@dataclass(frozen=True)
class Story:
    """All that the page of one job shows."""

    row: JobRow
    record: Record | None
    card: Card
    standing: str
    """Where it stands, as a sentence."""
    can_be_decided: bool
    can_be_put_back: bool
    is_kept: bool
    """Whether a copy of the original is kept for the time after it was discarded."""
    is_served: bool
    shown: SheetFindings | None
    """What was measured when its proof sheet was made."""
    came_later: tuple[str, ...] = ()
    """What came after it was delivered and would have served it, as sentences."""


def stamp_of(row: JobRow) -> str:
    """Return what changes whenever something becomes of a job; a decision says what it saw."""
    return row.changed.astimezone(UTC).isoformat(timespec="milliseconds")


def read_overview(
    root: Root, page: int, since: datetime | None, small_of: SmallOf = no_small
) -> Overview:
    """Read the first page.

    Parameters
    ----------
    root
        The root.
    page
        Which of the pages of held pictures, from 1.
    since
        What was delivered after that is shown; None: within a day.
    small_of
        Asked about pictures that were held before a small one was made.

    Raises
    ------
    SettingsError
        When there is no root.
    StorageError
        When the ledger cannot be read.
    """
    read_at = datetime.now(UTC)
    status = collect(root)
    since = since or datetime.now(UTC) - _AT_FIRST
    teller = _Teller(root, status, small_of)
    waiting = status["waiting"]
    ours = [each for each in waiting if each["who"] != "you"]
    at_work = [each for each in ours if each["share"] is not None][:_MOST_AT_WORK]
    with open_reader(root.ledger) as ledger:
        counted = sum(each.get(End.HELD, 0) for each in ledger.count_ended().values())
        pages = max(1, -(-counted // PER_PAGE))
        page = min(max(1, page), pages)
        rows = ledger.undecided(PER_PAGE, (page - 1) * PER_PAGE)
        held = tuple(teller.make_card(row) for row in rows)
        delivered, number = _read_delivered(ledger, teller, status, since)
        working = [ledger.find_job(each["job"]) for each in at_work if each["job"]]
        # one that was held before, and is made again, has a small picture
        small = {row.id: _thumbnail_of(row.record) for row in working if row and row.record}
    queued = Counter(each["why"] for each in ours if each not in at_work)
    yours, others = describe_batches(status)
    problems = [
        (name, line)
        for name, each in status["destinations"].items()
        for line in describe_problems(each)
    ]
    return Overview(
        status=status,
        held=held,
        held_in_all=counted,
        page=page,
        pages=pages,
        at_stake=_add(held),
        stopped=tuple(e for e in waiting if e["who"] == "you" and e["what"] != "held"),
        problems=(*problems, *(("", line) for line in (*yours, *status["notify"]))),
        batches=tuple(others),
        machines=tuple(describe_machines(status)),
        at_work=tuple(at_work),
        small=small,
        queued=tuple(queued.most_common()),
        delivered=delivered,
        delivered_in_all=number,
        since=since,
        read_at=read_at,
    )


def read_story(root: Root, job: str, small_of: SmallOf = no_small) -> Story | None:
    """Read what is known of one job; None when there is no such job.

    small_of: as for `read_overview`.

    Raises
    ------
    StorageError
        When the ledger cannot be read.
    """
    with open_reader(root.ledger) as ledger:
        row = ledger.find_job(job)
        later = list_later(ledger, row) if row and row.end is End.DELIVERED else []
    if row is None:
        return None
    teller = _Teller(root, small_of=small_of)
    card = teller.make_card(row)
    record = row.record
    is_served = find_holder(root) is not None
    is_kept = KeptOriginals(root.kept).find(row.id) is not None
    is_open = row.end is End.HELD and not card.under_way
    return Story(
        row=row,
        record=record,
        card=card,
        standing=_say_standing(root, row, card, is_served=is_served),
        can_be_decided=is_open,
        can_be_put_back=row.end is End.DISCARDED and is_kept,
        is_kept=is_kept,
        is_served=is_served,
        shown=find_shown(teller.showing, record) if record else None,
        came_later=tuple(f"{each['what'].capitalize()}: {each['text']}." for each in later),
    )


def folders_of(root: Root, destination: str) -> DestinationFolders:
    """Where a destination's folders are, as far as its file can be read."""
    return root.folders(destination, read_folders(root.destinations / f"{destination}.toml"))


def list_showing(root: Root) -> frozenset[str]:
    """Name the stages that make proof sheets; none when stages cannot be loaded."""
    try:
        stages = load_registry(root.plugins).stages
    except PluginError:
        return frozenset()
    return frozenset(name for name, stage in stages.items() if stage.role is Role.SHEET)


def find_shown(showing: frozenset[str], record: WorkRecord) -> SheetFindings | None:
    """Find what was measured when the proof sheet was made; None when none was made."""
    for stage, found in record.findings.items():
        if stage in showing:
            with contextlib.suppress(ValidationError):  # of an earlier version
                return SheetFindings.model_validate(found)
    return None


class _Teller:
    """Makes cards of rows; what is the same for all is read once."""

    def __init__(
        self, root: Root, status: Status | None = None, small_of: SmallOf = no_small
    ) -> None:
        self._small_of = small_of
        self._root = root
        self._status = status
        self._folders: dict[str, DestinationFolders] = {}
        self._now = datetime.now(UTC)

    @cached_property
    def showing(self) -> frozenset[str]:
        """Stages that make proof sheets, whose findings say what a print costs."""
        return list_showing(self._root)

    def make_card(self, row: JobRow) -> Card:
        """Return what a list shows of a job."""
        record = row.record
        reasons = [each.message for each in record.reasons] if record else []
        warnings = [each.message for each in record.warnings] if record else []
        is_held = row.state is State.HELD
        since = record.finished if record and row.state.is_end else row.changed
        made = _thumbnail_of(record)
        original = "" if made or not is_held else self._small_of(row)
        return Card(
            job=row.id,
            name=names.display_name(row.source),
            destination=row.destination,
            title=self._title(row.destination),
            says=tuple(
                leave_out_name(names.display_name(each), names.display_name(row.source))
                for each in (reasons if is_held else warnings)
            ),
            since=since,
            for_long=duration((self._now - since).total_seconds()),
            cost=self._find_cost(record),
            thumbnail=made or original or "",
            why_bare="" if made or original else _say_bare(record, is_coming=original is None),
            shows_original=bool(original),
            stamp=stamp_of(row),
            under_way=self._find_under_way(row) if is_held else "",
        )

    def _title(self, destination: str) -> str:
        found = self._status["destinations"].get(destination) if self._status else None
        if found is None:
            return read_title(self._root.destinations / f"{destination}.toml")
        return found["title"] or destination

    def _find_cost(self, record: Record | None) -> Money | None:
        found = find_shown(self.showing, record) if record else None
        return found.material_cost if found else None

    def _find_under_way(self, row: JobRow) -> str:
        """Say what has been handed over and not been taken up; "" when nothing has."""
        if row.destination not in self._folders:
            self._folders[row.destination] = folders_of(self._root, row.destination)
        release = self._folders[row.destination].release
        try:
            if durable.is_there(release / row.id):
                return "has been released, and is about to be taken up"
            if durable.is_there(release / f"{row.id}{DISCARD_SUFFIX}"):
                return "is about to be discarded"
        except OSError:
            return ""  # a share is away, which is said at its destination
        return ""


def _read_delivered(
    ledger: LedgerReader, teller: _Teller, status: Status, since: datetime
) -> tuple[tuple[Card, ...], int]:
    """Pictures that were delivered, those with warnings first; and how many there are."""
    found = [
        row
        for name in status["destinations"]
        for row in ledger.delivered_since(name, since, PER_PAGE)
    ]
    number = sum(ledger.count_delivered_since(name, since) for name in status["destinations"])
    cards = [teller.make_card(row) for row in found]
    cards.sort(key=lambda each: (not each.says, -each.since.timestamp()))
    return tuple(cards[:PER_PAGE]), number


def _thumbnail_of(record: Record | None) -> str:
    for each in record.attachments if record else ():
        if each.kind == _THUMBNAIL and record:
            # its hash in the address: a browser need not ask again for one it has
            return f"/job/{record.job}/thumbnail?of={each.sha256[:16]}"
    return ""


def _say_bare(record: Record | None, *, is_coming: bool) -> str:
    """Say why there is no small picture of a job."""
    if is_coming:
        return "a small picture is being made"
    if record is None or not record.results:
        return "no picture was made"
    return "no proof sheet was kept"


def _add(cards: Sequence[Card]) -> tuple[Money, ...]:
    sums: Counter[str] = Counter()
    for each in cards:
        if each.cost and not each.under_way:
            sums[each.cost.currency] += each.cost.amount  # type: ignore[assignment]
    return tuple(Money(amount, currency) for currency, amount in sorted(sums.items()))


def _say_standing(root: Root, row: JobRow, card: Card, *, is_served: bool) -> str:
    """Say where a job stands, and what was decided, by what the daemon has made of it."""
    record = row.record
    release = record.release if record else None
    if card.under_way:
        waits = "" if is_served else f" Nobody serves the root: start `{root.command('watch')}`."
        return f"It {card.under_way}.{waits}"
    if row.end is None:
        snapshot = read_snapshot(root.snapshot) if is_served else None
        doing = {each.job: each.doing for each in snapshot.work} if snapshot else {}
        said = describe_job(root, row, {}, "", doing.get(row.id, ""))
        return f"It {said['why']}."
    decided = ""
    if release is not None:
        changes = describe_changes(release.changes)
        decided = f", released by {release.who or 'hand'} {local_time(release.at)}"
        decided += f" with {changes}" if changes else ""
        decided += f" ({release.why})" if release.why else ""
    match row.end:
        case End.DELIVERED:
            return f"It was delivered {local_time(card.since)}{decided}."
        case End.DISCARDED:
            return _say_discarded(record)
        case End.REFUSED:
            return f"It was refused {local_time(card.since)}."
        case _:
            again = f"; it was{decided.removeprefix(',')}, and is held again" if decided else ""
            return f"It waits for you since {local_time(card.since)}{again}."


def _say_discarded(record: Record | None) -> str:
    discarded = record.discarded if record else None
    if discarded is None:
        return "It was discarded."
    by = f" by {discarded.who}" if discarded.who else ""
    by += f" ({discarded.why})" if discarded.why else ""
    until = discarded.original_kept_until
    kept = f" Its original is kept until {local_time(until)}." if until else ""
    return f"It was discarded {local_time(discarded.noticed)}{by}.{kept}"
