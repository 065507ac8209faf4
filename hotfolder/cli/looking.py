"""Commands that look before ink is spent: no job is touched, and of a root only kept points."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hotfolder.cli.completing import complete_destination
from hotfolder.cli.terminal import print_json, print_line, print_table
from hotfolder.disk.names import display_name
from hotfolder.errors import Problem, SettingsError, StorageError
from hotfolder.model.rendering import WAYS, Way
from hotfolder.pages.words import say_standing
from hotfolder.settings.root import Root

if TYPE_CHECKING:
    from hotfolder.model.records import WayOn
    from hotfolder.work.comparison import Candidate
    from hotfolder.work.strip import Strip
    from hotfolder.work.trial import Tell

ImageArgument = Annotated[Path, typer.Argument(metavar="IMAGE", help="the file of a picture")]
RootArgument = Annotated[
    Path, typer.Argument(metavar="ROOT", help="the root; by default the current folder")
]
ChangeOption = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="STAGE.KEY=VALUE", help="with another setting; repeatable"),
]
JsonOption = Annotated[bool, typer.Option("--json", help="answer in JSON")]
NONE_COULD_BE_TRIED = 3
_MOST_BESIDE = 4
_LOST = "share of the picture whose colours come out too far off; black: L* of the darkest"
_MOVED = "mean ΔE00 between picture and print, each seen against its own white; least first"


def proof(
    image: ImageArgument,
    root: RootArgument = Path(),
    *,
    wanted: Annotated[
        list[str] | None,
        typer.Option(
            "--for",
            metavar="NAME",
            autocompletion=complete_destination,
            help="a destination; repeatable; by default all",
        ),
    ] = None,
    renderings: Annotated[
        bool,
        typer.Option("--compare", help="its renderings beside each other, with one --for NAME"),
    ] = False,
    as_measured: Annotated[
        bool,
        typer.Option("--as-measured", help="first as its control strip was measured, one --for"),
    ] = False,
    change: ChangeOption = None,
    to: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="where to write the page; by default here, named after IMAGE"
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Show what one or several destinations would make of a picture; nothing is delivered."""
    from hotfolder.ending.decision import change_destination
    from hotfolder.work.comparison import compare, compare_renderings, list_ways, page
    from hotfolder.work.trial import destinations, workplace

    place, changes = Root(root), list(change or [])
    chosen = [
        change_destination(place, each, changes) for each in destinations(place, list(wanted or []))
    ]
    for option, is_given in (("--compare", renderings), ("--as-measured", as_measured)):
        if is_given and len(chosen) != 1:
            got = f"{len(chosen)} destinations"
            raise SettingsError([Problem(option, "", got, "one destination, named by --for")])
    if renderings and as_measured:
        raise SettingsError([Problem("--as-measured", "", "with --compare", "one of the two")])
    target = choose_target(image, " renderings.html" if renderings else " proof.html", to)
    with workplace() as folder:
        with show_progress(show=not as_json) as tell:
            if renderings:
                ways = list_ways(chosen[0])
                found = compare_renderings(place, image, chosen[0], ways, folder, tell)
            else:
                found = compare(place, image, chosen, folder, tell, as_measured=as_measured)
        tried = [each for each in found if each.sheet]
        alone = len(chosen) == 1 and not renderings
        if tried:
            text = tried[0].sheet.read_text("utf-8") if alone and tried[0].sheet else None
            write_whole(
                target,
                (text or page(display_name(image.name), found, Root(root.absolute()))).encode(
                    "utf-8"
                ),
            )
    written = str(target.absolute()) if tried else None
    if as_json:
        print_json({"page": written, "destinations": [each.summary() for each in found]})
    else:
        words = [str(image.absolute()), *(word for each in changes for word in ("--set", each))]
        _print_found(found, words, place, by_rendering=renderings)
        print_line(f"The page is {written}" if written else "No page was made.")
    if as_measured and not as_json:
        _say_not_measured(found[0])
    if not tried:
        raise typer.Exit(NONE_COULD_BE_TRIED)


