"""Which of the two kinds of places a root's settings ask for."""

from __future__ import annotations

from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from typing import Final

from hotfolder.errors import Problem
from hotfolder.settings.engine import EngineTable
from hotfolder.settings.root import Root
from hotfolder.work.machines.local import LocalPlaces
from hotfolder.work.machines.places import Places, Runner

EXTRA: Final = ("distributed", "cryptography")
"""What the extra `hotfolder[dask]` installs."""

HOW_TO_INSTALL: Final = (
    f"beside hotfolder, by `pipx inject hotfolder {' '.join(EXTRA)}`; where pip has installed "
    f"hotfolder, by `pip install {' '.join(EXTRA)}`"
)
"""Without the name of our own package, which pip would look for elsewhere than where ours is."""

_FIRST_LOOK_S: Final = 5.0


def open_places(
    root: Root, table: EngineTable, run: Runner, number: int, wake: Callable[[], None]
) -> Places:
    """Return where attempts are made; `close` it at the end.

    Parameters
    ----------
    root, table
        Whose, and its settings.
    run, number
        How an attempt is made on this machine, and how many at once.
    wake
        Called from a thread when more attempts can be made than before.

    Raises
    ------
    SettingsError
        When certificates are missing.
    """
    if table.kind == "local":
        return LocalPlaces(run, number)
    from hotfolder.work.machines.elsewhere import Elsewhere
    from hotfolder.work.machines.line import Line

    line = Line(table.address, find_certificates(root, table))
    places = Elsewhere(table, line, run, number, root.plugins, wake)
    places.wait_for_machines(_FIRST_LOOK_S)
    return places


def find_certificates(root: Root, table: EngineTable) -> Path | None:
    """Return the folder of this machine's certificates; None when there is to be none."""
    return root.path / table.certificates if table.certificates else None


def find_problems(root: Root, table: EngineTable) -> list[Problem]:
    """Find what keeps the daemon from asking machines, as far as this machine can tell."""
    if table.kind == "local":
        return []
    file = str(root.path / "hotfolder.toml")
    problems = []
    if missing := find_missing_extra():
        got = f'"dask", which needs {" and ".join(missing)}'
        problems.append(Problem(file, "engine.kind", got, HOW_TO_INSTALL))
    folder = find_certificates(root, table)
    if folder is not None:
        from hotfolder.work.machines.security import find_missing

        if lacking := find_missing(folder):
            allowed = f"a folder with {', '.join(lacking)}, made by `hotfolder engine-certificates`"
            problems.append(Problem(file, "engine.certificates", table.certificates, allowed))
    return problems


def find_missing_extra() -> list[str]:
    """Return what the extra would install and is not there, by name."""
    return [name for name in EXTRA if find_spec(name) is None]
