"""Show what a benchmark measured, and with ``--write`` keep it in ``tests/benchmarks/measured/``.

A kept file says when, on what machine, under what load and by which command its tables came about,
so that a document never has to hold a number that somebody copied.
"""

from __future__ import annotations

import argparse
import os
import platform
import shlex
import sys
from datetime import datetime
from pathlib import Path

from rich.console import Console
from rich.table import Table

FOLDER = Path(__file__).parent / "measured"


def add_write_option(parser: argparse.ArgumentParser) -> None:
    """Let a benchmark be asked to keep what it measures."""
    parser.add_argument("--write", action="store_true", help=f"keep the tables in {FOLDER.name}/")


def show(
    tables: list[Table], *, write: bool, load: float | None = None, part: str | None = None
) -> None:
    """Print tables; with `write`, replace what the same benchmark measured before.

    Parameters
    ----------
    tables
        What was measured.
    write
        Whether to keep it, as ``measured/NAME.md`` for the benchmark ``NAME.py``.
    load
        The machine's load before the benchmark began; the present one when it is not given.
    part
        Of a benchmark that measures one of several things at a time, which: kept in
        ``measured/NAME-PART.md``.
    """
    for table in tables:
        Console(width=160).print(table)
    if not write:
        return
    name = Path(sys.argv[0]).stem
    load = os.getloadavg()[0] if load is None and hasattr(os, "getloadavg") else load
    command = shlex.join(["python", f"tests/benchmarks/{name}.py", *sys.argv[1:]])
    title = f"{name}, {part}" if part else name
    head = [
        f"# {title}",
        "",
        f"Measured on {datetime.now().astimezone():%Y-%m-%d %H:%M %Z} by `{command}`.",
        "",
        (
            f"{_processor()}, {os.cpu_count()} cores, load {load:.1f}, {platform.system()}, "
            f"Python {platform.python_version()}."
        ),
        "",
    ]
    FOLDER.mkdir(exist_ok=True)
    body = [line for table in tables for line in [*_as_markdown(table), ""]]
    kept = f"{name}-{part}.md" if part else f"{name}.md"
    (FOLDER / kept).write_text("\n".join([*head, *body]).rstrip() + "\n")


def _as_markdown(table: Table) -> list[str]:
    title = [f"**{table.title}**", ""] if table.title else []
    heads = [str(column.header) for column in table.columns]
    cells = zip(*(map(str, column.cells) for column in table.columns), strict=True)
    lines = [heads, ["---"] * len(heads), *map(list, cells)]
    return [*title, *("| " + " | ".join(each) + " |" for each in lines)]


def _processor() -> str:
    """Name the processor as Linux does, or as the platform can."""
    try:
        lines = Path("/proc/cpuinfo").read_text().splitlines()
    except OSError:
        return platform.machine()
    named = (line.partition(": ")[2] for line in lines if line.startswith("model name"))
    return next(named, platform.machine())
