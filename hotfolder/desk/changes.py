"""Letting a picture go with a change: asked for, looked at, and only then decided.

One change is tried out by itself, or several next to each other and beside the picture as it
stands, all at the same places. Each is decided on a page of its own.
"""

from __future__ import annotations

import re
from functools import partial
from typing import Final

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from hotfolder.desk import errands
from hotfolder.desk.decisions import LONGEST_WORD, Decisions, find_too_late, say_error
from hotfolder.desk.forms import Form, form_route
from hotfolder.desk.job_page import (
    RENDERINGS,
    VIEW_NAME,
    find_login,
    give_numbers,
    give_picture,
    proof_of_job,
)
from hotfolder.desk.pictures import read_numbers, read_views
from hotfolder.desk.proofs import Proof, list_measures, make_proof
from hotfolder.desk.reading import Story, read_story
from hotfolder.desk.showing import Shown
from hotfolder.desk.trials import MOST_BESIDE, Idea, Trials, Tried, idea_of
from hotfolder.desk.whites import read_white
from hotfolder.ending.decision import release_job
from hotfolder.ending.elsewhere import send_elsewhere
from hotfolder.ending.held_folder import JOB_NAME
from hotfolder.ending.why import list_ways
from hotfolder.errors import HotfolderError, Problem, SettingsError
from hotfolder.model.wishes import IntentWish, LongEdgeWish, NoEnlargementWish, RenderingWish
from hotfolder.settings.root import Root

