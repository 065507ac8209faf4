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
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.table import Column, Table
from rich.text import Text

from hotfolder.cli import looking
from hotfolder.cli.audit import audit
from hotfolder.disk.names import display_lines, display_name
from hotfolder.errors import HotfolderError, Problem, SettingsError, StorageError
from hotfolder.settings.root import Root

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Drop a finished picture into a destination's folder; collect it ready to print.",
    rich_markup_mode=None,
)
RootArgument = Annotated[Path, typer.Argument(metavar="ROOT", help="the root; by default here")]
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
        _errors().print(
            display_lines(_error_text(error)),
            style="bold",
            markup=False,
            highlight=False,
            soft_wrap=True,
        )
        sys.exit(error.exit_code)


@app.command()
def init(root: RootArgument = Path()) -> None:
    """Make a root that works, or add to one what it lacks. Nothing that exists is changed."""
    from hotfolder.overview.new_root import make_root

    made = make_root(root)
    out = _out()
    for path in made:
        out.print(f"made {path}", markup=False, highlight=False, soft_wrap=True)
    where = root.absolute()
    out.print(
        f"{'The root is' if made else 'Nothing was missing:'} {where}\n"
        "Next: put your printer's profile into profiles/, adapt a file in destinations/,\n"
        f"then: hotfolder check {root}   and   hotfolder watch {root}",
        markup=False,
        highlight=False,
        soft_wrap=True,
    )


@app.command()
def check(root: RootArgument = Path(), *, as_json: JsonOption = False) -> None:
    """Say whether settings, profiles and folders are right; all that is not, at once."""
    from hotfolder.overview.check import check as check_root

    found = check_root(Root(root))
    refused = (
        [each for of in found.settings.refused.values() for each in of] if (found.settings) else []
    )
    problems = list(dict.fromkeys([*found.problems, *refused, *found.unreachable]))
    if as_json:
        _print_json(
            {
                "problems": [vars(problem) for problem in problems],
                "remarks": list(found.remarks),
                "destinations": sorted(found.settings.destinations) if found.settings else [],
            }
        )
    else:
        out = _out()
        for remark in found.remarks:
            out.print(
                f"remark: {display_name(remark)}", markup=False, highlight=False, soft_wrap=True
            )
        if found.settings and not problems:
            for name, each in found.settings.destinations.items():
                out.print(
                    f"{name}: {each.file.title or name}; {each.profile.description}; "
                    f"{', '.join(each.file.stages)}",
                    markup=False,
                    highlight=False,
                    soft_wrap=True,
                )
            out.print("All is right.", markup=False)
    if problems:
        raise SettingsError(problems)


@app.command()
def watch(
    root: RootArgument = Path(),
    *,
    quiet: Annotated[bool, typer.Option("--quiet", help="log to the file only")] = False,
) -> None:
    """Serve the root until Ctrl-C or SIGTERM."""
    daemon = _daemon(Root(root), terminal=not quiet)
    _stop_on_signals(daemon)
    daemon.run()


@app.command()
def sweep(
    root: RootArgument = Path(),
    *,
    as_json: JsonOption = False,
    now: Annotated[
        bool, typer.Option("--now", help="also what rests until its destination's hours")
    ] = False,
) -> None:
    """Do all that is waiting, then exit: 0 all delivered, 3 something was held or refused."""
    ended = _sweep(Root(root), show=not as_json, keep_hours=not now)
    counts = {
        state: sum(record["state"] == state for record in ended)
        for state in ("delivered", "held", "refused")
    }
    if as_json:
        _print_json({"counts": counts, "records": ended})
    else:
        _out().print(
            ", ".join(f"{number} {state}" for state, number in counts.items()) + ".",
            highlight=False,
        )
    if counts["held"] or counts["refused"]:
        raise typer.Exit(HELD_OR_REFUSED)


@app.command()
def status(root: RootArgument = Path(), *, as_json: JsonOption = False) -> None:
    """Show what waits, why, since when, and who must act."""
    from hotfolder.overview.status import collect

    said = collect(Root(root))
    if as_json:
        _print_json(said)
    else:
        _print_status(said)


