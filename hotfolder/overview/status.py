"""What waits, why, since when, and who must act: put together from outside the daemon.

`collect` only reads: the ledger, the snapshot that the daemon writes, and the folders. It
answers while a daemon serves the root, and just as well when none does.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import NotRequired, TypedDict

from pydantic import JsonValue

from hotfolder.batch.found import describe_resting, list_resting
from hotfolder.batch.summary import BatchSummary, summarise_batches
from hotfolder.disk import durable, names, platforms, pulse
from hotfolder.disk.marker import Unreachable, away
from hotfolder.ending.why import list_ways, release_command
from hotfolder.errors import PluginError, Problem, SettingsError
from hotfolder.intake.forsaken import find_forsaken, say_forsaken
from hotfolder.intake.scan import scan
from hotfolder.intake.sidecars import is_sidecar, pair, say_orphan
from hotfolder.ledger.details import Claimed, State, Waits
from hotfolder.ledger.lock import Holder, find_holder
from hotfolder.ledger.reading import JobRow, LedgerReader, open_reader
from hotfolder.measured.book import Book
from hotfolder.model.earlier_findings import find_facts
from hotfolder.model.ends import End
from hotfolder.model.facts import ColumnValues
from hotfolder.model.hours import Hours
from hotfolder.model.records import Record, format_time, read_record
from hotfolder.model.snapshot import FolderStatus, Snapshot, TroubleStatus, read_snapshot
from hotfolder.notify.standing import describe_standing
from hotfolder.overview.overlaps import collisions, is_of_any, locate, upstream
from hotfolder.pages.words import clock_time, duration
from hotfolder.settings.files import load_destination
from hotfolder.settings.known_folders import KnownFolders
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.settings.tables import Folders, Intake
from hotfolder.stages.registry import Registry, load_registry
from hotfolder.work.worker import read_progress

_SHOWN = 50
_OF_LATE = timedelta(days=1)
_OF_JOBS = frozenset({"claim", "job", "batch file"})
"""Kinds of trouble that are named by jobs, which the ledger has."""
_MOST_ORPHANS = 10
_OF_NOBODY = "stray jobs"
"""Jobs that no destination is there for: each of them is said by itself."""
_TELLS_AFTER_S, _TELLS_FROM = 5.0, 0.05


class WaitingThing(TypedDict):
    """Something that waits."""

    destination: str
    file: str
    what: str
    why: str
    since: str
    """UTC."""
    who: str
    """Who must act: "the program" or "you"."""
    job: str
    share: float | None
    """How much of the work is done, 0 … 1; None when nothing is being done."""
    ways_on: NotRequired[list[str]]
    """Commands that let a held picture pass, each with what it does."""
    columns: list[ColumnValues]
    """What stages measured of their own, of a held job."""


class Reached(TypedDict):
    """What a look into a destination's folders finds, now."""

    arriving: int
    left_alone: int
    unreachable: str
    """Why folders cannot be reached; "" when all can."""
    unreachable_since: str


class DestinationStatus(Reached):
    """How a destination is doing."""

    title: str
    hot_folder: str
    watch: str
    watch_reason: str
    last_scan: str
    settings_problem: str
    """Why its settings cannot be used; "" when they can."""
    hours: str
    rests_until: str
    remarks: list[str]
    delivered: int
    held: int
    discarded: int
    refused: int


class WarnedJob(TypedDict):
    """A job that was delivered of late, and that people should look at."""

    destination: str
    file: str
    job: str
    warnings: list[str]
    since: str
    """When it was delivered, UTC."""


class Status(TypedDict):
    """All that ``status`` says, as JSON values."""

    root: str
    served: bool
    """Whether a process serves the root."""
    served_by: int | None
    """Its number; None when nobody serves the root, or it has not said it."""
    served_since: str
    destinations: dict[str, DestinationStatus]
    batches: list[BatchSummary]
    waiting: list[WaitingThing]
    warned: list[WarnedJob]
    """Delivered with warnings within a day, the latest first."""
    notify: list[str]
    """What is wrong with telling people what waits, as sentences."""
    machines: list[dict[str, JsonValue]]
    """That pictures are worked on, as `hotfolder.model.machines` has them; none where there is
    one machine, or nobody serves the root."""


