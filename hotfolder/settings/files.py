"""Reading the settings of a root and of its destinations, with all problems at once."""

from __future__ import annotations

import json
import re
import shlex
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final, TypeVar

from pydantic import ValidationError

from hotfolder.colour.named import USUAL_PROFILES, named_profile
from hotfolder.colour.profile import Profile, ProfileError
from hotfolder.errors import Problem, SettingsError
from hotfolder.model.destination import SettingsModel, Surface
from hotfolder.model.encoding import Encoding
from hotfolder.settings.lines import find_line, find_lines
from hotfolder.settings.mistakes import describe, find_like
from hotfolder.settings.notify import NotifyTable
from hotfolder.settings.order import find_misplaced, right_order
from hotfolder.settings.tables import DestinationFile, Folders, Intake, RootFile
from hotfolder.stages.contract import AnyStage, StageSettings
from hotfolder.stages.registry import Registry

SETTINGS_FILE = "hotfolder.toml"
_DESTINATION_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
_IN_LINE = re.compile(r"\((?:at line (\d+), column \d+|at end of document)\)")
_TOML = 'lines as key = "value", and [table]'
_Model = TypeVar("_Model", bound=SettingsModel)


UNUSED: Final = "is not used"
"""What is said of a stage's table that `stages` does not name."""


@dataclass(frozen=True)
class Destination:
    """One destination, checked: its file, its stages' settings and its profile."""

    name: str
    file: DestinationFile
    raw: Mapping[str, object]
    """The file's content as TOML gave it, which a worker validates again for itself."""
    stage_settings: Mapping[str, StageSettings]
    profile: Profile
    intake: Intake
    stages: Mapping[str, type[AnyStage]] = field(default_factory=dict)
    """The class of each stage, by its name."""


@dataclass(frozen=True)
class Settings:
    """Everything that ``hotfolder.toml`` and ``destinations/*.toml`` say, checked."""

    root: RootFile
    destinations: Mapping[str, Destination]
    refused: Mapping[str, tuple[Problem, ...]] = field(default_factory=dict)
    """Destinations that cannot be served as their settings are, by name; the others can."""


def load_what_is_right(root: Path, registry: Registry) -> Settings:
    """Read and check all settings of a root; a destination whose file is wrong is set aside.

    Raises
    ------
    SettingsError
        With every problem of every file, when the root's own settings are wrong or there is no
        destination at all.
    """
    settings, problems = load_all(root, registry)
    if problems:
        refused = settings.refused.values()
        raise SettingsError([*problems, *(each for found in refused for each in found)])
    return settings


def load_all(root: Path, registry: Registry) -> tuple[Settings, list[Problem]]:
    """Read and check all settings of a root, and return also what can be used if some cannot.

    Returns
    -------
    The settings, those of the root by default where its own file is wrong; and the problems that
    belong to no destination.
    """
    problems: list[Problem] = []
    root_file = _read_root(root / SETTINGS_FILE, problems)
    folder = root / "destinations"
    files = sorted(folder.glob("*.toml")) if folder.is_dir() else []
    if not files:
        problems.append(Problem(str(folder), "", "no destination", "at least one file NAME.toml"))
    if folder.is_dir():
        problems += _find_strangers(folder)
    destinations, refused = {}, {}
    intake = root_file.intake if root_file else Intake()
    for path in files:
        try:
            destination = load_destination(path, registry, intake)
        except SettingsError as error:
            refused[path.stem] = error.problems
        else:
            destinations[destination.name] = destination
    return Settings(root_file or RootFile(), destinations, refused), problems


def load_destination(path: Path, registry: Registry, default_intake: Intake) -> Destination:
    """Read and check ``ROOT/destinations/NAME.toml``; its profiles are in ``ROOT/profiles``.

    Raises
    ------
    SettingsError
        With every problem of this file.
    """
    problems: list[Problem] = []
    raw = _read_toml(path, problems)
    if raw is None:
        raise SettingsError(problems)
    return check_destination(path, raw, registry, default_intake)


def check_destination(
    path: Path, raw: Mapping[str, object], registry: Registry, default_intake: Intake
) -> Destination:
    """Check what a destination's file says, given as TOML values; `path` names it in messages.

    Each table is looked at whatever is wrong in another, so that all problems come at once.

    Raises
    ------
    SettingsError
        With every problem of this file.
    """
    problems: list[Problem] = []
    if not _DESTINATION_NAME.fullmatch(path.stem):
        allowed = "letters, digits, hyphens and underscores; at most 64"
        problems.append(Problem(str(path), "", f"the name {path.stem!r}", allowed))
    file = _validated(DestinationFile, raw, path, (), problems)
    medium = raw.get("medium")
    named = medium.get("profile") if isinstance(medium, Mapping) else None
    profile = None
    if isinstance(named, str) and named:
        profile = _profile(path, "medium.profile", named, problems)
    stage_settings = _stage_settings(path, raw, registry, problems)
    _check_variants(path, raw, stage_settings, problems)
    if problems or file is None or profile is None:
        raise SettingsError(_with_lines(path, problems))
    file = _with_viewing(file, path.parent.parent / SETTINGS_FILE)
    intake = file.intake or default_intake
    stages = {name: registry.stages[name] for name in file.stages}
    return Destination(path.stem, file, raw, stage_settings, profile, intake, stages)


