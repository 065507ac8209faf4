"""What the commands print, and how: the one place that writes to the terminal."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable

from rich.console import Console

from hotfolder.disk.names import display_name


def print_line(text: str, console: Console | None = None, style: str | None = None) -> None:
    """Print a line as it is; what cannot be seen in it is shown as an escape."""
    print_plain(display_name(text), console, style)


def print_lines(lines: Iterable[str]) -> None:
    """Print lines as they are."""
    for line in lines:
        print_line(line)


def print_plain(text: str, console: Console | None = None, style: str | None = None) -> None:
    """Print text of ours, line ends and all, without markup, colours or wrapping."""
    (console or Console()).print(text, style=style, markup=False, highlight=False, soft_wrap=True)


def print_json(value: object) -> None:
    """Print JSON values as ASCII, indented by one blank."""
    sys.stdout.write(json.dumps(value, ensure_ascii=True, allow_nan=False, indent=1) + "\n")
