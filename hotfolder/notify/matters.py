"""What there is to be told: found in the ledger and in what the daemon says of itself."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import Final

from hotfolder.batch.shelf import BatchState, read_batches
from hotfolder.disk.names import display_name
from hotfolder.ending.why import leave_out_name
from hotfolder.ledger.details import State
from hotfolder.ledger.lock import find_holder
from hotfolder.ledger.reading import UNDECIDED, LedgerReader, open_reader
from hotfolder.model.ends import End
from hotfolder.model.records import format_time
from hotfolder.model.snapshot import FolderStatus, Snapshot, TroubleStatus, read_snapshot
from hotfolder.notify.media import describe_off, read_last_off
from hotfolder.settings.files import read_title
from hotfolder.settings.root import Root

_MISSING_FOR: Final = timedelta(minutes=10)
"""A batch that lacks pictures has ended so long after it was planned: they may still come."""
_OLD_AFTER: Final = timedelta(days=1)
_MOST_WARNED: Final = 200


class Kind(StrEnum):
    """What kind of thing it is."""

    HELD = "held"
    """A picture waits for a person's decision."""
    BATCH = "batch"
    """All that could be made of a batch has been made."""
    AWAY = "away"
    """A destination's folders cannot be reached."""
    TROUBLE = "trouble"
    """Our own disk or settings are in the way."""
    MEDIUM = "medium"
    """A measured strip says that a destination's medium has drifted, or is out of its limits."""
    MEDIUM_BACK = "medium-back"
    """A measured strip says that it is good again."""
    WARNED = "warned"
    """A picture was delivered, and is to be looked at; in a digest only."""
    DELIVERED = "delivered"
    """A picture was delivered; only for a webhook that is told each end."""
    REFUSED = "refused"
    """A picture cannot be processed; only for a webhook that is told each end."""


USUAL: Final = (Kind.HELD, Kind.BATCH, Kind.AWAY, Kind.TROUBLE, Kind.MEDIUM)
"""What waits for a person, or may be waited for."""


@dataclass(frozen=True)
class Matter:
    """One thing to be told."""

    key: str
    """The same as long as it is the same thing."""
    kind: Kind
    destination: str
    """Its name; "" when it is about the whole root."""
    title: str
    """Of the destination, as people call it; "" when it is about the whole root."""
    name: str
    """The picture or the batch, fit for showing; "" when it is about neither."""
    says: str
    """Sentences for people; "" until `describe` has filled them in."""
    since: str
    """UTC."""
    job: str = ""
    """The job, of a picture."""
    lasts: bool = False
    """Whether it is over when it is not found any more, and another one if it comes again."""
    is_old: bool = False
    """Whether it happened too long ago to be told now."""


@dataclass(frozen=True)
class Found:
    """What there is to be told now."""

    matters: tuple[Matter, ...]
    knows_folders: bool
    """Whether the daemon has said how folders are; else nothing is known of what is away."""


def find_matters(root: Root, known: Collection[str] = (), kinds: Collection[str] = USUAL) -> Found:
    """Find what there is to be told; no share is asked.

    Parameters
    ----------
    root
        The root.
    known
        Keys of batches that need not be looked at again.
    kinds
        What is asked for.

    Raises
    ------
    StorageError
        When the ledger cannot be read.
    """
    found: list[Matter] = []
    with open_reader(root.ledger) as ledger:
        titles = _Titles(root)
        if Kind.HELD in kinds:
            found += _find_held(ledger, titles)
        if Kind.BATCH in kinds:
            found += _find_ended(ledger, titles, known)
        found += _find_over(ledger, titles, kinds)
    if Kind.MEDIUM in kinds:
        found += _find_media(root, titles)
    snapshot = _read_snapshot(root)
    if snapshot is not None:
        away = list(_find_away(snapshot.folders, titles))
        found += away if Kind.AWAY in kinds else []
        if Kind.TROUBLE in kinds:
            # what is in trouble since its share is away is told once
            found += _find_troubles(snapshot.troubles, {each.destination for each in away}, titles)
    return Found(tuple(found), snapshot is not None)


