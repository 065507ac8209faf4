"""Batches at the desk: their pages, what is wrong before the night, rows that are corrected."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Final
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from hotfolder.batch.correcting import (
    CORRECTABLE,
    CorrectionError,
    correct_ticket,
    describe_row,
)
from hotfolder.batch.shelf import KeptFile
from hotfolder.batch.ticket import ANCHORS, INTENTS, is_ticket
from hotfolder.batch.workbook import SUFFIXES
from hotfolder.desk import errands
from hotfolder.desk.arrivals import is_folder_of_batch
from hotfolder.desk.book_reading import find_ticket, list_batches, read_book
from hotfolder.desk.foreseeing import Foreseeing
from hotfolder.desk.forms import Form, form_route
from hotfolder.desk.guard import STRANGERS_POLICY, visitor_of
from hotfolder.desk.job_page import say_name
from hotfolder.desk.reading import folders_of
from hotfolder.desk.showing import Shown
from hotfolder.desk.zipped import list_results, stream_zip
from hotfolder.disk import durable
from hotfolder.disk.free_names import free_name
from hotfolder.disk.marker import check_marker, make_marked_folders, write_marked
from hotfolder.errors import StorageError
from hotfolder.settings.root import Root

_LABELS: Final = {
    "width": "Width",
    "height": "Height",
    "anchor": "What a crop keeps",
    "intent": "Rendering",
    "file": "Picture",
    "page": "Page",
    "placement": "Place on the page",
    "copies": "Copies",
    "caption": "Caption",
}
_MOST_TICKET_BYTES = 8 * 2**20


class Books:
    """Pages of batches."""

    def __init__(
        self, root: Root, shown: Shown, foreseeing: Foreseeing, dropped: Callable[[], None]
    ) -> None:
        """Prepare; dropped: called when a corrected ticket has been dropped."""
        self._root = root
        self._shown = shown
        self._foreseeing = foreseeing
        self._dropped = dropped

    def routes(self) -> list[Route]:
        """Return their routes."""
        at = "/batch/{destination}/{batch}"
        return [
            Route("/batches", self.show_all),
            Route(at, self.show),
            Route(f"{at}/results.zip", self.give_results),
            Route(f"{at}/row/{{row:int}}", self.show_row),
            form_route(f"{at}/row/{{row:int}}", self.correct),
        ]

    async def show_all(self, request: Request) -> Response:
        """List all batches."""
        found = await errands.do(partial(list_batches, self._root))
        return self._shown.page(request, "batches.html", batches=found)

    async def show(self, request: Request) -> Response:
        """Show a batch as its pages."""
        destination, batch = _batch_of(request)
        said = request.query_params.get("page", "1")
        number = int(said) if said.isdecimal() and len(said) < 6 else 1
        read = partial(read_book, self._root, destination, batch, number)
        book = await errands.do(partial(read, {}))
        if book is None:
            return self._tell_none(request)
        looking_ahead = 0
        if book.waiting and visitor_of(request).may_decide:
            foreseen, looking_ahead = await errands.do(
                partial(self._foreseeing.find, destination, book.waiting)
            )
            book = await errands.do(partial(read, foreseen)) or book
        return self._shown.page(
            request,
            "book.html",
            book=book,
            looking_ahead=looking_ahead,
            can_drop=visitor_of(request).may_decide and is_folder_of_batch(batch),
        )

    async def show_row(self, request: Request) -> Response:
        """Show a row of the ticket, to be corrected."""
        if not visitor_of(request).may_decide:
            return self._shown.message(
                request, "This desk only shows", "Nothing is corrected here.", status=403
            )
        destination, batch = _batch_of(request)
        row = request.path_params["row"]
        ticket, is_late = await errands.do(partial(find_ticket, self._root, destination, batch))
        if ticket is None:
            return self._tell_none(request)
        if is_late:
            return self._show_form(request, ticket, {}, [_LATE])
        try:
            cells = await errands.do(partial(_read_row, ticket, row))
        except CorrectionError as error:
            return self._show_form(request, ticket, {}, list(error.says))
        says = [] if cells else [f"The ticket has no row {row}."]
        return self._show_form(request, ticket, cells, says)

    async def correct(self, request: Request, form: Form) -> Response:
        """Write the ticket anew with a row corrected, and drop it."""
        destination, batch = _batch_of(request)
        row = request.path_params["row"]
        ticket, is_late = await errands.do(partial(find_ticket, self._root, destination, batch))
        if ticket is None or not is_folder_of_batch(batch):
            return self._tell_none(request)
        cells = {column: form.text(column) for column in CORRECTABLE if form.has(column)}
        back = f"/batch/{quote(destination)}/{quote(batch)}"
        if is_late or form.text("seen") != ticket.sha256:
            return self._shown.message(
                request, "Another ticket has come since you looked",
                "Nothing was done by your click. Look at the batch again, and correct the row "
                "as it stands then.", status=409, back=back,
            )  # fmt: skip
        drop = partial(_drop_corrected, self._root, destination, batch, ticket, row, cells)
        try:
            await errands.do(drop)
        except CorrectionError as error:
            return self._show_form(request, ticket, cells, list(error.says), status=409)
        self._dropped()
        return self._shown.message(
            request,
            f"Row {row} is corrected",
            "The corrected ticket has been dropped. It is taken up as one that came into the hot "
            "folder, and what comes out differently is made again.",
            back=back,
        )

    async def give_results(self, request: Request) -> Response:
        """Give out all results of a batch as one file, as it is read."""
        destination, batch = _batch_of(request)
        found = await errands.do(partial(list_results, self._root, destination, batch))
        if not found:
            return self._tell_none(request)
        return StreamingResponse(
            stream_zip(found),
            media_type="application/zip",
            headers={
                "content-security-policy": STRANGERS_POLICY,
                "content-disposition": say_name(f"{batch}.zip"),
            },
        )

    def _show_form(
        self,
        request: Request,
        ticket: KeptFile,
        cells: dict[str, str],
        says: list[str],
        status: int = 200,
    ) -> Response:
        destination, batch = _batch_of(request)
        return self._shown.page(
            request,
            "book_row.html",
            status=status,
            destination=destination,
            batch=batch,
            row=request.path_params["row"],
            ticket=ticket.name,
            is_workbook=ticket.name.lower().endswith(SUFFIXES),
            seen=ticket.sha256,
            cells={"anchor": "", "intent": "", **cells} if cells else {},
            says=says,
            labels=list(_LABELS.items()),
            anchors=ANCHORS,
            intents=INTENTS,
        )

    def _tell_none(self, request: Request) -> Response:
        return self._shown.message(
            request, "There is no such batch", "Nothing here is called so.", status=404
        )


_LATE: Final = "A later ticket is just being taken in. Look again in a moment."


def _batch_of(request: Request) -> tuple[str, str]:
    return request.path_params["destination"], request.path_params["batch"]


def _read_ticket(ticket: KeptFile) -> bytes:
    """Read the ticket that stands, as it came.

    Raises
    ------
    CorrectionError
        When it is not there any more as it came.
    """
    try:
        with durable.open_to_read(ticket.place) as file:
            data = file.read(_MOST_TICKET_BYTES + 1)
    except OSError as error:
        raise CorrectionError(
            f"{ticket.name} cannot be read where it is kept: {error.strerror or error}. Drop the "
            "corrected table itself."
        ) from error
    if not durable.has_bytes(ticket.place, ticket.sha256):
        raise CorrectionError(
            f"{ticket.name} was changed where it is kept. Drop the corrected table itself."
        )
    return data


def _read_row(ticket: KeptFile, row: int) -> dict[str, str]:
    return describe_row(_read_ticket(ticket), ticket.name, row)


def _drop_corrected(
    root: Root, destination: str, batch: str, ticket: KeptFile, row: int, cells: dict[str, str]
) -> Path:
    """Write the corrected ticket into the hot folder, where the daemon takes it as any other.

    Raises
    ------
    CorrectionError
        When the row would be wrong, or another ticket lies there already.
    StorageError
        When it cannot be written.
    """
    data = correct_ticket(_read_ticket(ticket), ticket.name, row, cells)
    hot_folder = folders_of(root, destination).hot_folder
    check_marker(hot_folder)
    folder = hot_folder / batch
    try:
        make_marked_folders(folder)
        if any(is_ticket(path.name) for path in folder.iterdir()):
            raise CorrectionError(_LATE)
        target = free_name(folder, f"{Path(ticket.name).stem}.csv")
        write_marked(target, data)
    except OSError as error:
        raise StorageError(f"{folder} cannot be written: {error.strerror or error}") from error
    return target
