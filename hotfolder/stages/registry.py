"""Which stages exist: built-in, installed by others, and the modules in ``ROOT/plugins/``.

All three come the same way: pluggy registers the class, and the class offers itself through the
hook ``hotfolder_stage``. The hook is called plugin by plugin here, never broadcast, so that an
error says whose it is and two stages of one name are refused with both owners.
"""

from __future__ import annotations

import functools
import importlib.metadata
import importlib.util
import inspect
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pluggy

from hotfolder.errors import PluginError
from hotfolder.stages.contract import Stage, StageHooks, StageSettings

ENTRY_POINT_GROUP = "hotfolder.stages"
_NAME = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")


@dataclass(frozen=True)
class Registry:
    """Stages by name, and where each came from."""

    stages: dict[str, type[Stage[Any]]] = field(default_factory=dict)
    owners: dict[str, str] = field(default_factory=dict)


def load_registry(plugins_folder: Path | None = None) -> Registry:
    """Collect every stage that can be named in a destination's file.

    Parameters
    ----------
    plugins_folder
        The root's ``plugins/``; each ``*.py`` in it is imported, and each stage class that it
        defines is registered. None, or a folder that does not exist, adds nothing.

    Raises
    ------
    PluginError
        When a plugin cannot be loaded, does not offer a stage, has a bad name, or takes a name
        that another one has. The message names the plugin.
    """
    folder = plugins_folder
    drop_ins = sorted(folder.glob("*.py")) if folder and folder.is_dir() else []
    return _loaded(drop_ins) if drop_ins else _installed()


@functools.cache
def _installed() -> Registry:
    """What is installed; it stays while the process lives, and workers are forked with it."""
    return _loaded([])


def _loaded(drop_ins: list[Path]) -> Registry:
    manager = pluggy.PluginManager("hotfolder")
    manager.add_hookspecs(StageHooks)
    for owner, plugin in _plugins(drop_ins):
        name = f"{owner}: {getattr(plugin, '__qualname__', plugin)}"
        try:
            manager.register(plugin, name=name)
        except ValueError as error:
            raise PluginError(f"{name} is installed twice; uninstall one") from error
    try:
        manager.check_pending()
    except pluggy.PluginValidationError as error:
        raise PluginError(f"a plugin implements a hook that does not exist: {error}") from error

    stages: dict[str, type[Stage[Any]]] = {}
    owners: dict[str, str] = {}
    for implementation in manager.hook.hotfolder_stage.get_hookimpls():
        owner = implementation.plugin_name
        stage = _offered(owner, implementation.function)
        if stage.name in stages:
            raise PluginError(
                f"two stages are called {stage.name!r}: one from {owners[stage.name]}, "
                f"one from {owner}; rename one or take it out"
            )
        stages[stage.name] = stage
        owners[stage.name] = owner
    return Registry(dict(sorted(stages.items())), owners)


def _plugins(drop_ins: list[Path]) -> Iterator[tuple[str, object]]:
    for entry in importlib.metadata.entry_points(group=ENTRY_POINT_GROUP):
        package = entry.dist.name if entry.dist else "an installed package"
        try:
            yield package, entry.load()
        except Exception as error:
            raise PluginError(
                f"the stage {entry.name!r} of {package} cannot be loaded: {error}; "
                f"repair or uninstall {package}"
            ) from error
    for path in drop_ins:
        module = _import_file(path)
        found = False
        for _, thing in inspect.getmembers(module, inspect.isclass):
            if issubclass(thing, Stage) and thing.__module__ == module.__name__:
                found = True
                yield str(path), thing
        if not found:
            raise PluginError(f"{path} defines no stage: write a class that extends Stage in it")


def _import_file(path: Path) -> Any:
    name = f"hotfolder_drop_in_{path.stem}"
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise PluginError(f"{path} cannot be imported: not a Python module")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    try:
        spec.loader.exec_module(module)
    except Exception as error:
        del sys.modules[name]
        raise PluginError(f"{path} cannot be imported: {type(error).__name__}: {error}") from error
    return module


def _offered(owner: str, function: Any) -> type[Stage[Any]]:
    try:
        stage = function()
    except Exception as error:
        raise PluginError(f"{owner}: its hotfolder_stage fails: {error}") from error
    if not (inspect.isclass(stage) and issubclass(stage, Stage)):
        raise PluginError(f"{owner}: hotfolder_stage must return a class that extends Stage")
    name = getattr(stage, "name", None)
    if not isinstance(name, str) or not _NAME.fullmatch(name):
        raise PluginError(
            f"{owner}: the stage's name is {name!r}; it must be lower-case words joined by hyphens"
        )
    if not (inspect.isclass(stage.Settings) and issubclass(stage.Settings, StageSettings)):
        raise PluginError(f"{owner}: {stage.__name__}.Settings must extend StageSettings")
    return stage