def collect(root: Root) -> Status:
    """Return everything that ``status`` says, as JSON values.

    Settings that cannot be used are part of the answer, and so are folders that do not answer
    themselves within a few seconds; neither is a reason to give none.

    Raises
    ------
    SettingsError
        When there is no root here at all.
    """
    destinations = _read_destinations(root)
    places = {name: root.folders(name, each.folders) for name, each in destinations.items()}
    known = KnownFolders(root)
    holder = find_holder(root)
    snapshot = _read_snapshot_of(root, holder)
    said_of = {name: snapshot.folders.get(name) if snapshot else None for name in destinations}
    located = pulse.within(
        pulse.LOOK_S / 2,
        {
            name: partial(locate, name, place)
            for name, place in places.items()
            if not ((said := said_of[name]) and said.silent)  # nobody need wait for that again
        },
    )
    colliding = collisions(
        root, {name: at for name, at in located.items() if not destinations[name].problem}
    )
    with_batches = frozenset(name for name, each in destinations.items() if each.has_batches)
    workers = snapshot.workers if snapshot else platforms.cpu_count()
    with open_reader(root.ledger) as ledger:
        counts, open_rows = ledger.count_ended(), ledger.open_jobs()
        batches = summarise_batches(ledger, workers)
        resting = list_resting(ledger)
        warned = [each for name in destinations for each in _list_warned(ledger, name)]
    troubles = snapshot.troubles if snapshot else ()
    by_job = {each.name: each for each in troubles if each.kind in _OF_JOBS}
    rest = {name: _find_rest_end(each.hours) for name, each in destinations.items()}
    not_served = {
        row.destination: _why_not_served(destinations.get(row.destination))
        for row in open_rows
        if snapshot is None or row.destination not in snapshot.folders
    }
    waiting = [
        describe_job(root, row, by_job, rest.get(row.destination, ""))
        if not not_served.get(row.destination)
        else _describe_unserved(row, not_served[row.destination])
        for row in open_rows
    ]
    looked = pulse.within(
        pulse.LOOK_S / 2,
        {
            name: partial(
                _look,
                root,
                name,
                places[name],
                said_of[name],
                partial(is_of_any, upstream(name, located, with_batches)),
                known,
            )
            for name in located  # what has not answered yet is not asked again
        },
    )
    folders: dict[str, DestinationStatus] = {}
    for name, each in destinations.items():
        said = said_of[name]
        ended = counts.get(name, {})
        place = places[name]
        reached, held, orphans = looked.get(name) or (_say_silent(name, said), [], [])
        folders[name] = {
            "title": each.title,
            "hot_folder": str(place.hot_folder),
            **reached,
            "watch": said.watch if said else "",
            "watch_reason": said.watch_reason if said else "",
            "last_scan": said.last_scan if said else "",
            "settings_problem": each.problem or "\n".join(map(str, colliding.get(name, []))),
            "hours": str(each.hours or ""),
            "rests_until": rest[name],
            "remarks": [
                *_list_remarks(said, is_served=snapshot is not None and not each.problem),
                *(orphans if said is None else []),  # a daemon has said them
                *(describe_resting(*found) for found in resting if found[0] == name),
            ],
            "delivered": ended.get(End.DELIVERED, 0),
            "held": ended.get(End.HELD, 0),
            "discarded": ended.get(End.DISCARDED, 0),
            "refused": ended.get(End.REFUSED, 0),
        }
        waiting += _list_arriving(name, said)
        waiting += held
        waiting += _list_measured(root, name)
    waiting += _list_forsaken(root, places)
    waiting += [
        _describe_trouble(trouble)
        for trouble in troubles
        if trouble.kind not in _OF_JOBS and trouble.kind != _OF_NOBODY
    ]
    return {
        "root": str(root.path),
        "served": holder is not None,
        "served_by": holder.pid if holder else None,
        "served_since": holder.since if holder else "",
        "destinations": folders,
        "batches": batches,
        "waiting": waiting,
        "warned": sorted(warned, key=lambda each: each["since"], reverse=True),
        "notify": describe_standing(root, is_served=holder is not None),
        "machines": [each.model_dump(mode="json") for each in snapshot.machines]
        if snapshot
        else [],
    }