@app.command()
def release(
    names: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[JOB]… [ROOT]", help="jobs as status and held/ name them; the root"
        ),
    ] = None,
    *,
    batch: Annotated[
        str | None, typer.Option(metavar="NAME/BATCH", help="all that is held of a batch")
    ] = None,
    intent: Annotated[str | None, typer.Option(help="another rendering intent")] = None,
    long_edge: Annotated[str | None, typer.Option(help='another size, as in "40 in"')] = None,
    change: Annotated[
        list[str] | None, typer.Option("--set", metavar="STAGE.KEY=VALUE", help="another setting")
    ] = None,
    why: Annotated[str, typer.Option(help="goes into the record")] = "",
    who: Annotated[str | None, typer.Option(help="by default, who you are logged in as")] = None,
) -> None:
    """Let held jobs go, as they stand or with a change for these jobs only."""
    from hotfolder.batch.summary import held_jobs
    from hotfolder.ending.release import release_job, told_apart

    jobs, root = told_apart(names or [])
    if batch is not None:
        jobs = [*jobs, *held_jobs(root, batch)]
    elif not jobs:
        allowed = "at least one held job, or --batch NAME/BATCH"
        raise SettingsError([Problem("release", "", "names no job", allowed)])
    asked = list(change or [])
    if intent is not None:
        asked.append(f"profile-conversion.intent={json.dumps(intent)}")
    if long_edge is not None:
        asked.append(f"sizing.long_edge={json.dumps(long_edge)}")
    failed: list[StorageError] = []
    for job in jobs:
        try:
            changes = release_job(root, job, asked, who=who, why=why)
        except StorageError as error:  # one that is being released already does not stop the others
            failed.append(error)
            continue
        said = f"with {json.dumps(changes, ensure_ascii=False)}" if changes else "as it stands"
        _out().print(f"{job} is released {said}.", markup=False, highlight=False, soft_wrap=True)
    _out().print(
        "The daemon takes it up at once; without one, `hotfolder sweep` does."
        if jobs
        else f"Nothing of {batch} is held.",
        markup=False,
        highlight=False,
        soft_wrap=True,
    )
    if failed:
        raise StorageError("\n".join(map(str, failed)))


app.command()(looking.proof)
app.command()(looking.strip)


@app.command()
def schema() -> None:
    """Print the JSON Schema of a record."""
    from hotfolder.model.records import record_schema

    _print_json(record_schema())


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(metavar="DIR")] = Path("hotfolder-demo"),
) -> None:
    """Make a root with invented pictures, run them, and say what happened and where to look."""
    from hotfolder_demo.run import run_demo

    run_demo(folder, _out(), lambda root: _sweep(root, show=True))


def _daemon(root: Root, *, terminal: bool, observer: Any = None, keep_hours: bool = True) -> Any:
    from hotfolder.daemon.loop import Daemon
    from hotfolder.logs import set_up_logs
    from hotfolder.overview.check import check as check_root

    found = check_root(root)
    if found.settings is None or found.registry is None or found.problems:
        raise SettingsError(list(found.problems))
    set_up_logs(root.log, terminal=terminal)
    return Daemon(root, found.settings, found.registry, observer, keep_hours=keep_hours)


def _sweep(root: Root, *, show: bool, keep_hours: bool = True) -> list[dict[str, Any]]:
    """Run a daemon until nothing waits; return the records of what it ended, oldest first."""
    from rich.progress import (
        BarColumn,
        Progress,
        TaskProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )

    ended: list[dict[str, Any]] = []
    out = _out()

    def note(row: Any) -> None:
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
    daemon = _daemon(root, terminal=False, observer=note, keep_hours=keep_hours)
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
        bars: dict[str, Any] = {}
        while thread.is_alive():
            thread.join(0.2)
            _show_progress(progress, bars, daemon)
    if failure:
        raise failure[0]
    if daemon.was_stopped():
        words = "Stopped before all was done; what is left waits, and goes on with the next start."
        _errors().print(words, style="bold", highlight=False, soft_wrap=True)
        raise typer.Exit(INTERRUPTED)
    if refused := daemon.refused():
        raise SettingsError(refused)
    if daemon.troubles():
        raise StorageError("\n".join(daemon.troubles()))
    return ended


