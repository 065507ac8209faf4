"""The first page, the counter: what waits, what is worked on, what came out; and its events."""

from __future__ import annotations

import asyncio
import hashlib
import json
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from datetime import datetime
from functools import partial
from typing import Final

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from hotfolder.desk import errands
from hotfolder.desk.forms import Form, form_route
from hotfolder.desk.reading import Overview, SmallOf, Story, read_overview, read_story
from hotfolder.desk.showing import Shown
from hotfolder.ending.held_folder import JOB_NAME
from hotfolder.settings.root import Root

SEEN: Final = "hotfolder-desk-seen"
"""Name of the cookie that says until when a person has looked; it opens nothing."""

_YEAR_S = 365 * 86400
_EVERY_S = 1.5
_SHARE_OF_TIME = 4
"""A look costs more the more there is: it takes at most a quarter of one core."""

_MOST_STREAMS = 64


class Counter:
    """What the first page shows, read at most once in a while however many look at it."""

    def __init__(self, root: Root, shown: Shown, small_of: SmallOf) -> None:
        """Prepare; small_of: knows small pictures of originals."""
        self._root = root
        self._small_of = small_of
        self._shown = shown
        self._lock = asyncio.Lock()
        self._looks: dict[tuple[int, str], tuple[float, Overview]] = {}
        self._rests_s = _EVERY_S
        self._streams = 0
        self.ending = asyncio.Event()
        """Set when the desk ends: streams end then."""

    def forget(self) -> None:
        """Read anew at the next look: something was done here."""
        self._looks = {}

    def routes(self) -> list[Route]:
        """Return its routes."""
        return [
            Route("/", self.show),
            Route("/events", self.stream),
            form_route("/seen", self.note_seen, for_all=True),
        ]

    async def show(self, request: Request) -> Response:
        """Show the counter."""
        try:
            page = int(request.query_params.get("page", "1"))
        except ValueError:
            page = 1
        found = await self._look(page, request.cookies.get(SEEN, ""))
        return self._shown.page(request, "counter.html", found=found)

    async def note_seen(self, _request: Request, form: Form) -> Response:
        """Note until when a person has looked at what was delivered."""
        answer = RedirectResponse("/", 303)
        until = _read_moment(form.text("until"))
        if until:
            answer.set_cookie(
                SEEN, until.isoformat(), max_age=_YEAR_S, httponly=True, samesite="strict"
            )
        return answer

    async def stream(self, request: Request) -> Response:
        """Say whenever something has changed, as server-sent events (HTML, 9.2)."""
        if self._streams >= _MOST_STREAMS:
            return Response("Too many pages are open.\n", 503, {"retry-after": "30"})
        job, seen = request.query_params.get("job", ""), request.cookies.get(SEEN, "")
        if not JOB_NAME.fullmatch(job):
            job = ""
        try:
            page = int(request.query_params.get("page", "1"))
        except ValueError:
            page = 1

        async def look() -> str:
            if job:
                return _fingerprint_of_job(
                    await errands.do(partial(read_story, self._root, job, self._small_of))
                )
            return _fingerprint(await self._look(page, seen))

        return StreamingResponse(self._events(look), media_type="text/event-stream")

    async def _events(self, look: Callable[[], Awaitable[str]]) -> AsyncIterator[str]:
        self._streams += 1
        try:
            last = ""
            yield "retry: 3000\n\n"
            while not self.ending.is_set():
                try:
                    now = await look()
                except errands.NoAnswer:
                    now = last
                # a comment shows that the stream lives, and finds out who has gone
                yield f"data: {now}\n\n" if now != last else ": \n\n"
                last = now
                await self._rest()
        finally:
            self._streams -= 1

    async def _rest(self) -> None:
        try:
            async with asyncio.timeout(self._rests_s):
                await self.ending.wait()
        except TimeoutError:
            return

    async def _look(self, page: int, seen: str) -> Overview:
        key = (page, seen)
        async with self._lock:
            at, found = self._looks.get(key, (0.0, None))
            if found and time.monotonic() < at + self._rests_s:
                return found
            begun = time.monotonic()
            found = await errands.do(
                lambda: read_overview(self._root, page, _read_moment(seen), self._small_of)
            )
            ended = time.monotonic()
            self._rests_s = max(_EVERY_S, _SHARE_OF_TIME * (ended - begun))
            self._looks = {
                each: look for each, look in self._looks.items() if look[0] > ended - self._rests_s
            }
            self._looks[key] = ended, found
            return found


def _read_moment(text: str) -> datetime | None:
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    return found if found.tzinfo else None


def _fingerprint_of_job(story: Story | None) -> str:
    if story is None:
        return "none"
    card = story.card
    said = [card.stamp, card.thumbnail, story.standing, story.can_be_put_back, story.is_kept]
    return hashlib.sha256(json.dumps(said).encode()).hexdigest()[:16]


def _fingerprint(found: Overview) -> str:
    """Return what changes when the page would, but for how long things have been waiting."""
    said = [
        [
            (each.job, each.stamp, each.thumbnail, each.under_way)
            for each in (*found.held, *found.delivered)
        ],
        found.held_in_all,
        found.delivered_in_all,
        [(each["job"], each["why"], each["share"]) for each in found.at_work],
        found.queued,
        found.stopped,
        found.problems,
        found.batches,
        [each["job"] for each in found.status["refused"]],
        found.status["served"],
    ]
    return hashlib.sha256(json.dumps(said).encode()).hexdigest()[:16]
