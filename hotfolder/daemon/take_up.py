"""Bringing a ledger to where the folders are: it was lost, or an older one was put back.

What the folders say is enough to know what has ended: every record is a line of its destination's
log. For what was under way, the job's place in the spool holds two notes, written without being
flushed and read only here: whose job it is, and how its publishing was planned.

Whether a ledger is behind shows at every start, at little cost: the log goes on after the last line
that the ledger knows; an original lies in the spool of which the ledger knows nothing, or that it
ended; or it is not the ledger that was closed last. Then all is compared:

- lines that the ledger does not know are taken over, so nothing that they say is done again;
- a job whose publishing was planned is finished as after a kill, act by act, each where it is due;
- an original that no row knows is taken in as it came. It is held where a person may have decided
  about it, or where the ledger was lost: nothing is delivered again without a person's word;
- files of batches are known again, and their batches rest (`batch.found`).
"""

from __future__ import annotations

import contextlib
import itertools
import os
import secrets
from functools import partial
from pathlib import Path

from hotfolder.batch import found as batch_files
from hotfolder.daemon.new_lines import find_new_lines, read_records
from hotfolder.daemon.under_way import (
    JOB_NAME,
    Known,
    find_under_way,
    find_unlogged,
    give_back,
    has_original,
    read_note,
)
from hotfolder.disk import durable, pulse
from hotfolder.disk.marker import away
from hotfolder.errors import StorageError
from hotfolder.intake.claim import JOB_FILE
from hotfolder.ledger.details import (
    map_hexadecimal,
)
from hotfolder.ledger.jobs import Ledger
from hotfolder.ledger.log_places import LogPlaces
from hotfolder.ledger.log_years import LOG_FILE, read_lines
from hotfolder.logs import get_log
from hotfolder.settings.root import Root

_BEHIND, _CLOSED, _BEFORE = "behind", "closed", "closed before"


def fill(known: Known) -> dict[str, int]:
    """Fill a new ledger from the folders; return how many jobs of which kind there are.

    Raises
    ------
    OSError
        When a folder cannot be read.
    StorageError
        When a log of before is not there, which settings have left.
    """
    for name, each in known.folders.items():
        give_back(each.hot_folder, known.root.spool, name)
    for note in known.root.spool.glob(f"*/{JOB_FILE}"):  # a destination may have another one since
        said = read_note(note)
        with contextlib.suppress(ValueError):
            if said.folder:
                folder = map_hexadecimal(said.folder, known.ledger.places.find)
                begun = Path(os.fsdecode(bytes.fromhex(folder)))
                give_back(begun, known.root.spool, said.destination)
    logs = LogPlaces(known.root.private)
    for name, each in known.folders.items():
        logs.bring(name, each.results / LOG_FILE, again=True)
        away_now = [log for log in logs.left_behind(name) if not durable.is_there(log)]
        if away_now:
            raise StorageError(
                f"the ledger is lost, and {away_now[0]}, where records of {name} were written "
                "before its results were moved, is not there: what they say would be forgotten. "
                "Connect its disk; if it has gone for good, take its line out of "
                f"{logs.file}"
            )
    ended = 0
    with known.ledger.many_to_come():
        for name, each in known.folders.items():
            log = each.results / LOG_FILE
            ended += known.ledger.restore(read_records(name, log, read_lines(log)))
    return {"ended": ended, **_compare(known)}


def catch_up(known: Known) -> None:
    """Bring a ledger up to date that may be an older one; a destination out of reach comes later.

    Raises
    ------
    OSError
        When a folder cannot be read; can be called again.
    """
    ledger, root = known.ledger, known.root
    looks = {name: partial(away, each.all()) for name, each in known.folders.items()}
    answers = pulse.within(pulse.LOOK_S, looks)  # one that hangs keeps no other from being served
    near = {name: each for name, each in known.folders.items() if answers.get(name) == {}}
    reached = Known(ledger, root, near, known.with_tickets, was_lost=False)
    is_behind = ledger.mark(_BEHIND) != "" or _is_another(known)
    if not is_behind and _has_strangers(ledger, root):
        is_behind = True
    taken = 0
    logs = LogPlaces(root.private)
    for name, each in near.items():
        log = each.results / LOG_FILE
        try:
            logs.bring(name, log, again=True)
        except OSError as error:  # tried again before a line is written
            get_log().warning("log.not_brought", destination=name, reason=str(error))
        lines = find_new_lines(ledger, name, log)
        first = next(lines, None)
        if first is None:
            continue
        ledger.set_mark(_BEHIND, "yes")
        is_behind = True
        taken += ledger.restore(read_records(name, log, itertools.chain([first], lines)))
    if is_behind:
        ledger.set_mark(_BEHIND, "yes")
        get_log().error("ledger.behind", records=taken, **_compare(reached))
        if len(near) == len(known.folders):
            ledger.set_mark(_BEHIND, "")
    close(ledger, root)


def close(ledger: Ledger, root: Root) -> None:
    """Note in the ledger and beside it that it is the one that was used last.

    Two numbers, the one that is noted beside it and the next: a kill, or a full disk, may come
    between the two notes, and again.
    """
    token = secrets.token_hex(8)
    with contextlib.suppress(OSError):
        ledger.set_mark(_BEFORE, root.closed.read_text().strip())
    ledger.set_mark(_CLOSED, token)
    temporary = root.closed.with_suffix(".new")
    temporary.write_text(token)
    temporary.replace(root.closed)


def _is_another(known: Known) -> bool:
    try:
        noted = known.root.closed.read_text().strip()
    except OSError:
        return False  # there was none yet
    ours = {known.ledger.mark(_CLOSED), known.ledger.mark(_BEFORE)}
    return noted not in ours


def _has_strangers(ledger: Ledger, root: Root) -> bool:
    """Whether the spool has a job that the ledger does not know, or the original of one ended."""
    for place in root.spool.iterdir():
        if JOB_NAME.fullmatch(place.name):
            row = ledger.find_job(place.name)
            if row is None or (row.state.is_end and has_original(place)):
                return True
    return False


def _compare(known: Known) -> dict[str, int]:
    """Find what is under way, or has ended, by the folders alone."""
    under_way = known.ledger.restore(find_under_way(known))
    unlogged = known.ledger.restore(find_unlogged(known))
    files = 0
    for name in known.with_tickets:
        if name in known.folders:
            for batch, number in batch_files.take_up(
                known.ledger, name, known.folders[name].originals
            ).items():
                files += number
                said = batch_files.describe_resting(name, batch, number)
                get_log().warning("batch.rests", destination=name, batch=batch, message=said)
            batch_files.forget_kept(known.ledger, name, known.root.spool)
    return {"under_way": under_way, "unlogged": unlogged, "batch_files": files}
