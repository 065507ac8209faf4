"""The command line. Every command that answers something takes ``--json``."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hotfolder.cli import looking, own_stages, upkeep
from hotfolder.cli.audit import audit
from hotfolder.cli.completing import completion, know_shells
from hotfolder.cli.desk import desk
from hotfolder.cli.discard import discard
from hotfolder.cli.light import light, neutral
from hotfolder.cli.listing import WholeSentences
from hotfolder.cli.machines import engine_certificates, scheduler, worker
from hotfolder.cli.measured import measured
from hotfolder.cli.need import need
from hotfolder.cli.nest import nest
from hotfolder.cli.profile import profile
from hotfolder.cli.release import release
from hotfolder.cli.service import service
from hotfolder.cli.status import status
from hotfolder.cli.terminal import (
    make_plain_console,
    print_error,
    print_exactly,
    print_json,
    print_line,
    print_plain,
)
from hotfolder.disk import apart
from hotfolder.disk.names import display_lines, display_name
from hotfolder.disk.stopping import stop_on
from hotfolder.errors import HotfolderError, Problem, SettingsError, StorageError
from hotfolder.settings.root import Root

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress, TaskID

    from hotfolder.daemon.loop import Daemon
    from hotfolder.ledger.reading import JobRow
    from hotfolder.logs import Terminal
    from hotfolder.model.records import Record
    from hotfolder.notify.trying import Tried

_EXIT_CODES = (
    "Exit codes: 0 all well; 2 the command was not understood; 3 something was held, refused or "
    "not understood; 4 settings, 5 a plugin, 6 our own storage, 7 another process serves the root, "
    "9 a message could not be sent; 130 a sweep was stopped, by Ctrl-C, before all was done. Those "
    "of audit and of status --alive are in their own help."
)
app = typer.Typer(
    cls=WholeSentences,
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Drop a finished picture into a destination's folder; collect it ready to print.",
    epilog=_EXIT_CODES,
    rich_markup_mode=None,
)
RootArgument = Annotated[
    Path, typer.Argument(metavar="ROOT", help="the root; by default the current folder")
]
JsonOption = Annotated[bool, typer.Option("--json", help="answer in JSON")]

app.command()(audit)
app.command()(status)

HELD_OR_REFUSED = 3
NOT_SENT = 9
INTERRUPTED = 130
_STATE_STYLE = {"delivered": "bold", "held": "bold italic", "refused": "reverse"}


def main() -> None:
    """Run the command line; turn our own errors into a message and an exit code."""
    signal.signal(signal.SIGINT, signal.default_int_handler)
    know_shells()
    try:
        app()
    except HotfolderError as error:
        print_error(display_lines(_describe_error(error)))
        apart.end(error.exit_code)
    except SystemExit as end:
        apart.end(end.code if isinstance(end.code, int) else 1 if end.code else 0)


def _say_version(asked: bool) -> None:  # noqa: FBT001 - typer calls it
    if asked:
        from importlib.metadata import version

        print_exactly(f"hotfolder {version('hotfolder')}\n")
        raise typer.Exit


@app.callback()
def _begin(
    *,
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_say_version, is_eager=True, help="Show the version and exit."
        ),
    ] = False,
) -> None:
    """Take what stands before a command."""


@app.command()
def init(root: RootArgument = Path()) -> None:
    """Make a working root, or add what an existing one lacks. Nothing that exists is changed."""
    from hotfolder.overview.new_root import make_root
    from hotfolder.settings.files import SETTINGS_FILE

    home = Root(root)
    made = make_root(home.path)
    for path in made:
        print_plain(f"made {path}")
    print_plain(f"{'The root is' if made else 'Nothing was missing:'} {home.path}")
    commands = f"{home.command('check')}   and   {home.command('watch')}"
    if home.path / SETTINGS_FILE in made:
        print_plain(
            "Next: put your printer's profile into profiles/, adapt a file in destinations/,\n"
            f"then: {commands}"
        )
    else:
        print_plain(f"Next: {commands}")


@app.command()
def check(
    root: RootArgument = Path(),
    *,
    notify: Annotated[
        bool, typer.Option("--notify", help="send a test message by each way of [notify] too")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Check settings, profiles and folders; report every problem at once."""
    from hotfolder.overview.check import check as check_root

    found = check_root(Root(root), with_profiles=True)
    refused = (
        [each for of in found.settings.refused.values() for each in of] if (found.settings) else []
    )
    problems = list(dict.fromkeys([*found.problems, *refused, *found.unreachable]))
    tried = _try_ways(Root(root)) if notify else []
    if as_json:
        print_json(
            {
                "problems": [vars(problem) for problem in problems],
                "remarks": list(found.remarks),
                "profiles": list(found.profiles),
                "destinations": sorted(found.settings.destinations) if found.settings else [],
                "notify": [vars(each) for each in tried],
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
            for line in found.profiles:
                print_line(line)
            print_plain("No problems found.")
        for one in tried:
            print_line(one.says)
    if problems:
        raise SettingsError(problems)
    if not all(each.was_sent for each in tried):
        raise typer.Exit(NOT_SENT)


def _try_ways(root: Root) -> list[Tried]:
    """Send a test message by each way that is set.

    Raises
    ------
    SettingsError
        When none is.
    """
    from hotfolder.notify.trying import try_way
    from hotfolder.settings.files import SETTINGS_FILE, read_notify

    table, problems = read_notify(root.path)
    if table is None:
        raise SettingsError(problems)
    if not table.ways:
        where = str(root.path / SETTINGS_FILE)
        allowed = "[notify.mail] or [notify.webhook]; config/SETTINGS.md describes them"
        raise SettingsError([Problem(where, "notify", "no way is set", allowed)])
    return [try_way(root, name, each) for name, each in table.ways.items()]


@app.command()
def watch(
    root: RootArgument = Path(),
    *,
    quiet: Annotated[bool, typer.Option("--quiet", help="log to the file only")] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="a line of JSON for each event, also on a terminal")
    ] = False,
    with_desk: Annotated[
        bool, typer.Option("--desk", help="also open the desk, in a process beside this one")
    ] = False,
) -> None:
    """Serve the root until Ctrl-C or SIGTERM; say what arrives, what becomes of it, and why."""
    from hotfolder.cli.watching import desk_beside, note_ended, telling_beside
    from hotfolder.logs import Terminal

    apart.step_behind()
    on_terminal = sys.stderr.isatty() and not as_json
    spoken = Terminal.WORDS if on_terminal else Terminal.JSON
    daemon = _make_daemon(
        Root(root), terminal=Terminal.NONE if quiet else spoken, observer=note_ended
    )
    stop_on((signal.SIGINT, signal.SIGTERM), daemon.stop)
    if on_terminal and not quiet:
        print_plain(f"Serving {Root(root).path}; Ctrl-C ends it.", make_plain_console(stderr=True))
    beside = desk_beside(Root(root).path) if with_desk else contextlib.nullcontext()
    with beside, telling_beside(Root(root).path):
        daemon.run()


