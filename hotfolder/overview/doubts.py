"""What is allowed in a destination's settings, and is probably not what a person means.

Said also of a file that has mistakes: whatever in it is right is looked at, so that a person
corrects a file once, and not once for its mistakes and once more for what is odd in it.
"""

from __future__ import annotations

import contextlib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final, TypeVar, cast

from pydantic import TypeAdapter, ValidationError

from hotfolder.colour.profile import Profile, ProfileError
from hotfolder.model.destination import Medium, Result, SettingsModel, Surface
from hotfolder.overview.profile_findings import is_invented
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root
from hotfolder.settings.tables import Limits
from hotfolder.stages.contract import StageSettings
from hotfolder.stages.registry import Registry

_NEAREST_MM: Final = 100.0
_FARTHEST_MM: Final = 100_000.0
_LEAST_MEMORY: Final = 512 * 2**20
_LEAST_TIME_S: Final = 20.0
_UNREMARKABLE: Final = {"profile": "-", "viewing_distance": "1 m"}
"""In place of what is missing or wrong in a medium: nothing is said of these values."""

_Model = TypeVar("_Model", bound=SettingsModel)


@dataclass(frozen=True)
class Readable:
    """What of a destination's settings is right."""

    name: str
    medium: Medium | None
    """None when its surface is not known, by which sizes are judged."""
    profile: Profile | None
    result: Result | None
    limits: Limits | None
    stages: Mapping[str, StageSettings]
    """By the stage's name, without those whose settings cannot be understood at all."""

    @classmethod
    def of(cls, destination: Destination) -> Readable:
        """All settings of a destination that can be served."""
        file = destination.file
        return cls(
            destination.name,
            file.medium,
            destination.profile,
            file.result,
            file.limits,
            destination.stage_settings,
        )

    @classmethod
    def read(cls, root: Root, name: str, registry: Registry) -> Readable:
        """What is right in the file of a destination that is refused."""
        path = root.destinations / f"{name}.toml"
        raw: dict[str, Any] = {}
        # what cannot be read is among the problems
        with contextlib.suppress(OSError, UnicodeDecodeError, tomllib.TOMLDecodeError):
            raw = tomllib.loads(path.read_text("utf-8-sig"))
        medium, tables = raw.get("medium"), raw.get("stage")
        tables = tables if isinstance(tables, Mapping) else {}
        stages = {
            stage: settings
            for stage in tables
            if stage in registry.stages
            and (settings := _keep_right(registry.stages[stage].Settings, tables[stage]))
        }
        return cls(
            name,
            _keep_right(Medium, medium, _UNREMARKABLE),
            _load_profile(root.profiles, medium),
            _keep_right(Result, raw.get("result", {})),
            _keep_right(Limits, raw.get("limits", {})),
            stages,
        )


def list_doubts(said: Readable) -> list[str]:
    """Say what deserves a person's look in a destination's settings, as sentences."""
    found = [*_doubt_profile(said), *_doubt_medium(said), *_doubt_limits(said)]
    if said.medium is not None:
        for stage, settings in said.stages.items():
            doubts = settings.doubts(said.medium)
            found += [f"stage.{stage}.{key} {doubt}" for key, doubt in doubts.items()]
    result = said.result
    if result and (result.format, result.bits, result.compression) == ("tiff", 16, "lzw"):
        # 16 photographs as sharpened for canvas: 0.94 of their size on average and 1.27 at most;
        # deflate 0.69 and 0.92, both with TIFF's predictor, without which LZW has 1.10.
        found.append(
            'result.compression = "lzw" makes some 16-bit photographs larger than they are '
            'uncompressed; "deflate" saves a third on average'
        )
    if result and result.format == "pdf" and said.profile and said.profile.device_class != "prtr":
        found.append(
            f'result.format = "pdf" needs a printer\'s profile for its output intent, and '
            f"{said.profile.description!r} is none: every picture will be refused"
        )
    return [f"{said.name}: {each}" for each in found]


def _doubt_profile(said: Readable) -> list[str]:
    if said.profile is None:
        return []
    found = []
    space, described = said.profile.space.strip(), repr(said.profile.description)
    on_screen = said.medium is not None and said.medium.surface is Surface.SCREEN
    if said.profile.device_class == "mntr" and said.medium is not None and not on_screen:
        found.append(
            f"medium.profile {described} describes a display ({space}), but the surface is "
            f"{said.medium.surface}; is it the printer's profile?"
        )
    elif on_screen and (said.profile.device_class == "prtr" or space == "CMYK"):
        found.append(
            f"medium.profile {described} describes a print ({space}), but the surface is screen; "
            "is it the display's profile, such as sRGB?"
        )
    if is_invented(said.profile):
        found.append(
            "medium.profile is an invented one of the demo: put your printer's own into profiles/ "
            "and name it here before you print"
        )
    return found


def _doubt_medium(said: Readable) -> list[str]:
    distance = said.medium.viewing_distance if said.medium else _NEAREST_MM
    if _NEAREST_MM <= distance <= _FARTHEST_MM:
        return []
    return [f"medium.viewing_distance is {distance / 1000:g} m, from where nobody looks at a print"]


def _doubt_limits(said: Readable) -> list[str]:
    found: list[str] = []
    if said.limits and said.limits.memory < _LEAST_MEMORY:
        found.append(
            f"limits.memory is {said.limits.memory / 2**20:.3g} MiB, in which hardly any picture "
            "can be processed"
        )
    if said.limits and said.limits.time < _LEAST_TIME_S:
        found.append(f"limits.time is {said.limits.time:g} s, in which hardly any job ends")
    return found


def _keep_right(
    model: type[_Model], raw: object, instead: Mapping[str, object] | None = None
) -> _Model | None:
    """Read a table without the keys that are wrong in it; None when too little is left.

    instead: values for keys that are missing or wrong, without which nothing could be said.
    """
    kept = dict(raw) if isinstance(raw, Mapping) else {}
    while True:
        try:
            return model.model_validate({**(instead or {}), **kept})
        except ValidationError as error:
            wrong = {str(each["loc"][0]) for each in error.errors() if each["loc"]}
        if not wrong:
            return _construct(model, kept)
        if not wrong & kept.keys():
            return None
        kept = {key: value for key, value in kept.items() if key not in wrong}


def _construct(model: type[_Model], kept: Mapping[str, object]) -> _Model:
    """Read a table whose keys are right each, but not together, as when one was misspelt."""
    values: dict[str, Any] = {}
    for key, value in kept.items():
        field = model.model_fields[key]
        kind: Any = Annotated[field.annotation, field]
        values[key] = TypeAdapter(kind).validate_python(value)
    return cast("_Model", model.model_construct(**values))


def _load_profile(folder: Path, medium: object) -> Profile | None:
    named = medium.get("profile") if isinstance(medium, Mapping) else None
    if not isinstance(named, str) or not named:
        return None
    try:
        return Profile.load(folder / named)
    except (OSError, ProfileError):
        return None  # which is among the problems