def _show_progress(progress: Any, bars: dict[str, Any], daemon: Any) -> None:
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


def _print_ended(console: Console, record: dict[str, Any]) -> None:
    line = f"{record['state']:<9} {record['destination']}: {display_name(record['source'])}"
    if record["state"] == "delivered":
        result = record["results"][0]
        line += f" → {result['width_px']} × {result['height_px']} px {result['colour_space']}"
    console.print(
        line, style=_STATE_STYLE[record["state"]], markup=False, highlight=False, soft_wrap=True
    )
    for reason in record["reasons"]:
        console.print(
            f"          {display_name(reason['message'])}",
            markup=False,
            highlight=False,
            soft_wrap=True,
        )


def _print_status(said: dict[str, Any]) -> None:
    from hotfolder.batch.summary import in_words as batch_in_words

    out = _out()
    root = display_name(said["root"])
    served_by = f"process {said['served_by']} since {said['served_since']}"
    out.print(
        f"{root}: served by {served_by if said['served_by'] else 'another process'}"
        if said["served"]
        else f"{root}: nobody serves it now; start `hotfolder watch`",
        markup=False,
        highlight=False,
        soft_wrap=True,
    )
    heads = ("arriving", "delivered", "held", "dropped", "refused", "left alone")
    table = Table(Column("destination", no_wrap=True), *heads)
    for name, each in said["destinations"].items():
        keys = ("arriving", "delivered", "held", "dropped", "refused", "left_alone")
        table.add_row(Text(name), *(str(each[key]) for key in keys))
    out.print(table)
    for name, each in said["destinations"].items():
        for line in _folder_lines(each):
            out.print(
                f"{name}: {display_name(line)}", markup=False, highlight=False, soft_wrap=True
            )
    for each in said["batches"]:
        rests_until = said["destinations"].get(each["destination"], {}).get("rests_until", "")
        line = f"{each['destination']}: {batch_in_words(each, rests_until)}"
        out.print(display_name(line), markup=False, highlight=False, soft_wrap=True)
    if not said["waiting"]:
        out.print("Nothing waits.")
        return
    for each in said["waiting"]:
        share = f" ({each['share']:.0%})" if each["share"] is not None else ""
        out.print(
            f"{each['what']}: {each['destination']}: {display_name(each['file'])}{share}\n"
            f"    {display_name(each['why'])}\n    since {each['since']}; {each['who']} must act",
            markup=False,
            highlight=False,
            soft_wrap=True,
        )


def _folder_lines(each: dict[str, Any]) -> list[str]:
    """What a person should know of a hot folder, beside the numbers."""
    lines = list(each["remarks"])
    if each["unreachable"]:
        since = f" since {each['unreachable_since']}" if each["unreachable_since"] else ""
        lines.append(f"cannot be reached{since}: {each['unreachable']}")
    elif each["watch"]:
        lines.append(
            f"watched by {each['watch']}: {each['watch_reason']}; last scan {each['last_scan']}"
        )
    if each["settings_problem"]:
        problem = each["settings_problem"]
        lines.append(f"its settings cannot be used (a daemon goes on with the old ones): {problem}")
    return lines


def _stop_on_signals(daemon: Any) -> None:
    def stop(_number: int, _frame: Any) -> None:
        daemon.stop()

    signal.signal(signal.SIGINT, stop)
    signal.signal(signal.SIGTERM, stop)


def _error_text(error: HotfolderError) -> str:
    if isinstance(error, SettingsError):
        number = len(error.problems)
        head = "1 thing is not right:" if number == 1 else f"{number} things are not right:"
        return "\n".join([head, *(f"  {problem}" for problem in error.problems)])
    return str(error)


def _print_json(value: Any) -> None:
    sys.stdout.write(json.dumps(value, ensure_ascii=True, allow_nan=False, indent=1) + "\n")


def _out() -> Console:
    return Console()


def _errors() -> Console:
    return Console(stderr=True)