@app.command()
def sweep(
    root: RootArgument = Path(),
    *,
    as_json: JsonOption = False,
    now: Annotated[bool, typer.Option("--now", help="ignore working hours")] = False,
) -> None:
    """Process all that is waiting, then exit: 0 all delivered, 3 something needs you."""
    apart.step_behind()
    begun = datetime.now(UTC)
    ended = _sweep(Root(root), show=not as_json, keep_hours=not now)
    not_understood = _find_not_understood(Root(root), begun)
    counts = {
        state: sum(record.state == state for record in ended)
        for state in ("delivered", "held", "refused")
    }
    if as_json:
        from hotfolder.model.records import to_json

        records = [to_json(record) for record in ended]
        print_json({"counts": counts, "records": records, "not_understood": not_understood})
    else:
        print_plain(", ".join(f"{number} {state}" for state, number in counts.items()) + ".")
        if warned := sum(bool(record.warnings) for record in ended):
            print_plain(f"{warned} to be looked at, for the reasons above.")
        for line in not_understood:
            print_line(line)
        if counts["held"]:
            print_plain("`hotfolder status` says what you can do about what is held.")
    if counts["held"] or counts["refused"] or not_understood:
        raise typer.Exit(HELD_OR_REFUSED)


app.command()(desk)
app.command()(discard)
app.command()(release)
app.command()(looking.proof)
app.command()(looking.strip)
app.command()(measured)
app.command()(need)
app.command()(nest)
app.command()(neutral)
app.command()(light)
app.command()(profile)
app.command()(upkeep.backup)
app.command()(upkeep.restore)
app.command()(upkeep.tidy)
app.command()(own_stages.stages)
app.add_typer(service, name="service")
app.command()(worker)
app.command()(scheduler)
app.command("engine-certificates")(engine_certificates)
app.command("new-stage")(own_stages.new_stage)
app.command()(completion)


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

    run_demo(folder, make_plain_console(), lambda root: _sweep(root, show=True))


