"""Decisions: each is handed over as the command does it, and told by what the daemon made of it.

A decision says what it saw of the job. When something became of it meanwhile, somebody else has
decided, or the daemon has: nothing is done then, and the person is told what.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from hotfolder.desk import errands
from hotfolder.desk.forms import Form, form_route
from hotfolder.desk.job_page import find_login
from hotfolder.desk.reading import SmallOf, Story, read_story
from hotfolder.desk.showing import Shown
from hotfolder.desk.trials import idea_of
from hotfolder.ending.decision import discard_job, put_back, release_job
from hotfolder.ending.held_folder import JOB_NAME
from hotfolder.ending.why import can_be_released_as_it_is, list_ways
from hotfolder.errors import HotfolderError, Problem, SettingsError
from hotfolder.model.records import WayOn
from hotfolder.settings.root import Root

LONGEST_WORD: Final = 500
"""Characters of a name or a reason."""

_MOST_TOGETHER = 100
_MOST_WAYS = 6


@dataclass(frozen=True)
class SharedWay:
    """A change that answers why several pictures are held."""

    id: str
    says: str
    number: int
    """How many of them it is for."""


class Decisions:
    """Forms by which held jobs are decided."""

    def __init__(
        self, root: Root, shown: Shown, decided: Callable[[], None], small_of: SmallOf
    ) -> None:
        """Prepare; decided: called when something has been handed over."""
        self._small_of = small_of
        self._root = root
        self._shown = shown
        self.note_decided = decided

    def routes(self) -> list[Route]:
        """Return their routes."""
        return [
            form_route("/job/{job}/decide", self.decide),
            form_route("/job/{job}/put-back", self.put_back),
            form_route("/several", self.show_several),
            form_route("/several/decide", self.decide_several),
        ]

    async def decide(self, request: Request, form: Form) -> Response:
        """Let one job go as it is, or give it up."""
        job = request.path_params["job"]
        act = self._acts().get(form.text("do"))
        if act is None or not JOB_NAME.fullmatch(job):
            return self._shown.message(request, "There is no such choice", status=400)
        story = await errands.do(partial(read_story, self._root, job))
        if story is None:
            return self._shown.message(request, "There is no such job", status=404)
        if told := find_too_late(story, form.text("seen")):
            return self.tell_too_late(request, job, told)
        try:
            await errands.do(partial(act, job, form))
        except HotfolderError as error:
            return self._shown.message(
                request, "This could not be done", *say_error(error), status=409, back=f"/job/{job}"
            )
        self.note_decided()
        return RedirectResponse(f"/job/{job}", 303)

    async def put_back(self, request: Request, _form: Form) -> Response:
        """Drop the original of what was discarded again."""
        job = request.path_params["job"]
        if not JOB_NAME.fullmatch(job):
            return self._shown.message(request, "There is no such job", status=404)
        try:
            await errands.do(partial(put_back, self._root, job))
        except HotfolderError as error:
            return self._shown.message(
                request, "This could not be done", *say_error(error), status=409, back=f"/job/{job}"
            )
        self.note_decided()
        return self._shown.message(
            request,
            "It has been dropped again",
            "It is worked on like any picture that arrives; what is wrong with it holds it again.",
        )

    async def show_several(self, request: Request, form: Form) -> Response:
        """Show what was ticked, all on one page, before it is decided together."""
        stories = [each for each, _ in await self._find_all(form)]
        stories = [each for each in stories if each.can_be_decided]
        if not stories:
            return self._shown.message(
                request, "Nothing was ticked", "Tick pictures on the counter that still wait."
            )
        cannot = [
            each.card.job
            for each in stories
            if each.record is None or not can_be_released_as_it_is(each.record)
        ]
        return self._shown.page(
            request,
            "several.html",
            stories=stories,
            cannot=cannot,
            ways=list_shared_ways(stories),
            who=find_login(),
        )

    async def decide_several(self, request: Request, form: Form) -> Response:
        """Let several jobs go as they are, or give them up; say of each what was done."""
        found, act = await self._find_all(form), self._acts().get(form.text("do"))
        what = {"release": "released", "discard": "discarded"}.get(form.text("do"), "")
        if chosen := form.text("way"):
            ways = {story.row.id: _find_way(story, chosen) for story, _ in found}
            found = [(story, seen) for story, seen in found if ways[story.row.id]]
            way = next(filter(None, ways.values()), None)
            act = partial(self._release, way=way) if way else None
            what = f"released with “{way.says}”" if way else ""
        if act is None:
            return self._shown.message(request, "There is no such choice", status=400)
        done, not_done = 0, []
        for story, seen in found:
            said = find_too_late(story, seen)
            if not said:
                try:
                    await errands.do(partial(act, story.row.id, form))
                except HotfolderError as error:
                    said = " ".join(say_error(error))
                else:
                    done += 1
            if said:
                not_done.append(f"Not done: {story.card.name}: {said}")
        self.note_decided()
        pictures = "One picture" if done == 1 else f"{done} pictures"
        return self._shown.message(
            request, f"{pictures} {what}", *not_done, status=409 if not_done else 200
        )

    async def _find_all(self, form: Form) -> list[tuple[Story, str]]:
        """Find the jobs of a form, each with what the person saw of it."""
        found = []
        for value in form.all("job")[:_MOST_TOGETHER]:
            job, _, seen = value.partition(" ")
            if JOB_NAME.fullmatch(job):
                story = await errands.do(partial(read_story, self._root, job, self._small_of))
                if story is not None:
                    found.append((story, seen))
        return found

    def _acts(self) -> dict[str, Callable[[str, Form], None]]:
        return {"release": self._release, "discard": self._discard}

    def tell_too_late(self, request: Request, job: str, told: str) -> Response:
        """Tell a person that nothing was done, and what has become of the job."""
        return self._shown.message(
            request,
            "It has been decided already",
            told,
            "Nothing was done by your click.",
            status=409,
            back=f"/job/{job}",
        )

    def _release(self, job: str, form: Form, way: WayOn | None = None) -> None:
        who, why = form.text("who", LONGEST_WORD), form.text("why", LONGEST_WORD)
        asked, wishes = (idea_of(way).asked, idea_of(way).wishes) if way else ((), ())
        release_job(self._root, job, list(asked), wishes, who=who or None, why=why)

    def _discard(self, job: str, form: Form) -> None:
        who, why = form.text("who", LONGEST_WORD), form.text("why", LONGEST_WORD)
        discard_job(self._root, job, who=who or None, why=why)


def list_shared_ways(stories: Sequence[Story]) -> list[SharedWay]:
    """List the changes that answer the reasons of more than one, those of most first."""
    number = Counter(way for story in stories for way in _ways_of(story))
    return [
        SharedWay(_id_of(way), way.says, count)
        for way, count in number.most_common(_MOST_WAYS)
        if count > 1 or count == len(stories)
    ]


def find_too_late(story: Story, seen: str) -> str:
    """Say why a decision comes too late; "" when it does not.

    seen: what the person saw of the job; see `hotfolder.desk.reading.stamp_of`.
    """
    if not story.can_be_decided:
        return story.standing
    if seen != story.card.stamp:
        return f"Something became of it since you looked. {story.standing}"
    return ""


def say_error(error: HotfolderError) -> list[str]:
    """Say an error in sentences for somebody who has clicked, and typed no command."""
    if isinstance(error, SettingsError):
        return [_say_problem(each) for each in error.problems]
    return str(error).split("\n")


def _say_problem(problem: Problem) -> str:
    what = f"{problem.key}: " if problem.key else ""
    said = f"{what}{problem.got}".rstrip(".")
    asks = f" Did you mean {problem.meant}?" if problem.meant else ""
    right = f" What would be right: {problem.allowed}." if problem.allowed else ""
    return f"{said}.{asks}{right}"


def _ways_of(story: Story) -> list[WayOn]:
    return [way for way in list_ways(story.record) if way.options] if story.record else []


def _find_way(story: Story, id_: str) -> WayOn | None:
    return next((way for way in _ways_of(story) if _id_of(way) == id_), None)


def _id_of(way: WayOn) -> str:
    """Return what names a way on in a form, whichever else there are."""
    return hashlib.sha256(way.model_dump_json().encode()).hexdigest()[:16]
