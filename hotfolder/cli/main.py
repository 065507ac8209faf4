"""The command line. Every command that answers something takes ``--json``.

Exit codes: 0 all well; 3 something was held or refused; 4 settings, 5 a plugin, 6 our own
storage, 7 the root is served by another process; 2 the command was not understood; 130 a sweep was
stopped, by Ctrl-C, before all was done. `audit` has two of its own: 1 no record of that file,
8 something is not as recorded.
"""

from __future__ import annotations

import json
import signal
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console
from rich.table import Column, Table
from rich.text import Text

from hotfolder.cli import looking, upkeep
from hotfolder.cli.audit import audit
from hotfolder.cli.terminal import print_json, print_line, print_plain
from hotfolder.disk.names import display_lines, display_name
from hotfolder.errors import HotfolderError, Problem, SettingsError, StorageError
from hotfolder.model.records import Record, to_json
from hotfolder.model.wishes import IntentWish, LongEdgeWish, Wish
from hotfolder.pages.words import local_time
from hotfolder.settings.root import Root

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

    from hotfolder.daemon.loop import Daemon
    from hotfolder.ledger.reading import JobRow
    from hotfolder.overview.status import DestinationStatus, Status

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Drop a finished picture into a destination's folder; collect it ready to print.",
    rich_markup_mode=None,
)
RootArgument = Annotated[
    Path, typer.Argument(metavar="ROOT", help="the root; by default the current folder")
]
JsonOption = Annotated[bool, typer.Option("--json", help="answer in JSON")]

app.command()(audit)

HELD_OR_REFUSED = 3
INTERRUPTED = 130
_STATE_STYLE = {"delivered": "bold", "held": "bold italic", "refused": "reverse"}


def main() -> None:
    """Run the command line; turn our own errors into a message and an exit code."""
    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        app()
    except HotfolderError as error:
        print_plain(display_lines(_describe_error(error)), Console(stderr=True), "bold")
        sys.exit(error.exit_code)


@app.command()
def init(root: RootArgument = Path()) -> None:
    """Make a working root, or add what an existing one lacks. Nothing that exists is changed."""
    from hotfolder.overview.new_root import make_root

    made = make_root(root)
    for path in made:
        print_plain(f"made {path}")
    where = root.absolute()
    print_plain(
        f"{'The root is' if made else 'Nothing was missing:'} {where}\n"
        "Next: put your printer's profile into profiles/, adapt a file in destinations/,\n"
        f"then: hotfolder check {root}   and   hotfolder watch {root}"
    )


@app.command()
def check(root: RootArgument = Path(), *, as_json: JsonOption = False) -> None:
    """Check settings, profiles and folders; report every problem at once."""
    from hotfolder.overview.check import check as check_root

    found = check_root(Root(root))
    refused = (
        [each for of in found.settings.refused.values() for each in of] if (found.settings) else []
    )
    problems = list(dict.fromkeys([*found.problems, *refused, *found.unreachable]))
    if as_json:
        print_json(
            {
                "problems": [vars(problem) for problem in problems],
                "remarks": list(found.remarks),
                "destinations": sorted(found.settings.destinations) if found.settings else [],
            }
        )
    else:
        for remark in found.remarks:
            print_line(f"remark: {remark}")
        if found.settings and not problems:
            for name, each in found.settings.destinations.items():
                print_plain(
                    f"{name}: {each.file.title or name}; {each.profile.description}; "
                    f"{', '.join(each.file.stages)}"
                )
            print_plain("No problems found.")
    if problems:
        raise SettingsError(problems)


@app.command()
def watch(
    root: RootArgument = Path(),
    *,
    quiet: Annotated[bool, typer.Option("--quiet", help="log to the file only")] = False,
) -> None:
    """Serve the root until Ctrl-C or SIGTERM."""
    daemon = _make_daemon(Root(root), terminal=not quiet)
    _stop_on_signals(daemon)
    daemon.run()


@app.command()
def sweep(
    root: RootArgument = Path(),
    *,
    as_json: JsonOption = False,
    now: Annotated[bool, typer.Option("--now", help="ignore working hours")] = False,
) -> None:
    """Process all that is waiting, then exit: 0 all delivered, 3 something was held or refused."""
    ended = _sweep(Root(root), show=not as_json, keep_hours=not now)
    counts = {
        state: sum(record.state == state for record in ended)
        for state in ("delivered", "held", "refused")
    }
    if as_json:
        print_json({"counts": counts, "records": [to_json(record) for record in ended]})
    else:
        print_plain(", ".join(f"{number} {state}" for state, number in counts.items()) + ".")
    if counts["held"] or counts["refused"]:
        raise typer.Exit(HELD_OR_REFUSED)


