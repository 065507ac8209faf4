"""What is new since a page asked last, for the browser to show on the desktop.

A page asks only after a person has clicked that they want to be told there. Each new thing gets a
number when it is first seen here; a page says up to which number it knows.
"""

from __future__ import annotations

import asyncio
import secrets
import time
from collections import OrderedDict
from dataclasses import dataclass, field
from functools import partial
from typing import Final
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from hotfolder.desk import errands
from hotfolder.notify.matters import Kind, Matter, describe, find_matters
from hotfolder.notify.teller import BLIP_S
from hotfolder.settings.root import Root

_EVERY_S: Final = 5.0
_SHARE_OF_TIME: Final = 10
"""A look costs more the more there is: it takes at most a tenth of one core."""

_MOST_AT_ONCE: Final = 3
"""More than so many new things are told in one notice."""

_MOST_SAID: Final = 240


@dataclass
class Notices:
    """Numbers what is new, and tells a page what it does not know."""

    root: Root
    _desk: str = field(default_factory=partial(secrets.token_hex, 8))
    """Numbers of another desk, or of this one before it was started anew, mean nothing."""
    _numbered: OrderedDict[str, tuple[int, Matter]] = field(default_factory=OrderedDict)
    _blinking: dict[str, float] = field(default_factory=dict)
    _last: int = 0
    _due_s: float = 0.0
    _lock: asyncio.Lock = field(default_factory=asyncio.Lock)

    def routes(self) -> list[Route]:
        """Return its route."""
        return [Route("/notices", self.give)]

    async def give(self, request: Request) -> Response:
        """Give out what is new, as JSON; to a page that asks for the first time, nothing."""
        async with self._lock:
            if time.monotonic() >= self._due_s:
                begun = time.monotonic()
                self.note(await errands.do(partial(_look, self.root)), begun)
                took_s = time.monotonic() - begun
                self._due_s = time.monotonic() + max(_EVERY_S, _SHARE_OF_TIME * took_s)
        new: list[Matter] = []
        if request.query_params.get("desk") == self._desk:
            new = self.list_after(request.query_params.get("after", ""))
        if 0 < len(new) <= _MOST_AT_ONCE:
            new = await errands.do(partial(describe, self.root, new))
        told = {"desk": self._desk, "last": self._last, "notices": put_into_words(new)}
        return JSONResponse(told, headers={"cache-control": "no-store"})

    def note(self, found: list[Matter], now_s: float) -> None:
        """Number what has not been there before; forget what is over.

        now_s: seconds that never run backwards.
        """
        keys = {each.key for each in found}
        for gone in [key for key in self._numbered if key not in keys]:
            del self._numbered[gone]
        self._blinking = {key: at for key, at in self._blinking.items() if key in keys}
        for each in found:
            if each.key in self._numbered:
                continue
            if each.lasts and now_s - self._blinking.setdefault(each.key, now_s) < BLIP_S:
                continue
            self._last += 1
            self._numbered[each.key] = self._last, each

    def list_after(self, said: str) -> list[Matter]:
        """Return what has a higher number than a page says; nothing for what is no number."""
        if not (said.isascii() and said.isdigit() and len(said) < 16):
            return []
        after = int(said)
        return [each for number, each in self._numbered.values() if number > after]


def put_into_words(new: list[Matter]) -> list[dict[str, str]]:
    """Put what is new into notices: each its own, or all in one when there are many.

    Returns
    -------
    For each a tag, by which a browser knows it again, a title, a text, and where it leads.
    """
    if len(new) > _MOST_AT_ONCE:
        held = sum(each.kind is Kind.HELD for each in new)
        others = len(new) - held
        says = [f"{held} pictures wait for you" if held > 1 else "1 picture waits"] if held else []
        if others:
            says.append(f"{others} more to look at" if held else f"{others} things to look at")
        tag = f"many-{new[-1].key}"
        return [{"tag": tag, "title": "; ".join(says), "text": "", "to": "/"}]
    return [_put(each) for each in new]


def _put(matter: Matter) -> dict[str, str]:
    where = matter.title or matter.destination
    measured = f"/measured/{quote(matter.destination)}"
    title, to = {
        Kind.HELD: (f"{matter.name} waits for you", f"/job/{matter.job}"),
        Kind.BATCH: (f"Batch {matter.name} has ended", "/batches"),
        Kind.AWAY: (f"{where} cannot be reached", "/"),
        Kind.TROUBLE: (f"Something is in the way of {where or 'all work'}", "/"),
        Kind.MEDIUM: (f"The medium of {where} is off", measured),
        Kind.MEDIUM_BACK: (f"The medium of {where} is good again", measured),
        Kind.WARNED: (f"{matter.name} is to be looked at", f"/job/{matter.job}"),
    }[matter.kind]
    text = matter.says if len(matter.says) <= _MOST_SAID else f"{matter.says[:_MOST_SAID]}…"
    return {"tag": matter.key, "title": title, "text": text, "to": to}


def _look(root: Root) -> list[Matter]:
    return [each for each in find_matters(root).matters if not each.is_old]
