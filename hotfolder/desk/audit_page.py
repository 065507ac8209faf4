"""The audit at the desk: the command's filters; from a bar to its pictures, and their stories."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from enum import StrEnum
from functools import partial
from typing import Final, TypeVar
from urllib.parse import urlencode

from starlette.datastructures import QueryParams
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from hotfolder.audit import plot
from hotfolder.audit.asking import Asked, read_question
from hotfolder.audit.books import open_books
from hotfolder.audit.choices import Sort, Statistic
from hotfolder.audit.known import check_names
from hotfolder.audit.report import Answers, collect_answers
from hotfolder.audit.story import JobStory, tell_job
from hotfolder.colour.hues import HUES
from hotfolder.desk import errands
from hotfolder.desk.arrivals import list_names
from hotfolder.desk.decisions import say_error
from hotfolder.desk.showing import Shown
from hotfolder.ending.held_folder import JOB_NAME
from hotfolder.errors import Problem, SettingsError
from hotfolder.model.ends import End
from hotfolder.settings.root import Root

SHOWN: Final = 48
"""Pictures on a page; more are asked for by steps of as many."""

_MOST_SHOWN = 480
_PATIENCE_S = 60.0
_SAID = {Statistic.MEAN: "the mean", Statistic.P95: "95 % are below", Statistic.MAX: "the largest"}
_Word = TypeVar("_Word", bound=StrEnum)


class AuditPages:
    """The page of questions, and that of a picture's story."""

    def __init__(self, root: Root, shown: Shown) -> None:
        self._root = root
        self._shown = shown

    def routes(self) -> list[Route]:
        """Return their routes."""
        return [Route("/audit", self.show), Route("/job/{job}/story", self.tell)]

    async def show(self, request: Request) -> Response:
        """Answer a question; it stands in the address."""
        asked = request.query_params
        found, says, limit = None, [], SHOWN
        try:
            question = read_asked(asked)
            limit = question.limit or SHOWN
            found = await errands.do(partial(self._answer, question), _PATIENCE_S)
        except SettingsError as error:
            says = say_error(error)
        view = _strip(asked)
        names = await errands.do(partial(list_names, self._root))
        return self._shown.page(
            request,
            "audit.html",
            status=400 if says else 200,
            found=found,
            says=says,
            asked=asked,
            here_it_is=_address(view),
            more=_address({**view, "limit": str(limit + SHOWN)}) if limit < _MOST_SHOWN else "",
            destinations=names,
            states=list(End),
            statistics=list(_SAID.items()),
            hues=list(HUES),
            sorts=list(Sort),
            plot=plot,
            link=partial(_link_span, view),
            **_link_sums(view, found),
        )

    async def tell(self, request: Request) -> Response:
        """Tell the whole story of a job."""
        job = request.path_params["job"]
        story = None
        if JOB_NAME.fullmatch(job):
            story = await errands.do(partial(self._tell, job))
        if story is None:
            return self._shown.message(
                request, "There is no such story", "It has not ended, or nothing is called so.",
                status=404,
            )  # fmt: skip
        return self._shown.page(request, "story.html", story=story)

    def _answer(self, asked: Asked) -> Answers:
        question = read_question(asked, datetime.now(UTC), self._root)
        check_names(self._root, question)
        with open_books(self._root) as db:
            return collect_answers(db, question)

    def _tell(self, job: str) -> JobStory | None:
        with open_books(self._root) as db:
            return tell_job(db, self._root, job)


def read_asked(said: QueryParams) -> Asked:
    """Read a question from an address; the fields are the command's options.

    Raises
    ------
    SettingsError
        When one of them is none.
    """

    def text(name: str) -> str | None:
        return said.get(name, "").strip() or None

    def words(name: str) -> tuple[str, ...]:
        return tuple(each for each in said.getlist(name) if each)

    return Asked(
        destinations=words("destination"),
        during=text("during"),
        since=text("since"),
        until=text("until"),
        batch=text("batch"),
        states=tuple(_choose(End, each, "state") for each in words("state")),
        lost_above=text("lost_above"),
        out_of_gamut_above=text("out_of_gamut_above"),
        delta_e_above=_read_number(text("delta_e_above")),
        statistic=_choose(Statistic, text("statistic") or Statistic.P95, "statistic"),
        hues=words("hue"),
        profile=text("profile"),
        name=text("name"),
        sha256=text("hash"),
        machine=text("machine"),
        released=text("released") == "yes",
        medium_off=text("medium_off") == "yes",
        sort=_choose(Sort, text("sort") or Sort.LOST, "sort"),
        reverse=text("reverse") == "yes",
        limit=_read_limit(text("limit")),
    )


def _choose(kind: type[_Word], said: str, name: str) -> _Word:
    try:
        return kind(said)
    except ValueError:
        raise SettingsError([Problem("", name, said[:60], ", ".join(kind))]) from None


def _read_number(said: str | None) -> float | None:
    if said is None:
        return None
    try:
        number = float(said.replace(",", "."))
    except ValueError:
        number = math.nan
    if not (math.isfinite(number) and number >= 0):
        raise SettingsError([Problem("", "ΔE00 above", said[:60], "a number, as in 3.5")])
    return number


def _read_limit(said: str | None) -> int:
    number = int(said) if said and said.isdecimal() and len(said) < 6 else SHOWN
    return min(max(1, number), _MOST_SHOWN)


def _strip(said: QueryParams) -> dict[str, object]:
    """What is asked, without what is empty."""
    return {
        name: found
        for name in dict.fromkeys(said.keys())
        if (found := [each for each in said.getlist(name) if each])
    }


def _address(view: dict[str, object]) -> str:
    return f"/audit?{urlencode(view, doseq=True)}" if view else "/audit"


def _link_span(view: dict[str, object], destination: str, since: datetime, until: datetime) -> str:
    """Address of the pictures of a dot or a bar; they are of all pictures of that time."""
    sort = {"sort": view["sort"]} if "sort" in view else {}
    span = {"since": since.isoformat(), "until": until.isoformat()}
    return f"{_address({'destination': destination, **span, **sort})}#pictures"


def _link_sums(view: dict[str, object], found: Answers | None) -> dict[str, dict[str | None, str]]:
    def link(
        name: str, values: list[str | None], left_out: tuple[str, ...] = ()
    ) -> dict[str | None, str]:
        rest = {key: value for key, value in view.items() if key not in {name, *left_out}}
        return {each: f"{_address({**rest, name: each})}#pictures" for each in values if each}

    if found is None:
        return {"to_destination": {}, "to_profile": {}, "to_month": {}}
    destinations = [each.get("destination") for each in found["by_destination"]]
    profiles = [each.get("profile") for each in found["by_profile"]]
    months = [each.get("month") for each in found["by_month"]]
    return {
        "to_destination": link("destination", destinations),
        "to_profile": link("profile", profiles),
        "to_month": link("during", months, ("since", "until")),
    }
