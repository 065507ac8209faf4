"""The commands for more than one machine: `worker`, `scheduler`, `engine-certificates`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from hotfolder.cli.terminal import print_at_once, print_plain
from hotfolder.errors import Problem, SettingsError, StorageError

_Certificates = Annotated[
    Path | None,
    typer.Option(metavar="FOLDER", help="of this machine, made by `engine-certificates`"),
]
_WHERE = Path.home() / ".local" / "share" / "hotfolder-worker"


def worker(
    address: Annotated[
        str, typer.Argument(metavar="ADDRESS", help="of the scheduler: tls://HOST:8786")
    ],
    *,
    certificates: _Certificates = None,
    folder: Annotated[
        Path, typer.Option(metavar="DIR", help="where it works; for one process at a time")
    ] = _WHERE,
    name: Annotated[
        str, typer.Option(metavar="NAME", help="by default the certificate's, or the system's")
    ] = "",
    slots: Annotated[
        int,
        typer.Option(min=0, max=1024, metavar="N", help="pictures at once; 0: as many as cores"),
    ] = 0,
    listen: Annotated[
        str, typer.Option(metavar="HOST:PORT", help="where the daemon reaches this machine")
    ] = "",
    plugins: Annotated[
        Path | None, typer.Option(metavar="DIR", help="stages, as in a root's plugins/")
    ] = None,
    shared: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="a folder that both machines have under this path"),
    ] = None,
) -> None:
    """Work for a daemon on another machine, until Ctrl-C or SIGTERM."""
    _refuse_without_extra()
    from hotfolder.work.machines.machine import Options, run_machine

    run_machine(
        Options(
            address=address,
            folder=folder.absolute(),
            name=name,
            slots=slots,
            listen=listen,
            certificates=certificates,
            plugins=plugins,
            shared=shared,
        ),
        print_at_once,
    )


def scheduler(
    address: Annotated[
        str, typer.Argument(metavar="ADDRESS", help="where to listen: tls://HOST:8786")
    ] = "tcp://127.0.0.1:8786",
    *,
    certificates: _Certificates = None,
) -> None:
    """Be the place where machines join and the daemon finds them, until Ctrl-C or SIGTERM."""
    _refuse_without_extra()
    from hotfolder.work.machines.scheduler import run_scheduler

    try:
        run_scheduler(address, certificates, print_at_once)
    except OSError as error:
        raise StorageError(f"{address} cannot be listened at: {error.strerror or error}") from error


def engine_certificates(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="where they go")],
    names: Annotated[list[str], typer.Argument(metavar="NAME", help="a name for each machine")],
) -> None:
    """Make certificates for machines that work together; again with new names to add some."""
    _refuse_without_extra()
    from hotfolder.work.machines.certificates import AUTHORITY_KEY, make_certificates

    for made in make_certificates(folder, names):
        print_plain(f"made {made}")
    print_plain(
        "Copy each machine's folder to it, by a way that nobody reads along, and give it as\n"
        "--certificates; the daemon's goes into `certificates` of [engine]. Who has\n"
        f"{folder / AUTHORITY_KEY} can make more: keep it where nobody gets at it."
    )


def _refuse_without_extra() -> None:
    from hotfolder.work.machines.opening import HOW_TO_INSTALL, find_missing_extra

    if missing := find_missing_extra():
        got = f"more machines need {' and '.join(missing)}"
        raise SettingsError([Problem("hotfolder", "", got, HOW_TO_INSTALL)])
