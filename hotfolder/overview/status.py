"""What waits, why, since when, and who must act: put together from outside the daemon.

`collect` only reads: the ledger, the snapshot that the daemon writes, and the folders. It
answers while a daemon serves the root, and just as well when none does.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TypedDict

from pydantic import JsonValue

from hotfolder.batch.found import describe_resting, list_resting
from hotfolder.batch.summary import BatchSummary, summarise_batches
from hotfolder.disk import processes, pulse
from hotfolder.disk.names import display_name
from hotfolder.errors import PluginError, SettingsError
from hotfolder.ledger.lock import Holder, find_holder
from hotfolder.ledger.reading import LedgerReader, open_reader
from hotfolder.model.ends import End
from hotfolder.model.hours import Hours
from hotfolder.model.records import format_time
from hotfolder.model.snapshot import FolderStatus, Snapshot, TroubleStatus, read_snapshot
from hotfolder.notify.standing import describe_standing
from hotfolder.overview.overlaps import collisions, is_of_any, locate, upstream
from hotfolder.overview.reached import Reached, look_into, say_silent
from hotfolder.overview.waiting import (
    WaitingThing,
    describe_job,
    describe_trouble,
    describe_unserved,
    list_arriving,
    list_forsaken,
    list_measured,
)
from hotfolder.pages.words import clock_time
from hotfolder.settings.files import load_destination
from hotfolder.settings.known_folders import KnownFolders
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.settings.tables import Folders, Intake
from hotfolder.stages.registry import Registry, load_registry

_SHOWN = 50
_OF_LATE = timedelta(days=1)
_OF_JOBS = frozenset({"claim", "job", "batch file"})
"""Kinds of trouble that are named by jobs, which the ledger has."""
_OF_NOBODY = "stray jobs"
"""Jobs that no destination is there for: each of them is said by itself."""


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


class RefusedJob(TypedDict):
    """A job that was refused of late."""

    destination: str
    file: str
    job: str
    reasons: list[str]
    since: str
    """When it was refused, UTC."""
    folder: str
    """Where its original and its ``why.txt`` lie."""


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
    refused: list[RefusedJob]
    """Refused within a day, the latest first, but for what was dropped again since."""
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
    workers = snapshot.workers if snapshot else processes.cpu_count()
    with open_reader(root.ledger) as ledger:
        counts, open_rows = ledger.count_ended(), ledger.open_jobs()
        batches = summarise_batches(ledger, workers)
        resting = list_resting(ledger)
        warned = [each for name in destinations for each in _list_warned(ledger, name)]
        refused = [
            each
            for name, place in places.items()
            for each in _list_refused(ledger, name, place.refused)
        ]
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
        else describe_unserved(row, not_served[row.destination])
        for row in open_rows
    ]
    looked = pulse.within(
        pulse.LOOK_S / 2,
        {
            name: partial(
                look_into,
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
        reached, held, orphans = looked.get(name) or (say_silent(name, said), [], [])
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
        # the snapshot is a little older than the ledger: what was taken in since is a job by now
        taken = {display_name(row.source) for row in open_rows if row.destination == name}
        waiting += [
            each
            for each in list_arriving(name, said)
            if reached["arriving"] and each["file"] not in taken
        ]
        waiting += held
        waiting += list_measured(root, name)
    waiting += list_forsaken(root, places)
    waiting += [
        describe_trouble(trouble)
        for trouble in troubles
        if trouble.kind not in _OF_JOBS
        and trouble.kind != _OF_NOBODY
        and not _is_said(trouble, folders.get(trouble.destination))
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
        "refused": sorted(refused, key=lambda each: each["since"], reverse=True),
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
        raise SettingsError([root.absence])
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


def _list_remarks(said: FolderStatus | None, *, is_served: bool) -> list[str]:
    if said is None:
        return ["the process that serves the root has not taken it up yet"] if is_served else []
    return list(said.remarks)


def _why_not_served(read: _Read | None) -> str:
    if read is None:
        return "waits: its destination's settings are gone; put its file back into destinations/"
    return "waits until its destination's settings are corrected" if read.problem else ""


def _is_said(trouble: TroubleStatus, destination: DestinationStatus | None) -> bool:
    """Whether a folder that nothing can be taken in for is told at its destination already."""
    folder, away, _ = trouble.message.partition(" cannot be reached")
    said = destination["unreachable"] if destination else ""
    return bool(away) and folder in said and away in said


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


def _list_refused(ledger: LedgerReader, destination: str, folder: Path) -> list[RefusedJob]:
    oldest = datetime.now(UTC) - _OF_LATE
    found = []
    for row in ledger.refused_since(destination, oldest, _SHOWN):
        if ledger.came_again(row):
            continue  # what became of the later one is what counts
        record = row.record
        found.append(
            RefusedJob(
                destination=destination,
                file=display_name(row.source),
                job=row.id,
                reasons=[display_name(each.message) for each in record.reasons] if record else [],
                since=format_time(record.finished if record else row.changed),
                folder=display_name(str(folder / row.id)),
            )
        )
    return found
