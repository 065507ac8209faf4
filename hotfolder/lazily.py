"""Names that a package exports and loads when they are first used (PEP 562).

A package that exports much of what lies below it would load all of it whenever one module below is
imported. It imports its exports under ``if TYPE_CHECKING:``, where a type checker reads them, and
takes its ``__getattr__`` from here, which reads them in the same place.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Callable
from importlib import import_module
from pathlib import Path


def load_exports(package: str) -> Callable[[str], object]:
    """Return the ``__getattr__`` of a package.

    Parameters
    ----------
    package
        Its ``__name__``.

    Returns
    -------
    A function that loads an export by its name, and keeps it in the package.
    """
    homes: dict[str, tuple[str, str]] = {}

    def load(name: str) -> object:
        module = sys.modules[package]
        if not homes and not name.startswith("__"):
            homes.update(_read_homes(Path(str(module.__file__))))
        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        home, name_there = homes[name]
        found: object = getattr(import_module(home), name_there)
        setattr(module, name, found)
        return found

    return load


def _read_homes(path: Path) -> dict[str, tuple[str, str]]:
    """Where each name that a module imports under ``if TYPE_CHECKING:`` comes from."""
    tree = ast.parse(path.read_text("utf-8"))
    return {
        each.asname or each.name: (str(node.module), each.name)
        for block in tree.body
        if isinstance(block, ast.If)
        for node in block.body
        if isinstance(node, ast.ImportFrom)
        for each in node.names
    }