def _with_viewing(file: DestinationFile, root_file: Path) -> DestinationFile:
    """The destination with the root's light, where it says none and the light fits its medium."""
    if file.medium.viewing is not None:
        return file
    root = _read_root(root_file, [])
    viewing = root.viewing if root else None
    is_screen = file.medium.surface is Surface.SCREEN
    if viewing is None or (viewing.where == "display") is not is_screen:
        return file
    medium = file.medium.model_copy(update={"viewing": viewing})
    return file.model_copy(update={"medium": medium})


def read_root_file(root: Path) -> RootFile:
    """Read ``hotfolder.toml``; all by default where it is wrong, which others say."""
    return _read_root(root / SETTINGS_FILE, []) or RootFile()


def read_notify(root: Path) -> tuple[NotifyTable | None, list[Problem]]:
    """Read whom ``hotfolder.toml`` wants told; None where the file is wrong, and what is."""
    problems: list[Problem] = []
    found = _read_root(root / SETTINGS_FILE, problems)
    return (found.notify if found else None), problems


def read_title(path: Path) -> str:
    """Read what people call a destination; its name where its file does not say."""
    said = (_read_toml(path, []) or {}).get("title")
    return said if isinstance(said, str) and said else path.stem


def read_surface(path: Path) -> str:
    """Read what a destination's medium is, as canvas; "" where its file does not say."""
    medium = (_read_toml(path, []) or {}).get("medium")
    said = medium.get("surface") if isinstance(medium, dict) else None
    return said if isinstance(said, str) else ""


def has_tickets(path: Path) -> bool:
    """Whether a destination works on tickets, whatever else is wrong in its file."""
    return "ticket" in (_read_toml(path, []) or {})


def read_folders(path: Path) -> Folders:
    """Read where a destination's folders are, whatever else is wrong in its file.

    Returns
    -------
    What its file says; that all are in the root when that cannot be read.
    """
    return find_folders_in(path) or Folders()


def find_folders_in(path: Path) -> Folders | None:
    """Read the same; None when the file does not say it, since it or this table cannot be read."""
    raw = _read_toml(path, [])
    if raw is None:
        return None
    try:
        return Folders.model_validate(raw.get("folders", {}))
    except ValidationError:
        return None


def _with_lines(path: Path, problems: list[Problem]) -> list[Problem]:
    """The problems, each with the line of its key."""
    try:
        lines = find_lines(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError):
        return problems
    return [
        each if each.line else replace(each, line=find_line(lines, each.key)) for each in problems
    ]


def _find_strangers(folder: Path) -> list[Problem]:
    """Files beside those of destinations that are nearly called like one."""
    return [
        Problem(str(path), "", "is not read", "a name that ends in .toml, in lower case")
        for path in sorted(folder.iterdir())
        if path.suffix != ".toml" and path.suffix.casefold() in {".toml", ".tml", ".txt", ".ini"}
    ]


def _read_root(path: Path, problems: list[Problem]) -> RootFile | None:
    found: list[Problem] = []
    raw = _read_toml(path, found)
    made = None if raw is None else _validated(RootFile, raw, path, (), found)
    problems += _with_lines(path, found)
    return made


def _read_toml(path: Path, problems: list[Problem]) -> dict[str, Any] | None:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        root = path.parent if path.name == SETTINGS_FILE else path.parent.parent
        init = shlex.join(["hotfolder", "init", str(root)])
        problems.append(Problem(str(path), "", "there is no such file", f"run `{init}`"))
    except UnicodeDecodeError:
        problems.append(Problem(str(path), "", "is not UTF-8 text", "save it as UTF-8"))
    except OSError as error:
        problems.append(Problem(str(path), "", f"cannot be read: {error.strerror}", ""))
    except tomllib.TOMLDecodeError as error:
        place = _IN_LINE.search(str(error))
        said = _IN_LINE.sub("", str(error)).strip()
        line = int(place[1]) if place and place[1] else None
        problems.append(Problem(str(path), "", f"is not TOML: {said}", _TOML, line))
    return None


def _validated(
    model: type[_Model],
    raw: Mapping[str, object],
    path: Path,
    prefix: tuple[str, ...],
    problems: list[Problem],
) -> _Model | None:
    try:
        return model.model_validate(raw)
    except ValidationError as error:
        details = error.errors()
    problems.extend(describe(detail, model, str(path), prefix) for detail in details)
    wrong = {str(detail["loc"][0]) for detail in details if detail["loc"]}
    try:  # what keys say together is looked at only where each of them is right
        model.model_validate({key: value for key, value in raw.items() if key not in wrong})
    except ValidationError as error:
        for detail in error.errors():
            problem = describe(detail, model, str(path), prefix)
            is_due_to_another = detail["loc"] or any(key in problem.allowed for key in wrong)
            if not is_due_to_another and problem not in problems:
                problems.append(problem)
    return None


