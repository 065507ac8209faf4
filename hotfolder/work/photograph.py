"""Read control strips in a photograph: a trial with one stage alone, in a process of its own."""

from __future__ import annotations

from pathlib import Path

from hotfolder.errors import StorageError
from hotfolder.measured.table import NotUsable
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root
from hotfolder.stages.registry import load_registry
from hotfolder.stages.roles import PhotographFindings, Role
from hotfolder.work.trial import Tell, read_findings, try_out, workplace


def read_photograph(
    root: Root, image: Path, destination: Destination, patches: int, tell: Tell | None = None
) -> PhotographFindings:
    """Find strips in a photograph and read their patches.

    Parameters
    ----------
    destination
        Whose limits of time and memory hold.
    patches
        How many a strip has.

    Raises
    ------
    NotUsable
        When the file cannot be read as a picture; says why.
    StorageError
        When there is no room, or no process can be started.
    PluginError
        When no stage reads such photographs.
    """
    from hotfolder.measured.photograph import describe_grids  # it loads what draws strips

    name = load_registry(root.plugins).name_in_role(Role.PHOTOGRAPH)
    table = {"grids": describe_grids(patches)}
    raw = {**destination.raw, "stages": [name], "stage": {name: table}}
    raw.pop("ticket", None)
    raw["result"] = {"format": "tiff", "compression": "none"}
    try:
        with workplace() as folder:
            trial = try_out(root, image, destination, raw, folder, tell or _tell_nobody)
            found = read_findings(trial, name, PhotographFindings)
    except OSError as error:
        raise StorageError(f"{error.filename}: {error.strerror or error}") from error
    if found is None:
        reasons = [each.message for each in trial.work.reasons] if trial.work else []
        said = (" ".join(reasons) or trial.message or "it cannot be read").strip()
        raise NotUsable(f"it cannot be read as a photograph: {said.rstrip('.')}")
    return found


def _tell_nobody(_doing: str, _share: float) -> None:
    pass
