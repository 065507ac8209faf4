"""The command ``status``: what a person must do first, then how everything stands."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hotfolder.cli.terminal import print_columns, print_json, print_line, print_plain
from hotfolder.disk.names import display_name
from hotfolder.pages.words import local_time
from hotfolder.settings.root import Root

if TYPE_CHECKING:
    from hotfolder.overview.status import DestinationStatus, RefusedJob, Status, WarnedJob
    from hotfolder.overview.waiting import WaitingThing

RootArgument = Annotated[
    Path, typer.Argument(metavar="ROOT", help="the root; by default the current folder")
]
JsonOption = Annotated[bool, typer.Option("--json", help="answer in JSON")]
NOT_ALIVE = 1
_MOST_SHOWN = 20
_MOST_AT_WORK = 5
_ALWAYS = ("arriving", "delivered", "held")
_IF_ANY = ("discarded", "refused", "left alone")


def status(
    root: RootArgument = Path(),
    *,
    as_json: JsonOption = False,
    alive: Annotated[
        bool,
        typer.Option(
            "--alive", help="only whether it is served: exit code 0, or 1 where nobody serves it"
        ),
    ] = False,
) -> None:
    """Show what waits, why, since when, and who must act."""
    if alive:
        _say_alive(Root(root), as_json=as_json)
        return
    from hotfolder.overview.status import collect

    said = collect(Root(root))
    if as_json:
        print_json(said)
    else:
        _print_status(said)


def _say_alive(root: Root, *, as_json: bool) -> None:
    from hotfolder.overview.alive import find_alive

    found = find_alive(root)
    if as_json:
        print_json(found._asdict())
    else:
        print_line(f"{root.path}: {found.says}")
    if not found.is_alive:
        raise typer.Exit(NOT_ALIVE)


def _print_status(said: Status) -> None:
    root = said["root"]
    served_by = f"process {said['served_by']} since {local_time(said['served_since'])}"
    print_line(
        f"{root}: served by {served_by if said['served_by'] else 'another process'}"
        if said["served"]
        else f"{root}: it is not being served; start `{Root(Path(root)).command('watch')}`"
    )
    _print_yours(said)
    _print_refused(said)
    _print_ours([each for each in said["waiting"] if each["who"] != "you"])
    _print_warned(said)
    _print_machines(said)
    print_plain("")
    _print_counts(said)
    for name, each in said["destinations"].items():
        for line in _describe_watching(each):
            print_line(f"{name}: {line}")


def _print_counts(said: Status) -> None:
    """A table; what there is nothing of anywhere is left out, but for the first three."""
    counts = {
        name: {
            "arriving": each["arriving"],
            "delivered": each["delivered"],
            "held": each["held"],
            "discarded": each["discarded"],
            "refused": each["refused"],
            "left alone": each["left_alone"],
        }
        for name, each in said["destinations"].items()
    }
    columns = [*_ALWAYS, *(key for key in _IF_ANY if any(each[key] for each in counts.values()))]
    rows = [[name, *(str(each[key]) for key in columns)] for name, each in counts.items()]
    print_columns(["destination", *columns], rows)


def _print_yours(said: Status) -> None:
    """What a person must do, before all else."""
    from hotfolder.overview.sentences import describe_batches, describe_problems

    yours = [each for each in said["waiting"] if each["who"] == "you"]
    batches, others = describe_batches(said)
    problems = [
        f"{name}: {line}"
        for name, each in said["destinations"].items()
        for line in describe_problems(each)
    ]
    problems += [*batches, *said["notify"]]
    print_plain("\nFor you to do:" if yours or problems else "\nNothing waits for you.")
    for line in problems:
        print_line(f"  {line}")
    groups = _group(yours)
    for alike in groups[:_MOST_SHOWN]:
        _print_alike(alike)
    if more := sum(map(len, groups[_MOST_SHOWN:])):
        print_plain(f"  and {more} more; --json has all")
    if any(each["what"] == "held" for each in yours):
        print_plain("  Each folder in held/ has a why.txt that says all you can do.")
    if sum(each["what"] == "held" for each in yours) > 1:
        print_line(f"  Several can be decided together: {Root(Path(said['root'])).command('desk')}")
    if others:
        print_plain("\nBatches:")
    for line in others:
        print_line(f"  {line}")


def _group(yours: list[WaitingThing]) -> list[list[WaitingThing]]:
    """Put together what is held for the same reason, with the same ways on."""
    groups: dict[object, list[WaitingThing]] = {}
    for number, each in enumerate(yours):
        key: object = number
        if each["what"] == "held" and not _list_measured(each):
            ways = [way.replace(each["job"], "JOB") for way in each.get("ways_on", [])]
            key = (each["destination"], each["why"], *ways)
        groups.setdefault(key, []).append(each)
    return list(groups.values())


def _print_alike(alike: list[WaitingThing]) -> None:
    """What there is to do about one thing, or about several at once."""
    each, shown = alike[0], alike[:_MOST_SHOWN]
    of = f" ({each['job']})" if each["job"] else ""
    what = f"{each['file']}{of}" if len(alike) == 1 else f"{len(alike)} pictures, for one reason"
    print_line(f"  {each['what']}: {each['destination']}: {what}")
    print_line(f"      {each['why']}")
    if len(alike) > 1:
        for one in shown:
            print_line(f"      {one['file']} ({one['job']}), since {local_time(one['since'])}")
        if len(alike) > len(shown):
            print_plain(f"      and {len(alike) - len(shown)} more, after these; --json has all")
    for way in each.get("ways_on", []):
        print_line(f"      {way.replace(each['job'], ' '.join(one['job'] for one in shown))}")
    if len(alike) == 1 and each["since"]:
        print_line(f"      since {local_time(each['since'])}")
    if measured := _list_measured(each):
        print_line(f"      measured: {'; '.join(measured)}")


def _list_measured(each: WaitingThing) -> list[str]:
    from hotfolder.model.facts import describe_column

    return [describe_column(one) for one in each["columns"] if one["value"] is not None]


def _print_ours(waiting: list[WaitingThing]) -> None:
    """What the program does, in a line, and a few that are being worked on."""
    if not waiting:
        return
    from hotfolder.model.units import say_share

    counts = Counter(each["what"] for each in waiting)
    print_plain(
        "\nAt work: " + ", ".join(f"{number} {_say_what(what)}" for what, number in counts.items())
    )
    shown = [each for each in waiting if each["share"] is not None]
    if len(waiting) <= _MOST_AT_WORK:
        shown = waiting
    for each in shown[:_MOST_AT_WORK]:
        share = f" ({say_share(each['share'], 2)})" if each["share"] is not None else ""
        print_line(f"  {each['destination']}: {each['file']}{share}: {each['why']}")
    rests = Counter(each["why"] for each in waiting if each not in shown)
    for why, number in rests.most_common(2):
        print_line(f"  {number} more: {why}")


def _say_what(what: str) -> str:
    from hotfolder.ledger.details import State

    return State(what).in_words if what in set(State) else what


def _print_refused(said: Status) -> None:
    _print_of_late(
        "Refused within a day; what you can do is said with each:",
        [(each, [*each["reasons"], f"its original: {each['folder']}"]) for each in said["refused"]],
    )


def _print_warned(said: Status) -> None:
    _print_of_late(
        "Delivered within a day, and to be looked at:",
        [(each, each["warnings"]) for each in said["warned"]],
    )


def _print_of_late(title: str, found: Sequence[tuple[RefusedJob | WarnedJob, list[str]]]) -> None:
    if not found:
        return
    print_plain(f"\n{title}")
    for each, sentences in found[:_MOST_SHOWN]:
        print_line(f"  {each['destination']}: {each['file']} ({each['job']})")
        for sentence in sentences:
            print_line(f"      {display_name(sentence)}")
    if len(found) > _MOST_SHOWN:
        print_plain(f"  and {len(found) - _MOST_SHOWN} more; --json has all")


def _print_machines(said: Status) -> None:
    if not said["machines"]:
        return
    from hotfolder.overview.sentences import describe_machines

    print_plain("\nMachines:")
    for line in describe_machines(said):
        print_line(f"  {line}")


def _describe_watching(each: DestinationStatus) -> list[str]:
    if each["unreachable"] or not each["watch"]:
        return []
    scanned = local_time(each["last_scan"], seconds=True)
    return [f"watched by {each['watch']}: {each['watch_reason']}; last scan {scanned}"]
