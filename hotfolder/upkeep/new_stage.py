"""A package with a stage to begin one's own with: it passes its own tests as it is made."""

from __future__ import annotations

import importlib.util
import keyword
from importlib import resources
from importlib.metadata import version
from pathlib import Path
from string import Template
from typing import Final

import hotfolder
from hotfolder.errors import Problem, SettingsError, StorageError
from hotfolder.stages.registry import STAGE_NAME, load_registry

KINDS: Final = {
    "measures": "measures how bright a picture is, and holds what is too bright",
    "changes": "draws a line round the picture",
    "compares": "compares a picture with the others of its folder, and warns of one unlike them",
    "shows": "adds a page that shows how often each value occurs",
}
"""What a stage that one begins with can do, by the word that chooses it."""


def make_stage_package(name: str, kind: str, folder: Path) -> list[Path]:
    """Write a package with one stage, its settings, its tests and its entry point.

    Parameters
    ----------
    name
        Of the stage and of the package: lower-case words joined by hyphens.
    kind
        One of `KINDS`.
    folder
        Where the package's own folder is made, which has the stage's name.

    Returns
    -------
    list of Path
        The files that were written.

    Raises
    ------
    SettingsError
        When the name cannot be used, or something is there already.
    StorageError
        When the files cannot be written.
    """
    module = _module_of(name)
    own = "".join(word.capitalize() for word in name.split("-"))
    values = {
        "name": name,
        "module": module,
        # its module imports from hotfolder, which may have that name for something else
        "class": f"{own}Stage" if own in hotfolder.__all__ else own,
        "does": KINDS[kind],
        "version": version("hotfolder"),
    }
    texts = resources.files("hotfolder_defaults") / "new_stage"
    top = folder / name
    written = {
        top / "pyproject.toml": "pyproject.toml.txt",
        top / "README.md": "README.md.txt",
        top / f"{module}.py": f"{kind}.py.txt",
        top / "tests" / f"test_{module}.py": f"{kind}_test.py.txt",
    }
    try:
        (top / "tests").mkdir(parents=True)
        for path, source in written.items():
            text = Template((texts / source).read_text("utf-8")).substitute(values)
            path.write_text(text, encoding="utf-8")
    except FileExistsError:
        raise _refuse(f"{top} is there already", "another name or folder") from None
    except OSError as error:
        raise StorageError(f"{error.filename} cannot be written: {error.strerror}") from error
    return list(written)


def _module_of(name: str) -> str:
    """Return the module's name; refuse one by which something else would be found."""
    if not STAGE_NAME.fullmatch(name):
        raise _refuse(repr(name), "lower-case words joined by hyphens, such as edge-label")
    module = name.replace("-", "_")
    if name in load_registry().stages:
        raise _refuse(f"a stage is called {name} already", "another name")
    if keyword.iskeyword(module) or importlib.util.find_spec(module) is not None:
        raise _refuse(f"Python finds something else as {module}", "another name")
    return module


def _refuse(got: str, allowed: str) -> SettingsError:
    return SettingsError([Problem("NAME", "", got, allowed)])