def _print_found(
    found: list[Candidate], words: list[str], place: Root, *, by_rendering: bool
) -> None:
    """Say what came of a picture, and which commands come next; `words` are those it was asked by.

    A strip is advised of what can be printed: nobody needs one of a screen.
    """
    printed = [each.destination for each in found if each.sheet and each.standing is not None]
    strip = place.command("strip", *words, "--for", printed[0]) if printed else ""
    (_print_renderings if by_rendering else _print_ranking)(found, strip)
    for way, names in _list_ways_on(found).items():
        which = [word for name in names for word in ("--for", name)]
        which += ["--compare"] if by_rendering else []
        print_line(_say_way_on(place, "proof", [*words, *which], way))


def _list_ways_on(found: list[Candidate]) -> dict[WayOn, list[str]]:
    """List what lets a picture be tried out where it was not, with the destinations it is for."""
    ways: dict[WayOn, list[str]] = {}
    for each in found:
        for way in () if each.sheet else each.ways_on:
            names = ways.setdefault(way, [])
            names += [each.destination] if each.destination not in names else []
    return ways


def _say_not_measured(found: Candidate) -> None:
    """Say so when a medium is shown as its profile says after all."""
    if found.sheet and (found.standing is None or not found.standing.is_verified):
        print_line(
            f"{found.destination} is shown as its profile says: no control strip was measured with "
            "that profile."
        )


