"""The command ``nest``: several results on one width of roll."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from hotfolder.cli.looking import JsonOption, show_progress
from hotfolder.cli.terminal import print_json, print_line
from hotfolder.errors import Problem, SettingsError
from hotfolder.settings.root import Root

_SUFFIXES = {".tif", ".tiff", ".png", ".jpg", ".jpeg"}


def nest(
    root: Annotated[Path, typer.Argument(metavar="ROOT", help="the root")],
    pictures: Annotated[
        list[Path],
        typer.Argument(metavar="PICTURE", help="results, or folders of them"),
    ],
    *,
    wanted: Annotated[
        str, typer.Option("--for", metavar="NAME", help="the destination that they were made for")
    ],
    width: Annotated[
        str | None,
        typer.Option(metavar="WIDTH", help='of the roll, as in "44 in"; by default as set'),
    ] = None,
    gap: Annotated[
        str, typer.Option(metavar="GAP", help="paper between two pictures, for the knife")
    ] = "6 mm",
    edge: Annotated[
        str, typer.Option(metavar="EDGE", help="paper around them all, which takes no print")
    ] = "5 mm",
    pdf: Annotated[bool, typer.Option("--pdf", help="a page in PDF, not a TIFF")] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="only say what would be saved")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Lay several results onto one width of roll, so that they take little of it."""
    from hotfolder.work.nest import lay_pieces, read_pieces
    from hotfolder.work.nest_book import describe, find_jobs, find_saved, write_nest
    from hotfolder.work.trial import destinations, workplace

    place = Root(root)
    destination = destinations(place, [wanted])[0]
    medium = destination.file.medium
    set_mm = medium.roll_width
    if width is None and set_mm is None:
        asked = 'the width of the roll, as in "44 in", or roll_width in [medium]'
        raise SettingsError([Problem("--width", "", "is not said", asked)])
    width_mm = _read_length("--width", width) if width is not None else set_mm or 0.0
    pieces = read_pieces(_find_files(pictures))
    jobs = find_jobs(place, destination, pieces)
    found = lay_pieces(pieces, width_mm, _read_length("--gap", gap), _read_length("--edge", edge))
    record = None
    if not dry_run:
        with workplace() as scratch, show_progress(show=not as_json) as tell:
            record = write_nest(
                place, destination, found, jobs, "pdf" if pdf else "tiff", scratch, tell
            )
    saved = find_saved(found, medium.cost_per_square_metre)
    if as_json:
        bound = {"bound_mm": round(found.to_mm(found.bound_px), 1)}
        lengths = {
            "length_mm": round(found.to_mm(found.length_px), 1),
            "alone_mm": round(found.to_mm(found.alone_px), 1),
            "saved": vars(saved) if saved else None,
        }
        print_json({**(record.model_dump(mode="json") if record else {}), **lengths, **bound})
        return
    for line in describe(found, destination, saved):
        print_line(line)
    if None in jobs:
        print_line(f"{jobs.count(None)} of them are in no record of this root.")
    if record:
        print_line(f"The sheet is {place.path / record.sheet}")
        print_line(f"How to cut it: {place.path / record.guide}")


def _read_length(option: str, text: str) -> float:
    from hotfolder.model.units import LENGTH_MM, parse_quantity  # they load pydantic

    try:
        return parse_quantity(text, LENGTH_MM, "44 in")
    except ValueError as error:
        raise SettingsError([Problem(option, "", text, str(error))]) from error


def _find_files(asked: list[Path]) -> list[Path]:
    """Return the files, and those in folders by name; each once."""
    found: list[Path] = []
    for path in asked:
        if path.is_dir():
            found += sorted(
                each
                for each in path.iterdir()
                if each.suffix.lower() in _SUFFIXES and not each.name.startswith(".")
            )
        elif path.exists():
            found.append(path)
        else:
            missing = "No such file or directory"
            raise SettingsError([Problem(str(path), "", missing, "results, or folders of them")])
    if not found:
        where = ", ".join(map(str, asked))
        raise SettingsError(
            [Problem(where, "", "no picture is there", "results, or folders of them")]
        )
    return [path.absolute() for path in dict.fromkeys(found)]
