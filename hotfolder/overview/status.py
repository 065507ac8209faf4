"""What waits, why, since when, and who must act: put together from outside the daemon.

`collect` only reads: the ledger, the snapshot that the daemon writes, and the folders. It
answers while a daemon serves the root, and just as well when none does.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
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
from hotfolder.ending.why import leave_out_name
from hotfolder.errors import PluginError, Problem, SettingsError
from hotfolder.ledger.lock import Holder, find_holder
from hotfolder.ledger.reading import JobRow, LedgerReader, open_reader
from hotfolder.model.ends import End
from hotfolder.model.hours import Hours
from hotfolder.model.records import format_time
from hotfolder.model.snapshot import FolderStatus, Snapshot, TroubleStatus, read_snapshot
from hotfolder.notify.standing import describe_standing
from hotfolder.overview.overlaps import Located, collisions, is_of_any, locate, upstream
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
from hotfolder.settings.files import find_folders_in, has_tickets, load_destination
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
    seen = _look(root)
    holder, snapshot, looked = seen.holder, seen.snapshot, _look_into_folders(root, seen)
    folders = {
        name: _describe_destination(seen, name, looked.get(name)) for name in seen.destinations
    }
    return {
        "root": str(root.path),
        "served": holder is not None,
        "served_by": holder.pid if holder else None,
        "served_since": holder.since if holder else "",
        "destinations": folders,
        "batches": seen.batches,
        "waiting": _list_waiting(root, seen, looked, folders),
        "warned": sorted(seen.warned, key=lambda each: each["since"], reverse=True),
        "refused": sorted(seen.refused, key=lambda each: each["since"], reverse=True),
        "notify": describe_standing(root, is_served=holder is not None),
        "machines": [each.model_dump(mode="json") for each in snapshot.machines]
        if snapshot
        else [],
    }


@dataclass(frozen=True)
class _Seen:
    """What was found at once: settings, ledger and snapshot say the same moment, nearly."""

    destinations: dict[str, _Read]
    places: dict[str, DestinationFolders]
    holder: Holder | None
    snapshot: Snapshot | None
    located: dict[str, Located]
    """Of the destinations whose folders have answered."""
    colliding: Mapping[str, list[Problem]]
    ended: Mapping[str, Mapping[End, int]]
    """Jobs by destination and end."""
    open_rows: list[JobRow]
    batches: list[BatchSummary]
    resting: list[tuple[str, str, int]]
    """Batches that nothing has come for since: destination, name, files found."""
    warned: list[WarnedJob]
    refused: list[RefusedJob]

    def said_of(self, name: str) -> FolderStatus | None:
        """Return what the daemon says of a destination, if there is one."""
        return self.snapshot.folders.get(name) if self.snapshot else None


_LookedInto = tuple[Reached, list[WaitingThing], list[str]]
"""How a destination is reached, its held jobs, and files that belong to none."""


def _look(root: Root) -> _Seen:
    destinations = _read_destinations(root)
    places = {name: root.folders(name, each.folders) for name, each in destinations.items()}
    holder = find_holder(root)
    snapshot = _read_snapshot_of(root, holder)
    said_of = snapshot.folders if snapshot else {}
    located = pulse.within(
        pulse.LOOK_S / 2,
        {
            name: partial(locate, name, place)
            for name, place in places.items()
            if not ((said := said_of.get(name)) and said.silent)  # nobody need wait for that again
        },
    )
    with open_reader(root.ledger) as ledger:
        return _Seen(
            destinations,
            places,
            holder,
            snapshot,
            located,
            collisions(
                root, {name: at for name, at in located.items() if not destinations[name].problem}
            ),
            ledger.count_ended(),
            ledger.open_jobs(),
            summarise_batches(ledger, snapshot.workers if snapshot else processes.cpu_count()),
            list_resting(ledger),
            [each for name in destinations for each in _list_warned(ledger, name)],
            [
                each
                for name, place in places.items()
                for each in _list_refused(ledger, name, place.refused)
            ],
        )


def _look_into_folders(root: Root, seen: _Seen) -> dict[str, _LookedInto]:
    """Look into those that have answered; what has not is not asked again."""
    known = KnownFolders(root)
    with_batches = frozenset(name for name, each in seen.destinations.items() if each.has_batches)
    return pulse.within(
        pulse.LOOK_S / 2,
        {
            name: partial(
                look_into,
                root,
                name,
                seen.places[name],
                seen.said_of(name),
                partial(is_of_any, upstream(name, seen.located, with_batches)),
                known,
            )
            for name in seen.located
        },
    )


def _describe_destination(seen: _Seen, name: str, looked: _LookedInto | None) -> DestinationStatus:
    each, said, ended = seen.destinations[name], seen.said_of(name), seen.ended.get(name, {})
    reached, _, orphans = looked or (say_silent(name, said), [], [])
    if not each.knows_folders:  # we have looked where they would be by default
        reached["unreachable"] = said.unreachable if said else ""
        reached["unreachable_since"] = said.unreachable_since if said else ""
    return {
        "title": each.title,
        "hot_folder": str(seen.places[name].hot_folder),
        **reached,
        "watch": said.watch if said else "",
        "watch_reason": said.watch_reason if said else "",
        "last_scan": said.last_scan if said else "",
        "settings_problem": each.problem or "\n".join(map(str, seen.colliding.get(name, []))),
        "hours": str(each.hours or ""),
        "rests_until": _find_rest_end(each.hours),
        "remarks": [
            *_list_remarks(said, is_served=seen.snapshot is not None and not each.problem),
            *(orphans if said is None else []),  # a daemon has said them
            *(describe_resting(*found) for found in seen.resting if found[0] == name),
        ],
        "delivered": ended.get(End.DELIVERED, 0),
        "held": ended.get(End.HELD, 0),
        "discarded": ended.get(End.DISCARDED, 0),
        "refused": ended.get(End.REFUSED, 0),
    }


def _list_waiting(
    root: Root,
    seen: _Seen,
    looked: Mapping[str, _LookedInto],
    folders: Mapping[str, DestinationStatus],
) -> list[WaitingThing]:
    troubles = seen.snapshot.troubles if seen.snapshot else ()
    waiting = _list_open_jobs(root, seen, {t.name: t for t in troubles if t.kind in _OF_JOBS})
    for name, described in folders.items():
        # the snapshot is a little older than the ledger: what was taken in since is a job by now
        taken = {display_name(row.source) for row in seen.open_rows if row.destination == name}
        if described["arriving"]:
            arriving = list_arriving(name, seen.said_of(name))
            waiting += [each for each in arriving if each["file"] not in taken]
        _, held, _ = looked.get(name) or (None, [], [])
        waiting += held
        waiting += list_measured(root, name)
    waiting += list_forsaken(root, seen.places)
    waiting += [
        describe_trouble(trouble)
        for trouble in troubles
        if trouble.kind not in _OF_JOBS
        and trouble.kind != _OF_NOBODY
        and not _is_said(trouble, folders.get(trouble.destination))
    ]
    return waiting


def _list_open_jobs(
    root: Root, seen: _Seen, troubles: Mapping[str, TroubleStatus]
) -> list[WaitingThing]:
    not_served = {
        row.destination: _why_not_served(seen.destinations.get(row.destination))
        for row in seen.open_rows
        if seen.said_of(row.destination) is None
    }
    doing = {each.job: each.doing for each in seen.snapshot.work} if seen.snapshot else {}
    rest = {name: _find_rest_end(each.hours) for name, each in seen.destinations.items()}
    return [
        describe_unserved(row, why)
        if (why := not_served.get(row.destination, ""))
        else describe_job(root, row, troubles, rest.get(row.destination, ""), doing.get(row.id, ""))
        for row in seen.open_rows
    ]


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
    knows_folders: bool = True
    """Whether it says where the folders are; else nobody but the daemon knows."""


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
        if registry is None:
            found[path.stem] = _read_as_far_as_it_goes(path, plugin_problem)
            continue
        try:
            file = load_destination(path, registry, Intake()).file
            has_batches = file.ticket is not None
            found[path.stem] = _Read(file.title, file.folders, "", file.hours, has_batches)
        except SettingsError as error:
            found[path.stem] = _read_as_far_as_it_goes(path, str(error))
    return found


def _read_as_far_as_it_goes(path: Path, problem: str) -> _Read:
    """What a file says in which something else is wrong."""
    folders = find_folders_in(path)
    return _Read(
        folders=folders or Folders(),
        problem=problem,
        has_batches=has_tickets(path),
        knows_folders=folders is not None,
    )


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
                reasons=[
                    leave_out_name(display_name(each.message), display_name(row.source))
                    for each in (record.reasons if record else ())
                ],
                since=format_time(record.finished if record else row.changed),
                folder=display_name(str(folder / row.id)),
            )
        )
    return found
