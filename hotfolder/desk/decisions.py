"""Decisions: each is handed over as the command does it, and told by what the daemon made of it.

A decision says what it saw of the job. When something became of it meanwhile, somebody else has
decided, or the daemon has: nothing is done then, and the person is told what.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Final

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from hotfolder.desk import errands
from hotfolder.desk.forms import Form, form_route
from hotfolder.desk.reading import Story, read_story
from hotfolder.desk.showing import Shown
from hotfolder.ending.decision import discard_job, put_back, release_job
from hotfolder.ending.held_folder import JOB_NAME
from hotfolder.errors import HotfolderError, Problem, SettingsError
from hotfolder.settings.root import Root

LONGEST_WORD: Final = 500
"""Characters of a name or a reason."""


class Decisions:
    """Forms by which held jobs are decided."""

    def __init__(self, root: Root, shown: Shown, decided: Callable[[], None]) -> None:
        """Prepare; decided: called when something has been handed over."""
        self._root = root
        self._shown = shown
        self.note_decided = decided

    def routes(self) -> list[Route]:
        """Return their routes."""
        return [
            form_route("/job/{job}/decide", self.decide),
            form_route("/job/{job}/put-back", self.put_back),
        ]

    async def decide(self, request: Request, form: Form) -> Response:
        """Let one job go as it is, or give it up."""
        job = request.path_params["job"]
        act = {"release": self._release, "discard": self._discard}.get(form.text("do"))
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
        """Drop the original of what was given up again."""
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

    def _release(self, job: str, form: Form) -> None:
        who, why = form.text("who", LONGEST_WORD), form.text("why", LONGEST_WORD)
        release_job(self._root, job, [], who=who or None, why=why)

    def _discard(self, job: str, form: Form) -> None:
        who, why = form.text("who", LONGEST_WORD), form.text("why", LONGEST_WORD)
        discard_job(self._root, job, who=who or None, why=why)


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
    return f"{said}. What would be right: {problem.allowed}." if problem.allowed else f"{said}."
