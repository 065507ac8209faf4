"""The commands about stages: which there are, and a package to begin one of your own with."""

from __future__ import annotations

from enum import StrEnum
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Annotated

import typer

from hotfolder.cli.terminal import print_json, print_plain, print_table
from hotfolder.disk.names import display_name
from hotfolder.settings.root import Root

Kind = StrEnum(
    "Kind", {"MEASURES": "measures", "CHANGES": "changes", "COMPARES": "compares", "SHOWS": "shows"}
)


def stages(
    root: Annotated[
        Path, typer.Argument(metavar="ROOT", help="the root; by default the current folder")
    ] = Path(),
    *,
    as_json: Annotated[bool, typer.Option("--json", help="answer in JSON")] = False,
) -> None:
    """List the stages that a destination can name: installed ones, and those in ROOT/plugins."""
    from rich.table import Table
    from rich.text import Text

    from hotfolder.stages.registry import load_registry

    registry = load_registry(Root(root).plugins)
    rows = [
        (
            name,
            stage.place.name.lower() if stage.place else None,
            list(stage.Settings.model_fields),
            *_find_origin(registry.owners[name]),
        )
        for name, stage in registry.stages.items()
    ]
    if as_json:
        keys = ("name", "place", "settings", "from", "version")
        print_json([dict(zip(keys, row, strict=True)) for row in rows])
        return
    table = Table("stage", "place", "settings", "from", box=None, pad_edge=False)
    for name, place, settings, package, its_version in rows:
        origin = f"{package} {its_version}" if its_version else package
        table.add_row(name, place or "anywhere", ", ".join(settings), Text(display_name(origin)))
    print_table(table)


def new_stage(
    name: Annotated[str, typer.Argument(metavar="NAME", help="lower-case words joined by hyphens")],
    *,
    folder: Annotated[
        Path, typer.Option("--in", metavar="FOLDER", help="where its folder is made")
    ] = Path(),
    that: Annotated[
        Kind, typer.Option("--that", help="what it does, to begin with")
    ] = Kind.MEASURES,
) -> None:
    """Make a package with a stage of your own, which passes its own tests."""
    from hotfolder.upkeep.new_stage import KINDS, make_stage_package

    for path in make_stage_package(name, that.value, folder):
        print_plain(f"made {path}")
    print_plain(
        f"The stage {KINDS[that.value]}; change it into yours.\n"
        f"Next: {folder / name / 'README.md'} says how to try it."
    )


def _find_origin(owner: str) -> tuple[str, str | None]:
    """Return a package and its version; of a module in a root's plugins its path, and none."""
    origin = owner.partition(": ")[0]
    try:
        return origin, version(origin)
    except PackageNotFoundError:
        return origin, None
