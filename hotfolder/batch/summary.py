"""What ``status`` says of batches, read from outside the daemon."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from hotfolder.batch.shelf import read_states
from hotfolder.batch.standing import WORDS, counts, is_dropped, standings
from hotfolder.errors import Problem, SettingsError
from hotfolder.ledger.jobs import State, read_job, read_latest_delivered
from hotfolder.ledger.pace import RECENT, takes_s
from hotfolder.pages.words import duration
from hotfolder.settings.root import Root


def summaries(root: Root, workers: int) -> list[dict[str, Any]]:
    """Return for each batch how many rows became what, and how long the rest will take.

    Raises
    ------
    StorageError
        When the ledger is there but cannot be read.
    """
    found = []
    for (destination, batch), state in read_states(root.ledger).items():
        jobs = {
            line.job: row
            for line in state.lines
            if line.job and (row := read_job(root.ledger, line.job))
        }
        number = counts(standings(state, jobs))
        left = [row for row in jobs.values() if not row.state.is_end]
        seconds = takes_s(left, _recent(root, destination), workers) if left else None
        found.append(
            {
                "destination": destination,
                "batch": batch,
                "ticket": state.ticket,
                "ticket_problem": state.ticket_problem,
                "rows": state.rows,
                **number,
                "spare_pictures": len(state.spare),
                "takes_s": None if seconds is None else round(seconds, 3),
            }
        )
    return found


def held_jobs(root: Root, batch: str) -> list[str]:
    """Jobs of a batch, ``NAME/BATCH``, that are held and that its ticket still asks for.

    Raises
    ------
    SettingsError
        When there is no such batch.
    """
    states = read_states(root.ledger)
    name, _, of_destination = batch.partition("/")
    state = states.get((name, of_destination))
    if state is None:
        there = ", ".join("/".join(each) for each in sorted(states)) or "none has come"
        raise SettingsError([Problem("--batch", "", batch, f"a batch: {there}")])
    found = (read_job(root.ledger, line.job) for line in state.lines if line.job)
    return [row.id for row in found if row and row.state is State.HELD and not is_dropped(row)]


def in_words(batch: Mapping[str, Any], rests_until: str) -> str:
    """Say in a line how a batch stands."""
    said_first = [word for word in WORDS if word != "waiting"]
    words = [f"{batch[word]} {word}" for word in said_first if batch[word]]
    if batch["waiting"]:
        takes = duration(batch["takes_s"])
        left = f"{batch['waiting']} left"
        words.append(f"{left}, {takes}" if takes else left)
        if rests_until:
            words.append(f"resting until {rests_until}")
    if batch["ticket_problem"]:
        words.append(batch["ticket_problem"])
    ticket = batch["ticket"] or "no ticket yet"
    said = "; ".join(words) or "nothing"
    return f"batch {batch['batch']} ({ticket}, {batch['rows']} rows): {said}"


def _recent(root: Root, destination: str) -> list[Mapping[str, Any]]:
    """Records of the latest deliveries of a destination."""
    rows = read_latest_delivered(root.ledger, destination, RECENT)
    return [row.record for row in rows if row.record]
