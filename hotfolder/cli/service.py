"""The commands `service …`: a root that is served from the start of the machine on."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hotfolder.cli.listing import WholeSentences
from hotfolder.cli.terminal import print_json, print_line, print_plain
from hotfolder.errors import StorageError
from hotfolder.ledger.lock import find_holder
from hotfolder.settings.root import Root

if TYPE_CHECKING:
    from hotfolder.upkeep.service import Service

service = typer.Typer(
    cls=WholeSentences,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Serve a root from the start of this machine on, or of your session.",
)
_Root = Annotated[
    Path, typer.Argument(metavar="ROOT", help="the root; by default the current folder")
]
_System = Annotated[
    bool, typer.Option("--system", help="the machine's, not your session's; run as root")
]
_Name = Annotated[
    str, typer.Option("--name", metavar="NAME", help="by default that of the root's folder")
]
_MOST_LINES = 200


@service.command()
def install(
    root: _Root = Path(),
    *,
    system: _System = False,
    account: Annotated[
        str, typer.Option("--as", metavar="PERSON", help="whose it is, with --system")
    ] = "",
    with_desk: Annotated[bool, typer.Option("--desk", help="with the desk")] = False,
    name: _Name = "",
    only_write: Annotated[
        bool, typer.Option("--only-write", help="write its definition; start nothing")
    ] = False,
) -> None:
    """Write the service of a root, and start it; again after folders were set elsewhere."""
    from dataclasses import replace

    from hotfolder.upkeep.service import begin_commands, tell_manager, write_definition

    made = replace(_service(root, name, of_system=system), account=account, with_desk=with_desk)
    print_plain(f"wrote {write_definition(made)}")
    if not made.manager.was_tried:
        print_plain("Its definition follows the documentation; nobody has tried it yet.")
    commands = begin_commands(made)
    if only_write:
        print_plain("Next: " + "   and   ".join(" ".join(each) for each in commands))
        return
    tell_manager(commands)
    print_plain(f"{made.unit} serves {made.root.path}, now and after each start.")
    if not system:
        print_plain("It ends when you log out, unless `loginctl enable-linger` lets it go on.")


@service.command()
def status(
    root: _Root = Path(),
    *,
    system: _System = False,
    name: _Name = "",
    as_json: Annotated[bool, typer.Option("--json", help="answer in JSON")] = False,
) -> None:
    """Say whether a root's service is installed, and whether the root is served."""
    found = _service(root, name, of_system=system)
    is_there, served = found.file.exists(), find_holder(found.root) is not None
    if as_json:
        print_json(
            {
                "unit": found.unit,
                "definition": str(found.file) if is_there else None,
                "served": served,
            }
        )
        return
    print_line(
        f"{found.unit}: its definition is {found.file}"
        if is_there
        else f"{found.unit}: not installed; hotfolder service install {found.root.path}"
    )
    print_line(f"{found.root.path}: {'it is being served' if served else 'it is not being served'}")


@service.command()
def logs(
    root: _Root = Path(),
    *,
    lines: Annotated[
        int, typer.Option("--lines", min=1, metavar="N", help="how many of the last")
    ] = 20,
) -> None:
    """Print the last lines of a root's log, which the daemon rotates itself."""
    from hotfolder.logs import read_last_events

    place = Root(root)
    for line in read_last_events(place.log, min(lines, _MOST_LINES)):
        print_plain(line)
    print_line(f"All of it: {place.log}")


@service.command()
def remove(root: _Root = Path(), *, system: _System = False, name: _Name = "") -> None:
    """Stop a root's service and remove its definition; the root stays as it is."""
    from hotfolder.upkeep.service import end_commands, tell_manager

    found = _service(root, name, of_system=system)
    if not found.file.exists():
        print_plain(f"{found.unit} is not installed: there is no {found.file}")
        return
    tell_manager(end_commands(found))
    try:
        found.file.unlink()
    except OSError as error:
        raise StorageError(f"{found.file} cannot be removed: {error.strerror}") from error
    print_plain(f"{found.unit} is removed; {found.root.path} stays as it is.")


def _service(root: Path, name: str, *, of_system: bool) -> Service:
    from hotfolder.upkeep.service import Service, find_manager, name_after

    place = Root(root)
    return Service(place, name or name_after(place), find_manager(), of_system=of_system)