def find_folders(root: Root, destination: str) -> DestinationFolders:
    """Where a destination's folders are, as far as its file can be read."""
    read = _read_destinations(root).get(destination, _Read())
    return root.folders(destination, read.folders)


def _find_rest_end(hours: Hours | None) -> str:
    """The local time at which a destination begins, when it rests now; else ""."""
    now = time.time()
    if hours is None or hours.is_open(now):
        return ""
    return clock_time(hours.opens_at(now))


@dataclass(frozen=True)
class _Read:
    """What a destination's file says."""

    title: str = ""
    folders: Folders = field(default_factory=Folders)
    problem: str = ""
    """Why it cannot be used, or ""."""
    hours: Hours | None = None
    has_batches: bool = False


def _read_destinations(root: Root) -> dict[str, _Read]:
    """What the files of destinations say, by name."""
    registry: Registry | None = None
    plugin_problem = ""
    try:
        registry = load_registry(root.plugins)
    except PluginError as error:
        plugin_problem = str(error)
    files = sorted(root.destinations.glob("*.toml"))
    if not files:
        problem = Problem(str(root.path), "", "is not a root", "run `hotfolder init` to make one")
        raise SettingsError([problem])
    found: dict[str, _Read] = {}
    for path in files:
        found[path.stem] = _Read(problem=plugin_problem)
        if registry is None:
            continue
        try:
            file = load_destination(path, registry, Intake()).file
            has_batches = file.ticket is not None
            found[path.stem] = _Read(file.title, file.folders, "", file.hours, has_batches)
        except SettingsError as error:
            found[path.stem] = _Read(problem=str(error))
    return found


def _read_snapshot_of(root: Root, holder: Holder | None) -> Snapshot | None:
    """What the process that serves the root says; None for what an earlier one has left."""
    found = read_snapshot(root.snapshot) if holder else None
    return found if found and holder and found.pid == holder.pid else None


def _why_not_ours(known: KnownFolders, name: str, place: DestinationFolders) -> str:
    """Why one of a destination's folders is not the one it was; "" when all are."""
    try:
        known.check(name, place, learn=False)
    except Unreachable as error:
        return str(error)
    return ""


def _list_remarks(said: FolderStatus | None, *, is_served: bool) -> list[str]:
    if said is None:
        return ["the process that serves the root has not taken it up yet"] if is_served else []
    return list(said.remarks)


def _say_silent(name: str, said: FolderStatus | None) -> Reached:
    """What is known of folders that do not answer us either."""
    return {
        "arriving": said.arriving if said else 0,
        "left_alone": said.left_alone if said else 0,
        "unreachable": (said.silent if said else "")
        or f"a folder of {name} does not answer: check its share or disk",
        "unreachable_since": said.silent_since if said else "",
    }


def _look(
    root: Root,
    name: str,
    place: DestinationFolders,
    said: FolderStatus | None,
    is_ours: Callable[[str], bool],
    known: KnownFolders,
) -> tuple[Reached, list[WaitingThing], list[str]]:
    """Files in a hot folder, counted now: a daemon may not be there to have done it; held jobs.

    Last, what there is to say of sidecars without a picture.
    """
    not_ours = _why_not_ours(known, name, place)
    others = [folder for folder in vars(place).values() if folder != place.hot_folder]
    arriving, left_alone, reasons = 0, 0, away(others)
    orphans: list[str] = []
    since = dict(said.away) if said else {}
    try:
        found = scan(place.hot_folder, is_ours=is_ours)
        # a sidecar arrives with its picture, or is left alone
        arriving = sum(not is_sidecar(each) for each in found.candidates)
        alone = pair(found.candidates).orphans
        left_alone, orphans = found.junk + len(alone), [*map(say_orphan, alone)][:_MOST_ORPHANS]
    except Unreachable as error:
        reasons = {str(place.hot_folder): str(error), **reasons}
        since |= {names.display_name(str(place.hot_folder)): said.unreachable_since if said else ""}
    silent = said.silent if said else ""
    times = [since[folder] for folder in map(names.display_name, reasons) if folder in since]
    reached: Reached = {
        "arriving": arriving,
        "left_alone": left_alone,
        "unreachable": " ".join(filter(None, [silent, not_ours, *reasons.values()])),
        "unreachable_since": min(
            [*times, *([said.silent_since] if said and silent else [])], default=""
        ),
    }
    return reached, _list_held(root, name, place.held), orphans


