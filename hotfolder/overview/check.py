"""Whether a root's settings, profiles and folders are right: everything that is not, at once."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial

from hotfolder.colour.profile import Profile
from hotfolder.colour.profile_measures import measure_quickly
from hotfolder.disk import mounts, processes, pulse
from hotfolder.disk.marker import Unreachable, check_marker
from hotfolder.errors import PluginError, Problem
from hotfolder.intake.forsaken import find_forsaken, say_forsaken
from hotfolder.intake.scan import scan
from hotfolder.ledger.log_places import LogPlaces
from hotfolder.model.encoding import Encoding
from hotfolder.notify.doubts import find_problems as find_notify_problems
from hotfolder.overview.absent import Missing, say_missing, say_silent, tell_once
from hotfolder.overview.doubts import Readable, list_doubts
from hotfolder.overview.new_root import find_new_folders
from hotfolder.overview.overlaps import Located, collisions, locate
from hotfolder.overview.profile_findings import find_quickly
from hotfolder.overview.unmentioned import find_unmentioned
from hotfolder.settings.files import Settings, find_folders_in, load_all
from hotfolder.settings.known_folders import KnownFolders
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.stages.registry import Registry, load_registry
from hotfolder.work.machines.opening import find_problems as find_engine_problems


@dataclass(frozen=True)
class Checked:
    """What `check` found."""

    settings: Settings | None
    """None when they cannot be used."""
    registry: Registry | None
    """None when the stages cannot be loaded."""
    problems: tuple[Problem, ...]
    """What stops the daemon."""
    unreachable: tuple[Problem, ...]
    """Folders that are away or cannot be used, and what people cannot be told by; the daemon serves
    the other destinations."""
    remarks: tuple[str, ...]
    """What is worth a person's look."""
    profiles: tuple[str, ...] = ()
    """A line for each profile of a destination: how far it can be trusted, in numbers."""


def check(root: Root, *, with_profiles: bool = False) -> Checked:
    """Check everything about a root that can be checked without a picture, whatever is wrong.

    Parameters
    ----------
    with_profiles
        Measure the destinations' profiles too, which takes up to a second for each; the daemon
        starts without.
    """
    problems: list[Problem] = []
    registry: Registry | None = None
    try:
        registry = load_registry(root.plugins)
    except PluginError as error:
        problems.append(Problem(str(root.plugins), "", str(error), ""))
    found, of_root = load_all(root.path, registry or load_registry())
    problems += of_root
    known = KnownFolders(root)
    folders = _find_folders(root, found)
    # a share that hangs must keep nobody from an answer, nor from being served
    looked = pulse.within(
        pulse.LOOK_S,
        {
            name: partial(_look_at_folders, root, name, each, known)
            for name, each in folders.items()
        },
    )
    located = {name: at for name, (at, *_) in looked.items() if name in found.destinations}
    settings = _without_collisions(root, found, located)
    unreachable: list[Problem] = []
    remarks: list[str] = []
    if not settings.destinations or problems:
        problems += [each for refused in settings.refused.values() for each in refused]
    missing: dict[str, list[Missing]] = {}
    for name in looked:
        unreachable += looked[name][1]
        missing[name] = looked[name][2]
    unreachable += say_missing(root, missing)
    unreachable += say_silent(root, {name: folders[name] for name in folders.keys() - looked})
    for destination in found.destinations.values():
        remarks += list_doubts(Readable.of(destination))
    for name in found.refused:
        remarks += list_doubts(Readable.read(root, name, registry or load_registry()))
    if settings.root.workers > processes.cpu_count() * 4:
        remarks.append(f"workers = {settings.root.workers}, far more than this machine's cores")
    problems += find_engine_problems(root, settings.root.engine)
    cannot_tell, doubts = find_notify_problems(root, settings.root.notify)
    unreachable += cannot_tell
    remarks += doubts
    if root.path.is_dir():
        _check_ledger_disk(root, problems)
    used = [each for places in folders.values() for each in places.all()]
    used += [root.path / "in" / name for name in (*settings.destinations, *settings.refused)]
    forsaken = find_forsaken(root.path / "in", used)
    remarks += [say_forsaken(name, number) for name, number in forsaken.items()]
    logs = LogPlaces(root.private)
    remarks += [
        f"{name}: records of before its results were moved are in {log}, and not in its log of "
        "today: connect its disk and start again; if it has gone for good, take it out of "
        f"{logs.file}"
        for name in folders
        for log in logs.left_behind(name)
    ]
    remarks += find_unmentioned(root, _find_folders(root, settings))
    judged, measured = _judge_profiles(root, settings) if with_profiles else ([], [])
    remarks += judged
    is_right = registry is not None and not problems
    return Checked(
        settings if is_right else None,
        registry,
        tuple(problems),
        tuple(unreachable),
        tuple(remarks),
        tuple(measured),
    )


