"""The command ``desk``: the page where a person sees what goes on and decides."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from hotfolder.cli.terminal import print_at_once
from hotfolder.disk import processes
from hotfolder.settings.root import Root


def desk(
    root: Annotated[
        Path, typer.Argument(metavar="ROOT", help="the root; by default the current folder")
    ] = Path(),
    *,
    port: Annotated[
        int | None,
        typer.Option(min=0, max=65535, metavar="PORT", help="by default 8417, or a free one"),
    ] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="open no browser")] = False,
    look: Annotated[
        bool, typer.Option("--look", help="only show: nothing can be decided or dropped there")
    ] = False,
    address: Annotated[
        str,
        typer.Option(
            metavar="ADDRESS", help="where to listen; another than 127.0.0.1 needs TLS and --name"
        ),
    ] = "127.0.0.1",
    name: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="a name by which it is asked for; repeatable"),
    ] = None,
    certificate: Annotated[
        Path | None, typer.Option(metavar="FILE", help="for TLS: certificate and chain, PEM")
    ] = None,
    key: Annotated[
        Path | None, typer.Option(metavar="FILE", help="its private key, if not in the same file")
    ] = None,
    beside: Annotated[
        bool, typer.Option("--beside", hidden=True, help="end with the process that started it")
    ] = False,
) -> None:
    """Open a page on this machine that shows what goes on, and where you decide."""
    from hotfolder.desk.server import Where, serve

    if beside:
        processes.die_with_parent()
    where = Where(address, port, tuple(name or ()), certificate, key)
    serve(
        Root(root),
        where,
        may_decide=not look,
        open_browser=not (no_browser or beside),
        tell=print_at_once,
    )
