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
import threading
import types
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pluggy
from pydantic import TypeAdapter, ValidationError

from hotfolder.errors import PluginError, StageError
from hotfolder.model.facts import Facts, Findings, Json
from hotfolder.model.wishes import Wish
from hotfolder.stages.contract import AnyStage, Place, Stage, StageHooks, StageSettings
from hotfolder.stages.messages import Message
from hotfolder.stages.roles import Role

ENTRY_POINT_GROUP = "hotfolder.stages"
_DROP_INS = "hotfolder_drop_ins"
_IMPORTING = threading.RLock()
_FACTS = TypeAdapter(Facts)
_NEEDS_US = re.compile(r"hotfolder\b(?![-_.])", re.IGNORECASE)
STAGE_NAME = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")


@dataclass(frozen=True)
class Registry:
    """Stages by name, and where each came from."""

    stages: dict[str, type[AnyStage]] = field(default_factory=dict)
    owners: dict[str, str] = field(default_factory=dict)

    def name_in_role(self, role: Role, own: Collection[str] = ()) -> str:
        """Return the stage that plays a part.

        Parameters
        ----------
        role
            The part.
        own
            A destination's stages; one of them goes before every other.

        Raises
        ------
        PluginError
            When no stage does it.
        """
        able = [name for name, stage in self.stages.items() if stage.role is role]
        if not able:
            raise PluginError(f"no stage {role}; install hotfolder again, as a whole")
        return next((name for name in able if name in own), able[0])

    def facts_of(self, stage: str, findings: Findings, settings: Mapping[str, Json]) -> Facts:
        """Ask a stage what its findings in a record mean.

        Parameters
        ----------
        stage
            Its name; a stage that there is no more knows no facts.
        findings, settings
            As the record holds them.

        Raises
        ------
        StageError
            When the stage fails at it, or fills in what no record can hold.
        """
        made = self.stages.get(stage)
        if made is None:
            return Facts()
        try:
            facts = made.hotfolder_facts(findings, settings)
        except Exception as error:
            said = f"cannot say what its findings mean: {type(error).__name__}: {error}"
            raise StageError(stage, said) from error
        if not isinstance(facts, Facts):
            raise StageError(stage, f"returned {type(facts).__name__} as its facts, not Facts")
        try:
            return _FACTS.validate_python(facts)
        except ValidationError as error:
            first = error.errors()[0]
            key = ".".join(map(str, first["loc"]))
            said = f"returned facts that a record cannot hold: {key}: {first['msg']}"
            raise StageError(stage, said) from error


def load_registry(plugins_folder: Path | None = None) -> Registry:
    """Collect every stage that can be named in a destination's file.

    Parameters
    ----------
    plugins_folder
        The root's ``plugins/``; each ``*.py`` in it is imported, and each stage class that it
        defines is registered. A module without one is there for the others, which import it as
        ``from . import NAME``. None, or a folder that does not exist, adds nothing.

    Raises
    ------
    PluginError
        When a plugin cannot be loaded, a stage has a bad name, or takes a name that another one
        has. The message names the plugin.
    """
    folder = plugins_folder
    drop_ins = sorted(folder.glob("*.py")) if folder and folder.is_dir() else []
    if not drop_ins:
        return _installed()
    with _IMPORTING:
        return _loaded(drop_ins)


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

    stages: dict[str, type[AnyStage]] = {}
    owners: dict[str, str] = {}
    for implementation in manager.hook.hotfolder_stage.get_hookimpls():
        owner = implementation.plugin_name
        stage = _offered(owner, implementation.function)
        if stage.name in stages:
            raise PluginError(
                f"two stages are called {stage.name!r}: one from {owners[stage.name]}, "
                f"one from {owner}; rename or remove one"
            )
        stages[stage.name] = stage
        owners[stage.name] = owner
    return Registry(dict(sorted(stages.items())), owners)


def _plugins(drop_ins: list[Path]) -> Iterator[tuple[str, object]]:
    names: dict[int, str] = {}  # what a package says of itself is parsed anew each time it is asked
    for entry in importlib.metadata.entry_points(group=ENTRY_POINT_GROUP):
        if entry.dist and id(entry.dist) not in names:
            _refuse_package_for_another(entry.dist)
            names[id(entry.dist)] = entry.dist.name
        package = names[id(entry.dist)] if entry.dist else "an installed package"
        try:
            yield package, entry.load()
        except Exception as error:
            raise PluginError(
                f"the stage {entry.name!r} of {package} cannot be loaded: {error}; "
                f"repair or uninstall {package}"
            ) from error
    if drop_ins:
        _make_package(drop_ins[0].parent)
    for path in drop_ins:
        module = _import_file(path, {each.stem for each in drop_ins})
        for _, thing in inspect.getmembers(module, inspect.isclass):
            if issubclass(thing, Stage) and thing.__module__ == module.__name__:
                yield str(path), thing


