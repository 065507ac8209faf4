"""What waits, why, since when, and who must act: put together from outside the daemon.

`collect` only reads: the ledger, the snapshot that the daemon writes, and the folders. It
answers while a daemon serves the root, and just as well when none does.
"""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from hotfolder.batch.summary import summaries
from hotfolder.disk import durable, names, platforms
from hotfolder.disk.marker import Unreachable, away
from hotfolder.errors import PluginError, Problem, SettingsError
from hotfolder.intake.scan import scan
from hotfolder.ledger.jobs import JobRow, State, count_ended, read_jobs
from hotfolder.ledger.lock import Holder, find_holder
from hotfolder.model.hours import Hours
from hotfolder.model.snapshot import FolderStatus, Snapshot, TroubleStatus, read_snapshot
from hotfolder.overview.overlaps import collisions, is_of_any, upstream
from hotfolder.pages.words import clock_time, duration
from hotfolder.settings.files import Folders, Intake, load_destination
from hotfolder.settings.known_folders import KnownFolders
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.stages.registry import Registry, load_registry
from hotfolder.work.worker import read_progress

_SHOWN = 50
_OF_JOBS = frozenset({"claim", "job", "batch file"})
"""Kinds of trouble that are named by jobs, which the ledger has."""
_OF_NOBODY = "stray jobs"
"""Jobs that no destination is there for: each of them is said by itself."""
_TELLS_AFTER_S, _TELLS_FROM = 5.0, 0.05


@dataclass(frozen=True)
class Waiting:
    """Something that waits. who: "the program" or "you"; since: UTC."""

    destination: str
    file: str
    what: str
    why: str
    since: str
    who: str
    job: str = ""
    share: float | None = None


def collect(root: Root) -> dict[str, Any]:
    """Return everything that ``status`` says, as JSON values.

    Settings that cannot be used are part of the answer, not a reason to give none.

    Raises
    ------
    SettingsError
        When there is no root here at all.
    """
    destinations = _destinations(root)
    places = {name: root.folders(name, each.folders) for name, each in destinations.items()}
    colliding = collisions(
        root, {name: places[name] for name, each in destinations.items() if not each.problem}
    )
    with_batches = frozenset(name for name, each in destinations.items() if each.has_batches)
    known = KnownFolders(root)
    holder = find_holder(root)
    snapshot = _snapshot(root, holder)
    counts = count_ended(root.ledger)
    open_rows = read_jobs(root.ledger)
    troubles = snapshot.troubles if snapshot else ()
    by_job = {each.name: each for each in troubles if each.kind in _OF_JOBS}
    rest = {name: _rests_until(each.hours) for name, each in destinations.items()}
    not_served = {
        row.destination: _why_not_served(destinations.get(row.destination))
        for row in open_rows
        if snapshot is None or row.destination not in snapshot.folders
    }
    waiting = [
        _open_job(root, row, by_job, rest.get(row.destination, ""))
        if not not_served.get(row.destination)
        else _unserved_job(row, not_served[row.destination])
        for row in open_rows
    ]
    folders = {}
    for name, each in destinations.items():
        said = snapshot.folders.get(name) if snapshot else None
        place = places[name]
        above = upstream(name, places, with_batches)
        folders[name] = {
            "title": each.title,
            "hot_folder": str(place.hot_folder),
            **_look(place, said, partial(is_of_any, above), _not_ours(known, name, place)),
            "watch": said.watch if said else "",
            "watch_reason": said.watch_reason if said else "",
            "last_scan": said.last_scan if said else "",
            "settings_problem": each.problem or "\n".join(map(str, colliding.get(name, []))),
            "hours": str(each.hours or ""),
            "rests_until": rest[name],
            "remarks": list(said.remarks) if said else [],
            **{
                state: counts.get(name, {}).get(state, 0)
                for state in ("delivered", "held", "dropped", "refused")
            },
        }
        waiting += _arriving(name, said)
        waiting += _held(name, place.held)
    waiting += [
        _in_trouble(trouble)
        for trouble in troubles
        if trouble.kind not in _OF_JOBS and trouble.kind != _OF_NOBODY
    ]
    return {
        "root": str(root.path),
        "served": holder is not None,
        "served_by": holder.pid if holder else None,
        "served_since": holder.since if holder else "",
        "destinations": folders,
        "batches": summaries(root, snapshot.workers if snapshot else platforms.cpu_count()),
        "waiting": [vars(each) for each in waiting],
    }


def _rests_until(hours: Hours | None) -> str:
    """The local time at which a destination begins, when it rests now; else ""."""
    now = time.time()
    if hours is None or hours.is_open(now):
        return ""
    return clock_time(hours.opens_at(now))


@dataclass(frozen=True)
class _Said:
    """What a destination's file says; problem: why it cannot be used, or ""."""

    title: str = ""
    folders: Folders = field(default_factory=Folders)
    problem: str = ""
    hours: Hours | None = None
    has_batches: bool = False