def describe(root: Root, matters: Iterable[Matter]) -> list[Matter]:
    """Fill in what records say of pictures: only of those that are told, since records are large.

    Raises
    ------
    StorageError
        When the ledger cannot be read.
    """
    with open_reader(root.ledger) as ledger:
        return [_describe(ledger, each) if each.job else each for each in matters]


def find_warned(root: Root, since: datetime) -> list[Matter]:
    """Pictures that were delivered since then and are to be looked at, the latest first.

    Raises
    ------
    StorageError
        When the ledger cannot be read.
    """
    titles = _Titles(root)
    found = []
    with open_reader(root.ledger) as ledger:
        destinations = [each for (each,) in ledger.read("SELECT DISTINCT destination FROM jobs")]
        for name in destinations:
            for row in ledger.delivered_since(name, since, _MOST_WARNED):
                record = row.record
                if record and record.warnings:
                    says = " ".join(each.message for each in record.warnings)
                    key = f"warned:{row.id}"
                    at = _say(record.finished)
                    called = display_name(row.source)
                    found.append(
                        Matter(
                            key, Kind.WARNED, name, titles[name], called, display_name(says), at,
                            row.id,
                        )
                    )  # fmt: skip
    return sorted(found, key=lambda each: each.since, reverse=True)


class _Titles:
    """What people call destinations; each file is read once."""

    def __init__(self, root: Root) -> None:
        self._root = root
        self._read: dict[str, str] = {}

    def __getitem__(self, name: str) -> str:
        if name not in self._read:
            said = read_title(self._root.destinations / f"{name}.toml")
            self._read[name] = display_name(said)
        return self._read[name]


def _find_held(ledger: LedgerReader, titles: _Titles) -> Iterable[Matter]:
    # by when the record was written: a ledger that is made anew from the logs says the same
    query = (
        "SELECT jobs.id, jobs.destination, jobs.source, records.finished FROM jobs"  # noqa: S608 - ours
        " JOIN records ON records.job = jobs.id AND records.latest = 1"
        f" WHERE jobs.seq IN (SELECT seq FROM jobs WHERE {UNDECIDED}) ORDER BY jobs.seq"
    )
    for job, name, source, finished in ledger.read(query):
        called = display_name(source)
        key = f"held:{job}:{finished}"
        yield Matter(key, Kind.HELD, name, titles[name], called, "", finished, job)


def _find_media(root: Root, titles: _Titles) -> Iterable[Matter]:
    """Destinations whose medium is off, and those whose medium came back: the last time of each."""
    for name in sorted(path.stem for path in root.destinations.glob("*.toml")):
        span, words = read_last_off(root, name)
        if span is None:
            continue
        since, off = format_time(span.since), describe_off(span)
        if span.until is None:
            says = display_name(f"{off} {words}".rstrip())
            # a later strip may say that it began earlier: it is the same thing all the same
            yield Matter(
                f"medium:{name}", Kind.MEDIUM, name, titles[name], "", says, since, lasts=True
            )
        else:
            until = format_time(span.until)
            says = display_name(f"A measured strip is good again. {off}")
            is_old = datetime.now(UTC) - span.until > _OLD_AFTER
            yield Matter(
                f"medium-back:{name}:{until}", Kind.MEDIUM_BACK, name, titles[name], "", says,
                until, is_old=is_old,
            )  # fmt: skip


def _find_over(ledger: LedgerReader, titles: _Titles, kinds: Collection[str]) -> Iterable[Matter]:
    """Jobs that ended in the last day and wait for nobody, the earliest first."""
    states = [each.value for each in (Kind.DELIVERED, Kind.REFUSED) if each in kinds]
    if not states:
        return
    rows = ledger.read(
        "SELECT records.job, records.destination, jobs.source, records.state, records.finished"
        " FROM records JOIN jobs ON jobs.id = records.job"
        " WHERE finished > ? AND latest = 1 AND records.state IN (SELECT value FROM json_each(?))"
        " ORDER BY finished",
        (format_time(datetime.now(UTC) - _OLD_AFTER), json.dumps(states)),
    )
    for job, name, source, state, finished in rows:
        key = f"{state}:{job}:{finished}"
        called = display_name(source)
        yield Matter(key, Kind(state), name, titles[name], called, "", finished, job)


