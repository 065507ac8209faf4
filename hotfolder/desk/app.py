"""The desk's pages, put together behind the guard."""

from __future__ import annotations

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from hotfolder.desk.access import Access
from hotfolder.desk.arrivals import Arrivals
from hotfolder.desk.audit_page import AuditPages
from hotfolder.desk.books import Books
from hotfolder.desk.changes import Changes
from hotfolder.desk.counter import Counter
from hotfolder.desk.decisions import Decisions, say_error
from hotfolder.desk.display_page import DisplayPage
from hotfolder.desk.foreseeing import Foreseeing
from hotfolder.desk.guard import Guard
from hotfolder.desk.installed import SAYS
from hotfolder.desk.job_page import JobPages
from hotfolder.desk.measured_page import MeasuredPages
from hotfolder.desk.needs import Needs
from hotfolder.desk.notices import Notices
from hotfolder.desk.showing import STATIC, Shown
from hotfolder.desk.small_originals import SmallOriginals
from hotfolder.desk.trials import Trials
from hotfolder.desk.whites import WhitesInPictures
from hotfolder.errors import HotfolderError
from hotfolder.settings.root import Root


class Desk:
    """One desk: what a server serves, and how it is told to end."""

    def __init__(self, root: Root, access: Access) -> None:
        shown = Shown(root)
        self._shown = shown
        self._small = SmallOriginals(root)
        self._whites = WhitesInPictures(root)
        self._counter = Counter(root, shown, self._small.find_address)
        self._trials = Trials(root)
        self._foreseeing = Foreseeing(root)
        decisions = Decisions(root, shown, self._counter.forget, self._small.find_address)
        pages = Starlette(
            routes=[
                *self._counter.routes(),
                *JobPages(root, shown, self._small, self._whites).routes(),
                *decisions.routes(),
                *Changes(root, shown, self._trials, decisions).routes(),
                *Books(root, shown, self._foreseeing, self._counter.forget).routes(),
                *AuditPages(root, shown).routes(),
                *MeasuredPages(root, shown).routes(),
                *DisplayPage(root, shown).routes(),
                *Arrivals(root, shown, self._counter.forget).routes(),
                *Needs(root, shown).routes(),
                *Notices(root).routes(),
                Route("/static/{name}", _give_static),
            ],
            exception_handlers={
                HotfolderError: self._say_error,
                OSError: self._say_os_error,
                Exception: self._say_fault,
            },
        )
        self.app = Guard(pages, access)

    def end_streams(self) -> None:
        """End what would go on for long; from the thread that serves."""
        self._counter.ending.set()
        self._trials.end()
        self._foreseeing.end()
        self._small.end()
        self._whites.end()

    async def _say_error(self, request: Request, error: Exception) -> Response:
        says = say_error(error) if isinstance(error, HotfolderError) else [str(error)]
        return self._shown.message(request, "This cannot be shown now", *says, status=503)

    async def _say_os_error(self, request: Request, error: Exception) -> Response:
        said = error.strerror if isinstance(error, OSError) else ""
        text = f"A disk or share reports: {said or error}."
        return self._shown.message(request, "This cannot be shown now", text, status=503)

    async def _say_fault(self, _request: Request, _error: Exception) -> Response:
        """Say that the program is at fault, or that it is another by now; the log has the rest."""
        said = "This page failed: a fault of the program, which has been written to its output."
        if self._shown.installed.look():
            said = f"This page cannot be shown. {SAYS}"
        # as text: the templates may be those of another version
        return PlainTextResponse(f"{said}\n", 500)


async def _give_static(request: Request) -> Response:
    found = STATIC.get(request.path_params["name"])
    if found is None:
        return PlainTextResponse("There is no such file.\n", 404)
    kind, read = found
    return Response(read(), media_type=kind)