_MOST_PLACES: Final = 4
_MOST_DIGITS = 4
_PLACE = re.compile(r"([01](?:\.\d{1,6})?),([01](?:\.\d{1,6})?)")


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
            Route("/job/{job}/change/{trial}/numbers", self.give_numbers),
            Route("/job/{job}/beside/{beside}", self.show_beside),
            form_route("/job/{job}/change/{trial}", self.decide),
            form_route("/job/{job}/elsewhere/{trial}", self.send_elsewhere),
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
            at = read_places(form) or _places_of(story)
            if form.text("show") == "each":
                ideas = [_as_it_stands(story), *read_ideas(story, form)]
                if len(ideas) > MOST_BESIDE:
                    got = f"{len(ideas) - 1} alternatives were chosen"
                    raise SettingsError([Problem("", "", got, f"at most {MOST_BESIDE - 1}")])
                if len(ideas) == 1 and not form.all("at"):
                    raise _say_nothing_chosen()
                beside = await errands.do(
                    partial(self._trials.begin_beside, story.row, story.card.stamp, ideas, at)
                )
                return RedirectResponse(f"/job/{job}/beside/{beside.id}", 303)
            idea = read_change(story, form)
            tried = await errands.do(
                partial(self._trials.begin, story.row, story.card.stamp, idea, at)
            )
        except HotfolderError as error:
            return self._shown.message(
                request, "This change is not right", *say_error(error), status=409,
                back=f"/job/{job}",
            )  # fmt: skip
        return RedirectResponse(f"/job/{job}/change/{tried.id}", 303)

    async def show_beside(self, request: Request) -> Response:
        """Show several ideas next to each other, as far as they have been tried out."""
        job = request.path_params["job"]
        beside = self._trials.find_beside(job, request.path_params["beside"])
        story = await self._find(job)
        if beside is None or story is None:
            return self._tell_none(request)
        return self._shown.page(
            request,
            "beside.html",
            story=story,
            beside=beside,
            proofs=[proof_of(each) for each in beside.tried],
            too_late=find_too_late(story, beside.stamp),
            who=find_login(),
        )

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
        has_numbers = bool(before) and (
            await errands.do(partial(read_numbers, self._root, job)) is not None
        )
        return self._shown.page(
            request,
            "change.html",
            story=story,
            tried=tried,
            before=proof_of_job(story, before, has_numbers=has_numbers),
            after=proof_of(tried),
            measures_before=list_measures(story.record, story.shown) if story.record else [],
            too_late=find_too_late(story, tried.stamp),
            who=find_login(),
        )

    async def give_view(self, request: Request) -> Response:
        """Give out one of the pictures of a trial."""
        name = request.path_params["name"]
        tried = self._trials.find(request.path_params["job"], request.path_params["trial"])
        views = tried.outcome.views if tried and tried.outcome else {}
        return give_picture(views.get(name) if VIEW_NAME.fullmatch(name) else None)

    async def give_numbers(self, request: Request) -> Response:
        """Give out the L*a*b* values of a trial."""
        tried = self._trials.find(request.path_params["job"], request.path_params["trial"])
        return give_numbers(tried.outcome.numbers if tried and tried.outcome else None)

    async def decide(self, request: Request, form: Form) -> Response:
        """Let a job go with the change that was looked at."""
        job = request.path_params["job"]
        tried = self._trials.find(job, request.path_params["trial"])
        story = await self._find(job)
        if tried is None or tried.outcome is None or story is None or not tried.can_be_decided:
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

    async def send_elsewhere(self, request: Request, form: Form) -> Response:
        """Have a picture made for the other destination that it was tried for."""
        job = request.path_params["job"]
        tried = self._trials.find(job, request.path_params["trial"])
        story = await self._find(job)
        if tried is None or story is None or not tried.can_be_sent:
            return self._tell_none(request)
        if told := find_too_late(story, tried.stamp):
            return self._decisions.tell_too_late(request, job, told)
        try:
            sent = await errands.do(
                partial(
                    send_elsewhere,
                    self._root,
                    job,
                    tried.idea.destination,
                    give_up=form.text("do") == "give-up",
                    who=form.text("who", LONGEST_WORD) or None,
                    why=form.text("why", LONGEST_WORD),
                )
            )
        except HotfolderError as error:
            return self._shown.message(
                request, "This could not be done", *say_error(error), status=409, back=f"/job/{job}"
            )
        self._decisions.note_decided()
        where = tried.idea.title.removeprefix("For ")
        says = [
            f"It is worked on for {where} like any picture that arrives there."
            if sent.dropped
            else f"It had been dropped for {where} already; it was not dropped twice."
        ]
        says.append("This one is discarded." if sent.was_given_up else "This one still waits here.")
        title = f"Dropped for {where}" if sent.dropped else "It is there already"
        return self._shown.message(request, title, *says, back=f"/job/{job}")

    def _release(self, tried: Tried, form: Form) -> None:
        who, why = form.text("who", LONGEST_WORD), form.text("why", LONGEST_WORD)
        release_job(
            self._root,
            tried.job,
            list(tried.idea.asked),
            tried.idea.wishes,
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


def read_change(story: Story, form: Form) -> Idea:
    """Read which one change a person asks for: all of what they have filled in.

    Raises
    ------
    SettingsError
        When they ask for none, or for what no one change can be.
    """
    if form.all("for"):
        allowed = "beside the others, as an alternative of its own"
        raise SettingsError([Problem("", "", "Another destination is no change", allowed)])
    if len(form.all("intent") + form.all("rendering")) > 1:
        allowed = "one, or each beside the others"
        raise SettingsError([Problem("", "", "Several renderings were chosen", allowed)])
    ideas = read_ideas(story, form)
    if not ideas:
        raise _say_nothing_chosen()
    return Idea(
        "; ".join(each.title for each in ideas),
        tuple(asked for each in ideas for asked in each.asked),
        tuple(wish for each in ideas for wish in each.wishes),
    )


def read_ideas(story: Story, form: Form) -> list[Idea]:
    """Read what a person has filled in as ideas of their own, one for each."""
    ways = [way for way in list_ways(story.record) if way.options] if story.record else []
    numbers = [each for each in form.all("way") if each.isdecimal() and len(each) < _MOST_DIGITS]
    chosen = [int(each) for each in dict.fromkeys(numbers)]
    ideas = [idea_of(ways[number]) for number in chosen if number < len(ways)]
    if long_edge := form.text("long_edge", 40):
        ideas.append(Idea(f"Long edge {long_edge}", wishes=(LongEdgeWish(long_edge),)))
    if form.text("no_enlargement") == "yes":
        ideas.append(Idea("Nothing enlarged", wishes=(NoEnlargementWish(),)))
    intents = [each.strip()[:40] for each in dict.fromkeys(form.all("intent")) if each.strip()]
    ideas += [Idea(each.capitalize(), wishes=(IntentWish(each),)) for each in intents]
    ways_in = [each for each in dict.fromkeys(form.all("rendering")) if each in RENDERINGS]
    ideas += [Idea(each.capitalize(), wishes=(RenderingWish(each),)) for each in ways_in]
    if white := read_white(form):
        ideas.append(Idea(f"White is at {white.in_words}", wishes=(white,)))
    if setting := form.text("setting", 200):
        ideas.append(Idea(setting, asked=(setting,)))
    others = [each for each in form.all("for") if each.strip() and each != story.row.destination]
    ideas += [Idea(f"For {name[:100]}", destination=name[:100]) for name in dict.fromkeys(others)]
    return ideas


def read_places(form: Form) -> list[tuple[float, float]]:
    """Read which places in the picture a person wants to see, as shares of its sides."""
    places = []
    for text in form.all("at")[:_MOST_PLACES]:
        found = _PLACE.fullmatch(text)
        if found:
            across, down = (min(1.0, float(each)) for each in found.groups())
            places.append((across, down))
    return places


def proof_of(tried: Tried) -> Proof:
    """Return what a page shows of a trial."""
    at = f"/job/{tried.job}/change/{tried.id}"
    outcome = tried.outcome
    if outcome is None:
        return Proof(f"{at}/view", tried.id, frozenset(), "")
    numbers = f"{at}/numbers" if outcome.numbers else ""
    return make_proof(
        f"{at}/view", tried.id, outcome.views, numbers, outcome.shown, outcome.results
    )


def _places_of(story: Story) -> list[tuple[float, float]]:
    """The places that the job's own sheet shows, so that all show the same."""
    return [each.at for each in story.shown.places] if story.shown else []


def _as_it_stands(story: Story) -> Idea:
    can_be_made = bool(story.record and story.record.results)
    return Idea("As it stands" if can_be_made else "As it stands, without a change")


def _say_nothing_chosen() -> SettingsError:
    allowed = "a size, a rendering, or another setting"
    return SettingsError([Problem("", "", "Nothing was changed", allowed)])
