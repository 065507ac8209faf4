"""What each destination needs of a picture before it is taken, as `hotfolder need` says it."""

from __future__ import annotations

import math
from functools import partial
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from hotfolder.desk import errands
from hotfolder.desk.decisions import say_error
from hotfolder.desk.showing import Shown
from hotfolder.errors import HotfolderError, Problem, SettingsError
from hotfolder.settings.root import Root
from hotfolder.work.need import CAMERAS_MEGAPIXELS, Need, find_need, read_shape
from hotfolder.work.trial import destinations, workplace

_PATIENCE_S: Final = 60.0
_SHORT_FROM: Final = 0.1
"""Share of a hue that cannot be made from which it is named."""

_LONGEST: Final = 20


class Needs:
    """The page of what is needed."""

    def __init__(self, root: Root, shown: Shown) -> None:
        self._root = root
        self._shown = shown

    def routes(self) -> list[Route]:
        """Return its route."""
        return [Route("/need", self.show)]

    async def show(self, request: Request) -> Response:
        """Show what each destination needs; a camera and a shape can be asked for."""
        camera = request.query_params.get("megapixels", "").strip()[:_LONGEST]
        shape = request.query_params.get("shape", "").strip()[:_LONGEST] or "3:2"
        needs: list[Need] = []
        says: list[str] = []
        try:
            cameras = [_read_camera(camera)] if camera else list(CAMERAS_MEGAPIXELS)
            sides = read_shape(shape)
            needs = await errands.do(partial(_find, self._root, cameras, sides), _PATIENCE_S)
        except HotfolderError as error:
            says = say_error(error)
        return self._shown.page(
            request,
            "need.html",
            status=400 if says else 200,
            needs=needs,
            says=says,
            camera=camera,
            shape=shape,
            short_from=_SHORT_FROM,
        )


def _read_camera(text: str) -> float:
    """Read how many million pixels a camera has.

    Raises
    ------
    SettingsError
        When it is no such number.
    """
    try:
        found = float(text.replace(",", "."))
    except ValueError:
        found = math.nan
    if not 0.01 <= found <= 10_000:
        allowed = "a number of 0.01 to 10000 million pixels"
        raise SettingsError([Problem("", "", f"The camera has {text}", allowed)])
    return found


def _find(root: Root, cameras: list[float], shape: tuple[int, int]) -> list[Need]:
    with workplace() as folder:
        return [find_need(root, each, folder, cameras, shape) for each in destinations(root, [])]
