"""Turning what was read into a page: the one place where the desk's templates are filled in."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from starlette.requests import Request
from starlette.responses import HTMLResponse

from hotfolder.desk.guard import visitor_of
from hotfolder.desk.installed import SAYS, Installed
from hotfolder.pages.frame import load_template, text_of

if TYPE_CHECKING:
    from hotfolder.settings.root import Root

_PACKAGE: Final = "hotfolder.desk"


class Shown:
    """Fills in the templates of one desk."""

    def __init__(self, root: Root) -> None:
        self._root = root
        self.installed = Installed()
        """Of which version the program is by now."""

    def page(
        self, request: Request, template: str, *, status: int = 200, **values: object
    ) -> HTMLResponse:
        """Return a page; every value is text until the template escapes it."""
        visitor = visitor_of(request)
        text = load_template(_PACKAGE, template).render(
            root=self._root.path.name,
            visitor=visitor,
            here=request.url.path,
            outdated=SAYS if self.installed.is_another() else "",
            **values,
        )
        return HTMLResponse(text, status)

    def message(
        self, request: Request, title: str, *says: str, status: int = 200, back: str = "/"
    ) -> HTMLResponse:
        """Return a page that says one thing."""
        where = {"/job/": "Back to the picture", "/batch/": "Back to the batch"}
        to = next((said for start, said in where.items() if back.startswith(start)), "")
        return self.page(
            request,
            "message.html",
            status=status,
            title=title,
            says=list(says),
            back=back,
            to=to or "To the counter",
        )


STATIC: Final[dict[str, tuple[str, Callable[[], str]]]] = {
    "desk.css": (
        "text/css",
        # the words of proof sheets and those of the desk look alike, since they are one style
        lambda: (
            text_of("hotfolder.pages", "proof.css")
            + text_of(_PACKAGE, "desk.css")
            + text_of(_PACKAGE, "books.css")
            + text_of(_PACKAGE, "display.css")
            + text_of("hotfolder.pages", "measured.css")
        ),
    ),
    "desk.svg": ("image/svg+xml", lambda: text_of(_PACKAGE, "desk.svg")),
    "desk.js": ("text/javascript", lambda: text_of(_PACKAGE, "desk.js")),
}
"""Style and script, by name."""