def describe_job(
    root: Root, row: JobRow, troubles: Mapping[str, TroubleStatus], rests_until: str
) -> WaitingThing:
    """Say what becomes of a job that has not ended.

    troubles: by the names of jobs; rests_until: as `DestinationStatus` has it.
    """
    file = names.display_name(row.source)
    trouble = troubles.get(row.id)
    if trouble:
        return WaitingThing(
            destination=row.destination,
            file=file,
            what="stopped",
            why=trouble.message,
            since=trouble.since,
            who="you",
            job=row.id,
            share=None,
            columns=[],
        )
    share = None
    why = {
        State.CLAIMING: "is being taken into the spool",
        State.RELEASING: "was released and is being picked up again",
        State.CLAIMED: "waits for a free worker",
        State.WORKING: "is being processed",
        State.PRODUCED: "is about to be delivered",
        State.PUBLISHING: "is being delivered",
    }[row.state]
    if row.state is State.CLAIMED and rests_until and row.release is None:
        why = f"rests until {rests_until}, when its destination's hours begin"
    elif row.state is State.CLAIMED and isinstance(row.detail, Claimed) and row.detail.waits:
        why = _say_waits(row.detail.waits) or why
    if row.state is State.WORKING:
        doing = read_progress(root.spool / row.id / f"attempt-{row.attempts}")
        if doing:
            why, share = f"{why}: {doing[0]}", doing[1]
            left = _estimate_left((datetime.now(UTC) - row.changed).total_seconds(), share)
            why += f", {left} left" if left else ""
    since = _format_second(row.changed)
    return WaitingThing(
        destination=row.destination,
        file=file,
        what=row.state.value,
        why=why,
        since=since,
        who="the program",
        job=row.id,
        share=share,
        columns=[],
    )


def _say_waits(waits: Waits) -> str:
    """Say for what a job waits; "" when its time is over."""
    if waits.until <= datetime.now(UTC):
        return ""
    return f"waits until {clock_time(waits.until.timestamp())} for {waits.what}"


def _why_not_served(read: _Read | None) -> str:
    if read is None:
        return "waits: its destination's settings are gone; put its file back into destinations/"
    return "waits until its destination's settings are corrected" if read.problem else ""


def _describe_unserved(row: JobRow, why: str) -> WaitingThing:
    return WaitingThing(
        destination=row.destination,
        file=names.display_name(row.source),
        what="stopped",
        why=why,
        since=_format_second(row.changed),
        who="you",
        job=row.id,
        share=None,
        columns=[],
    )


def _estimate_left(so_far_s: float, share: float) -> str:
    """Say how long work will still take that has come so far; "" when nobody can tell yet."""
    if so_far_s < _TELLS_AFTER_S or share < _TELLS_FROM:
        return ""
    return duration(so_far_s * (1 - share) / share)


def _list_arriving(name: str, said: FolderStatus | None) -> list[WaitingThing]:
    now = datetime.now(UTC).timestamp()
    return [
        WaitingThing(
            destination=name,
            file=each.file,
            what="arriving",
            why=each.reason,
            since=_format_second(datetime.fromtimestamp(now - each.since_s, UTC)),
            who="the program",
            job="",
            share=None,
            columns=[],
        )
        for each in (said.arriving_files if said else ())
    ]


