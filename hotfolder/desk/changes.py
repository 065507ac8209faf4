"""Letting a picture go with a change: asked for, looked at, and only then decided."""

from __future__ import annotations

from functools import partial

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from hotfolder.desk import errands
from hotfolder.desk.decisions import LONGEST_WORD, Decisions, find_too_late, say_error
from hotfolder.desk.forms import Form, form_route
from hotfolder.desk.job_page import VIEW_NAME, find_login, give_picture, version_of
from hotfolder.desk.pictures import read_views
from hotfolder.desk.reading import Story, read_story
from hotfolder.desk.showing import Shown
from hotfolder.desk.trials import Trials, Tried
from hotfolder.ending.decision import release_job
from hotfolder.ending.held_folder import JOB_NAME
from hotfolder.ending.why import list_ways
from hotfolder.errors import HotfolderError, Problem, SettingsError
from hotfolder.model.wishes import IntentWish, LongEdgeWish, NoEnlargementWish, Wish
from hotfolder.settings.root import Root

Asked = tuple[list[str], list[Wish]]
"""Changes as ``stage.key=value``, and wishes."""


class Changes:
    """Forms and pages of changes to single jobs."""

    def __init__(self, root: Root, shown: Shown, trials: Trials, decisions: Decisions) -> None:
        self._root = root
        self._shown = shown
        self._trials = trials
        self._decisions = decisions

    def routes(self) -> list[Route]:
        """Return their routes."""
        return [
            form_route("/job/{job}/try", self.try_out),
            Route("/job/{job}/change/{trial}", self.show),
            Route("/job/{job}/change/{trial}/view/{name}", self.give_view),
            form_route("/job/{job}/change/{trial}", self.decide),
        ]

    async def try_out(self, request: Request, form: Form) -> Response:
        """Begin to try a change out, and lead to its page."""
        job = request.path_params["job"]
        story = await self._find(job)
        if story is None:
            return self._tell_none(request)
        if told := find_too_late(story, form.text("seen")):
            return self._decisions.tell_too_late(request, job, told)
        try:
            asked, wishes = read_change(story, form)
            tried = await errands.do(
                partial(self._trials.begin, story.row, story.card.stamp, asked, wishes)
            )
        except HotfolderError as error:
            return self._shown.message(
                request, "This change is not right", *say_error(error), status=409,
                back=f"/job/{job}",
            )  # fmt: skip
        return RedirectResponse(f"/job/{job}/change/{tried.id}", 303)

    async def show(self, request: Request) -> Response:
        """Show how far a trial has come, or what it came to."""
        job = request.path_params["job"]
        tried = self._trials.find(job, request.path_params["trial"])
        story = await self._find(job)
        if tried is None or story is None:
            return self._tell_none(request)
        if tried.problem:
            return self._shown.message(
                request, "This could not be tried out", tried.problem, back=f"/job/{job}"
            )
        before = await errands.do(partial(read_views, self._root, job)) if tried.outcome else {}
        return self._shown.page(
            request,
            "change.html",
            story=story,
            tried=tried,
            before=frozenset(before),
            version=version_of(story.record),
            too_late=find_too_late(story, tried.stamp),
            who=find_login(),
        )

    async def give_view(self, request: Request) -> Response:
        """Give out one of the pictures of a trial."""
        name = request.path_params["name"]
        tried = self._trials.find(request.path_params["job"], request.path_params["trial"])
        views = tried.outcome.views if tried and tried.outcome else {}
        return give_picture(views.get(name) if VIEW_NAME.fullmatch(name) else None)

    async def decide(self, request: Request, form: Form) -> Response:
        """Let a job go with the change that was looked at."""
        job = request.path_params["job"]
        tried = self._trials.find(job, request.path_params["trial"])
        story = await self._find(job)
        if tried is None or tried.outcome is None or story is None:
            return self._tell_none(request)
        if told := find_too_late(story, tried.stamp):
            return self._decisions.tell_too_late(request, job, told)
        if tried.outcome.worse and form.text("accept") != "yes":
            return self._shown.message(
                request,
                "This needs another yes",
                "The change makes something worse than you were told at first; nothing was done.",
                "Go back, and say yes to what it would be held for, or try another change.",
                status=409,
                back=f"/job/{job}/change/{tried.id}",
            )
        try:
            await errands.do(partial(self._release, tried, form))
        except HotfolderError as error:
            return self._shown.message(
                request, "This could not be done", *say_error(error), status=409, back=f"/job/{job}"
            )
        self._decisions.note_decided()
        return RedirectResponse(f"/job/{job}", 303)

    def _release(self, tried: Tried, form: Form) -> None:
        who, why = form.text("who", LONGEST_WORD), form.text("why", LONGEST_WORD)
        release_job(
            self._root,
            tried.job,
            list(tried.asked),
            tried.wishes,
            who=who or None,
            why=why,
            accepted=tried.outcome.worse if tried.outcome else (),
        )

    def _tell_none(self, request: Request) -> Response:
        return self._shown.message(
            request, "This is not there any more", "Ask for the change again.", status=404
        )

    async def _find(self, job: str) -> Story | None:
        if not JOB_NAME.fullmatch(job):
            return None
        return await errands.do(partial(read_story, self._root, job))


def read_change(story: Story, form: Form) -> Asked:
    """Read which change a person asks for.

    Raises
    ------
    SettingsError
        When they ask for none.
    """
    asked: list[str] = []
    wishes: list[Wish] = []
    if long_edge := form.text("long_edge", 40):
        wishes.append(LongEdgeWish(long_edge))
    if intent := form.text("intent", 40):
        wishes.append(IntentWish(intent))
    if form.text("no_enlargement") == "yes":
        wishes.append(NoEnlargementWish())
    if setting := form.text("setting", 200):
        asked.append(setting)
    ways = [way for way in list_ways(story.record) if way.options] if story.record else []
    chosen = form.text("way", 4)
    if chosen.isdecimal() and int(chosen) < len(ways):
        _add_options(ways[int(chosen)].options, asked, wishes)
    if not asked and not wishes:
        raise SettingsError(
            [Problem("", "", "Nothing was changed", "a size, a rendering, or another setting")]
        )
    return asked, wishes


def _add_options(options: tuple[str, ...], asked: list[str], wishes: list[Wish]) -> None:
    """Add what a way on says in words for the command ``release``."""
    for option, value in zip(options[::2], options[1::2], strict=False):
        match option:
            case "--set":
                asked.append(value)
            case "--long-edge":
                wishes.append(LongEdgeWish(value))
            case "--intent":
                wishes.append(IntentWish(value))
