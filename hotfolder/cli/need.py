"""The command ``need``: what a destination asks of a picture, before it is taken."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hotfolder.cli.completing import complete_destination
from hotfolder.cli.terminal import print_json, print_line, print_table
from hotfolder.errors import Problem, SettingsError
from hotfolder.settings.root import Root

if TYPE_CHECKING:
    from rich.table import Table

    from hotfolder.work.need import Cut, Need, Pixels

_SHORT_FROM = 0.1
"""Share of a hue that cannot be made from which it is named."""


def need(
    root: Annotated[
        Path, typer.Argument(metavar="ROOT", help="the root; by default the current folder")
    ] = Path(),
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
    megapixels: Annotated[
        list[float] | None,
        typer.Option(metavar="N", help="a camera's; repeatable; by default 12, 24, 45, 100"),
    ] = None,
    shape: Annotated[str, typer.Option(metavar="W:H", help="of a camera's pictures")] = "3:2",
    as_json: Annotated[bool, typer.Option("--json", help="answer in JSON")] = False,
) -> None:
    """Say how many pixels a destination needs, what cameras give, and which colours it can make."""
    from hotfolder.work.need import CAMERAS_MEGAPIXELS, find_need, read_shape
    from hotfolder.work.trial import destinations, workplace

    place = Root(root)
    cameras = megapixels or list(CAMERAS_MEGAPIXELS)
    for each in cameras:
        if not 0.01 <= each <= 10_000:
            allowed = "0.01 to 10000 million pixels"
            raise SettingsError([Problem("--megapixels", "", f"{each:g}", allowed)])
    sides = read_shape(shape)
    with workplace() as folder:
        found = [
            find_need(place, each, folder, cameras, sides)
            for each in destinations(place, list(wanted or []))
        ]
    if as_json:
        print_json({"destinations": [each.summary() for each in found]})
        return
    for number, answer in enumerate(found):
        if number:
            print_line("")
        _print_need(answer)


def _print_need(need: Need) -> None:
    print_line(f"{need.destination}: {need.title}, {need.surface}, seen from {_distance(need)}")
    shape = "" if need.shape_is_fixed else f", for a picture of {need.shape[0]}:{need.shape[1]}"
    if need.size_mm and need.whole_mm:
        more = ""
        if need.whole_mm != need.size_mm:
            more = f"; {_mm(need.whole_mm)} with bleed and wrap"
        if need.sheet_mm and need.sheet_mm != need.whole_mm:
            more += f"; {_mm(need.sheet_mm)} of medium with the paper around it"
        cost = f"; {need.material_cost} of medium" if need.material_cost else ""
        print_line(f"  Size: {_mm(need.size_mm)}{more}{shape}{cost}")
    elif need.result_px:
        print_line("  Size: {} × {} px".format(*need.result_px) + shape)
    if need.sharp and need.sharp_close:
        print_line(f"  To be sharp from there: {_pixels(need.sharp)}")
        print_line(f"  To be sharp close up:   {_pixels(need.sharp_close)}")
    elif need.sharp:
        print_line(f"  To fill every pixel of it: {_pixels(need.sharp)}")
    elif need.needed_ppi:
        print_line(f"  To be sharp from there: {need.needed_ppi:.0f} px/in, close up twice as many")
    if need.asked_for:
        print_line(f"  Asked for here:         {_pixels(need.asked_for)}")
    if need.cameras and need.result_px:
        _print_cameras(need)
    _print_gamut(need)
    for reason in need.reasons:
        print_line(f"  {reason}")


def _print_cameras(need: Need) -> None:
    from rich.table import Column, Table

    is_screen = need.sharp_close is None
    table = Table("camera", Column("picture", no_wrap=True), Column("cut off", justify="right"))
    if not is_screen:
        table.add_column("own px/in", justify="right")
        for head in ("from there", "close up", "sharp up to"):
            table.add_column(head)
    table.add_column("may be cropped to", justify="right")
    for camera in need.cameras:
        _add_row(table, f"{camera.megapixels:g} MP", camera.whole, is_screen=is_screen)
        if camera.in_shape and camera.in_shape != camera.whole:
            _add_row(table, "  cropped to its shape", camera.in_shape, is_screen=is_screen)
    print_table(table)


def _add_row(table: Table, name: str, cut: Cut, *, is_screen: bool) -> None:
    row = [name, f"{cut.width_px} × {cut.height_px} px", f"{100 * cut.cropped_share:.0f} %"]
    if not is_screen:
        few = ", fewer than asked for" if cut.is_asked_for is False else ""
        row += [
            f"{cut.effective_ppi:.0f}{few}",
            "sharp" if cut.is_sharp else "soft",
            "sharp" if cut.is_sharp_close else "soft",
            _mm(cut.largest_sharp_mm) if cut.largest_sharp_mm else "",
        ]
    enough = cut.may_be_cropped_to
    table.add_row(*row, f"{100 * enough:.0f} %" if enough <= 1 else "too few")


def _print_gamut(need: Need) -> None:
    gamut = need.gamut
    if gamut is None:
        return
    print_line(
        f"  Gamut: {gamut.volume:,.0f} cubic units of L*a*b*, "
        f"{100 * gamut.share_of_srgb:.0f} % of sRGB's"
    )
    short = [
        f"{hue}s ({100 * share:.0f} %)"
        for hue, share in gamut.short_by_hue.items()
        if share >= _SHORT_FROM
    ]
    said = ", ".join(short) if short else "no hue"
    print_line(f"  Of sRGB's colours it cannot make, above {gamut.tolerance:.1f} ΔE00: {said}")


def _pixels(pixels: Pixels) -> str:
    per_inch = f", {pixels.ppi:.0f} px/in" if pixels.ppi else ""
    more = pixels.long_edge_with_margins_px
    around = f" ({more} with bleed and wrap)" if more > pixels.long_edge_px + 1 else ""
    long_edge = f"{pixels.long_edge_px} px on the long edge{around}"
    return f"{long_edge}, {pixels.megapixels:.1f} megapixels{per_inch}"


def _mm(sides: tuple[float, float]) -> str:
    return f"{sides[0]:.0f} × {sides[1]:.0f} mm"


def _distance(need: Need) -> str:
    length = need.viewing_distance_mm
    return f"{length / 1000:g} m" if length >= 1000 else f"{length / 10:g} cm"