def _profile(
    path: Path, key: str, name: str, problems: list[Problem], encoding: Encoding | None = None
) -> Profile | None:
    where = path.parent.parent / "profiles" / name
    needs_file = encoding is None
    try:
        profile = (None if needs_file else named_profile(name)) or Profile.load(where)
    except FileNotFoundError:
        there = sorted(each.name for each in where.parent.glob("*.ic[cm]"))
        usual = () if encoding is None else USUAL_PROFILES.get(encoding, ())
        allowed = f"in profiles/ there is {', '.join(there) or 'none'}"
        allowed += f"; without a file: {' or '.join(map(json.dumps, usual))}" if usual else ""
        meant = find_like(name, [*there, *usual])
        problems.append(Problem(str(path), key, f"{name!r} does not exist", allowed, meant=meant))
    except OSError as error:
        problems.append(Problem(str(path), key, f"{name!r} cannot be read: {error.strerror}", ""))
    except ProfileError as error:
        problems.append(Problem(str(path), key, repr(name), f"a profile that can be used; {error}"))
    else:
        if encoding is None or profile.encoding is encoding:
            return profile
        got = f"{name!r} is for {profile.encoding.in_words} pictures"
        allowed = f"a profile for {encoding.in_words} pictures"
        problems.append(Problem(str(path), key, got, allowed))
    return None


def _stage_settings(
    path: Path, raw: Mapping[str, object], registry: Registry, problems: list[Problem]
) -> dict[str, StageSettings]:
    named, tables = raw.get("stages"), raw.get("stage", {})
    names = [each for each in named if isinstance(each, str)] if isinstance(named, list) else []
    tables = tables if isinstance(tables, Mapping) else {}
    settings: dict[str, StageSettings] = {}
    meant: dict[str, int] = {}  # in which place; what is misspelt, as the stage that it resembles
    for number, name in enumerate(names, 1):
        stage = registry.stages.get(name)
        if stage is None:
            like = find_like(name, registry.stages)
            allowed, got = ", ".join(registry.stages), f"no stage is called {name!r}"
            problems.append(Problem(str(path), f"stages.{number}", got, allowed, meant=like))
            if like and like not in names:
                meant.setdefault(like, number)  # its table and its place are looked at all the same
                table = tables.get(like, tables.get(name, {}))
                _check_stage(path, like, table, registry, problems)
        elif name in names[: number - 1]:
            problems.append(Problem(str(path), f"stages.{number}", repr(name), "each stage once"))
        else:
            meant[name] = number
            checked = _check_stage(path, name, tables.get(name, {}), registry, problems)
            if checked is not None:
                settings[name] = checked
    for name, table in tables.items():
        if name in names or name in meant:
            continue
        allowed, like = f'take this table out, or put "{name}" into `stages`', ""
        if name not in registry.stages:
            allowed = f"a stage that `stages` names: {', '.join(names)}"
            like = find_like(name, names)
        problems.append(Problem(str(path), f"stage.{name}", UNUSED, allowed, meant=like))
        if name in registry.stages:
            _check_stage(path, name, table, registry, problems)
    _check_order(path, meant, registry, problems)
    return settings


def _check_variants(
    path: Path,
    raw: Mapping[str, object],
    stage_settings: Mapping[str, StageSettings],
    problems: list[Problem],
) -> None:
    """Check that one stage at most makes several results of a picture, and of no ticket's row."""
    several = [name for name, settings in stage_settings.items() if settings.variants()]
    if several and "ticket" in raw:
        got = "makes several results of a picture"
        allowed = "one: a row of a ticket is one picture at one place"
        problems.append(Problem(str(path), f"stage.{several[0]}", got, allowed))
    if len(several) > 1:
        got = f"makes several results, as {several[0]} does"
        problems.append(Problem(str(path), f"stage.{several[1]}", got, "one stage that does"))


def _check_stage(
    path: Path, name: str, raw: object, registry: Registry, problems: list[Problem]
) -> StageSettings | None:
    """Check one stage's table, and the profiles that it names."""
    if not isinstance(raw, Mapping):
        return None  # the file's own model says that it has to be a table
    model = registry.stages[name].Settings
    for key, encoding in model.profiles.items():
        if isinstance(named := raw.get(key), str):
            _profile(path, f"stage.{name}.{key}", named, problems, encoding)
    return _validated(model, raw, path, ("stage", name), problems)


def _check_order(
    path: Path, stages: Mapping[str, int], registry: Registry, problems: list[Problem]
) -> None:
    """Refuse an order in which a stage cannot do its work, and say a right one.

    stages: in their order, with their places in the list.
    """
    names = list(stages)
    order = right_order(names, registry.stages)
    for each in find_misplaced(names, registry.stages):
        allowed = f"{each.why}; a right order is stages = {json.dumps(order)}"
        if order is None:
            allowed = f"{each.why}; what these stages declare leaves no order, so take one out"
        key = f"stages.{stages[each.name]}"
        problems.append(Problem(str(path), key, str(each), allowed))