def _list_held(root: Root, name: str, folder: Path) -> list[WaitingThing]:
    """Held jobs whose folder is still there: a person has not decided yet."""
    found = []
    try:
        jobs = sorted(
            each
            for each in (path.name for path in folder.iterdir())
            if not each.startswith(".hotfolder-")
        )
    except OSError:
        return []
    for job in jobs[-_SHOWN:]:
        # the folder is a person's to work in: it may have another name, and what is no record of
        # ours is left out
        with contextlib.suppress(OSError, ValueError):
            with durable.open_to_read(folder / job / "record.json") as stored:
                record = read_record(stored.read())
            why = " ".join(reason.message for reason in record.reasons)
            file, since = record.source, format_time(record.finished)
            found.append(
                WaitingThing(
                    destination=name,
                    file=file,
                    what="held",
                    why=why,
                    since=since,
                    who="you",
                    job=record.job,
                    share=None,
                    columns=[each.to_json() for each in find_facts(record).columns],
                    ways_on=_say_ways_on(root, record),
                )
            )
    return found


def _say_ways_on(root: Root, record: Record) -> list[str]:
    """Commands that let a held picture pass, each with what it does; as it is comes last."""
    ways = [(way.options, way.says) for way in list_ways(record)]
    if record.results and not any(not options for options, _ in ways):
        ways.append(((), "release it as it is"))
    return [
        f"{release_command(record.job, root.path, options)}  ({says})" for options, says in ways
    ]


def _list_warned(ledger: LedgerReader, destination: str) -> list[WarnedJob]:
    oldest = datetime.now(UTC) - _OF_LATE
    return [
        WarnedJob(
            destination=destination,
            file=record.source,
            job=record.job,
            warnings=[each.message for each in record.warnings],
            since=format_time(record.finished),
        )
        for record in ledger.latest_records(destination, _SHOWN)
        if record.warnings and record.finished > oldest
    ]


def _list_forsaken(root: Root, places: Mapping[str, DestinationFolders]) -> list[WaitingThing]:
    """Files in the hot folder of a destination that was removed; nobody takes them up."""
    used = [each for place in places.values() for each in place.all()]
    used += [root.path / "in" / name for name in places]
    looked = pulse.within(pulse.LOOK_S / 2, {"in": partial(find_forsaken, root.path / "in", used)})
    return [
        WaitingThing(
            destination=name,
            file=f"in/{name}",
            what="left alone",
            why=say_forsaken(name, number),
            since="",
            who="you",
            job="",
            share=None,
            columns=[],
        )
        for name, number in looked.get("in", {}).items()
        if number
    ]


def _list_measured(root: Root, name: str) -> list[WaitingThing]:
    """Measurements that were refused and are still there, and a medium that has drifted."""
    book = Book(root, name)
    try:
        refused, verdicts = book.list_refused(), book.read()
    except OSError:
        return []  # the daemon says why the folder cannot be read
    found = [(each, "measurement refused", why, "") for each, why in refused]
    if book.folder.is_dir() and (why := away([str(book.folder)]).get(str(book.folder))):
        found.append((f"measured/{name}", "stopped", why, ""))
    if verdicts and verdicts[-1].has_alarm:
        last = verdicts[-1]
        found.append((last.file, "drift", " ".join(last.words), last.judged))
    return [
        WaitingThing(
            destination=name,
            file=file,
            what=what,
            why=why,
            since=since,
            who="you",
            job="",
            share=None,
            columns=[],
        )
        for file, what, why, since in found
    ]


def _describe_trouble(trouble: TroubleStatus) -> WaitingThing:
    what = {"file": trouble.name, "held": "held jobs"}.get(trouble.kind, "everything")
    return WaitingThing(
        destination=trouble.destination or "all destinations",
        file=what,
        what="stopped",
        why=trouble.message,
        since=trouble.since,
        who="you",
        job="",
        share=None,
        columns=[],
    )


def _format_second(time: datetime) -> str:
    return time.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
