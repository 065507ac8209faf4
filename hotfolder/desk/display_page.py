"""What a browser can honestly test of a display, and what the person says who looks at it.

It claims nothing about luminance, white point, calibration or the light of the room: a page cannot
know them.
"""

from __future__ import annotations

import asyncio
from functools import partial
from typing import Final

from pydantic import ValidationError
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from hotfolder.desk import errands
from hotfolder.desk.display_answers import (
    LONGEST_NAME,
    describe_answer,
    make_answer,
    read_answers,
    write_answer,
)
from hotfolder.desk.forms import Form, form_route
from hotfolder.desk.showing import Shown
from hotfolder.settings.root import Root

_FIELDS: Final = {
    "dark": ("The dark end", 0, (3, 6, 10, 15)),
    "middle": ("Greys in the middle", 128, (129, 130, 131, 133)),
    "light": ("The light end", 255, (254, 252, 249, 245)),
}
"""Title, ground and fields of each row, as codes of sRGB with 8 bits."""


class DisplayPage:
    """The page about the display that is looked at, and its pictures."""

    def __init__(self, root: Root, shown: Shown) -> None:
        self._root = root
        self._shown = shown
        self._writing = asyncio.Lock()

    def routes(self) -> list[Route]:
        """Return its routes."""
        return [
            Route("/display", self.show),
            form_route("/display/answer", self.take),
            Route("/display/{name}", self.give_picture),
        ]

    async def show(self, request: Request) -> Response:
        """Show the tests, and what was answered."""
        return await self._show(request, says="")

    async def _show(self, request: Request, *, says: str) -> Response:
        answers = await errands.do(partial(read_answers, self._root))
        return self._shown.page(
            request,
            "display.html",
            status=400 if says else 200,
            rows=[
                {
                    "key": key,
                    "title": title,
                    "ground": _grey(ground),
                    "fields": [(each, _grey(each)) for each in fields],
                    "ground_code": ground,
                }
                for key, (title, ground, fields) in _FIELDS.items()
            ],
            answers=[describe_answer(each) for each in answers],
            longest=LONGEST_NAME,
            says=says,
        )

    async def take(self, request: Request, form: Form) -> Response:
        """Write down what a person has answered."""
        keys = ("display", "gamut", "profiles", *_FIELDS)
        try:
            answer = make_answer({key: form.text(key, LONGEST_NAME) for key in keys})
        except ValidationError:
            says = "Say what the display is called, and answer each question. Nothing was written."
            return await self._show(request, says=says)
        async with self._writing:
            await errands.do(partial(write_answer, self._root, answer))
        return RedirectResponse("/display#answers", 303)

    async def give_picture(self, request: Request) -> Response:
        """Give out one of the pictures with which profiles are tested."""
        # numpy and what writes pictures: not for a desk that only shows its counter
        from hotfolder.desk.display_pictures import KINDS, make_pictures

        name = request.path_params["name"]
        if name not in KINDS:
            return self._shown.message(request, "There is no such picture", status=404)
        pictures = await errands.do(make_pictures)
        return Response(pictures[name], media_type=KINDS[name])


def _grey(code: int) -> str:
    return f"#{code:02x}{code:02x}{code:02x}"
