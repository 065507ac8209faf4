"""What the commands print, and how: the one place that writes to the terminal."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from hotfolder.disk.names import display_name

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table


def print_line(text: str, console: Console | None = None, style: str | None = None) -> None:
    """Print a line as it is; what cannot be seen in it is shown as an escape."""
    print_plain(display_name(text), console, style)


def print_lines(lines: Iterable[str]) -> None:
    """Print lines as they are."""
    for line in lines:
        print_line(line)


def print_columns(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print a table whose titles are never cut, however narrow the terminal is.

    Parameters
    ----------
    heads
        A title for each column; the first column is of words, the others of numbers.
    rows
        Cells, as many as there are titles.
    """
    table = [tuple(heads), *(tuple(display_name(cell) for cell in row) for row in rows)]
    widths = [max(map(len, column)) for column in zip(*table, strict=True)]
    for row in table:
        first, *others = zip(row, widths, strict=True)
        cells = [first[0].ljust(first[1]), *(cell.rjust(width) for cell, width in others)]
        print_plain("  ".join(cells).rstrip())


def print_plain(text: str, console: Console | None = None, style: str | None = None) -> None:
    """Print text of ours, line ends and all, without markup, colours or wrapping."""
    if console is None and style is None:
        # nothing for a console to do, and loading one takes longer than most answers
        print_exactly(f"{text}\n")
        return
    (console or make_plain_console()).print(
        text, style=style, markup=False, highlight=False, soft_wrap=True
    )


def print_at_once(text: str) -> None:
    """Print a line of a command that goes on, so that who reads along in a file or pipe has it."""
    print_line(text)
    sys.stdout.flush()


def print_error(text: str) -> None:
    """Print text of ours, in bold where errors go."""
    print_plain(text, make_plain_console(stderr=True), "bold")


def print_table(table: Table) -> None:
    """Print a table, as wide as there is room."""
    make_console().print(table)


def make_plain_console(*, stderr: bool = False) -> Console:
    """Return what lines are printed on; loads what prints them."""
    from rich.console import Console

    return Console(stderr=stderr)


def make_console() -> Console:
    """Return what tables are printed on: what is piped or redirected has no edge to wrap at."""
    from rich.console import Console

    return Console() if sys.stdout.isatty() else Console(width=200)


def print_json(value: object) -> None:
    """Print JSON values as ASCII, indented by one blank."""
    print_exactly(json.dumps(value, ensure_ascii=True, allow_nan=False, indent=1) + "\n")


def print_exactly(text: str) -> None:
    """Print what a program reads, such as CSV, to the letter."""
    sys.stdout.write(text)
