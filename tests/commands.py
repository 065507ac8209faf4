"""Run the command line: in the process of the tests, or in one of its own."""

from __future__ import annotations

import contextlib
import io
import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any
from unittest import mock

import typer.main

from hotfolder.cli.main import main
from hotfolder.disk import apart

COMMAND = (sys.executable, "-m", "hotfolder")
Finished = subprocess.CompletedProcess[str]


def run_apart(*arguments: object, before: Sequence[str] = (), **options: Any) -> Finished:
    """Run the command line as people do: in a process that loads the program anew."""
    return subprocess.run(
        [*before, *COMMAND, *map(str, arguments)],
        capture_output=True,
        check=False,
        text=True,
        timeout=120,
        **options,
    )


def run_here(*arguments: object, cwd: Path | None = None) -> Finished:
    """Run the command line in this process, which has the program loaded: seconds less each time.

    What differs: it steps behind no other process, and its workers are forked from what those of
    the tests before were forked from.
    """
    out, err = _captured(), _captured()
    with (
        _handlers_kept(),
        contextlib.chdir(cwd or os.curdir),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
        mock.patch.object(typer.main, "get_command", _get_command),
        mock.patch.object(sys, "argv", ["hotfolder", *map(str, arguments)]),
        mock.patch.object(apart, "step_behind"),
        mock.patch.object(apart, "end", sys.exit),
    ):
        try:
            main()
            code = 0
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else 0
    return Finished([*COMMAND, *map(str, arguments)], code, _said(out), _said(err))


_get_command = cache(typer.main.get_command)
"""What a program builds once, each command here would build again."""


def _captured() -> io.TextIOWrapper:
    return io.TextIOWrapper(io.BytesIO(), "utf-8", "surrogateescape", write_through=True)


def _said(stream: io.TextIOWrapper) -> str:
    assert isinstance(stream.buffer, io.BytesIO)
    return stream.buffer.getvalue().decode("utf-8", "surrogateescape")


@contextlib.contextmanager
def _handlers_kept() -> Iterator[None]:
    kept = {each: signal.getsignal(each) for each in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in kept.items():
            signal.signal(number, handler)
