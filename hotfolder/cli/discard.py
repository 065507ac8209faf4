"""The command ``discard``: giving a batch or a held job up."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from hotfolder.cli.terminal import print_plain
from hotfolder.settings.root import Root


def discard(
    batch: Annotated[
        str,
        typer.Argument(
            metavar="NAME/BATCH|JOB",
            help="a batch, or a held job or its picture, as status shows it",
        ),
    ],
    root: Annotated[
        Path, typer.Argument(metavar="ROOT", help="the root; by default the current folder")
    ] = Path(),
    *,
    why: Annotated[str, typer.Option(metavar="REASON", help="the reason, for the report")] = "",
    who: Annotated[
        str | None, typer.Option(metavar="PERSON", help="by default, your login name")
    ] = None,
) -> None:
    """Discard a held job, or a batch: nothing more is done for it.

    Of a job its original is kept for a while; of a batch, what was delivered or is held stays.
    """
    from hotfolder.batch.summary import find_batch
    from hotfolder.ending.decision import discard_batch, discard_job, find_held_named
    from hotfolder.overview.status import find_folders

    at = Root(root)
    if "/" not in batch:
        job = find_held_named(at, batch)
        discard_job(at, job, who=who, why=why)
        print_plain(
            f"{job} is discarded; its original is kept for a while (keep_discarded).\n"
            f"A running daemon does it at once; otherwise run `{at.command('sweep')}`."
        )
        return
    destination, name, state = find_batch(at, batch)
    discard_batch(find_folders(at, destination).release, name, who=who, why=why)
    rows = sum(not line.job for line in state.lines) + len({each.row for each in state.faults})
    print_plain(
        f"{batch} is discarded: {rows} {'row' if rows == 1 else 'rows'} without a picture, or "
        "wrong, and what nobody has begun. What was delivered or is held stays where it is.\n"
        f"A running daemon does it at once; otherwise run `{at.command('sweep')}`. A new ticket "
        "brings the batch back."
    )
