"""What ``status`` says of batches, read from outside the daemon."""

from __future__ import annotations

from typing import TypedDict

from hotfolder.batch.shelf import BatchState, read_batches
from hotfolder.batch.standing import count_words, find_standings
from hotfolder.errors import Problem, SettingsError
from hotfolder.ledger.pace import RECENT, estimate_s
from hotfolder.ledger.reading import LedgerReader, open_reader
from hotfolder.model.records import End
from hotfolder.pages.words import duration, local_time
from hotfolder.settings.root import Root


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
                "discarded_at": state.discarded,
                "set_aside": len(ledger.superseded_of_batch(destination, batch)),
                "takes_s": None if seconds is None else round(seconds, 3),
            }
        )
    return found


def find_held_jobs(root: Root, batch: str) -> list[str]:
    """Jobs of a batch, ``NAME/BATCH``, that are held and that its ticket still asks for.

    Raises
    ------
    SettingsError
        When there is no such batch.
    """
    with open_reader(root.ledger) as ledger:
        states = read_batches(ledger)
        name, _, of_destination = batch.partition("/")
        state = states.get((name, of_destination))
        if state is None:
            there = ", ".join("/".join(each) for each in sorted(states)) or "no batch has arrived"
            raise SettingsError([Problem("--batch", "", batch, f"a batch: {there}")])
        found = (ledger.find_job(line.job) for line in state.lines if line.job)
        return [row.id for row in found if row and row.end is End.HELD]


def find_batch(root: Root, batch: str) -> tuple[str, str, BatchState]:
    """Return destination, name and state of a batch, ``NAME/BATCH``.

    Raises
    ------
    SettingsError
        When there is no such batch.
    """
    with open_reader(root.ledger) as ledger:
        states = read_batches(ledger)
    name, _, of_destination = batch.partition("/")
    state = states.get((name, of_destination))
    if state is None:
        there = ", ".join("/".join(each) for each in sorted(states)) or "no batch has arrived"
        raise SettingsError([Problem("batch", "", batch, f"a batch: {there}")])
    return name, of_destination, state


def describe_batch(batch: BatchSummary, rests_until: str) -> str:
    """Say in a line how a batch stands."""
    counts = {
        "delivered": batch["delivered"],
        "held": batch["held"],
        "discarded": batch["discarded"],
        "refused": batch["refused"],
        "missing": batch["missing"],
        "wrong": batch["wrong"],
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
    if batch["ticket_problem"]:
        words.append(batch["ticket_problem"])
    if batch["discarded_at"]:
        words.append(f"discarded {local_time(batch['discarded_at'])}")
    ticket = batch["ticket"] or "no ticket yet"
    said = "; ".join(words) or "nothing"
    return f"batch {batch['batch']} ({ticket}, {batch['rows']} rows): {said}"