def _find_folders(root: Root, settings: Settings) -> dict[str, DestinationFolders]:
    """The folders of every destination, also of one that is refused, if its file names them."""
    found = {
        name: root.folders(name, each.file.folders) for name, each in settings.destinations.items()
    }
    for name in settings.refused:
        folders = find_folders_in(root.destinations / f"{name}.toml")
        if folders is not None:  # else that is among the problems
            found[name] = root.folders(name, folders)
    return found


def _without_collisions(root: Root, settings: Settings, located: Mapping[str, Located]) -> Settings:
    """The settings with destinations whose folders collide among those that are refused."""
    colliding = collisions(root, located)
    return replace(
        settings,
        destinations={
            name: each for name, each in settings.destinations.items() if name not in colliding
        },
        refused={**settings.refused, **{name: tuple(each) for name, each in colliding.items()}},
    )


def _look_at_folders(
    root: Root, name: str, folders: DestinationFolders, known: KnownFolders
) -> tuple[Located, list[Problem], list[Missing]]:
    """Where a destination's folders are, what is wrong with them, and which are not there."""
    located = locate(name, folders)
    problems: list[Problem] = []
    missing: list[Missing] = []
    not_marked: dict[str, str] = {}
    try:
        known.check(name, folders, learn=False)
    except Unreachable as error:
        problems.append(Problem(str(root.path), "", str(error), ""))
    new = find_new_folders(root, name, folders, known)
    for key, folder in vars(folders).items():
        if folder in new:
            continue  # `watch` and `sweep` make it
        if not folder.is_dir():
            missing.append(Missing.of(key, folder))
        elif not os.access(folder, os.W_OK | os.X_OK):
            problems.append(Problem(str(folder), "", "cannot be written", "permission to write"))
        elif folder != folders.hot_folder:
            try:
                check_marker(folder)
            except Unreachable as error:
                not_marked[str(folder)] = str(error)
    try:
        scan(folders.hot_folder)
    except Unreachable as error:
        if folders.hot_folder.is_dir():
            not_marked = {str(folders.hot_folder): str(error), **not_marked}
    problems += [
        Problem(str(root.path), "", f"{name}: {each}", "") for each in tell_once(not_marked, root)
    ]
    return located, problems, missing


def _judge_profiles(root: Root, settings: Settings) -> tuple[list[str], list[str]]:
    """Remarks about profiles, and a line about each: every profile once, with who uses it."""
    users: dict[Profile, list[str]] = {}
    remarks: list[str] = []
    lines: list[str] = []
    for destination in settings.destinations.values():
        users.setdefault(destination.profile, []).append(destination.name)
        for stage, of_stage in destination.stage_settings.items():
            doubts = of_stage.doubts_about(destination.profile)
            remarks += [
                f"{destination.name}: stage.{stage}.{key} {said}" for key, said in doubts.items()
            ]
    for profile, names in users.items():
        if profile.encoding is Encoding.LAB:
            continue
        quick = measure_quickly(profile)
        who = ", ".join(names)
        remarks += [
            f"{who}: medium.profile {profile.description!r}: {each.sentence()}"
            for each in find_quickly(profile, quick)
            if each.is_doubt
        ]
        if quick.noise is not None:
            lines.append(
                f"profile {profile.description!r} ({who}): colours come back "
                f"{quick.noise.mean:.1f} ΔE00 off on average, one in a hundred by more than "
                f"{quick.noise.p99:.1f}; more: {root.command('profile', names[0])}"
            )
    return remarks, lines


def _check_ledger_disk(root: Root, problems: list[Problem]) -> None:
    kind = mounts.filesystem_type(root.path)
    if not mounts.delivers_events(kind):
        problems.append(
            Problem(
                str(root.private),
                "",
                f"is on {kind}",
                "a local disk for the root; its in/ and out/ folders may be on a share",
            )
        )