def _destinations(root: Root) -> dict[str, _Said]:
    """What the files of destinations say, by name."""
    registry: Registry | None = None
    plugin_problem = ""
    try:
        registry = load_registry(root.plugins)
    except PluginError as error:
        plugin_problem = str(error)
    files = sorted(root.destinations.glob("*.toml"))
    if not files:
        problem = Problem(str(root.path), "", "is no root", "run `hotfolder init` to make one")
        raise SettingsError([problem])
    found: dict[str, _Said] = {}
    for path in files:
        found[path.stem] = _Said(problem=plugin_problem)
        if registry is None:
            continue
        try:
            file = load_destination(path, registry, Intake()).file
            has_batches = file.ticket is not None
            found[path.stem] = _Said(file.title, file.folders, "", file.hours, has_batches)
        except SettingsError as error:
            found[path.stem] = _Said(problem=str(error))
    return found


def _snapshot(root: Root, holder: Holder | None) -> Snapshot | None:
    """What the process that serves the root says; None for what an earlier one has left."""
    found = read_snapshot(root.snapshot) if holder else None
    return found if found and holder and found.pid == holder.pid else None


def _not_ours(known: KnownFolders, name: str, place: DestinationFolders) -> str:
    """Why one of a destination's folders is not the one it was; "" when all are."""
    try:
        known.check(name, place, learn=False)
    except Unreachable as error:
        return str(error)
    return ""


def _look(
    place: DestinationFolders,
    said: FolderStatus | None,
    is_ours: Callable[[str], bool],
    not_ours: str,
) -> dict[str, Any]:
    """Files in a hot folder, counted now: a daemon may not be there to have done it."""
    others = [folder for folder in vars(place).values() if folder != place.hot_folder]
    arriving, left_alone, reasons = 0, 0, away(others)
    since = dict(said.away) if said else {}
    try:
        found = scan(place.hot_folder, is_ours=is_ours)
        arriving, left_alone = len(found.candidates), found.junk
    except Unreachable as error:
        reasons = {str(place.hot_folder): str(error), **reasons}
        since |= {names.display_name(str(place.hot_folder)): said.unreachable_since if said else ""}
    return {
        "arriving": arriving,
        "left_alone": left_alone,
        "unreachable": " ".join(filter(None, [not_ours, *reasons.values()])),
        "unreachable_since": min(
            (since[folder] for folder in map(names.display_name, reasons) if folder in since),
            default="",
        ),
    }


def _open_job(
    root: Root, row: JobRow, troubles: Mapping[str, TroubleStatus], rests_until: str
) -> Waiting:
    file = names.display_name(row.source)
    trouble = troubles.get(row.id)
    if trouble:
        return Waiting(
            row.destination, file, "stopped", trouble.message, trouble.since, "you", row.id
        )
    share = None
    why = {
        State.CLAIMING: "is being taken into the spool",
        State.RELEASING: "was released and is being taken up again",
        State.CLAIMED: "waits for a free worker",
        State.WORKING: "is being worked on",
        State.PRODUCED: "is about to be delivered",
        State.PUBLISHING: "is being delivered",
    }[row.state]
    if row.state is State.CLAIMED and rests_until and "release" not in row.detail:
        why = f"rests until {rests_until}, when its destination's hours begin"
    if row.state is State.WORKING:
        doing = read_progress(root.spool / row.id / f"attempt-{row.attempts}")
        if doing:
            why, share = f"{why}: {doing[0]}", doing[1]
            left = _time_left((datetime.now(UTC) - row.changed).total_seconds(), share)
            why += f", {left} left" if left else ""
    since = _z(row.changed)
    return Waiting(row.destination, file, row.state.value, why, since, "the program", row.id, share)


def _why_not_served(said: _Said | None) -> str:
    if said is None:
        return "waits: its destination has no settings any more; put its file in destinations/ back"
    return "waits until its settings are right" if said.problem else ""


def _unserved_job(row: JobRow, why: str) -> Waiting:
    file = names.display_name(row.source)
    return Waiting(row.destination, file, "stopped", why, _z(row.changed), "you", row.id)


def _time_left(so_far_s: float, share: float) -> str:
    """Say how long work will still take that has come so far; "" when nobody can tell yet."""
    if so_far_s < _TELLS_AFTER_S or share < _TELLS_FROM:
        return ""
    return duration(so_far_s * (1 - share) / share)


def _arriving(name: str, said: FolderStatus | None) -> list[Waiting]:
    now = datetime.now(UTC).timestamp()
    return [
        Waiting(
            name,
            each.file,
            "arriving",
            each.reason,
            _z(datetime.fromtimestamp(now - each.since_s, UTC)),
            "the program",
        )
        for each in (said.arriving_files if said else ())
    ]


def _held(name: str, folder: Path) -> list[Waiting]:
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
        # the folder is a person's to work in: what is no record of ours is left out
        with contextlib.suppress(OSError, ValueError, TypeError, LookupError):
            with durable.open_to_read(folder / job / "record.json") as file:
                record = json.load(file)
            why = " ".join(reason["message"] for reason in record["reasons"])
            original, since = str(record["original"]["name"]), str(record["finished"])
            found.append(Waiting(name, original, "held", why, since, "you", job))
    return found


def _in_trouble(trouble: TroubleStatus) -> Waiting:
    what = {"file": trouble.name, "held": "held jobs"}.get(trouble.kind, "everything")
    where = trouble.destination or "all destinations"
    return Waiting(where, what, "stopped", trouble.message, trouble.since, "you")


def _z(time: datetime) -> str:
    return time.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