@app.command()
def status(root: RootArgument = Path(), *, as_json: JsonOption = False) -> None:
    """Show what waits, why, since when, and who must act."""
    from hotfolder.overview.status import collect

    said = collect(Root(root))
    if as_json:
        print_json(said)
    else:
        _print_status(said)


@app.command()
def release(
    names: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[JOB]… [ROOT]", help="jobs, by the names that status and held/ show; the root"
        ),
    ] = None,
    *,
    batch: Annotated[
        str | None, typer.Option(metavar="NAME/BATCH", help="every held job of a batch")
    ] = None,
    intent: Annotated[str | None, typer.Option(help="another rendering intent")] = None,
    long_edge: Annotated[str | None, typer.Option(help='another size, as in "40 in"')] = None,
    change: Annotated[
        list[str] | None, typer.Option("--set", metavar="STAGE.KEY=VALUE", help="another setting")
    ] = None,
    why: Annotated[str, typer.Option(help="the reason, for the record")] = "",
    who: Annotated[str | None, typer.Option(help="by default, your login name")] = None,
) -> None:
    """Release held jobs, as they are or with a change for these jobs only."""
    from hotfolder.batch.summary import find_held_jobs
    from hotfolder.ending.release import release_job, split_words

    jobs, root = split_words(names or [])
    if batch is not None:
        jobs = [*jobs, *find_held_jobs(root, batch)]
    elif not jobs:
        allowed = "at least one held job, or --batch NAME/BATCH"
        raise SettingsError([Problem("release", "", "names no job", allowed)])
    wishes: list[Wish] = [] if intent is None else [IntentWish(intent)]
    if long_edge is not None:
        wishes.append(LongEdgeWish(long_edge))
    failed: list[StorageError] = []
    for job in jobs:
        try:
            changes = release_job(root, job, change or [], wishes, who=who, why=why)
        except StorageError as error:  # one that is already being released does not stop the others
            failed.append(error)
            continue
        said = f"with {json.dumps(changes, ensure_ascii=False)}" if changes else "as it stands"
        print_plain(f"{job} is released {said}.")
    print_plain(
        "A running daemon picks it up at once; otherwise run `hotfolder sweep`."
        if jobs
        else f"Nothing of {batch} is held."
    )
    if failed:
        raise StorageError("\n".join(map(str, failed)))


app.command()(looking.proof)
app.command()(looking.strip)
app.command()(upkeep.backup)
app.command()(upkeep.restore)
app.command()(upkeep.tidy)


@app.command()
def schema() -> None:
    """Print the JSON Schema of a record."""
    from hotfolder.model.records import make_record_schema

    print_json(make_record_schema())


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(metavar="DIR")] = Path("hotfolder-demo"),
) -> None:
    """Make a root with invented pictures, process them, and say what happened and where to look."""
    from hotfolder_demo.run import run_demo

    run_demo(folder, Console(), lambda root: _sweep(root, show=True))


def _make_daemon(
    root: Root,
    *,
    terminal: bool,
    observer: Callable[[JobRow], None] | None = None,
    keep_hours: bool = True,
) -> Daemon:
    from hotfolder.daemon.loop import Daemon
    from hotfolder.logs import set_up_logs
    from hotfolder.overview.check import check as check_root

    found = check_root(root)
    if found.settings is None or found.registry is None or found.problems:
        raise SettingsError(list(found.problems))
    set_up_logs(root.log, terminal=terminal)
    return Daemon(root, found.settings, found.registry, observer, keep_hours=keep_hours)


def _sweep(root: Root, *, show: bool, keep_hours: bool = True) -> list[Record]:
    """Run a daemon until nothing waits; return the records of what it ended, oldest first."""
    from rich.progress import (
        BarColumn,
        Progress,
        TaskProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )

    ended: list[Record] = []
    out = Console()

    def note(row: JobRow) -> None:
        if row.record is None:
            return
        ended.append(row.record)
        if show:
            _print_ended(progress.console, row.record)

    progress = Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(24),
        TaskProgressColumn(),
        TimeRemainingColumn(),
        TextColumn("left"),
        console=out,
        transient=True,
        disable=not (show and out.is_terminal),
    )
    daemon = _make_daemon(root, terminal=False, observer=note, keep_hours=keep_hours)
    _stop_on_signals(daemon)
    failure: list[BaseException] = []

    def serve() -> None:
        try:
            daemon.run(until_idle=True)
        except BaseException as error:  # noqa: BLE001 - raised again in the main thread
            failure.append(error)

    # the daemon works in a thread, so that signals and the progress bars stay with this one
    thread = threading.Thread(target=serve, name="daemon")
    with progress:
        thread.start()
        bars: dict[str, TaskID] = {}
        while thread.is_alive():
            thread.join(0.2)
            _show_progress(progress, bars, daemon)
    if failure:
        raise failure[0]
    if daemon.was_stopped():
        words = "Stopped before everything was done; the rest waits for the next start."
        print_plain(words, Console(stderr=True), "bold")
        raise typer.Exit(INTERRUPTED)
    if refused := daemon.refused():
        raise SettingsError(refused)
    if daemon.troubles():
        raise StorageError("\n".join(daemon.troubles()))
    return ended