def _refuse_package_for_another(package: importlib.metadata.Distribution) -> None:
    """Hold an installed package to what it says it needs: a later upgrade of ours may break it."""
    for line in filter(_NEEDS_US.match, package.requires or ()):
        from packaging.requirements import Requirement

        needed = Requirement(line)
        if needed.marker is None:
            _refuse_for_another(f"{package.name} {package.version}", str(needed.specifier))


def _refuse_for_another(owner: str, made_for: str) -> None:
    if not made_for:
        return
    from packaging.specifiers import InvalidSpecifier, SpecifierSet

    ours = importlib.metadata.version("hotfolder")
    try:
        fits = SpecifierSet(made_for).contains(ours, prereleases=True)
    except InvalidSpecifier as error:
        raise PluginError(f"{owner}: made_for: {error}; write it as in '>=0.1, <0.3'") from error
    if not fits:
        raise PluginError(
            f"{owner} is made for hotfolder {made_for}, and this is {ours}: install a version of "
            "it that is made for this one, or uninstall it"
        )


def _make_package(folder: Path) -> None:
    """Make the modules of a folder a package, so that they find each other and nobody else does.

    What was imported from such a folder before is imported again: its files may have changed.
    """
    for name in [each for each in sys.modules if each.partition(".")[0] == _DROP_INS]:
        del sys.modules[name]
    package = types.ModuleType(_DROP_INS)
    package.__path__ = [str(folder)]
    sys.modules[_DROP_INS] = package
    importlib.invalidate_caches()


def _import_file(path: Path, beside: Collection[str]) -> types.ModuleType:
    name = f"{_DROP_INS}.{path.stem}"
    if name in sys.modules:  # a module before it has imported it
        return sys.modules[name]
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise PluginError(f"{path} cannot be imported: not a Python module")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    try:
        spec.loader.exec_module(module)
    except Exception as error:
        sys.modules.pop(name, None)
        said = f"{path} cannot be imported: {type(error).__name__}: {error}"
        if isinstance(error, ModuleNotFoundError) and error.name in beside:
            said += f"; a module beside it is imported as `from . import {error.name}`"
        raise PluginError(said) from error
    return module


def _offered(owner: str, function: Callable[[], object]) -> type[AnyStage]:
    try:
        stage = function()
    except Exception as error:
        raise PluginError(f"{owner}: its hotfolder_stage fails: {error}") from error
    if not (inspect.isclass(stage) and issubclass(stage, Stage)):
        raise PluginError(f"{owner}: hotfolder_stage must return a class that extends Stage")
    _refuse_for_another(f"{owner}: {stage.__name__}", stage.made_for)
    name = getattr(stage, "name", None)
    if not isinstance(name, str) or not STAGE_NAME.fullmatch(name):
        raise PluginError(
            f"{owner}: the stage's name is {name!r}; it must be lower-case words joined by hyphens"
        )
    if not (inspect.isclass(stage.Settings) and issubclass(stage.Settings, StageSettings)):
        raise PluginError(f"{owner}: {stage.__name__}.Settings must extend StageSettings")
    if not (stage.place is None or isinstance(stage.place, Place)):
        raise PluginError(f"{owner}: {stage.__name__}.place must be a Place, or None")
    if not (stage.role is None or isinstance(stage.role, Role)):
        raise PluginError(f"{owner}: {stage.__name__}.role must be a Role, or None")
    for key in ("tells", "comes_after"):
        if not _are_classes(getattr(stage, key), Message):
            raise PluginError(f"{owner}: {stage.__name__}.{key} must be a tuple of Message classes")
    if not _are_classes(stage.Settings.grants, Wish):
        name = stage.Settings.__name__
        raise PluginError(f"{owner}: {name}.grants must be a tuple of Wish classes")
    return stage


def _are_classes(things: object, base: type) -> bool:
    return isinstance(things, tuple) and all(
        inspect.isclass(each) and issubclass(each, base) for each in things
    )