def _find_ended(ledger: LedgerReader, titles: _Titles, known: Collection[str]) -> Iterable[Matter]:
    for (name, batch), state in read_batches(ledger).items():
        key = f"batch:{name}/{batch}:{state.planned}"
        if key in known or not state.planned or not state.ticket or state.discarded:
            continue
        jobs = [line.job for line in state.lines if line.job]
        stood = {
            job: (State(stands), changed)
            for job, stands, changed in ledger.read(
                "SELECT id, state, changed FROM jobs WHERE id IN (SELECT value FROM json_each(?))",
                (json.dumps(jobs),),
            )
        }
        is_open = any(job not in stood or not stood[job][0].is_end for job in jobs)
        planned = datetime.fromisoformat(state.planned)
        lacks = any(line.missing for line in state.lines)
        if not jobs or is_open or (lacks and datetime.now(UTC) - planned < _MISSING_FOR):
            continue
        ended = max(datetime.fromisoformat(changed) for _, changed in stood.values())
        yield Matter(
            key,
            Kind.BATCH,
            name,
            titles[name],
            display_name(batch),
            _count(ledger, state, stood),
            _say(max(ended, planned)),
            is_old=datetime.now(UTC) - max(ended, planned) > _OLD_AFTER,
        )


def _count(ledger: LedgerReader, state: BatchState, stood: Mapping[str, tuple[State, str]]) -> str:
    """Say what became of a batch's rows."""
    ends: dict[str, int] = {}
    for line in state.lines:
        if line.missing:
            word = "without a picture"
        elif line.problem or line.job not in stood:
            word = "wrong"
        elif stood[line.job][0] is State.HELD:
            row = ledger.find_job(line.job)
            word = "discarded" if row and row.end is End.DISCARDED else "held"
        else:
            word = stood[line.job][0].value
        ends[word] = ends.get(word, 0) + 1
    wrong = len({fault.row for fault in state.faults})
    if wrong:
        ends["wrong"] = ends.get("wrong", 0) + wrong
    rows = "1 row" if state.rows == 1 else f"{state.rows} rows"
    return f"Of {rows}: {', '.join(f'{number} {word}' for word, number in ends.items())}."


def _read_snapshot(root: Root) -> Snapshot | None:
    """What the process that serves the root says; None for what an earlier one has left."""
    holder = find_holder(root)
    found = read_snapshot(root.snapshot) if holder else None
    return found if found and holder and found.pid == holder.pid else None


def _find_away(folders: Mapping[str, FolderStatus], titles: _Titles) -> Iterable[Matter]:
    for name, each in folders.items():
        says = [each.unreachable, each.silent]
        says += [f"{folder} is away." for folder in each.away]
        since = [each.unreachable_since, each.silent_since, *each.away.values()]
        if not any(says):
            continue
        yield Matter(
            f"away:{name}",
            Kind.AWAY,
            name,
            titles[name],
            "",
            display_name(" ".join(filter(None, says))),
            min(filter(None, since), default=""),
            lasts=True,
        )


def _find_troubles(
    troubles: Iterable[TroubleStatus], away: Collection[str], titles: _Titles
) -> Iterable[Matter]:
    grouped: dict[tuple[str, str], list[TroubleStatus]] = {}
    for each in troubles:
        if each.destination not in away:
            grouped.setdefault((each.kind, each.destination), []).append(each)
    for (kind, name), group in grouped.items():
        first = min(group, key=lambda each: each.since)
        more = len(group) - 1
        says = first.message if not more else f"{first.message} And {more} more like it."
        title = titles[name] if name else ""
        matter = Matter(
            f"trouble:{kind}:{name}", Kind.TROUBLE, name, title, "", says, first.since, lasts=True
        )
        yield matter


def _describe(ledger: LedgerReader, matter: Matter) -> Matter:
    row = ledger.find_job(matter.job)
    record = row.record if row else None
    if matter.says or record is None:
        return matter
    said = [leave_out_name(display_name(each.message), matter.name) for each in record.reasons]
    if matter.kind is Kind.DELIVERED:
        said = [f"{Path(each.path).name}, {each.width_px} × {each.height_px} px."
                for each in record.results]  # fmt: skip
        said += [each.message for each in record.warnings]
    return replace(matter, says=display_name(" ".join(said)))


def _say(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
