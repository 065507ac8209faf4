"""What waits: jobs, held pictures, files that arrive or that nobody takes up, troubles."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import NotRequired, TypedDict

from hotfolder.disk import durable, names, pulse
from hotfolder.disk.marker import away
from hotfolder.ending.why import leave_out_name, list_ways, release_command
from hotfolder.intake.forsaken import find_forsaken, say_forsaken
from hotfolder.ledger.details import Claimed, State, Waits
from hotfolder.ledger.reading import JobRow, LedgerReader, open_reader
from hotfolder.measured.book import Book
from hotfolder.model.earlier_findings import find_facts
from hotfolder.model.ends import End
from hotfolder.model.facts import ColumnValues
from hotfolder.model.records import Record, format_time, read_record
from hotfolder.model.snapshot import FolderStatus, TroubleStatus
from hotfolder.pages.words import clock_time, duration
from hotfolder.settings.root import DestinationFolders, Root
from hotfolder.work.worker import read_progress

_SHOWN = 50
_TELLS_AFTER_S, _TELLS_FROM = 5.0, 0.05


class WaitingThing(TypedDict):
    """Something that waits."""

    destination: str
    file: str
    what: str
    why: str
    since: str
    """UTC."""
    who: str
    """Who must act: "the program" or "you"."""
    job: str
    share: float | None
    """How much of the work is done, 0 … 1; None when nothing is being done."""
    ways_on: NotRequired[list[str]]
    """Commands that let a held picture pass, each with what it does."""
    columns: list[ColumnValues]
    """What stages measured of their own, of a held job."""


def describe_job(
    root: Root,
    row: JobRow,
    troubles: Mapping[str, TroubleStatus],
    rests_until: str,
    doing: str = "",
) -> WaitingThing:
    """Say what becomes of a job that has not ended.

    troubles: by the names of jobs; rests_until: as `DestinationStatus` has it; doing: what the
    daemon says that it does with the job.
    """
    file = names.display_name(row.source)
    trouble = troubles.get(row.id)
    if trouble:
        return WaitingThing(
            destination=row.destination,
            file=file,
            what="stopped",
            why=trouble.message,
            since=trouble.since,
            who="you",
            job=row.id,
            share=None,
            columns=[],
        )
    share = None
    why = {
        State.CLAIMING: "is being taken into the spool",
        State.RELEASING: "was released and is being picked up again",
        State.CLAIMED: "waits for a free worker",
        State.WORKING: "is being processed",
        State.PRODUCED: "is about to be delivered",
        State.PUBLISHING: "is being delivered",
    }[row.state]
    if row.state is State.CLAIMED and rests_until and row.release is None:
        why = f"rests until {rests_until}, when its destination's hours begin"
    elif row.state is State.CLAIMED and isinstance(row.detail, Claimed) and row.detail.waits:
        why = _say_waits(row.detail.waits) or why
    elif row.state is State.CLAIMED and doing:
        why = f"is being got ready: {doing}"
    if row.state is State.WORKING:
        progress = read_progress(root.spool / row.id / f"attempt-{row.attempts}")
        if progress:
            why, share = f"{why}: {progress[0]}", progress[1]
            left = estimate_left((datetime.now(UTC) - row.changed).total_seconds(), share)
            why += f", {left} left" if left else ""
    since = _format_second(row.changed)
    return WaitingThing(
        destination=row.destination,
        file=file,
        what=row.state.value,
        why=why,
        since=since,
        who="the program",
        job=row.id,
        share=share,
        columns=[],
    )


def _say_waits(waits: Waits) -> str:
    """Say for what a job waits; "" when its time is over."""
    if waits.until <= datetime.now(UTC):
        return ""
    return f"waits until {clock_time(waits.until.timestamp())} for {waits.what}"


def describe_unserved(row: JobRow, why: str) -> WaitingThing:
    """Say that a job waits for a destination that is not served."""
    return WaitingThing(
        destination=row.destination,
        file=names.display_name(row.source),
        what="stopped",
        why=why,
        since=_format_second(row.changed),
        who="you",
        job=row.id,
        share=None,
        columns=[],
    )


def estimate_left(so_far_s: float, share: float) -> str:
    """Say how long work will still take that has come so far; "" when nobody can tell yet."""
    if so_far_s < _TELLS_AFTER_S or share < _TELLS_FROM:
        return ""
    return duration(so_far_s * (1 - share) / share)


def list_arriving(name: str, said: FolderStatus | None) -> list[WaitingThing]:
    """List files that have not finished arriving, as a daemon has seen them."""
    now = datetime.now(UTC).timestamp()
    return [
        WaitingThing(
            destination=name,
            file=each.file,
            what="arriving",
            why=each.reason,
            since=_format_second(datetime.fromtimestamp(now - each.since_s, UTC)),
            who="the program",
            job="",
            share=None,
            columns=[],
        )
        for each in (said.arriving_files if said else ())
    ]


def list_held(root: Root, name: str, folder: Path) -> list[WaitingThing]:
    """Held jobs whose folder is still there: a person has not decided yet.

    A folder that has come back since somebody decided, from a copy or by a program that keeps two
    machines alike, is left over.
    """
    try:
        jobs = sorted(
            each
            for each in (path.name for path in folder.iterdir())
            if not each.startswith(".hotfolder-")
        )
    except OSError:
        return []
    if not jobs:
        return []
    with open_reader(root.ledger) as ledger:
        found = [_describe_held(root, name, folder / job, ledger) for job in jobs[-_SHOWN:]]
    return [each for each in found if each is not None]


def _describe_held(
    root: Root, name: str, folder: Path, ledger: LedgerReader
) -> WaitingThing | None:
    """Say what a folder in ``held/`` waits for; None when nothing, or when it is none of ours."""
    # the folder is a person's to work in: it may have another name, and what is no record of ours
    # is left out
    try:
        with durable.open_to_read(folder / "record.json") as stored:
            record = read_record(stored.read())
    except (OSError, ValueError):
        return None
    row = ledger.find_job(record.job)
    if row is not None and not row.state.is_end:
        return None  # it is told as a job under way
    held = WaitingThing(
        destination=name,
        file=record.source,
        what="held",
        why=" ".join(leave_out_name(each.message, record.source) for each in record.reasons),
        since=format_time(record.finished),
        who="you",
        job=record.job,
        share=None,
        columns=[each.to_json() for each in find_facts(record).columns],
    )
    if row is not None and row.end is not End.HELD:
        held["what"], held["since"], held["columns"] = "left over", "", []
        held["why"] = _say_left_over(row, folder)
    else:
        held["ways_on"] = _say_ways_on(root, record)
    return held


def _say_left_over(row: JobRow, folder: Path) -> str:
    """Say what to do with a held folder whose job somebody has decided about."""
    where = names.display_name(str(folder))
    if row.end is End.DISCARDED:
        return (
            f"It was discarded, but its folder has come back: delete {where}; or move it into "
            f"release/{row.destination}/, if you want the picture after all."
        )
    return f"It is {row.state}, but its held folder has come back: delete {where}."


def _say_ways_on(root: Root, record: Record) -> list[str]:
    """Commands that let a held picture pass, each with what it does; as it is comes last."""
    ways = [(way.options, way.says) for way in list_ways(record)]
    if record.results and not any(not options for options, _ in ways):
        ways.append(((), "release it as it is"))
    return [
        f"{release_command(record.job, root.path, options)}  ({says})" for options, says in ways
    ]


def list_forsaken(root: Root, places: Mapping[str, DestinationFolders]) -> list[WaitingThing]:
    """Files in the hot folder of a destination that was removed; nobody takes them up."""
    used = [each for place in places.values() for each in place.all()]
    used += [root.path / "in" / name for name in places]
    looked = pulse.within(pulse.LOOK_S / 2, {"in": partial(find_forsaken, root.path / "in", used)})
    return [
        WaitingThing(
            destination=name,
            file=f"in/{name}",
            what="left alone",
            why=say_forsaken(name, number),
            since="",
            who="you",
            job="",
            share=None,
            columns=[],
        )
        for name, number in looked.get("in", {}).items()
        if number
    ]


def list_measured(root: Root, name: str) -> list[WaitingThing]:
    """Measurements that were refused and are still there, and a medium that has drifted."""
    book = Book(root, name)
    try:
        refused, verdicts = book.list_refused(), book.read()
    except OSError:
        return []  # the daemon says why the folder cannot be read
    found = [(each, "measurement refused", why, "") for each, why in refused]
    if book.folder.is_dir() and (why := away([str(book.folder)]).get(str(book.folder))):
        found.append((f"measured/{name}", "stopped", why, ""))
    if verdicts and verdicts[-1].has_alarm:
        last = verdicts[-1]
        found.append((last.file, "drift", " ".join(last.words), last.judged))
    return [
        WaitingThing(
            destination=name,
            file=file,
            what=what,
            why=why,
            since=since,
            who="you",
            job="",
            share=None,
            columns=[],
        )
        for file, what, why, since in found
    ]


def describe_trouble(trouble: TroubleStatus) -> WaitingThing:
    """Say what our own storage keeps waiting, and since when."""
    what = {"file": trouble.name, "held": "held jobs"}.get(trouble.kind, "everything")
    return WaitingThing(
        destination=trouble.destination or "all destinations",
        file=what,
        what="stopped",
        why=trouble.message,
        since=trouble.since,
        who="you",
        job="",
        share=None,
        columns=[],
    )


def _format_second(time: datetime) -> str:
    return time.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
