"""What could be white in a picture, for a person to decide: a trial with one stage alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from hotfolder.errors import HotfolderError
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root
from hotfolder.stages.registry import load_registry
from hotfolder.stages.roles import Role, WhitesFindings
from hotfolder.work.trial import Tell, read_findings, try_out


class NoWhites(HotfolderError):
    """The picture cannot be looked at; the message says why."""

    exit_code = 3


@dataclass(frozen=True)
class Whites:
    """What could be white."""

    page: Path
    """In the folder of trials."""
    found: WhitesFindings
    """The choices."""
    warnings: tuple[str, ...]
    """What was not found at a place that was pointed at."""


def show_whites(
    root: Root,
    image: Path,
    destination: Destination,
    folder: Path,
    tell: Tell,
    at: Sequence[str] = (),
) -> Whites:
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
    NoWhites
        When the picture cannot be balanced for a place in it, or cannot be read.
    PluginError
        When no stage shows such places.
    """
    registry = load_registry(root.plugins)
    showing = registry.name_in_role(Role.WHITES)
    raw = {**destination.raw, "stages": [showing], "stage": {showing: {"at": list(at)}}}
    raw.pop("ticket", None)
    trial = try_out(root, image, destination, raw, folder, tell)
    found = read_findings(trial, showing, WhitesFindings)
    pages = [each for each in trial.work.attachments if each.stage == showing] if trial.work else []
    if found is None or not pages or trial.work is None:
        reasons = [each.message for each in trial.work.reasons] if trial.work else []
        raise NoWhites(" ".join(reasons) or trial.message)
    warnings = tuple(each.message for each in trial.work.warnings)
    return Whites(trial.folder / pages[0].path, found, warnings)
