"""Settings of a root and of its destinations, and reading them with all problems at once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import Field, TypeAdapter, ValidationError

from hotfolder.colour.profile import Profile, ProfileError
from hotfolder.errors import Problem, SettingsError
from hotfolder.model.destination import Medium, Result, SettingsModel
from hotfolder.model.hours import HoursText
from hotfolder.model.name_template import NameTemplate
from hotfolder.model.units import ByteCount, DurationS
from hotfolder.stages.contract import StageSettings
from hotfolder.stages.registry import Registry

SETTINGS_FILE = "hotfolder.toml"
_DESTINATION_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
_RENAMED = {"keep_dropped": "keep_discarded"}
"""Keys of earlier versions, and what they are called now."""
_Model = TypeVar("_Model", bound=SettingsModel)


class Limits(SettingsModel):
    """The table ``[limits]`` of a destination: what one job may cost before it is stopped.

    time: seconds after parsing; memory: bytes after parsing; attempts: how often a job is tried
    when its worker crashes or is stopped.
    """

    time: DurationS = 1800.0
    memory: ByteCount = 4.0 * 2**30
    attempts: Annotated[int, Field(ge=1, le=10)] = 3


class Folders(SettingsModel):
    """Where this destination's folders are, when not in the root. Absolute, or below the root.

    Give each destination a folder of its own.
    """

    hot_folder: str | None = None
    results: str | None = None
    held: str | None = None
    refused: str | None = None
    originals: str | None = None
    release: str | None = None


class Intake(SettingsModel):
    """The table ``[intake]``: how a hot folder is watched and when a file has arrived.

    watch: "auto" chooses by the kind of file system. rescan: seconds between full scans where
    events wake the scan; poll: where nothing does. quiet: how long a file must not change.
    patience: how long to wait for a file that looks unfinished before saying that it is damaged.
    """

    watch: Literal["auto", "events", "poll"] = "auto"
    rescan: DurationS = 60.0
    poll: DurationS = 5.0
    quiet: DurationS = 2.0
    patience: DurationS = 60.0


class TicketTable(SettingsModel):
    """The table ``[ticket]``: this destination works on tickets and the pictures they name.

    name: of results, without suffix. spread_lightness: difference of L* above which the morning
    report names two facing pages; spread_neutral: the same for a* and b* of their greys.
    """

    name: NameTemplate = "{page}-{placement}"
    spread_lightness: Annotated[float, Field(gt=0, le=100)] = 8.0
    spread_neutral: Annotated[float, Field(gt=0, le=100)] = 2.0


class DestinationFile(SettingsModel):
    """A file ``destinations/NAME.toml``. ``stage`` holds each stage's own table.

    hours: when jobs are begun, by local time; at any time, when it is not set. priority: jobs of
    a higher one are begun first; of the same, destinations take turns. keep_sheets: proof sheets
    are made of all jobs, or only of those that are held, so that others do not pay for them.
    """

    title: str = ""
    hours: HoursText | None = None
    priority: Annotated[int, Field(ge=-100, le=100)] = 0
    stages: Annotated[tuple[str, ...], Field(min_length=1)]
    keep_sheets: Literal["all", "held"] = "held"
    medium: Medium
    result: Result = Result()
    limits: Limits = Limits()
    folders: Folders = Folders()
    intake: Intake | None = None
    ticket: TicketTable | None = None
    stage: dict[str, dict[str, Any]] = Field(default_factory=dict)


class RootFile(SettingsModel):
    """The file ``hotfolder.toml``. workers: jobs at once; 0 means as many as there are cores.

    keep_discarded: for how many seconds, after parsing, the original of a held job is kept when a
    person has deleted its folder; 0 keeps none.
    """

    workers: Annotated[int, Field(ge=0, le=256)] = 0
    intake: Intake = Intake()
    free_space: ByteCount = 500.0 * 2**20
    keep_discarded: DurationS = 30 * 86400.0


@dataclass(frozen=True)
class Destination:
    """One destination, checked: its file, its stages' settings and its profile.

    raw: the file's content as TOML gave it, which a worker validates again for itself.
    """

    name: str
    file: DestinationFile
    raw: Mapping[str, Any]
    stage_settings: Mapping[str, StageSettings]
    profile: Profile
    intake: Intake


@dataclass(frozen=True)
class Settings:
    """Everything that ``hotfolder.toml`` and ``destinations/*.toml`` say, checked."""

    root: RootFile
    destinations: Mapping[str, Destination]


def load_settings(root: Path, registry: Registry) -> Settings:
    """Read and check all settings of a root.

    Raises
    ------
    SettingsError
        With every problem of every file: file, key, value found, what is allowed.
    """
    problems: list[Problem] = []
    root_file = _read_root(root / SETTINGS_FILE, problems)
    folder = root / "destinations"
    files = sorted(folder.glob("*.toml")) if folder.is_dir() else []
    if not files:
        problems.append(Problem(str(folder), "", "no destination", "at least one file NAME.toml"))
    destinations = {}
    intake = root_file.intake if root_file else Intake()
    for path in files:
        try:
            destination = load_destination(path, registry, intake)
        except SettingsError as error:
            problems.extend(error.problems)
        else:
            destinations[destination.name] = destination
    if problems or root_file is None:
        raise SettingsError(problems)
    return Settings(root_file, destinations)


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
    path: Path, raw: Mapping[str, Any], registry: Registry, default_intake: Intake
) -> Destination:
    """Check what a destination's file says, given as TOML values; `path` names it in messages.

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
    if file is None:
        raise SettingsError(problems)
    profile = _profile(path, file.medium.profile, problems)
    stage_settings = _stage_settings(path, file, registry, problems)
    if problems or profile is None:
        raise SettingsError(problems)
    intake = file.intake or default_intake
    return Destination(path.stem, file, raw, stage_settings, profile, intake)


def _read_root(path: Path, problems: list[Problem]) -> RootFile | None:
    raw = _read_toml(path, problems)
    return None if raw is None else _validated(RootFile, raw, path, (), problems)


def _read_toml(path: Path, problems: list[Problem]) -> dict[str, Any] | None:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        problems.append(Problem(str(path), "", "there is no such file", "run `hotfolder init`"))
    except UnicodeDecodeError:
        problems.append(Problem(str(path), "", "is not UTF-8 text", "save it as UTF-8"))
    except OSError as error:
        problems.append(Problem(str(path), "", f"cannot be read: {error.strerror}", ""))
    except tomllib.TOMLDecodeError as error:
        problems.append(Problem(str(path), "", f"is not valid TOML: {error}", "TOML 1.0"))
    return None


def _validated(
    model: type[_Model],
    raw: Mapping[str, Any],
    path: Path,
    prefix: tuple[str, ...],
    problems: list[Problem],
) -> _Model | None:
    try:
        return model.model_validate(raw)
    except ValidationError as error:
        problems.extend(_problem(detail, model, path, prefix) for detail in error.errors())
        return None


def _problem(
    detail: Any, model: type[SettingsModel], path: Path, prefix: tuple[str, ...]
) -> Problem:
    key = ".".join((*prefix, *(str(part) for part in detail["loc"])))
    got = "" if detail["type"] == "missing" else repr(detail["input"])
    match detail["type"]:
        case "missing":
            return Problem(str(path), key, "is missing", _expected(model, detail["loc"]))
        case "extra_forbidden" if key in _RENAMED:
            return Problem(str(path), key, got, f"this key is called {_RENAMED[key]} now")
        case "extra_forbidden":
            fields = ", ".join(model.model_fields) or "no settings at all"
            allowed = f"this key does not exist; {'.'.join(prefix) or 'here there are'}: {fields}"
            return Problem(
                str(path), key, got, allowed if len(detail["loc"]) == 1 else "no such key"
            )
        case "value_error":
            return Problem(str(path), key, got, str(detail["ctx"]["error"]))
        case _:
            return Problem(str(path), key, got, detail["msg"].removeprefix("Input should be "))


def _expected(model: type[SettingsModel], loc: tuple[Any, ...]) -> str:
    field = model.model_fields.get(str(loc[0])) if len(loc) == 1 else None
    if field is None:
        return "a value"
    schema = (
        TypeAdapter(field.annotation).json_schema(mode="validation") if field.annotation else {}
    )
    return f"a value of type {schema.get('type', 'table')}"


def _profile(path: Path, name: str, problems: list[Problem]) -> Profile | None:
    key = "medium.profile"
    where = path.parent.parent / "profiles" / name
    try:
        return Profile.load(where)
    except FileNotFoundError:
        there = sorted(each.name for each in where.parent.glob("*.ic[cm]"))
        allowed = f"a profile in {where.parent}: {', '.join(there) or 'none is there'}"
        problems.append(Problem(str(path), key, f"{name!r} does not exist", allowed))
    except OSError as error:
        problems.append(Problem(str(path), key, f"{name!r} cannot be read: {error.strerror}", ""))
    except ProfileError as error:
        problems.append(Problem(str(path), key, repr(name), str(error)))
    return None


def _stage_settings(
    path: Path, file: DestinationFile, registry: Registry, problems: list[Problem]
) -> dict[str, StageSettings]:
    settings: dict[str, StageSettings] = {}
    known = ", ".join(registry.stages)
    for index, name in enumerate(file.stages):
        stage = registry.stages.get(name)
        if stage is None:
            got = f"no stage is called {name!r}"
            problems.append(Problem(str(path), f"stages.{index}", got, known))
        elif name in file.stages[:index]:
            problems.append(Problem(str(path), f"stages.{index}", repr(name), "each stage once"))
        else:
            raw = file.stage.get(name, {})
            checked = _validated(stage.Settings, raw, path, ("stage", name), problems)
            if checked is not None:
                settings[name] = checked
    for name in file.stage:
        if name not in file.stages:
            allowed = f"a stage that `stages` names: {', '.join(file.stages)}"
            problems.append(Problem(str(path), f"stage.{name}", "is not used", allowed))
    return settings
