"""Forms: short, and with the token of the session, or they are not looked at."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Final
from urllib.parse import parse_qs

from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from hotfolder.desk.access import is_token
from hotfolder.desk.guard import visitor_of

GUARDED_BY: Final = "token"
"""Of the field that has the session's token."""

MOST_BYTES: Final = 64 * 2**10
_MOST_FIELDS = 1000
_STALE = "This page is out of date: go back, load it again, and decide anew. Nothing was done.\n"


class Form:
    """What a person has filled in; every value is text of theirs."""

    def __init__(self, values: dict[str, list[str]]) -> None:
        self._values = values

    def text(self, name: str, longest: int = 2000) -> str:
        """Return what stands in a field, without blanks around it; "" when nothing does."""
        return self._values.get(name, [""])[-1].strip()[:longest]

    def has(self, name: str) -> bool:
        """Whether there is such a field, be it empty."""
        return name in self._values

    def all(self, name: str) -> list[str]:
        """Return all values of a field that can be there more than once."""
        return self._values.get(name, [])


Answering = Callable[[Request, Form], Awaitable[Response]]
"""What a form leads to."""


def form_route(path: str, answer: Answering, *, for_all: bool = False) -> Route:
    """Make the route of a form: nothing else that changes something is a route of the desk.

    for_all: also for who may only look.
    """

    async def check(request: Request) -> Response:
        visitor = visitor_of(request)
        if not (visitor.may_decide or for_all):
            return PlainTextResponse("This desk only shows; nothing is decided here.\n", 403)
        kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
        if kind != "application/x-www-form-urlencoded":
            return PlainTextResponse("This is no form of the desk.\n", 415)
        body = bytearray()
        try:
            async for piece in request.stream():
                body += piece
                if len(body) > MOST_BYTES:
                    return PlainTextResponse("This is more than the form can hold.\n", 413)
            values = parse_qs(
                body.decode("utf-8"), max_num_fields=_MOST_FIELDS, keep_blank_values=True
            )
        except ClientDisconnect:
            return Response(status_code=400)
        except ValueError:
            return PlainTextResponse("This is no form of the desk.\n", 400)
        form = Form(values)
        if not is_token(visitor, form.text(GUARDED_BY)):
            return PlainTextResponse(_STALE, 403)
        return await answer(request, form)

    return Route(path, check, methods=["POST"])
