"""Taking in what comes for a batch, and planning its jobs.

A destination with a table ``[ticket]`` has no drops of single pictures: every file in a sub-folder
of its hot folder belongs to the batch of that name, and one that lies in the hot folder itself to
the batch that is called like the destination. So no picture can be taken for the wrong kind.

A file is claimed as any other, then moves to ``originals/NAME/BATCH/`` and stays there: the row
of its claim says first where to, and turns into a row of the batch's files in one transaction.
Whenever files have come, the batch is planned anew from its latest ticket (`planning`), and only
then: a batch that has ended rests, whatever becomes of settings and however often we start.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import asdict
from pathlib import Path, PurePosixPath

from hotfolder.batch.moved import carry_releases
from hotfolder.batch.planning import Pictures, Planning, read_latest_ticket
from hotfolder.batch.shelf import BatchState, KeptFile, Line, RowFault, Shelf
from hotfolder.batch.ticket import is_ticket
from hotfolder.disk import durable, names, trees
from hotfolder.disk.free_names import OF_RESULTS, free_folder
from hotfolder.disk.names import collision_key
from hotfolder.ending.release import BatchDiscard
from hotfolder.errors import StorageError
from hotfolder.intake.claim import ORIGINAL
from hotfolder.ledger.details import Claimed, Delivered, Publishing, State
from hotfolder.ledger.jobs import JobRow, Ledger
from hotfolder.logs import get_log, utc_now
from hotfolder.model.ends import End
from hotfolder.settings.files import Destination
from hotfolder.settings.root import DestinationFolders
from hotfolder.settings.tables import TicketTable
from hotfolder.stages.registry import Registry


class Desk:
    """Takes files in for batches and turns rows into jobs; of each destination in one thread."""

    def __init__(
        self,
        ledger: Ledger,
        spool: Path,
        folders: Callable[[str], DestinationFolders],
        registry: Registry,
        file_of: Callable[[str], Path],
    ) -> None:
        self.shelf = Shelf(ledger)
        self._ledger = ledger
        self._spool = spool
        self._folders = folders
        self._registry = registry
        self._file_of = file_of
        self._unplanned = set(self.shelf.unplanned())
        self._untidy = {*self.shelf.unreported(), *self.shelf.being_set_aside()}
        """Batches of which results may be where their ticket does not ask for them."""
        self._to_discard: list[BatchDiscard] = []

    def is_for_a_batch(self, row: JobRow, destination: Destination) -> bool:
        """Whether a claimed file is material for a batch, and no job."""
        return (
            destination.file.ticket is not None
            and row.kind == "file"
            and row.state is State.CLAIMED
            and row.placement is None
            and row.release is None
        )

    def list_arrived(self, destinations: Mapping[str, Destination]) -> list[JobRow]:
        """Files that have been claimed and not yet put where they stay."""
        return [
            row
            for name, destination in destinations.items()
            if destination.file.ticket is not None
            for row in self.shelf.arrived(name)
        ]

    def take_in(self, row: JobRow) -> None:
        """Put a claimed file where it stays; its batch is planned anew by the next `plan`.

        Raises
        ------
        StorageError
            When a folder cannot be reached; call again later.
        """
        try:
            batch = self._keep(row)
        except OSError as error:
            place = error.filename or self._folders(row.destination).originals
            raise StorageError(
                f"a file of a batch cannot be put away at {place}: {error.strerror or error}; "
                "it waits and is tried again"
            ) from error
        self._unplanned.add((row.destination, batch))

    def has_to_plan(self, destination: str) -> bool:
        """Whether files have come for a batch of a destination, or one was given up."""
        asked = [each.destination for each in list(self._to_discard)]
        return destination in {*asked, *(name for name, _ in list(self._unplanned))}

    def plan(
        self, destinations: Mapping[str, Destination], busy: Collection[str]
    ) -> list[tuple[str, str]]:
        """Plan every batch that files have come for since its last plan, and name them.

        busy: jobs that are being worked on, which are not taken back.
        """
        planned = []
        for asked in [each for each in list(self._to_discard) if each.destination in destinations]:
            self._to_discard.remove(asked)
            self._discard(asked, busy)
            planned.append((asked.destination, asked.batch))
        for name, batch in sorted(self._unplanned):
            destination = destinations.get(name)
            if destination is None or destination.file.ticket is None:
                continue
            self._plan(destination, destination.file.ticket, batch, busy)
            self._unplanned.discard((name, batch))
            self._untidy.add((name, batch))
            planned.append((name, batch))
        return planned

    def ask_to_discard(self, asked: BatchDiscard) -> None:
        """Remember that a person gives a batch up; `plan` does it."""
        self._to_discard.append(asked)

    def untidy(self, destination: str) -> set[str]:
        """Batches of a destination that `tidy` has to look at."""
        return {batch for name, batch in list(self._untidy) if name == destination}

    def tidy(self, destination: str, batch: str, set_aside: Callable[[JobRow], JobRow]) -> bool:
        """Set aside what a batch's ticket no longer asks for; return whether anything was.

        Raises
        ------
        StorageError
            When a folder cannot be reached; call again later.
        """
        asked = self.shelf.state(destination, batch)
        current = {*(line.job for line in asked.lines), *asked.staying}
        moved = False
        for job in self._ledger.delivered_of_batch(destination, batch):
            if job not in current:
                set_aside(self._ledger.job(job))
                moved = True
        self._untidy.discard((destination, batch))
        return moved

    # taking in

    def _keep(self, row: JobRow) -> str:
        """Bring a claimed file to where it stays; can be repeated from wherever a kill left it."""
        source = os.fsdecode(row.source)
        batch, name = name_batch(source, row.destination)
        spooled = self._spool / row.id / ORIGINAL
        if row.expect(Claimed).keeping is None:
            digest = durable.sha256_of(spooled)
            known = self.shelf.find_places(row.destination, batch, digest.sha256)
            # a picture that was damaged since, or taken away, is kept anew
            place = next((each for each in known if durable.has_bytes(each, digest.sha256)), "")
            if not place:
                top, below = self._folders(row.destination).originals, names.safe_relative(name)
                place = str(free_folder(top / batch, below.parent) / below.name)
            row = self._ledger.advance(
                row.id,
                State.CLAIMED,
                Claimed(keeping=place),
                sha256=digest.sha256,
                size=digest.bytes,
            )
        place = row.expect(Claimed).keeping or ""
        sha256 = row.sha256 or ""
        if durable.is_there(spooled):
            # bytes that came twice stay where they came first; only then does the second go
            if not durable.has_bytes(place, sha256):
                place = str(self._put(row, spooled, Path(place)))
        elif not durable.has_bytes(place, sha256):
            raise FileNotFoundError(2, "is gone, or changed since it arrived; put it back", place)
        trees.remove_tree(self._spool / row.id, below=self._spool)
        key = names.collision_key(names.display_name(name))
        self.shelf.keep(row, batch, key, names.display_name(name), place)
        get_log().info("batch.file", destination=row.destination, batch=batch, file=name)
        return batch

    def _put(self, row: JobRow, spooled: Path, place: Path) -> Path:
        """Move a file to where it stays, or beside it when that name is taken; return where."""
        durable.make_folders(place.parent)
        durable.fsync_file(spooled)
        number = 1
        wanted = place
        while True:
            try:
                durable.move_new(spooled, place)
            except FileExistsError:
                number += 1
                place = wanted.with_name(names.result_name(wanted.stem, wanted.suffix, number))
                self._ledger.advance(row.id, State.CLAIMED, Claimed(keeping=str(place)))
            else:
                return place

    # planning

    def _discard(self, asked: BatchDiscard, busy: Collection[str]) -> None:
        """Give a batch up: rows without a job go, and jobs that nobody has begun."""
        before = self.shelf.state(asked.destination, asked.batch)
        files = self.shelf.files(asked.destination, asked.batch)
        rows = self._find_made(before)
        withdrawn = {row.id for row in rows.values() if row.id not in busy and _is_untouched(row)}
        lines = tuple(line for line in before.lines if line.job and line.job not in withdrawn)
        changes = {
            "lines": lines,
            "faults": (),
            "remarks": (),
            "spare": (),
            "made": {print_: row.id for print_, row in rows.items() if row.id not in withdrawn},
            "given_up": before.rows - len(lines),
            "discarded": utc_now(),
            "discarded_by": asked.note.who,
            "discarded_why": asked.note.why,
            "tickets_after": files[-1].seq if files else 0,
        }
        state = before.model_copy(update=changes)
        up_to = files[-1].seq if files else 0
        self.shelf.plan(asked.destination, asked.batch, state, up_to=up_to, withdrawn=withdrawn)
        asked.path.unlink(missing_ok=True)
        get_log().info(
            "batch.discarded", destination=asked.destination, batch=asked.batch,
            who=asked.note.who, why=asked.note.why, rows=state.given_up, withdrawn=len(withdrawn),
        )  # fmt: skip

    def _plan(
        self, destination: Destination, table: TicketTable, batch: str, busy: Collection[str]
    ) -> None:
        before = self.shelf.state(destination.name, batch)
        # records may know of jobs that no plan does: the ledger was made anew, or is an older one
        made = {**self.shelf.find_made_before(destination.name, batch), **before.made}
        before = before.model_copy(update={"made": made})
        files = self.shelf.files(destination.name, batch)
        latest = {each.key: each for each in files if not is_ticket(each.name)}
        pictures = Pictures(list(latest.values()))
        tickets = [each for each in files if is_ticket(each.name)]
        read = read_latest_ticket([each for each in tickets if each.seq > before.tickets_after])
        if before.discarded and not read.name:
            # it stays given up until a ticket comes that can be read
            problem = before.model_copy(update={"ticket_problem": read.problem})
            self.shelf.plan(destination.name, batch, problem, up_to=files[-1].seq)
            return
        planning = Planning(
            destination, table, batch, read, self._registry, self._file_of(destination.name)
        )
        rows = self._find_made(before)
        lines = planning.lines(pictures, self._find_known(rows, files), _find_earlier(rows))
        kept = {line.job for line in lines}
        withdrawn = [
            row.id
            for row in rows.values()
            if row.id not in kept and row.id not in busy and _is_untouched(row)
        ]
        faults = tuple(RowFault(**asdict(each)) for each in read.ticket.problems)
        made = {print_: row.id for print_, row in rows.items() if row.id not in withdrawn}
        for fault in faults:
            pictures.find(fault.file)  # a wrong row names its picture all the same
        state = BatchState(
            ticket=read.name,
            ticket_sha256=read.sha256,
            ticket_problem=read.problem,
            remarks=read.ticket.remarks,
            rows=read.ticket.rows,
            lines=tuple(lines),
            faults=faults,
            tickets_after=before.tickets_after,
            staying=_find_staying(rows.values(), lines, faults),
            spare=pictures.spare(),
            made={**made, **planning.made},
            planned=utc_now(),
        )
        self.shelf.plan(
            destination.name,
            batch,
            state,
            up_to=files[-1].seq,
            new=carry_releases(planning.new, rows.values(), kept, destination),
            withdrawn=withdrawn,
        )
        get_log().info(
            "batch.planned",
            destination=destination.name,
            batch=batch,
            ticket=read.name,
            rows=read.ticket.rows,
            new_jobs=len(planning.new),
            withdrawn=len(withdrawn),
            missing=sum(line.missing for line in lines),
            wrong=len(state.faults)
            + sum(bool(line.problem) and not line.missing for line in lines),
        )

    def _find_made(self, before: BatchState) -> dict[str, JobRow]:
        """Jobs of the batch that are there, by the fingerprint of what they were made with.

        A job is worked on with the settings of that moment, which may be others than those of the
        plan; `Work` says so in the job, and what the job says counts.
        """
        found = {}
        for print_, job in before.made.items():
            with contextlib.suppress(KeyError):  # taken back
                row = self._ledger.job(job)
                placement = row.placement
                found[placement.fingerprint if placement else print_] = row
        return found

    def _find_known(self, made: Mapping[str, JobRow], files: list[KeptFile]) -> dict[str, str]:
        """Jobs that need not be made again, by fingerprint.

        One that was discarded counts, so that a corrected ticket does not bring it back; its
        picture, dropped once more since then, does. What came first is told by the ledger's order
        of records: the clock may have run back.
        """
        came = {each.sha256: each.records_before for each in files}  # the last time of each
        return {
            print_: row.id
            for print_, row in made.items()
            if not is_being_set_aside(row)
            if row.end is not End.DISCARDED
            or came.get(row.sha256 or "", -1) < self.shelf.last_record_of(row.id)
        }


def _find_earlier(made: Mapping[str, JobRow]) -> dict[str, list[str]]:
    """Jobs that were made for a place before and not delivered, by page and placement."""
    found: dict[str, list[str]] = {}
    for row in made.values():
        made_for = row.record.placement if row.record else None
        if made_for and row.state in {State.HELD, State.REFUSED}:
            found.setdefault(f"{made_for.page}\n{made_for.placement}", []).append(row.id)
    return found


def is_being_set_aside(row: JobRow) -> bool:
    """Whether a job's result is set aside, or is about to be: it is no answer to a ticket."""
    detail = row.detail
    planned = (
        detail.superseding
        if isinstance(detail, Delivered)
        else detail.record
        if isinstance(detail, Publishing)
        else None
    )
    return any(each is not None and each.superseded for each in (row.record, planned))


