"""The commands that keep a root for years: `backup`, `restore` and `tidy`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hotfolder.cli.terminal import print_json, print_line, print_plain
from hotfolder.errors import StorageError
from hotfolder.settings.root import Root

if TYPE_CHECKING:
    from hotfolder.upkeep.copies import Copied

_Root = Annotated[
    Path, typer.Argument(metavar="ROOT", help="the root; by default the current folder")
]
_Json = Annotated[bool, typer.Option("--json", help="answer in JSON")]
_SHOWN = 20


def backup(
    to: Annotated[Path, typer.Argument(metavar="COPY", help="the copy, a new folder")],
    root: _Root = Path(),
    *,
    as_json: _Json = False,
) -> None:
    """Copy a whole root, verified; a daemon may go on with its work."""
    from hotfolder.upkeep.backup import back_up

    copied = back_up(Root(root), to)
    _say_copied(copied, f"{copied['place']} is a whole copy", as_json=as_json)


def restore(
    copy: Annotated[Path, typer.Argument(metavar="COPY", help="what `backup` made")],
    root: _Root = Path(),
    *,
    over: Annotated[
        bool, typer.Option("--over", help="also where something is; it is set aside")
    ] = False,
    as_json: _Json = False,
) -> None:
    """Put a copy back, verified; nothing that was done since is done again."""
    from hotfolder.upkeep.restore import put_back

    copied = put_back(copy, Root(root), over=over)
    next_step = f"Next: hotfolder check {root}   and   hotfolder watch {root}"
    _say_copied(copied, f"{copied['place']} is as it was copied", next_step, as_json=as_json)


def tidy(
    root: _Root = Path(),
    *,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="only list what would be removed")
    ] = False,
    as_json: _Json = False,
) -> None:
    """Remove what [keep] in hotfolder.toml gives leave to, and cut logs into years."""
    from hotfolder.ledger.pause import hold_still
    from hotfolder.settings.files import load_what_is_right
    from hotfolder.stages.registry import load_registry
    from hotfolder.upkeep.copies import read_folders
    from hotfolder.upkeep.tidy import tidy as tidy_root

    place = Root(root)
    keep = load_what_is_right(place.path, load_registry(place.plugins)).root.keep
    with hold_still(place):
        said = tidy_root(place, read_folders(place), keep, dry=dry_run)
    if as_json:
        print_json(said)
        return
    for each in said["removed"] if dry_run else said["removed"][:_SHOWN]:
        print_line(f"{'would remove' if dry_run else 'removed'} {each['path']}: {each['why']}")
    if not dry_run and len(said["removed"]) > _SHOWN:
        print_line(f"and {len(said['removed']) - _SHOWN} more; --json lists all")
    for each in said["stays"]:
        print_line(f"stays: {each['path']}: {each['why']}")
    size = sum(each["bytes"] for each in said["removed"]) / 2**20
    print_plain(
        f"{len(said['removed'])} things, {size:.1f} MiB, "
        f"{'would be removed or cut off' if dry_run else 'removed or cut off'}; "
        f"{len(said['stays'])} stay although their time is over."
    )


def _say_copied(copied: Copied, said: str, next_step: str = "", *, as_json: bool) -> None:
    if as_json:
        print_json(copied)
    else:
        for each in copied["kept"][:_SHOWN]:
            print_line(each)
        if len(copied["kept"]) > _SHOWN:
            print_line(f"and {len(copied['kept']) - _SHOWN} more; --json lists all")
        for each in copied["left_out"]:
            print_line(f"left out: {each}")
        if not (copied["missing"] or copied["faults"]):
            size = copied["bytes"] / 2**20
            print_plain(f"{said}: {copied['files']} files, {size:.1f} MiB, each hashed.")
            if next_step:
                print_plain(next_step)
    wrong = [
        *(f"{each} moved while it was copied and is not in the copy" for each in copied["missing"]),
        *copied["faults"],
    ]
    if wrong:
        raise StorageError("\n".join([f"{copied['place']} is not whole:", *wrong[:_SHOWN]]))
