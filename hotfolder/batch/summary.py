"""What ``status`` says of batches, read from outside the daemon."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Final, TypedDict

from hotfolder.batch.shelf import BatchState, read_batches
from hotfolder.batch.standing import count_words, find_standings
from hotfolder.ending.why import MADE_WORSE, can_be_released_as_it_is, list_ways
from hotfolder.errors import Problem, SettingsError
from hotfolder.ledger.pace import RECENT, estimate_s
from hotfolder.ledger.reading import LedgerReader, open_reader
from hotfolder.model.ends import End
from hotfolder.model.records import Reason, Record
from hotfolder.pages.words import duration, local_time
from hotfolder.settings.root import Root

FAR_BEYOND: Final = 2.0
"""Times beyond its limit from which a job is not released among many: a slip of the pen, perhaps.

Our own choice.
"""

_SHOWN: Final = 5
_MOST_WAYS: Final = 3


class BatchSummary(TypedDict):
    """How a batch stands."""

    destination: str
    batch: str
    ticket: str
    """Name of the one that stands; "" when none has come."""
    ticket_problem: str
    """Why a later one cannot be read; "" when there is none."""
    rows: int
    delivered: int
    held: int
    discarded: int
    refused: int
    waiting: int
    missing: int
    wrong: int
    spare_pictures: int
    """How many pictures no row names."""
    spare: list[str]
    """Some of them, by name."""
    planned: str
    """When it was planned last, in UTC; "" when it was not."""
    discarded_at: str
    """When a person gave the whole batch up, in UTC; "" when nobody has."""
    set_aside: int
    """How many results the ticket no longer asks for; they are in ``superseded``."""
    takes_s: float | None
    """How long what is left will take, seconds; None when nothing is, or nobody can tell."""


def summarise_batches(ledger: LedgerReader, workers: int) -> list[BatchSummary]:
    """Return for each batch how many rows became what, and how long the rest will take."""
    found: list[BatchSummary] = []
    for (destination, batch), state in read_batches(ledger).items():
        jobs = {
            line.job: row for line in state.lines if line.job and (row := ledger.find_job(line.job))
        }
        number = count_words(find_standings(state, jobs))
        left = [row for row in jobs.values() if not row.state.is_end]
        recent = ledger.latest_records(destination, RECENT)
        seconds = estimate_s(left, recent, workers) if left else None
        found.append(
            {
                "destination": destination,
                "batch": batch,
                "ticket": state.ticket,
                "ticket_problem": state.ticket_problem,
                "rows": state.rows,
                "delivered": number["delivered"],
                "held": number["held"],
                "discarded": number["discarded"],
                "refused": number["refused"],
                "waiting": number["waiting"],
                "missing": number["missing"],
                "wrong": number["wrong"],
                "spare_pictures": len(state.spare),
                "spare": list(state.spare[:_SHOWN]),
                "planned": state.planned,
                "discarded_at": state.discarded,
                "set_aside": len(ledger.superseded_of_batch(destination, batch)),
                "takes_s": None if seconds is None else round(seconds, 3),
            }
        )
    return found


def find_held_jobs(root: Root, batch: str) -> list[Record]:
    """Jobs of a batch, ``NAME/BATCH``, that are held and that its ticket still asks for.

    Raises
    ------
    SettingsError
        When there is no such batch.
    """
    with open_reader(root.ledger) as ledger:
        _, _, state = _look_up(ledger, batch, "--batch")
        found = (ledger.find_job(line.job) for line in state.lines if line.job)
        held = {row.id: row.record for row in found if row and row.end is End.HELD and row.record}
    return list(held.values())


def split_held(
    held: Iterable[Record], held_for: Collection[str], *, is_changed: bool = False
) -> tuple[list[Record], list[str]]:
    """Tell held jobs that a person releases together from those that have to be looked at alone.

    Parameters
    ----------
    held
        Records of held jobs.
    held_for
        Codes of the reasons that the person names, and so has seen; what is held for none of
        them is not asked for, and is left out.
    is_changed
        Whether they are made anew with a change, so that they need no result.

    Returns
    -------
    Jobs that are held for nothing else, and not far beyond what is allowed; and for each other
    job a sentence why it is none of them.
    """
    together, alone = [], []
    for record in held:
        where = f"{record.source} ({record.job})"
        reasons = _list_reasons_proper(record)
        unseen = [each for each in reasons if each.code not in held_for]
        if len(unseen) == len(reasons):
            continue
        far = [each for each in record.reasons if (each.excess or 0.0) > FAR_BEYOND]
        if unseen:
            also = " ".join(each.message for each in unseen)
            alone.append(f"{where} is held for something else as well: {also}")
        elif far:
            alone.append(
                f"{where} is far beyond what is allowed ({far[0].excess:.1f} times); if it is "
                f"meant so, release it by its name: {far[0].message}"
            )
        elif not is_changed and not can_be_released_as_it_is(record):
            alone.append(f"{where} has no result; its why.txt says what you can do")
        else:
            together.append(record)
    return together, alone


@dataclass(frozen=True)
class BatchWay:
    """A command that releases several held jobs of a batch."""

    number: int
    """How many jobs it releases."""
    says: str
    """What it does, as a part of a sentence."""
    command: str
    """Quoted for the shell."""


def list_batch_ways(
    records: Sequence[Record], code: str, batch: str, root: str = ""
) -> list[BatchWay]:
    """Return the commands that release what is held for a reason alone; none that does nothing.

    Parameters
    ----------
    records
        Of the jobs that are held for it.
    code
        Of the reason.
    batch
        ``NAME/BATCH``.
    root
        Where it is; "": commands are given in its folder.
    """
    as_they_are = len(split_held(records, [code])[0])
    ways = [BatchWay(as_they_are, "as they are", batch_command(batch, root, code))]
    changes = Counter(
        way
        for record in split_held(records, [code], is_changed=True)[0]
        if not can_be_released_as_it_is(record)
        for way in list_ways(record)
    )
    ways += [
        BatchWay(number, way.says, batch_command(batch, root, code, way.options))
        for way, number in changes.most_common(_MOST_WAYS)
    ]
    return [each for each in ways if each.number]


def _list_reasons_proper(record: Record) -> list[Reason]:
    """Reasons of a held job, without what is only said before them."""
    return [each for each in record.reasons if each.code != MADE_WORSE] or list(record.reasons)


def count_reasons(held: Iterable[Record]) -> dict[str, list[Record]]:
    """Return held jobs by the code of each reason, in the order in which they come."""
    found: dict[str, list[Record]] = {}
    for record in held:
        for code in dict.fromkeys(reason.code for reason in _list_reasons_proper(record)):
            found.setdefault(code, []).append(record)
    return found


def batch_command(
    batch: str, root: str = "", held_for: str = "", options: Iterable[str] = ()
) -> str:
    """Return the command that releases what of a batch is held for a reason, for the shell."""
    words = ["hotfolder", "release", "--batch", batch, *([root] if root else [])]
    return shlex.join([*words, *(["--held-for", held_for] if held_for else []), *options])


def find_batch(root: Root, batch: str) -> tuple[str, str, BatchState]:
    """Return destination, name and state of a batch, ``NAME/BATCH``.

    Raises
    ------
    SettingsError
        When there is no such batch.
    """
    with open_reader(root.ledger) as ledger:
        return _look_up(ledger, batch, "batch")


def _look_up(ledger: LedgerReader, batch: str, asked_by: str) -> tuple[str, str, BatchState]:
    """Destination, name and state of a batch; `asked_by` is the part of the command that names it.

    Raises
    ------
    SettingsError
        When there is no such batch; names those there are.
    """
    states = read_batches(ledger)
    destination, _, name = batch.partition("/")
    state = states.get((destination, name))
    if state is None:
        there = ", ".join("/".join(each) for each in sorted(states)) or "no batch has arrived"
        raise SettingsError([Problem(asked_by, "", batch, f"a batch: {there}")])
    return destination, name, state


def say_not_understood(batch: BatchSummary, root: Root) -> str:
    """Say what was dropped for a batch and cannot be understood, and what to do; "" for nothing.

    root: for which a command is.
    """
    if batch["discarded_at"]:
        return ""
    said = []
    spare = batch["spare_pictures"]
    names = ", ".join(batch["spare"]) + (", …" if spare > len(batch["spare"]) else "")
    if batch["ticket_problem"]:
        said.append(batch["ticket_problem"])
    elif not batch["ticket"] and spare:
        said.append(
            f"{spare} {'file waits' if spare == 1 else 'files wait'} for a ticket, a table that "
            f"says where each picture goes: {names}. This destination has [ticket]; drop single "
            "pictures into one that has not"
        )
    if batch["batch"] == batch["destination"] and batch["missing"] and not batch["delivered"]:
        discarding = root.command("discard", f"{batch['destination']}/{batch['batch']}")
        said.append(
            "the ticket lies in the hot folder itself, and its pictures are not beside it: put it "
            f"into the folder of its pictures; `{discarding}` gives this batch up"
        )
    if batch["wrong"]:
        rows = "row is" if batch["wrong"] == 1 else "rows are"
        said.append(f"{batch['wrong']} {rows} wrong; the batch's report.html says why")
    if batch["ticket"] and spare:
        said.append(f"no row names {names}")
    return "; ".join(said)


def describe_batch(batch: BatchSummary, rests_until: str, root: Root) -> str:
    """Say in a line how a batch stands; root: for which a command is."""
    counts = {
        "delivered": batch["delivered"],
        "held": batch["held"],
        "discarded": batch["discarded"],
        "refused": batch["refused"],
        "missing": batch["missing"],
        "wrong": batch["wrong"] if batch["discarded_at"] else 0,  # else said below, and where
    }
    words = [f"{number} {word}" for word, number in counts.items() if number]
    if batch["set_aside"]:
        words.append(f"{batch['set_aside']} set aside, no longer asked for")
    if batch["waiting"]:
        takes = duration(batch["takes_s"])
        left = f"{batch['waiting']} left"
        words.append(f"{left}, {takes}" if takes else left)
        if rests_until:
            words.append(f"resting until {rests_until}")
    if not_understood := say_not_understood(batch, root):
        words.append(not_understood)
    if batch["discarded_at"]:
        words.append(f"discarded {local_time(batch['discarded_at'])}")
    ticket = batch["ticket"] or "no ticket yet"
    said = "; ".join(words) or "nothing"
    rows = "1 row" if batch["rows"] == 1 else f"{batch['rows']} rows"
    return f"batch {batch['batch']} ({ticket}, {rows}): {said}"
