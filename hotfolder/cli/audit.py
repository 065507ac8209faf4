"""The command ``hotfolder audit``: what is asked, and how the answer is given."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hotfolder.audit.choices import Group, Sort, Statistic
from hotfolder.cli.completing import complete_destination
from hotfolder.cli.terminal import (
    make_console,
    print_exactly,
    print_json,
    print_line,
    print_lines,
    print_table,
)
from hotfolder.disk.names import display_name
from hotfolder.model.ends import End
from hotfolder.pages.words import local_time
from hotfolder.settings.root import Root

if TYPE_CHECKING:
    import sqlite3

    from hotfolder.audit.question import Question, Sums
    from hotfolder.ledger.reading import Value
    from hotfolder.pages.csv_out import Cell

UNKNOWN_FILE = 1
NOT_AS_RECORDED = 8

_SHOWN = 50
_YES = ("no", "yes")
_ROOMY_COLUMNS = 110
RootArgument = Annotated[
    Path, typer.Argument(metavar="ROOT", help="the root; by default the current folder")
]


def audit(
    root: Annotated[
        Path, typer.Argument(metavar="ROOT", help="the root; by default the current folder")
    ] = Path(),
    *,
    destination: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME",
            autocompletion=complete_destination,
            help="only this destination; repeatable",
        ),
    ] = None,
    during: Annotated[
        str | None,
        typer.Option(metavar="WHEN", help='a period: "last month", "2026-11", "Tuesday"'),
    ] = None,
    since: Annotated[
        str | None, typer.Option(metavar="WHEN", help='from a date, "last month", or "7 d" ago')
    ] = None,
    until: Annotated[
        str | None, typer.Option(metavar="WHEN", help="up to a date or period, which is included")
    ] = None,
    batch: Annotated[str | None, typer.Option(metavar="BATCH", help="only this batch")] = None,
    state: Annotated[
        list[End] | None,
        typer.Option(
            metavar="<delivered|held|discarded|refused>", help="only jobs that ended so; repeatable"
        ),
    ] = None,
    lost_above: Annotated[
        str | None,
        typer.Option(
            metavar="SHARE", help='only pictures that lost more than this share, as in "5 %"'
        ),
    ] = None,
    out_of_gamut_above: Annotated[
        str | None,
        typer.Option(
            metavar="SHARE",
            help="only pictures of which the medium cannot make more than this share",
        ),
    ] = None,
    delta_e_above: Annotated[
        float | None,
        typer.Option(
            min=0, metavar="N", help="only pictures whose loss is above this ΔE00; see --statistic"
        ),
    ] = None,
    statistic: Annotated[
        Statistic,
        typer.Option(help="which ΔE00 of a picture counts: mean, 95th percentile or largest"),
    ] = Statistic.P95,
    hue: Annotated[
        list[str] | None,
        typer.Option(
            metavar="HUE", help="only pictures that lost this hue, as in green; repeatable"
        ),
    ] = None,
    profile: Annotated[
        str | None,
        typer.Option(
            metavar="PROFILE", help="the result's profile: its name, with * and ?, or its hash"
        ),
    ] = None,
    name: Annotated[
        str | None, typer.Option(metavar="NAME", help="the original's name, with * and ?")
    ] = None,
    sha256: Annotated[
        str | None,
        typer.Option(
            "--hash", metavar="HASH", help="SHA-256 of original or result, or how it begins"
        ),
    ] = None,
    machine: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="only what this machine made, with * and ?"),
    ] = None,
    released: Annotated[
        bool,
        typer.Option(
            "--released",
            help="only pictures that a person released; says who, why, and in spite of what",
        ),
    ] = False,
    medium_off: Annotated[
        bool,
        typer.Option(
            "--medium-off",
            help="only pictures delivered while a measured strip said that their medium was off",
        ),
    ] = False,
    sort: Annotated[Sort | None, typer.Option(help="the order; by default newest first")] = None,
    reverse: Annotated[bool, typer.Option("--reverse", help="reverse the order")] = False,
    limit: Annotated[
        int | None,
        typer.Option(min=0, metavar="N", help="show at most this many; 0: all. A table shows 50"),
    ] = None,
    group: Annotated[Group | None, typer.Option(help="totals instead of single pictures")] = None,
    as_csv: Annotated[bool, typer.Option("--csv", help="answer as CSV")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="answer in JSON")] = False,
    report: Annotated[
        Path | None, typer.Option(metavar="FILE", help="write a page with pictures and trends")
    ] = None,
    of: Annotated[
        Path | None, typer.Option(metavar="FILE", help="tell the whole story of one file")
    ] = None,
    verify: Annotated[
        bool, typer.Option("--verify", help="check that files and records are unchanged")
    ] = False,
) -> None:
    """Ask the records what was lost, where and when; what became of a file; what has changed.

    Exit codes beside the common ones: 1 no record of the file that --of names, 8 --verify found
    something that is not as recorded.
    """
    from hotfolder.audit.asking import Asked, read_question

    asked = Asked(
        destinations=tuple(destination or ()),
        during=during,
        since=since,
        until=until,
        batch=batch,
        states=tuple(state or ()),
        lost_above=lost_above,
        out_of_gamut_above=out_of_gamut_above,
        delta_e_above=delta_e_above,
        statistic=statistic,
        hues=tuple(hue or ()),
        profile=profile,
        name=name,
        sha256=sha256,
        machine=machine,
        released=released,
        medium_off=medium_off,
        sort=sort or (Sort.LOST if report else Sort.TIME),
        reverse=reverse,
        limit=_choose_limit(limit, whole=as_csv or as_json),
    )
    root_ = Root(root)
    question = read_question(asked, datetime.now(UTC), root_)
    if question.destinations or question.hues or question.batch or question.machine:
        from hotfolder.audit.known import check_names

        check_names(root_, question)
    if of is not None:
        _say_story(root_, of, as_json=as_json)
    elif verify:
        _say_verified(root_, question, as_json=as_json)
    elif report is not None:
        _write_report(root_, question, report)
    elif group is not None:
        _answer_in_groups(root_, question, group, as_csv=as_csv, as_json=as_json)
    else:
        _answer(root_, question, as_csv=as_csv, as_json=as_json)


def _choose_limit(asked: int | None, *, whole: bool) -> int | None:
    if asked is None:
        return None if whole else _SHOWN
    return asked or None


def _answer(root: Root, question: Question, *, as_csv: bool, as_json: bool) -> None:
    from hotfolder.audit.books import open_books
    from hotfolder.audit.question import COLUMNS, ask, count, describe_question
    from hotfolder.pages.csv_out import to_csv

    with open_books(root) as db:
        found = ask(db, question)
        number = len(found) if question.limit is None else count(db, question)
    if as_json:
        said = json.dumps({"question": describe_question(question), "number": number})
        # a record a line: with a hundred thousand of them, indenting takes longer than all else
        records = ",\n".join(json.dumps(_to_json(each), allow_nan=False) for each in found)
        print_exactly(f'{said[:-1]}, "records": [\n{records}\n]}}\n')
    elif as_csv:
        place = COLUMNS.index("was_held")
        rows = ([*row[:place], _YES[row[place]], *row[place + 1 :]] for row in map(tuple, found))
        print_exactly(to_csv(COLUMNS, rows))
    else:
        _print_pictures(found, number)
        if question.released:
            _print_releases(root, found)


def _print_releases(root: Root, found: Sequence[sqlite3.Row]) -> None:
    """Say of each picture who released it, why, and in spite of what."""
    from hotfolder.ending.why import leave_out_advice
    from hotfolder.ledger.reading import open_reader

    with open_reader(root.ledger) as ledger:
        for each in found:
            row = ledger.find_job(each["job"])
            if row is None or row.record is None or (release := row.record.release) is None:
                continue
            why = f": {release.why}" if release.why else ""
            print_line(f"{each['name']}: by {release.who or 'somebody, by moving it'}{why}")
            for reason in release.waived if release.waived is not None else row.record.reasons:
                print_line(f"    in spite of {reason.code}: {leave_out_advice(reason.message)}")


def _to_json(answer: sqlite3.Row) -> dict[str, Value | list[str]]:
    said = dict(answer)
    said["was_held"] = bool(said["was_held"])
    said["hues"] = said["hues"].split()
    return said


def _answer_in_groups(
    root: Root, question: Question, group: Group, *, as_csv: bool, as_json: bool
) -> None:
    from hotfolder.audit.books import open_books
    from hotfolder.audit.question import ask_groups, describe_question
    from hotfolder.pages.csv_out import to_csv

    with open_books(root) as db:
        found = ask_groups(db, question, group)
    if as_json:
        print_json({"question": describe_question(question), "number": len(found), "groups": found})
    elif as_csv:
        header = list(found[0]) if found else [group.value]
        print_exactly(
            to_csv(header, [[_to_cell(value) for value in each.values()] for each in found])
        )
    else:
        _print_groups(found, group)


def _print_pictures(found: Sequence[sqlite3.Row], number: int) -> None:
    if not found:
        print_line("No pictures match.")
        return
    from rich.box import SIMPLE_HEAD
    from rich.table import Table
    from rich.text import Text

    roomy = make_console().width >= _ROOMY_COLUMNS
    table = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1))
    for title in ("ended", "destination", "state"):
        table.add_column(title, no_wrap=True)
    table.add_column("original", overflow="fold")
    table.add_column("lost", justify="right", no_wrap=True)
    table.add_column("ΔE00 mean, p95, max" if roomy else "ΔE00 p95", no_wrap=True)
    if roomy:
        table.add_column("medium cannot", justify="right", no_wrap=True)
        table.add_column("hues")
    for each in found:
        statistics = Statistic if roomy else (Statistic.P95,)
        figures = [each[f"delta_e_{name}"] for name in statistics]
        more: list[str | Text] = []
        if roomy:
            more = [format_share(each["share_out_of_gamut"]), Text(display_name(each["hues"]))]
        table.add_row(
            local_time(each["finished"]),
            Text(each["destination"]),
            _describe_end(each),
            Text(display_name(each["name"])),
            format_share(each["share_lost"]),
            ", ".join(f"{figure:.1f}" for figure in figures if figure is not None),
            *more,
        )
    print_table(table)
    shown = f", {len(found)} of them shown; --limit 0 shows all" if number > len(found) else ""
    print_line(f"{number} picture{'' if number == 1 else 's'}{shown}.")


def _describe_end(answer: sqlite3.Row) -> str:
    if answer["discarded_at"]:
        return f"discarded {local_time(answer['discarded_at'])[:10]}"
    released = answer["was_held"] and answer["state"] == "delivered"
    return "released" if released else str(answer["state"])


def _to_cell(value: object) -> Cell:
    return value if isinstance(value, str | int | float) else None


def _print_groups(found: Sequence[Sums], group: Group) -> None:
    from rich.box import SIMPLE_HEAD
    from rich.table import Table
    from rich.text import Text

    table = Table(
        group,
        "jobs",
        "delivered",
        "held once",
        "refused",
        "lost, mean",
        "most",
        "ΔE00 mean, p95",
        "m²",
        box=SIMPLE_HEAD,
        pad_edge=False,
    )
    for each in found:
        figures = [each["delta_e_mean"], each["delta_e_p95"]]
        table.add_row(
            Text(display_name(str(each.get(group.value) or "none"))),
            *map(str, (each["jobs"], each["delivered"], each["was_held"], each["refused"])),
            format_share(each["share_lost_mean"]),
            format_share(each["share_lost_most"]),
            ", ".join(f"{figure:.1f}" for figure in figures if figure is not None),
            f"{each['printed_m2']:.2f}" if each["printed_m2"] else "",
        )
    print_table(table)


def _say_story(root: Root, file: Path, *, as_json: bool) -> None:
    from hotfolder.audit.books import open_books
    from hotfolder.audit.story import describe_story, tell_story

    with open_books(root) as db:
        story = tell_story(db, root, file)
    if as_json:
        print_json(story)
    else:
        print_lines(describe_story(story))
    if not story["jobs"]:
        raise typer.Exit(UNKNOWN_FILE)


def _say_verified(root: Root, question: Question, *, as_json: bool) -> None:
    from rich.console import Console

    from hotfolder.audit.books import open_books
    from hotfolder.audit.verify import describe_verdict, verify_root

    with open_books(root) as db:
        verdict = verify_root(db, root, question, Console(stderr=True))
    if as_json:
        print_json(verdict)
    else:
        print_lines(describe_verdict(verdict))
    if not verdict["as_recorded"]:
        raise typer.Exit(NOT_AS_RECORDED)


def _write_report(root: Root, question: Question, path: Path) -> None:
    from hotfolder.audit.books import open_books
    from hotfolder.audit.question import describe_question
    from hotfolder.audit.report import write_report

    with open_books(root) as db:
        number = write_report(db, root, question, path)
    print_lines([f"{describe_question(question)}: {number}. The page is {path.absolute()}"])


def format_share(share: float | None) -> str:
    """A share as people read it."""
    from hotfolder.model.units import say_share

    return "" if share is None else say_share(share)
