"""A batch as the book that it will be: its pages in order, what stands on them, what is wrong."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from hotfolder.batch.correcting import say_fault, say_line_problem
from hotfolder.batch.facts import find_look
from hotfolder.batch.naming import sort_page
from hotfolder.batch.shelf import BatchState, KeptFile, read_batches, read_files
from hotfolder.batch.spreads import Spread, compare_spreads
from hotfolder.batch.standing import Standing, count_words, find_standings
from hotfolder.batch.ticket import is_ticket
from hotfolder.desk.foreseeing import Foreseen
from hotfolder.desk.reading import folders_of
from hotfolder.disk import names
from hotfolder.errors import HotfolderError
from hotfolder.ledger.details import State
from hotfolder.ledger.reading import LedgerReader, open_reader
from hotfolder.model.earlier_findings import find_facts
from hotfolder.model.records import SHEET, Record
from hotfolder.model.units import MM_PER_INCH, say_share
from hotfolder.settings.files import load_destination, read_title
from hotfolder.settings.root import Root
from hotfolder.settings.tables import Intake, TicketTable
from hotfolder.stages.registry import load_registry

PAGES_SHOWN: Final = 40
"""Pages of a book on one page of the desk; an even number, so that facing pages stay together."""

_THUMBNAIL = "thumbnail"
_WORTH_DRAWING = 0.001


@dataclass(frozen=True)
class BookRow:
    """A place on a page, and what became of it."""

    row: int
    """Its number in the ticket."""
    page: str
    placement: str
    file: str
    state: str
    """A word of `hotfolder.batch.standing.WORDS`."""
    says: tuple[str, ...]
    """What is wrong, what it is held for, or would be: sentences."""
    notes: tuple[str, ...]
    """What people should know of it all the same."""
    job: str
    """"" when there is none."""
    size: str
    """As asked for, in millimetres."""
    anchor: str
    intent: str
    caption: str
    copies: int
    picture: str
    """Address of its small picture, in which what is cut off is washed out; "" for none."""
    cropped: str
    """The share that is cut off, in words; "" for none."""
    number: int = 0
    """Of its result, from 1; 0 when there is none to take out."""


@dataclass(frozen=True)
class BookPage:
    """A page and what stands on it."""

    label: str
    rows: tuple[BookRow, ...]


@dataclass(frozen=True)
class FacingPages:
    """Two pages that lie side by side; None where the ticket has none."""

    left: BookPage | None
    right: BookPage | None
    says: tuple[str, ...] = ()
    """How they differ, as sentences."""


@dataclass(frozen=True)
class Book:
    """A batch, as its page shows it."""

    destination: str
    title: str
    """Of the destination, as people call it."""
    batch: str
    ticket: str
    ticket_sha256: str
    """Of the ticket that stands; a correction says which it has seen."""
    says: tuple[str, ...]
    """What is wrong with the whole: sentences."""
    remarks: tuple[str, ...]
    counts: Mapping[str, int]
    spreads: tuple[FacingPages, ...]
    """Of this page of the desk."""
    wrong: tuple[BookRow, ...]
    """Every row of the whole batch of which something is wrong, in the order of its pages."""
    rows: int
    page: int
    pages: int
    delivered: int
    is_discarded: bool
    waiting: tuple[str, ...]
    """Jobs that have not ended."""


@dataclass(frozen=True)
class BatchCard:
    """A batch in a list."""

    destination: str
    title: str
    """Of the destination, as people call it."""
    batch: str
    ticket: str
    rows: int
    counts: Mapping[str, int]
    planned: str
    is_discarded: bool


def list_batches(root: Root) -> list[BatchCard]:
    """Return all batches, the one planned last first.

    Raises
    ------
    StorageError
        When the ledger cannot be read.
    """
    with open_reader(root.ledger) as ledger:
        found = [
            BatchCard(
                destination,
                read_title(root.destinations / f"{destination}.toml"),
                batch,
                state.ticket,
                state.rows,
                count_words(_follow(ledger, state)),
                state.planned,
                bool(state.discarded),
            )
            for (destination, batch), state in read_batches(ledger).items()
        ]
    return sorted(found, key=lambda each: each.planned, reverse=True)


def read_book(
    root: Root, destination: str, batch: str, page: int, foreseen: Mapping[str, Foreseen]
) -> Book | None:
    """Read a batch as its pages; None when there is no such batch.

    Parameters
    ----------
    root
        The root.
    destination, batch
        Its names.
    page
        Which part of it, from 1, `PAGES_SHOWN` pages each.
    foreseen
        What is known beforehand of jobs that have not ended.

    Raises
    ------
    StorageError
        When the ledger cannot be read.
    """
    with open_reader(root.ledger) as ledger:
        state = read_batches(ledger).get((destination, batch))
        if state is None:
            return None
        standings = _follow(ledger, state)
        files = read_files(ledger, destination, batch)
    rows = {each.row: _tell_row(each, foreseen) for each in standings}
    looks = [look for look in map(find_look, standings) if look]
    limits = _read_limits(root, destination)
    differing, _ = compare_spreads(looks, limits.spread_lightness, limits.spread_neutral)
    spreads = lay_out(rows.values(), differing)
    ordered = [row for spread in spreads for side in (spread.left, spread.right) if side
               for row in side.rows]  # fmt: skip
    pages = max(1, -(-len(spreads) * 2 // PAGES_SHOWN))
    page = min(max(1, page), pages)
    first = (page - 1) * PAGES_SHOWN // 2
    counts = count_words(standings)
    return Book(
        destination=destination,
        title=read_title(root.destinations / f"{destination}.toml"),
        batch=batch,
        ticket=names.display_name(state.ticket),
        ticket_sha256=state.ticket_sha256,
        says=tuple(_say_whole(state, files)),
        remarks=tuple(map(names.display_name, state.remarks)),
        counts=counts,
        spreads=tuple(spreads[first : first + PAGES_SHOWN // 2]),
        wrong=tuple(row for row in ordered if row.says),
        rows=state.rows,
        page=page,
        pages=pages,
        delivered=counts["delivered"],
        is_discarded=bool(state.discarded),
        waiting=tuple(each.line.job for each in standings if each.state == "waiting" and each.line),
    )


def find_ticket(root: Root, destination: str, batch: str) -> tuple[KeptFile | None, bool]:
    """Find the ticket of a batch that stands, and whether a later one has not been planned yet.

    Raises
    ------
    StorageError
        When the ledger cannot be read.
    """
    with open_reader(root.ledger) as ledger:
        state = read_batches(ledger).get((destination, batch))
        files = [each for each in read_files(ledger, destination, batch) if is_ticket(each.name)]
        on_the_way: list[object] = [
            row
            for row in ledger.open_jobs()
            if row.destination == destination
            and row.placement is None
            and is_ticket(names.display_name(row.source))
        ]
    if state is None:
        return None, bool(on_the_way)
    stands = [each for each in files if each.sha256 == state.ticket_sha256]
    last = stands[-1] if stands else None
    lying = folders_of(root, destination).hot_folder / batch
    with contextlib.suppress(OSError):  # a share is away, or no folder is there
        on_the_way += [path for path in lying.iterdir() if is_ticket(path.name)]
    later = last is not None and any(
        each.seq > last.seq and each.arrived.isoformat() > state.planned for each in files
    )
    return last, later or bool(on_the_way)


def lay_out(rows: Iterable[BookRow], differing: Sequence[Spread] = ()) -> list[FacingPages]:
    """Put rows on pages and pages side by side: an even one left, the next odd one right.

    Pages that are no numbers come first, each for itself, in the order of a book.
    """
    by_page: dict[str, list[BookRow]] = {}
    for row in rows:
        by_page.setdefault(row.page, []).append(row)
    says = {each.left: tuple(_say_differing(each)) for each in differing}
    spreads: list[FacingPages] = []
    for label in sorted(by_page, key=sort_page):
        page = BookPage(label, tuple(sorted(by_page[label], key=lambda each: each.row)))
        if not (label.isascii() and label.isdigit()):
            spreads.append(FacingPages(page, None))
            continue
        number = int(label)
        before = spreads[-1].left if spreads else None
        if number % 2 == 0:
            spreads.append(FacingPages(page, None, says.get(number, ())))
        elif before and before.label == str(number - 1) and spreads[-1].right is None:
            spreads[-1] = FacingPages(before, page, spreads[-1].says)
        else:
            spreads.append(FacingPages(None, page))
    return spreads


def _read_limits(root: Root, destination: str) -> TicketTable:
    path = root.destinations / f"{destination}.toml"
    try:
        found = load_destination(path, load_registry(root.plugins), Intake()).file.ticket
    except HotfolderError:
        found = None  # the counter says what is wrong with its file
    return found or TicketTable()


def _follow(ledger: LedgerReader, state: BatchState) -> list[Standing]:
    jobs = {
        line.job: row for line in state.lines if line.job and (row := ledger.find_job(line.job))
    }
    return find_standings(state, jobs)


def _tell_row(standing: Standing, foreseen: Mapping[str, Foreseen]) -> BookRow:
    line, fault, record = standing.line, standing.fault, standing.record
    written = line or fault
    job = line.job if line else ""
    says, notes = list(standing.why), [each.message for each in record.warnings] if record else []
    if standing.state == "delivered":
        says = []  # a person has let it go, whatever it was held for
    elif fault is not None:
        says = [say_fault(fault.column, fault.got, fault.allowed)]
    elif line is not None and line.problem:
        says = [say_line_problem(line.problem)]
    elif standing.state == "waiting" and (known := foreseen.get(job)):
        says, notes = list(known.reasons), list(known.warnings)
    facts = find_facts(record) if record else None
    share = (facts.cropped_share or 0.0) if facts else 0.0
    is_cropped = record is not None and share > _WORTH_DRAWING
    return BookRow(
        row=standing.row,
        page=written.page if written else "",
        placement=written.placement if written else "",
        file=names.display_name(written.file) if written else "",
        state=standing.state,
        says=tuple(map(names.display_name, says)),
        notes=tuple(map(names.display_name, notes)),
        job=job,
        size=_say_size(standing),
        anchor=line.anchor if line else "",
        intent=line.intent if line else "",
        caption=line.caption if line else "",
        copies=line.copies if line else 1,
        picture=_address_of(record, _THUMBNAIL, "thumbnail")
        or (_address_of(record, SHEET, "view/whole") if is_cropped else ""),
        cropped=say_share(share) if is_cropped else "",
        number=1 if record and record.results and standing.state == State.DELIVERED else 0,
    )


def _say_whole(state: BatchState, files: Sequence[KeptFile]) -> list[str]:
    says = []
    if state.discarded:
        by = f" by {state.discarded_by}" if state.discarded_by else ""
        why = f" ({state.discarded_why})" if state.discarded_why else ""
        says.append(f"This batch was discarded{by}{why}.")
    if state.ticket_problem:
        says.append(names.display_name(state.ticket_problem))
    if not state.ticket and not state.discarded:
        says.append("No ticket has come yet: a table that says where each picture goes.")
    if state.spare and state.ticket:
        shown = ", ".join(names.display_name(each) for each in state.spare[:12])
        more = ", …" if len(state.spare) > 12 else ""
        says.append(f"No row names these pictures: {shown}{more}.")
    if not files:
        says.append("Its files are not known any more: drop its ticket again.")
    return says


def _say_size(standing: Standing) -> str:
    line, record = standing.line, standing.record
    if line and line.width_mm and line.height_mm:
        return f"{line.width_mm:g} × {line.height_mm:g} mm"
    if line and (side := line.width_mm or line.height_mm):
        return f"{side:g} mm {'wide' if line.width_mm else 'high'}"
    result = record.results[0] if record and record.results else None
    if result and result.ppi:
        sides = (
            f"{px / result.ppi * MM_PER_INCH:.0f}" for px in (result.width_px, result.height_px)
        )
        return f"{' × '.join(sides)} mm"
    return ""


def _say_differing(spread: Spread) -> list[str]:
    says = []
    if "lightness" in spread.what:
        which = "right" if spread.lightness > 0 else "left"
        says.append(f"The {which} page is lighter by {abs(spread.lightness):.1f} L*.")
    if "greys" in spread.what and spread.greys is not None:
        says.append(f"Their greys lean apart by {spread.greys:.1f} in a* and b*.")
    if "paper" in spread.what:
        says.append("They are made for different papers.")
    return says


def _address_of(record: Record | None, kind: str, what: str) -> str:
    for each in record.attachments if record else ():
        if each.kind == kind and record:
            return f"/job/{record.job}/{what}?of={each.sha256[:16]}"
    return ""