def _find_staying(
    made: Iterable[JobRow], lines: list[Line], faults: tuple[RowFault, ...]
) -> tuple[str, ...]:
    """Delivered jobs whose rows cannot be done now, as they have a slip of the pen.

    What is there was made of the same picture for the same place, and no other row has its name.
    """
    rows: list[Line | RowFault] = [line for line in lines if not line.job]
    rows += faults
    wanted = {(_simplify_page(row.page), collision_key(row.file)): row.placement for row in rows}
    taken = {collision_key(line.name) for line in lines if line.job}
    found = []
    for row in made:
        was = row.placement
        if row.state is not State.DELIVERED or was is None or is_being_set_aside(row):
            continue
        views = {collision_key(was.file), *map(collision_key, (Path(was.file).name,))}
        views.add(collision_key(Path(was.file).stem))
        places = [
            wanted[page, file] for page, file in wanted
            if page == _simplify_page(was.page) and file in views
        ]  # fmt: skip
        if collision_key(was.name) not in taken and any(
            not place or collision_key(place) == collision_key(was.placement) for place in places
        ):
            found.append(row.id)
    return tuple(found)


def _simplify_page(page: str) -> str:
    """A page as names are compared; a row that is wrong has it as it was written."""
    return collision_key(page).lstrip("0")


def _is_untouched(row: JobRow) -> bool:
    """Whether nobody has begun a job, so that it can be taken back."""
    return row.state is State.CLAIMED and row.attempts == 0 and row.release is None


def name_batch(source: str, destination: str) -> tuple[str, str]:
    """Return the batch of a dropped file, and its name in it, from its path in the hot folder."""
    path = PurePosixPath(source)
    if len(path.parts) == 1:
        return _name_folder(destination), source
    return _name_folder(path.parts[0]), str(PurePosixPath(*path.parts[1:]))


def _name_folder(name: str) -> str:
    """A batch's name, which is also its folder's; a few are taken by what is ours there."""
    safe = names.distinct_component(name)
    return f"_{safe}" if names.collision_key(safe) in OF_RESULTS else safe