def strip(
    image: Annotated[
        Path | None,
        typer.Argument(metavar="IMAGE", help="the file of a picture; none with --control"),
    ] = None,
    root: Annotated[
        Path | None,
        typer.Argument(metavar="ROOT", help="the root; by default the current folder"),
    ] = None,
    *,
    control: Annotated[
        bool,
        typer.Option("--control", help="a control strip to measure, instead of a picture's pieces"),
    ] = False,
    wanted: Annotated[
        str,
        typer.Option(
            "--for", metavar="NAME", autocompletion=complete_destination, help="the destination"
        ),
    ],
    at: Annotated[
        list[str] | None,
        typer.Option(
            metavar="X%,Y%",
            help='a place to show, from the left and from the top, as in "40%,30%"; repeatable',
        ),
    ] = None,
    renderings: Annotated[
        str | None,
        typer.Option(
            metavar="NAMES",
            help='each piece in several renderings, as in "refined,detail,detail + depth"',
        ),
    ] = None,
    change: ChangeOption = None,
    to: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="where to write the strip; by default here, named after IMAGE"
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Make a test strip: the most telling pieces of a picture, exactly as they would print.

    With --control, and a root in place of the picture: patches to measure, chosen for its profile.
    """
    if control:
        if root is not None or at or renderings or change:
            raise typer.BadParameter("--control takes a root alone: no picture, no places")
        print_control_strip(Root(image or Path()), wanted, to, as_json=as_json)
        return
    if image is None:
        raise typer.BadParameter("a picture is missing; or --control, which needs none")
    from hotfolder.ending.decision import change_destination
    from hotfolder.work.strip import NoStrip, make_strip, suffix_of
    from hotfolder.work.trial import destinations, workplace

    place, changes = Root(root or Path()), list(change or [])
    (destination,) = destinations(place, [wanted])
    destination = change_destination(place, destination, changes)
    places = [read_place(each) for each in at or []]
    ways = _read_ways(renderings)
    target = choose_target(image, f" strip for {destination.name}{suffix_of(destination)}", to)
    with workplace() as folder:
        try:
            with show_progress(show=not as_json) as tell:
                made = make_strip(place, image, destination, folder, tell, places, ways)
        except NoStrip as error:
            given = [word for each in at or [] for word in ("--at", each)]
            given += ["--renderings", renderings] if renderings else []
            given += [word for each in changes for word in ("--set", each)]
            words = [str(image.absolute()), "--for", wanted, *given]
            instead = [_say_way_on(place, "strip", words, way) for way in error.ways_on]
            raise NoStrip("\n".join([str(error), *instead])) from None
        write_whole(target, made.path)
    if as_json:
        print_json({"strip": str(target.absolute()), **made.summary()})
        return
    if ways:
        print_line(f"Beside each other, from the left: {', '.join(map(str, ways))}.")
    _print_strip(made)
    print_line(f"Wrote {target.absolute()}")


def _print_strip(made: Strip) -> None:
    """Say what is on a strip, what it costs, and how it is to be printed."""
    from hotfolder.model.units import say_share

    for number, label in enumerate(dict.fromkeys(piece.label for piece in made.pieces), 1):
        print_line(f"{number}: {label}")
    if made.strip_mm is not None and made.print_mm is not None:
        size = "{:.0f} × {:.0f} mm".format(*made.strip_mm)
        area = made.strip_mm[0] * made.strip_mm[1] / (made.print_mm[0] * made.print_mm[1])
        print_line(f"The strip is {size}, {say_share(area)} of the print's area.")
    if made.strip_cost is not None:
        print_line(f"Its material costs {made.strip_cost}; that of the print, {made.print_cost}.")
    print_line(say_standing(made.standing))
    for reason in made.reasons:
        print_line(f"The picture itself would be {made.end}: {reason}")
    print_line("Print it at 100 %, without any colour conversion, as you would print the result.")


def _say_way_on(place: Root, name: str, words: list[str], way: WayOn) -> str:
    """Say with which setting a command would show something."""
    return f"With another setting: {place.command(name, *words, *way.options)}  ({way.says})"


def print_control_strip(place: Root, wanted: str, to: Path | None, *, as_json: bool) -> None:
    """Write a control strip of a destination, remember it, and say what it has."""
    from datetime import UTC, datetime

    from hotfolder.measured.control_strip import make_control_strip, remember_strip
    from hotfolder.measured.sheet import write_sheet
    from hotfolder.work.trial import destinations, workplace

    (destination,) = destinations(place, [wanted])
    made = make_control_strip(destination)
    target = choose_target(Path(f"{destination.name} control strip {made.id}"), ".tif", to)
    day = datetime.now(UTC).astimezone().date()
    try:
        remember_strip(place, made)
        with workplace() as folder:
            size_mm = write_sheet(folder / "strip.tif", made, destination, day)
            write_whole(target, folder / "strip.tif")
    except OSError as error:
        raise StorageError(f"{error.filename}: {error.strerror or error}") from error
    if as_json:
        said = made.model_dump(mode="json")
        print_json({"strip": str(target.absolute()), "strip_mm": list(size_mm), **said})
        return
    print_line(f"Control strip {made.id}: {len(made.patches)} patches on {_say_mm(size_mm)}.")
    print_line(
        "Print it at 100 %, without any colour conversion, on the medium itself; let it dry."
    )
    print_line(
        "Measure it from left to right, row by row, and put the instrument's file (CGATS, CxF, or"
    )
    print_line("a table as CSV, with L*, a*, b* or spectra) into")
    print_line(str(place.measured / destination.name))
    print_line(f"Wrote {target.absolute()}")


def _say_mm(size_mm: tuple[float, float]) -> str:
    return "{:.0f} × {:.0f} mm".format(*size_mm)


def read_place(text: str) -> tuple[float, float]:
    """Read a place in a picture, as in ``40%,30%``: shares of its width and height.

    Raises
    ------
    SettingsError
        When it is none.
    """
    parts = [each.strip().removesuffix("%").strip() for each in text.split(",")]
    try:
        across, down = (float(each) / 100 for each in parts)
    except ValueError:
        across = down = -1.0
    if not (0 <= across <= 1 and 0 <= down <= 1):
        allowed = 'two shares, from the left and from the top, as in "40%,30%"'
        raise SettingsError([Problem("--at", "", text, allowed)])
    return across, down


def read_way(text: str, option: str) -> Way:
    """Read the name of a rendering, as in ``detail + depth``.

    Raises
    ------
    SettingsError
        When it is none.
    """
    try:
        return Way.named(text)
    except ValueError:
        raise SettingsError([Problem(option, "", text, ", ".join(map(str, WAYS)))]) from None


def _read_ways(text: str | None) -> list[Way]:
    """Read the names of renderings, between commas; no more than can be told apart on a strip."""
    ways = [read_way(each, "--renderings") for each in (text or "").split(",") if each.strip()]
    if len(ways) > _MOST_BESIDE or len(set(ways)) < len(ways):
        allowed = f"at most {_MOST_BESIDE} renderings, each once"
        raise SettingsError([Problem("--renderings", "", text or "", allowed)])
    return ways


def choose_target(image: Path, ending: str, to: Path | None) -> Path:
    """Return what was asked for, or a name in the current folder that nothing has.

    Raises
    ------
    SettingsError
        When the folder of what was asked for does not exist.
    """
    from hotfolder.disk.names import result_name

    if to is not None:
        if not to.parent.is_dir() or to.is_dir():
            raise SettingsError([Problem("--to", "", str(to), "a file in a folder that exists")])
        return to
    stem, suffix = ending.rsplit(".", 1)
    number = 1
    while True:
        found = Path(result_name(f"{image.stem}{stem}", f".{suffix}", number))
        if not os.path.lexists(found):
            return found
        number += 1


def write_whole(target: Path, made: bytes | Path) -> None:
    """Write a file that a person has asked for, whole or not at all.

    Raises
    ------
    StorageError
        When it cannot be written.
    """
    temporary = target.parent / f".hotfolder-{os.getpid()}"
    try:
        if isinstance(made, Path):
            shutil.copyfile(made, temporary)
        else:
            temporary.write_bytes(made)
        temporary.replace(target)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise StorageError(f"{target} cannot be written: {error.strerror or error}") from error


@contextmanager
def show_progress(*, show: bool) -> Iterator[Tell]:
    """Show a bar on a terminal; yield what is to be told of the progress."""
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        Progress,
        TaskProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )

    console = Console(stderr=True)
    bar = Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(24),
        TaskProgressColumn(),
        TimeRemainingColumn(),
        TextColumn("left"),
        console=console,
        transient=True,
        disable=not (show and console.is_terminal),
    )
    with bar:
        task = bar.add_task("reading", total=1.0)
        yield lambda doing, share: bar.update(task, description=doing, completed=share)


def _print_renderings(found: list[Candidate], strip: str) -> None:
    from rich.table import Column, Table

    table = Table("", Column("rendering", no_wrap=True), "moved", "off", "contrast", "in all")
    table.add_column("lost")
    table.add_column("end", no_wrap=True)
    for each in found:
        name = f"{each.rendering}{' (as set)' if each.is_own else ''}"
        if each.moved is None or each.lost_share is None:
            table.add_row("–", name, "", "", "", "", "", each.end)
            continue
        kept = each.kept
        table.add_row(
            str(each.rank),
            name,
            f"{each.moved:.1f}",
            f"{kept.off_delta_e_00.mean:.2f}" if kept else "",
            f"{100 * kept.unfit_contrast:.1f} %" if kept and kept.unfit_share else "",
            f"{100 * kept.contrast:.1f} %" if kept else "",
            f"{100 * each.lost_share:.1f} %",
            each.end,
        )
    print_table(table)
    reasons: dict[str, list[str]] = {}
    for each in found:
        for reason in each.reasons:
            reasons.setdefault(reason, []).append(each.rendering)
    for reason, of in reasons.items():
        print_line(reason if len(of) == len(found) > 1 else f"{', '.join(of)}: {reason}")
    if any(each.sheet for each in found):
        print_line(f"moved: {_MOVED}")
        print_line("off: the same to the picture with its black scaled to the medium's")
        print_line("contrast: local contrast kept where colours do not fit; in all: everywhere")
    if strip:
        print_line(f"A screen predicts, a test strip proves: {strip} --renderings refined,detail")


def _print_ranking(found: list[Candidate], strip: str) -> None:
    from rich.table import Column, Table
    from rich.text import Text

    from hotfolder.model.units import say_share

    table = Table("", Column("destination", no_wrap=True), "moved", "lost", "black", "size")
    table.add_column("material")
    table.add_column("end", no_wrap=True)
    for each in found:
        if each.moved is None or each.lost_share is None:
            table.add_row("–", Text(each.destination), "", "", "", "", "", each.end)
            continue
        size = "" if each.size_px is None else "{} × {} px".format(*each.size_px)
        if each.print_mm is not None:
            size = "{:.0f} × {:.0f} mm".format(*each.print_mm)
        table.add_row(
            str(each.rank),
            Text(each.destination),
            f"{each.moved:.1f}",
            say_share(each.lost_share),
            f"L* {each.black:.0f}",
            size,
            str(each.cost or ""),
            each.end,
        )
    print_table(table)
    for each in found:
        for reason in each.reasons:
            print_line(f"{each.destination}: {reason}")
        if each.medium_in_words:
            print_line(f"{each.destination}: {each.medium_in_words}")
    if any(each.sheet for each in found):
        print_line(f"moved: {_MOVED}")
        print_line(f"lost: {_LOST}")
    if strip:
        print_line(f"A screen predicts, a test strip proves: {strip}")