def _make_daemon(
    root: Root,
    *,
    terminal: Terminal,
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


def _find_not_understood(root: Root, since: datetime) -> list[str]:
    """What came for batches since then and is no ticket, no row or no picture of a row."""
    from hotfolder.batch.summary import say_not_understood, summarise_batches
    from hotfolder.ledger.reading import open_reader

    with open_reader(root.ledger) as ledger:
        batches = summarise_batches(ledger, workers=1)
    return [
        f"{each['destination']}: batch {each['batch']}: {said}"
        for each in batches
        if (said := say_not_understood(each, root))
        and each["planned"]
        and datetime.fromisoformat(each["planned"]) >= since.replace(microsecond=0)
    ]


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
    out = make_plain_console()

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
    from hotfolder.logs import Terminal

    daemon = _make_daemon(root, terminal=Terminal.NONE, observer=note, keep_hours=keep_hours)
    stop_on((signal.SIGINT, signal.SIGTERM), daemon.stop)
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
        print_error(words)
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
    from hotfolder.ending.why import leave_out_advice
    from hotfolder.model.encoding import colours_in_words

    line = f"{record.state:<9} {record.destination}: {record.source}"
    if record.state == "delivered":
        result = record.results[0]
        colours = colours_in_words(result.colour_space)
        line += f" → {result.width_px} × {result.height_px} px {colours}"
        if len(record.results) > 1:
            made = dict.fromkeys(each.variant or each.format for each in record.results)
            line += f", as {' and '.join(made)}"
    print_line(line, console, _STATE_STYLE[record.state])
    although = "Released, although: " if record.state == "delivered" else ""
    for reason in record.reasons:
        said = leave_out_advice(reason.message) if although else reason.message
        print_line(f"          {although}{said}", console)
    for warning in record.warnings:
        print_line(f"          To be looked at: {warning.message}", console)


def _describe_error(error: HotfolderError) -> str:
    if not isinstance(error, SettingsError):
        return str(error)
    number = len(error.problems)
    roots = {_find_root(problem.file) for problem in error.problems}
    root = roots.pop() if len(roots) == 1 else ""
    where = f" in {root}" if root else ""
    head = f"1 problem{where}:" if number == 1 else f"{number} problems{where}:"
    short = [
        replace(each, file=each.file.removeprefix(f"{root}/")) if root else each
        for each in error.problems
    ]
    return "\n".join([head, *(f"  {problem}" for problem in short)])


def _find_root(file: str) -> str:
    """The root that a settings file or folder of it lies in; "" when it lies in none."""
    above = [each for each in Path(file).parents if (each / "destinations").is_dir()]
    return str(above[0]) if above and above[0] != Path() else ""
