"""The command ``neutral``: what could be white in a picture, for a person to decide."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from hotfolder.cli.looking import (
    ImageArgument,
    JsonOption,
    RootArgument,
    choose_target,
    show_progress,
    write_whole,
)
from hotfolder.cli.terminal import print_json, print_line
from hotfolder.settings.root import Root


def neutral(
    image: ImageArgument,
    root: RootArgument = Path(),
    *,
    wanted: Annotated[
        str | None,
        typer.Option(
            "--for", metavar="NAME", help="a destination whose limits hold; by default one"
        ),
    ] = None,
    at: Annotated[
        list[str] | None,
        typer.Option(
            metavar="X%,Y%",
            help='a place that is white or grey, from the left and the top, as in "40%,30%"; '
            "repeatable",
        ),
    ] = None,
    to: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="where to write the page; by default here, named after IMAGE"
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Show what in a picture could be white or grey, and what it would become."""
    from hotfolder.work.trial import destinations, workplace
    from hotfolder.work.whites import show_whites

    place = Root(root)
    destination = destinations(place, [wanted] if wanted else [])[0]
    target = choose_target(image, " neutral.html", to)
    with workplace() as folder, show_progress(show=not as_json) as tell:
        whites = show_whites(place, image, destination, folder, tell, at or ())
        write_whole(target, whites.page.read_bytes())
    page = str(target.absolute())
    if as_json:
        choices = [each.model_dump() for each in whites.found.choices]
        print_json({"page": page, "choices": choices, "warnings": list(whites.warnings)})
        return
    for warning in whites.warnings:
        print_line(f"look: {warning}")
    for each in whites.found.choices:
        light = f"{each.light.cct_k} K" if each.light.cct_k else "no usual light"
        print_line(
            f"{each.number}  {each.white_at:>14}  {each.what}: shows white as {light}, a cast of "
            f"C* {each.balance.chroma:.1f}"
        )
    if not whites.found.choices:
        print_line("Nothing in it could be white; point at a place with --at.")
    print_line(
        "Which of them is white is your decision: hotfolder release JOB ROOT "
        '--set reference.white_at="X%,Y%" --why "…"'
    )
    print_line(f"The page is {page}")