def _show_progress(progress: Progress, bars: dict[str, TaskID], daemon: Daemon) -> None:
    now = {row.id: (row, doing, share) for row, doing, share in daemon.progress()}
    for job in [job for job in bars if job not in now]:
        progress.remove_task(bars.pop(job))
    for job, (row, doing, share) in now.items():
        if job not in bars:
            bars[job] = progress.add_task(job, total=1.0)
        name = display_name(row.source)
        progress.update(
            bars[job], completed=share, description=f"{row.destination}: {name}: {doing}"
        )


def _print_ended(console: Console, record: Record) -> None:
    line = f"{record.state:<9} {record.destination}: {record.source}"
    if record.state == "delivered":
        result = record.results[0]
        line += f" → {result.width_px} × {result.height_px} px {result.colour_space}"
    print_line(line, console, _STATE_STYLE[record.state])
    for reason in record.reasons:
        print_line(f"          {reason.message}", console)


def _print_status(said: Status) -> None:
    from hotfolder.batch.summary import describe_batch

    root = said["root"]
    served_by = f"process {said['served_by']} since {local_time(said['served_since'])}"
    print_line(
        f"{root}: served by {served_by if said['served_by'] else 'another process'}"
        if said["served"]
        else f"{root}: it is not being served; start `hotfolder watch`"
    )
    heads = ("arriving", "delivered", "held", "discarded", "refused", "left alone")
    table = Table(Column("destination", no_wrap=True), *heads)
    for name, each in said["destinations"].items():
        numbers = (
            each["arriving"], each["delivered"], each["held"], each["discarded"],
            each["refused"], each["left_alone"],
        )  # fmt: skip
        table.add_row(Text(name), *map(str, numbers))
    Console().print(table)
    for name, each in said["destinations"].items():
        for line in _describe_destination(each):
            print_line(f"{name}: {line}")
    for batch in said["batches"]:
        destination = said["destinations"].get(batch["destination"])
        rests_until = destination["rests_until"] if destination else ""
        print_line(f"{batch['destination']}: {describe_batch(batch, rests_until)}")
    if not said["waiting"]:
        print_line("Nothing is waiting.")
        return
    for waiting in said["waiting"]:
        share = f" ({waiting['share']:.0%})" if waiting["share"] is not None else ""
        print_plain(
            f"{waiting['what']}: {waiting['destination']}: {display_name(waiting['file'])}{share}\n"
            f"    {display_name(waiting['why'])}\n"
            f"    since {local_time(waiting['since'])}; {waiting['who']} must act"
        )


def _describe_destination(each: DestinationStatus) -> list[str]:
    """What a person should know of a hot folder, beside the numbers."""
    lines = list(each["remarks"])
    if each["unreachable"]:
        since = (
            f" since {local_time(each['unreachable_since'])}" if each["unreachable_since"] else ""
        )
        lines.append(f"cannot be reached{since}: {each['unreachable']}")
    elif each["watch"]:
        lines.append(
            f"watched by {each['watch']}: {each['watch_reason']}; "
            f"last scan {local_time(each['last_scan'], seconds=True)}"
        )
    if each["settings_problem"]:
        problem = each["settings_problem"]
        lines.append(
            f"its settings cannot be used (a running daemon keeps the old ones): {problem}"
        )
    return lines


def _stop_on_signals(daemon: Daemon) -> None:
    def stop(_number: int, _frame: FrameType | None) -> None:
        daemon.stop()

    signal.signal(signal.SIGINT, stop)
    signal.signal(signal.SIGTERM, stop)


def _describe_error(error: HotfolderError) -> str:
    if isinstance(error, SettingsError):
        number = len(error.problems)
        head = "1 problem:" if number == 1 else f"{number} problems:"
        return "\n".join([head, *(f"  {problem}" for problem in error.problems)])
    return str(error)
