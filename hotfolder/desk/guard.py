"""The guard: what every request must pass before any page sees it.

- ``Host`` is one of our names, with our port: a stranger's name that was made to lead here
  (DNS rebinding) is answered 421;
- the cookie of a session, or the secret in the address of the first page, else 401;
- ``Sec-Fetch-Site`` and ``Origin``: nothing from another site or another port, but for a person
  who follows a link to a page (403). SameSite lets other ports through;
- what changes something carries the token of the session (`forms`, `arrivals`).

Every answer gets a policy that lets nothing from outside in.
"""

from __future__ import annotations

from http.cookies import CookieError, SimpleCookie
from typing import Final
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from hotfolder.desk.access import FIRST_KEY, LASTS_S, Access, Visitor

_VISITOR = "hotfolder.visitor"
_POLICY = "content-security-policy"

OWN_POLICY: Final = (
    "default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; connect-src 'self';"
    " form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
"""Of our own pages: everything comes from here, as files."""

STRANGERS_POLICY: Final = (
    "sandbox; default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none';"
    " form-action 'none'; frame-ancestors 'none'"
)
"""Of a page or a file that a stranger's picture went into: no script, no form, no origin."""

_ALWAYS = {
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # with "no-referrer", browsers send "Origin: null" with our own forms
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}
_SAFE = frozenset({"GET", "HEAD"})
_OURS = frozenset({"same-origin", "none"})
_NOT_LET_IN = (
    "This is the desk of somebody's print room. Open the whole address that `hotfolder desk` "
    "printed; an earlier one is void since the desk was started anew.\n"
)


def visitor_of(request: Request) -> Visitor:
    """Return who asks; the guard has let them in."""
    found = request.scope[_VISITOR]
    if not isinstance(found, Visitor):
        raise TypeError("a request without a visitor has passed the guard")
    return found


class Guard:
    """Lets requests through to the pages, or answers them itself."""

    def __init__(self, pages: ASGIApp, access: Access) -> None:
        self._pages = pages
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request (ASGI 3.0)."""
        if scope["type"] == "lifespan":
            await self._pages(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # a connection of another kind is closed without an answer
        answer = self._stop(scope)
        guarded = _with_headers(send)
        await (answer or self._pages)(scope, receive, guarded)

    def _stop(self, scope: Scope) -> Response | None:
        """Return the answer to a request that must not pass; None when it may."""
        headers = Headers(scope=scope)
        if len(headers.getlist("host")) != 1 or headers["host"].lower() not in self._access.hosts:
            return PlainTextResponse("There is no desk of this name here.\n", 421)
        visitor = self._access.find_visitor(self._read_cookies(headers))
        if visitor is None:
            return self._let_in(scope, headers)
        if reason := self._find_foreign(scope, headers):
            return PlainTextResponse(reason, 403)
        scope[_VISITOR] = visitor
        return None

    def _let_in(self, scope: Scope, headers: Headers) -> Response:
        said = parse_qs(scope["query_string"].decode("latin-1"), max_num_fields=20)
        keys = said.get(FIRST_KEY, [])
        is_first = scope["path"] == "/" and scope["method"] in _SAFE
        if not (is_first and len(keys) == 1 and self._access.is_secret(keys[0])):
            return PlainTextResponse(_NOT_LET_IN, 401)
        answer: Response = RedirectResponse("/", 303)
        if headers.get("sec-fetch-site", "none") not in _OURS:
            # after a redirect from elsewhere a strict cookie is not sent; from our own page it is
            answer = HTMLResponse(
                '<!doctype html><html lang="en"><meta charset="utf-8"><title>Desk</title>'
                '<meta http-equiv="refresh" content="0; url=/"><p><a href="/">To the desk</a>'
            )
        answer.set_cookie(
            self._access.cookie,
            self._access.open_session(),
            max_age=LASTS_S,
            httponly=True,
            samesite="strict",
            secure=self._access.scheme == "https",
        )
        return answer

    def _read_cookies(self, headers: Headers) -> list[str]:
        values = []
        for line in headers.getlist("cookie"):
            for part in line.split(";"):
                try:
                    found = SimpleCookie(part.strip()).get(self._access.cookie)
                except CookieError:
                    continue  # another port's, with a name or value that is none
                if found is not None:
                    values.append(found.value)
        return values

    def _find_foreign(self, scope: Scope, headers: Headers) -> str:
        """Say why a request with our cookie is not from one of our pages; "" when it is."""
        site = headers.get("sec-fetch-site", "same-origin")
        origin = headers.get("origin")
        is_change = scope["method"] not in _SAFE
        is_link = (
            not is_change
            and headers.get("sec-fetch-mode") == "navigate"
            and headers.get("sec-fetch-dest") == "document"
        )
        if site not in _OURS and not is_link:
            return "This was asked for by a page of another site.\n"
        if origin is not None and origin not in self._access.origins:
            return "This was asked for by a page of another site.\n"
        return ""


def _with_headers(send: Send) -> Send:
    async def send_guarded(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _ALWAYS.items():
                headers[name] = value
            headers.setdefault(_POLICY, OWN_POLICY)
            headers.setdefault("cache-control", "no-store")
        await send(message)

    return send_guarded
