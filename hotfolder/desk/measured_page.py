"""What was measured for a destination, at the desk."""

from __future__ import annotations

from functools import partial

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from hotfolder.audit.books import open_books
from hotfolder.desk import errands
from hotfolder.desk.arrivals import list_names
from hotfolder.desk.showing import Shown
from hotfolder.measured.book import Book
from hotfolder.measured.control_strip import recall_strip, strip_command
from hotfolder.measured.limits import load_limits
from hotfolder.settings.files import read_title
from hotfolder.settings.root import Root
from hotfolder.work.trial import destinations


class MeasuredPages:
    """The page about a destination's control strips, and the list of those pages."""

    def __init__(self, root: Root, shown: Shown) -> None:
        self._root = root
        self._shown = shown

    def routes(self) -> list[Route]:
        """Return their routes."""
        return [Route("/measured", self.show_all), Route("/measured/{name}", self.show)]

    async def show_all(self, request: Request) -> Response:
        """List destinations, each with how its medium stands."""
        rows = await errands.do(self._list)
        return self._shown.page(request, "measured.html", found=None, rows=rows)

    async def show(self, request: Request) -> Response:
        """Show one destination's control strips."""
        name = request.path_params["name"]
        if name not in await errands.do(partial(list_names, self._root)):
            return self._shown.message(
                request, "There is no such destination", "Nothing here is called so.", status=404
            )
        found = await errands.do(partial(self._collect, name))
        return self._shown.page(request, "measured.html", found=found, rows=[])

    def _list(self) -> list[dict[str, object]]:
        return [
            {
                "name": name,
                "title": read_title(self._root.destinations / f"{name}.toml"),
                "last": Book(self._root, name).read_last(),
            }
            for name in list_names(self._root)
        ]

    def _collect(self, name: str) -> dict[str, object]:
        # numpy, and what draws: not for a desk that only shows its counter
        from hotfolder.overview.measured_page import collect_page, light_up

        (destination,) = destinations(self._root, [name])
        book = Book(self._root, name)
        verdicts = book.read()
        last = verdicts[-1] if verdicts else None
        strip = recall_strip(self._root, name, last.strip) if last else None
        with open_books(self._root) as db:
            return collect_page(
                destination.file.title or name,
                verdicts,
                strip,
                load_limits(self._root),
                db,
                make_strip=strip_command(self._root, name),
                is_current=last is not None and last.profile_sha256 == destination.profile.sha256,
                lit=light_up(self._root, destination, verdicts, strip),
                photographs=book.read_photographs(),
            )
