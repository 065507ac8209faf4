"""`hotfolder profile`: ask about a profile before it is trusted."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hotfolder.cli.looking import choose_target, write_whole
from hotfolder.cli.terminal import print_json, print_line
from hotfolder.errors import Problem, SettingsError
from hotfolder.settings.root import Root

if TYPE_CHECKING:
    from hotfolder.colour.profile import Profile
    from hotfolder.colour.profile_measures import ProfileMeasures


def profile(
    wanted: Annotated[
        str,
        typer.Argument(
            metavar="PROFILE", help="an ICC file, a file in profiles/, or a destination's name"
        ),
    ],
    root: Annotated[
        Path, typer.Argument(metavar="ROOT", help="the root; by default the current folder")
    ] = Path(),
    *,
    ink_limit: Annotated[
        float | None,
        typer.Option(
            "--ink-limit",
            metavar="PERCENT",
            min=100,
            max=400,
            help="ink at one place that the medium bears; by default what the profile lays at most",
        ),
    ] = None,
    to: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="where to write the page; by default here, named after PROFILE"
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="answer in JSON")] = False,
) -> None:
    """Say how far a profile can be trusted: what is wrong with it, its blacks, greys and gamut."""
    from hotfolder.colour.profile_measures import measure
    from hotfolder.model.encoding import Encoding
    from hotfolder.overview.profile_findings import find
    from hotfolder.overview.profile_page import make_page, summarise

    path, found = _find_profile(wanted, Root(root))
    if found.encoding is Encoding.LAB:
        allowed = "the profile of an RGB, grey or CMYK device"
        raise SettingsError(
            [Problem(str(path), "", "a profile of Lab, which no device has", allowed)]
        )
    target = choose_target(path, " profile.html", to)
    measures = measure(found, None if ink_limit is None else ink_limit / 100)
    findings = find(measures)
    write_whole(target, make_page(measures, findings).encode("utf-8"))
    page = str(target.absolute())
    if as_json:
        print_json({"page": page, **summarise(measures, findings)})
        return
    doubts = [each for each in findings if each.is_doubt]
    print_line(f"{found.description}: {len(doubts) or 'nothing'} to be looked at")
    for each in doubts:
        print_line(f"look: {each.sentence()}")
    for each in findings:
        if not each.is_doubt:
            print_line(f"note: {each.sentence()}")
    for line in _say_numbers(measures):
        print_line(line)
    print_line("Computed from the profile alone; a measured strip proves it.")
    print_line(f"The page is {page}")


def _say_numbers(measures: ProfileMeasures) -> list[str]:
    lines = []
    if measures.round_trip is not None:
        noise = measures.round_trip.noise
        lines.append(
            f"there and back: {noise.mean:.1f} ΔE00 on average, one in a hundred above "
            f"{noise.p99:.1f}"
        )
    blacks = ", ".join(f"{each.name} L* {each.lab[0]:.1f}" for each in measures.blacks)
    lines.append(f"blacks: {blacks}")
    if measures.gamut is not None:
        lines.append(f"gamut: {measures.gamut.volume:,.0f} cubic units of L*a*b*")
    return lines


def _find_profile(wanted: str, root: Root) -> tuple[Path, Profile]:
    """Find what a person means: a file, else one in the root's profiles, else a destination's.

    Raises
    ------
    SettingsError
        When it is none of these, or cannot be used.
    """
    from hotfolder.colour.profile import Profile, ProfileError

    for path in (Path(wanted), root.profiles / wanted):
        if path.is_file():
            try:
                return path, Profile.load(path)
            except ProfileError as error:
                raise SettingsError([Problem(str(path), "", str(error), "")]) from error
            except OSError as error:
                said = f"cannot be read: {error.strerror or error}"
                raise SettingsError([Problem(str(path), "", said, "")]) from error
    if (root.destinations / f"{wanted}.toml").is_file():
        from hotfolder.work.trial import destinations

        (destination,) = destinations(root, [wanted])
        return Path(wanted), destination.profile
    allowed = f"an ICC file, a file in {root.profiles}, or the name of a destination"
    raise SettingsError([Problem("PROFILE", "", wanted, allowed)])
