"""What a shell completes: commands and options by itself, and names of destinations from here."""

from __future__ import annotations

import os
import shlex
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Final

import typer

from hotfolder.cli.terminal import print_exactly
from hotfolder.settings.root import Root

_ASKED: Final = "_HOTFOLDER_COMPLETE"
"""By this variable of the environment a shell asks."""


class Shell(StrEnum):
    """A shell that we were tried in, or whose completion the library writes."""

    BASH = "bash"
    ZSH = "zsh"
    FISH = "fish"


def completion(shell: Annotated[Shell, typer.Argument(metavar="bash|zsh|fish")]) -> None:
    """Print what makes the Tab key complete commands, options and destinations in a shell."""
    # typer offers it as an option of the program alone; a test runs what it writes in a shell
    from typer._completion_shared import get_completion_script

    made = get_completion_script(prog_name="hotfolder", complete_var=_ASKED, shell=shell.value)
    print_exactly(f"{made.strip()}\n")


def know_shells() -> None:
    """Let a shell that asks by that script be answered; what it loads costs no other command."""
    if _ASKED in os.environ:
        from typer._completion_classes import completion_init

        completion_init()


def complete_destination(incomplete: str) -> list[str]:
    """Return the destinations of the root that was typed, or else of the current folder."""
    try:
        names = sorted(each.stem for each in _find_root().destinations.glob("*.toml"))
    except OSError:
        return []
    return [name for name in names if name.startswith(incomplete)]


def _find_root() -> Root:
    """Return the last word of the line that is a root.

    The library gives no words that stand before an option whose value is completed.
    """
    typed = os.environ.get("COMP_WORDS") or os.environ.get("_TYPER_COMPLETE_ARGS", "")
    try:
        words = shlex.split(typed)
    except ValueError:  # a quotation mark is still open
        words = typed.split()
    roots = (Root(Path(word).expanduser()) for word in reversed(words))
    return next((each for each in roots if each.destinations.is_dir()), Root(Path()))
