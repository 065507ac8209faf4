"""Commands about the light of a picture: ``neutral`` and ``light``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from hotfolder.cli.completing import complete_destination
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
            "--for",
            metavar="NAME",
            autocompletion=complete_destination,
            help="a destination whose limits hold; by default one",
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
    from hotfolder.work.light import show_whites
    from hotfolder.work.trial import destinations, workplace

    place = Root(root)
    destination = destinations(place, [wanted] if wanted else [])[0]
    target = choose_target(image, " neutral.html", to)
    with workplace() as folder, show_progress(show=not as_json) as tell:
        whites = show_whites(place, image, destination, folder, tell, at or ())
        write_whole(target, whites.file.read_bytes())
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
    at_first = whites.found.choices[0].white_at if whites.found.choices else "X%,Y%"
    print_line("Which of them is white is your decision. Say it for a held picture, as in")
    print_line(f'  hotfolder release JOB {place.path} --white-at {at_first} --why "…"')
    print_line(f"The page is {page}")


def light(
    image: ImageArgument,
    root: RootArgument = Path(),
    *,
    wanted: Annotated[
        str | None,
        typer.Option(
            "--for",
            metavar="NAME",
            autocompletion=complete_destination,
            help="a destination, for its limits",
        ),
    ] = None,
    chart_values: Annotated[
        str,
        typer.Option(metavar="NAME", help="which values the chart has, as in [stage.reference]"),
    ] = "babel_average",
    to: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="where to write the profile; by default here, named after IMAGE"
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Make an ICC profile of the light from the 24-patch chart in a picture."""
    from hotfolder.work.light import make_light_profile
    from hotfolder.work.trial import destinations, workplace

    place = Root(root)
    destination = destinations(place, [wanted] if wanted else [])[0]
    target = choose_target(image, " light.icc", to)
    with workplace() as folder, show_progress(show=not as_json) as tell:
        made = make_light_profile(place, image, destination, folder, tell, chart_values)
        write_whole(target, made.file.read_bytes())
    written = str(target.absolute())
    found = made.found
    if as_json:
        print_json({"profile": written, **found.model_dump()})
        return
    print_line(found.description)
    print_line(
        f"It holds what was fitted to ΔE00 {found.read_back_delta_e_00:.2f}; "
        f"{found.patches_used} of 24 patches were used."
    )
    print_line(
        "The exposure stays as it is. Use it for frames of this camera, light and processing"
    )
    print_line(f"only: copy it into {place.profiles}, and name it as")
    print_line(f"{found.use} of a destination.")
    print_line(f"The profile is {written}")
