"""What a picture says of its light: what could be white in it, and a profile from its chart.

Each is a trial with one stage alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from pydantic import BaseModel

from hotfolder.errors import HotfolderError
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root
from hotfolder.stages.registry import load_registry
from hotfolder.stages.roles import LightFindings, Role, WhitesFindings
from hotfolder.work.trial import Tell, read_findings, try_out

_FindingsT = TypeVar("_FindingsT", bound=BaseModel)


class NoAnswer(HotfolderError):
    """The picture does not say it, or cannot be read; the message says why."""

    exit_code = 3


@dataclass(frozen=True)
class Told(Generic[_FindingsT]):
    """What a stage has found, and left."""

    file: Path
    """A page or a profile, in the folder of trials."""
    found: _FindingsT
    """What was found."""
    warnings: tuple[str, ...]
    """What is to be known of it."""


def show_whites(
    root: Root,
    image: Path,
    destination: Destination,
    folder: Path,
    tell: Tell,
    at: Sequence[str] = (),
) -> Told[WhitesFindings]:
    """Show what could be white or grey in a picture, and what it would become.

    Parameters
    ----------
    destination
        Whose limits hold.
    folder
        Where the trial may write.
    at
        Places that a person points at, as in ``"40%,30%"``.

    Raises
    ------
    NoAnswer
        When the picture cannot be balanced for a place in it, or cannot be read.
    PluginError
        When no stage shows such places.
    """
    table = {"at": list(at)}
    return _run_alone(Role.WHITES, table, WhitesFindings, root, image, destination, folder, tell)


def make_light_profile(
    root: Root, image: Path, destination: Destination, folder: Path, tell: Tell, chart_values: str
) -> Told[LightFindings]:
    """Make a profile of the light from the chart in a picture.

    Parameters
    ----------
    destination
        Whose limits hold.
    folder
        Where the trial may write.
    chart_values
        Which values the chart's patches have.

    Raises
    ------
    NoAnswer
        When there is no chart that can be used, or the picture cannot be read.
    PluginError
        When no stage makes such profiles.
    """
    table = {"chart_values": chart_values}
    return _run_alone(Role.LIGHT, table, LightFindings, root, image, destination, folder, tell)


def _run_alone(
    role: Role,
    table: Mapping[str, object],
    model: type[_FindingsT],
    root: Root,
    image: Path,
    destination: Destination,
    folder: Path,
    tell: Tell,
) -> Told[_FindingsT]:
    """Run the stage in a role on a picture, without a destination's own stages."""
    name = load_registry(root.plugins).name_in_role(role)
    raw = {**destination.raw, "stages": [name], "stage": {name: dict(table)}}
    raw.pop("ticket", None)
    trial = try_out(root, image, destination, raw, folder, tell)
    found, work = read_findings(trial, name, model), trial.work
    files = [each for each in work.attachments if each.stage == name] if work else []
    if found is None or not files or work is None:
        reasons = [each.message for each in work.reasons] if work else []
        raise NoAnswer(" ".join(reasons) or trial.message)
    warnings = tuple(each.message for each in work.warnings)
    return Told(trial.folder / files[0].path, found, warnings)
