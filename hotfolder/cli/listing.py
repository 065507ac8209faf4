"""How a list of commands is shown: each with its whole first sentence."""

from __future__ import annotations

from typing import Any

import typer
from typer.core import TyperGroup


class WholeSentences(TyperGroup):
    """A group whose list cuts no sentence, as the library does where the terminal is narrow."""

    def format_commands(self, ctx: typer.Context, formatter: Any) -> None:  # type: ignore[override]
        """Write each command with its first sentence, over as many lines as it takes."""
        found = [(name, self.get_command(ctx, name)) for name in self.list_commands(ctx)]
        rows = [
            (name, command.get_short_help_str(limit=_ANY_LENGTH))
            for name, command in found
            if command is not None and not command.hidden
        ]
        with formatter.section("Commands"):
            formatter.write_dl(rows)


_ANY_LENGTH = 1000
