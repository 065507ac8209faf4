"""The command ``measured``: the latest verdict on a destination's control strip."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hotfolder.cli.completing import complete_destination
from hotfolder.cli.terminal import print_json, print_line
from hotfolder.errors import StorageError
from hotfolder.measured.in_words import NUMBERS_IN_WORDS
from hotfolder.pages.words import local_time
from hotfolder.settings.root import Root

if TYPE_CHECKING:
    from hotfolder.measured.book import Book
    from hotfolder.measured.control_strip import ControlStrip
    from hotfolder.measured.limits import LimitSet
    from hotfolder.measured.records import Photographed, Verdict
    from hotfolder.settings.files import Destination

NOTHING_MEASURED = 3
_SHOWN = 20


def measured(
    root: Annotated[
        Path, typer.Argument(metavar="ROOT", help="the root; by default the current folder")
    ] = Path(),
    *,
    wanted: Annotated[
        str,
        typer.Option(
            "--for", metavar="NAME", autocompletion=complete_destination, help="the destination"
        ),
    ],
    report: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="write a page: patches, control charts, pictures"),
    ] = None,
    photograph: Annotated[
        Path | None,
        typer.Option(
            metavar="IMAGE",
            help="compare two strips in one photograph, the first accepted print left or above",
        ),
    ] = None,
    new_batch: Annotated[
        bool,
        typer.Option("--new-batch", help="say that the next strip is on a new batch of paper"),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="answer in JSON")] = False,
) -> None:
    """Say how far the latest measured strip is from the profile, and whether the medium drifts."""
    from hotfolder.measured.book import Book
    from hotfolder.measured.control_strip import recall_strips
    from hotfolder.measured.limits import load_limits
    from hotfolder.work.trial import destinations

    place = Root(root)
    (destination,) = destinations(place, [wanted])
    book, limits = Book(place, destination.name), load_limits(place)
    if new_batch:
        book.expect_new_batch(place)
        print_line(f"The next strip of {destination.name} begins a new chart.")
        return
    if photograph is not None:
        _print_photograph(place, destination, photograph, as_json=as_json)
        return
    try:
        verdicts, refused, strips = book.read(), book.list_refused(), recall_strips(place)
        photographs = book.read_photographs()
    except OSError as error:
        raise StorageError(f"{error.filename}: {error.strerror or error}") from error
    last = verdicts[-1] if verdicts else None
    strip = next((each for each in strips if last and each.id == last.strip), None)
    is_current = last is not None and last.profile_sha256 == destination.profile.sha256
    concerned = _list_concerned(place, verdicts)
    if report is not None:
        _write_report(place, destination, verdicts, strip, limits, photographs, report)
    elif as_json:
        said = _summarise(last, strip, limits) if last else {"verdict": None}
        files = [{"file": name, "reason": why} for name, why in refused]
        more = {"profile_is_current": is_current, "concerned": concerned, "refused": files}
        more |= _describe_light(place, destination, verdicts, strip)
        more |= {"photographed": [each.model_dump(mode="json") for each in photographs[-1:]]}
        print_json({**said, **more})
    else:
        _print(place, last, limits, book, is_current=is_current)
        if concerned:
            print_line(f"Delivered since the first print concerned: {len(concerned)}.")
        for each in concerned[:_SHOWN]:
            print_line(f"  {each['name']}, {local_time(str(each['finished']))}")
        if len(concerned) > _SHOWN:
            shown_by = place.command("audit", "--medium-off")
            print_line(f"  and {len(concerned) - _SHOWN} more: {shown_by}")
        for shot in photographs[-1:]:
            print_line(f"By photograph, {shot.file}, judged {local_time(shot.judged)}:")
            for line in shot.words:
                print_line(f"  {line}")
        for name, why in refused:
            print_line(f"refused: {name}: {why}")
    if last is None and not photographs:
        raise typer.Exit(NOTHING_MEASURED)


def _write_report(
    root: Root,
    destination: Destination,
    verdicts: list[Verdict],
    strip: ControlStrip | None,
    limits: dict[str, LimitSet],
    photographs: list[Photographed],
    report: Path,
) -> None:
    from hotfolder.audit.books import open_books
    from hotfolder.cli.looking import write_whole
    from hotfolder.measured.control_strip import strip_command
    from hotfolder.overview.measured_page import collect_page, light_up, make_page

    current = bool(verdicts) and verdicts[-1].profile_sha256 == destination.profile.sha256
    with open_books(root) as db:
        title = destination.file.title or destination.name
        lit = light_up(root, destination, verdicts, strip)
        make_strip = strip_command(root, destination.name)
        found = collect_page(
            title, verdicts, strip, limits, db,
            make_strip=make_strip, is_current=current, lit=lit, photographs=photographs,
        )  # fmt: skip
    write_whole(report, make_page(found).encode())
    print_line(f"Wrote {report.absolute()}")


def _print_photograph(root: Root, destination: Destination, image: Path, *, as_json: bool) -> None:
    """Compare two strips in a photograph; nothing is kept of it."""
    from hotfolder.disk import durable
    from hotfolder.errors import Problem, SettingsError
    from hotfolder.measured.book import Book
    from hotfolder.measured.photograph import choose_strip, judge_photograph
    from hotfolder.measured.table import NotUsable
    from hotfolder.work.photograph import read_photograph

    try:
        strip = choose_strip(root, destination.name, destination.profile.sha256)
        found = read_photograph(root, image, destination, len(strip.patches))
        said = judge_photograph(
            found,
            name=image.name,
            kept="",
            sha256=durable.sha256_of(image).sha256,
            strip=strip,
            earlier=Book(root, destination.name).read(),
        )
    except NotUsable as error:
        raise SettingsError([Problem(str(image), "", str(error), "such a photograph")]) from error
    except OSError as error:
        raise StorageError(f"{error.filename}: {error.strerror or error}") from error
    if as_json:
        print_json(said.model_dump(mode="json"))
        return
    against = said.against or "its profile's colours: no instrument has measured it"
    print_line(f"Strip {said.strip}; the first accepted print by {against}.")
    for line in said.words:
        print_line(line)
    for key, each in said.drift.items():
        print_line(f"  {NUMBERS_IN_WORDS[key]}: {each.value:+.2f} ± {each.uncertainty:.2f}")
    print_line(
        f"Nothing is kept of it; a photograph dropped into {root.measured / destination.name}"
    )
    print_line("is kept, and stands on the page beside what instruments said.")


def _describe_light(
    root: Root,
    destination: Destination,
    verdicts: list[Verdict],
    strip: ControlStrip | None,
) -> dict[str, object]:
    """In which light prints are judged, and what lamps make of the latest, for the JSON."""
    from hotfolder.overview.measured_page import light_up

    lit = light_up(root, destination, verdicts, strip)
    viewing = lit.viewing.model_dump(mode="json", exclude_none=True) if lit.viewing else None
    return {"viewing": viewing, "under_lamps": [asdict(each) for each in lit.lamps]}


def _list_concerned(root: Root, verdicts: list[Verdict]) -> list[dict[str, object]]:
    """Pictures delivered since the first print concerned, while the medium is off; newest first."""
    from hotfolder.measured.off_spans import find_off_spans

    spans = [each for each in find_off_spans(verdicts) if each.until is None]
    if not spans:
        return []
    from hotfolder.audit.books import open_books
    from hotfolder.audit.question import Question, ask
    from hotfolder.model.ends import End

    with open_books(root) as db:
        found = ask(db, Question(states=(End.DELIVERED,), off=tuple(spans)))
        return [{key: each[key] for key in ("name", "finished", "job")} for each in found]


def _summarise(
    last: Verdict, strip: ControlStrip | None, limits: dict[str, LimitSet]
) -> dict[str, object]:
    said: dict[str, object] = last.model_dump(mode="json", exclude={"lab"})
    said["alarm"] = last.has_alarm
    said["limits"] = {
        name: {"title": limits[name].title, "source": limits[name].source}
        for name in last.within
        if name in limits
    }
    if strip is not None:
        said["patches"] = [
            {**each.model_dump(mode="json"), "measured": list(lab)}
            for each, lab in zip(strip.patches, last.lab, strict=True)
        ]
    return said


def _print(
    root: Root, last: Verdict | None, limits: dict[str, LimitSet], book: Book, *, is_current: bool
) -> None:
    from hotfolder.measured.control_strip import strip_command

    if last is None:
        name = book.destination
        print_line(f"Nothing was measured for {name} yet. This makes a control strip:")
        print_line(f"  {strip_command(root, name)}")
        print_line(f"Its measurement goes into {book.folder}")
        return
    condition = last.condition or "in a condition that is not said"
    print_line(
        f"{last.destination}: strip {last.strip}, {last.file}, measured {condition}, "
        f"judged {local_time(last.judged)}"
    )
    if not is_current:
        print_line("The destination has another profile now: print and measure a new strip.")
    print_line(
        f"Against the profile: {last.mean_delta_e_00:.1f} ΔE00 on average, 95 % below "
        f"{last.p95_delta_e_00:.1f}, worst {last.max_delta_e_00:.1f} ({last.worst_patch}); paper "
        f"{last.paper_delta_e_00:.1f}; greys ΔCh {last.grey_delta_c_mean:.1f}."
    )
    if last.from_first:
        print_line(
            f"Against the first accepted print: {last.from_first.mean_delta_e_00:.1f} ΔE00 on "
            f"average, worst {last.from_first.max_delta_e_00:.1f}; paper "
            f"{last.from_first.paper_delta_e_00:.1f}."
        )
    for name, within in last.within.items():
        title = limits[name].title if name in limits else name
        print_line(f"{'Within' if within else 'Not within'} the limits of set {name} ({title}).")
    for key, each in last.drift.items():
        if each.alarm:
            name = NUMBERS_IN_WORDS.get(key, key)
            print_line(
                f"Drift: {name} {each.value:+.1f} since the first print; the first print "
                f"concerned is that of {each.since}."
            )
    for line in last.words:
        print_line(line)
