"""The page of one job: its picture as finished and as it will print, why it waits, the choices."""

from __future__ import annotations

import getpass
import re
from collections.abc import Iterable
from functools import partial
from typing import Final
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from hotfolder.desk import errands, pictures
from hotfolder.desk.display_answers import describe_answer, read_answers
from hotfolder.desk.guard import STRANGERS_POLICY, visitor_of
from hotfolder.desk.proofs import Proof, list_measures, make_proof
from hotfolder.desk.reading import Story, read_story
from hotfolder.desk.showing import Shown
from hotfolder.desk.small_originals import SmallOriginals
from hotfolder.desk.trials import MOST_BESIDE
from hotfolder.desk.whites import CAME, WIDTHS_PX, Whites, WhitesInPictures
from hotfolder.ending.held_folder import JOB_NAME
from hotfolder.ending.why import can_be_released_as_it_is, leave_out_advice, list_ways
from hotfolder.model.earlier_findings import find_facts
from hotfolder.model.encoding import colours_in_words
from hotfolder.model.facts import describe_column
from hotfolder.model.intent import Intent
from hotfolder.model.records import SHEET, Record
from hotfolder.model.rendering import WAYS, Rendering
from hotfolder.model.units import MM_PER_INCH, say_share
from hotfolder.pages.words import local_time
from hotfolder.settings.files import read_title
from hotfolder.settings.root import Root

VIEW_NAME: Final = re.compile(r"[a-z]+(?:-\d{1,3})?")
"""Of a picture on a proof sheet."""

RENDERINGS: Final = tuple(
    str(way) for way in WAYS if way.depth or way.rendering is not Rendering.INTENT
)
"""Ways of colours into a medium that are no profile's intent, by name."""

_FOR_EVER = {"cache-control": "private, max-age=31536000, immutable"}
_SLASHES = re.compile(r'[\x00-\x1f\x7f"\\/]')


class JobPages:
    """Pages and pictures of single jobs."""

    def __init__(
        self, root: Root, shown: Shown, small: SmallOriginals, whites: WhitesInPictures
    ) -> None:
        self._root = root
        self._whites = whites
        self._small = small
        self._shown = shown

    def routes(self) -> list[Route]:
        """Return their routes."""
        return [
            Route("/job/{job}", self.show),
            Route("/job/{job}/thumbnail", self.give_thumbnail),
            Route("/job/{job}/original", self.give_original),
            Route("/job/{job}/sheet", self.give_sheet),
            Route("/job/{job}/page/{number:int}", self.give_page),
            Route("/job/{job}/view/{name}", self.give_view),
            Route("/job/{job}/white/{name}", self.give_white),
            Route("/job/{job}/numbers", self.give_numbers),
            Route("/job/{job}/result/{number:int}", self.give_result),
        ]

    async def show(self, request: Request) -> Response:
        """Show one job."""
        job = request.path_params["job"]
        story = await self._find(job)
        if story is None:
            return self._shown.message(
                request, "There is no such job", "Nothing here is called so.", status=404
            )
        views = await errands.do(partial(pictures.read_views, self._root, job))
        record = story.record
        numbers = await errands.do(partial(pictures.read_numbers, self._root, job))
        return self._shown.page(
            request,
            "job.html",
            story=story,
            proof=proof_of_job(story, views, has_numbers=numbers is not None),
            reasons=_list_reasons(record) if record else [],
            measures=list_measures(record, story.shown) if record else [],
            facts=_list_facts(record) if record else [],
            ways=[way for way in list_ways(record) if way.options] if record else [],
            can_go_as_it_is=bool(record) and can_be_released_as_it_is(record) if record else False,
            intents=list(Intent),
            renderings=RENDERINGS,
            whites=await self._find_whites(request, story),
            widths=WIDTHS_PX,
            pages=pictures.list_pages(record) if record else [],
            others=await errands.do(partial(list_others, self._root, story.row.destination)),
            most_beside=MOST_BESIDE - 1,
            who=find_login(),
            display=await errands.do(partial(_say_display, self._root)),
        )

    async def give_thumbnail(self, request: Request) -> Response:
        """Give out the small picture of a job."""
        job = request.path_params["job"]
        data = None
        if JOB_NAME.fullmatch(job):
            data = await errands.do(partial(pictures.read_attachment, self._root, job, "thumbnail"))
        return give_picture(data)

    async def give_original(self, request: Request) -> Response:
        """Give out a small picture of a held job's original."""
        job = request.path_params["job"]
        data = None
        if JOB_NAME.fullmatch(job):
            data = await errands.do(partial(self._small.read, job))
        return give_picture(data)

    async def give_view(self, request: Request) -> Response:
        """Give out one of the pictures on a job's proof sheet."""
        job, name = request.path_params["job"], request.path_params["name"]
        data = None
        if JOB_NAME.fullmatch(job) and VIEW_NAME.fullmatch(name):
            views = await errands.do(partial(pictures.read_views, self._root, job))
            data = views.get(name)
        return give_picture(data)

    async def give_white(self, request: Request) -> Response:
        """Give out what a held picture would become, if a place in it is white."""
        job, name = request.path_params["job"], request.path_params["name"]
        story = await self._find(job)
        is_right = story is not None and VIEW_NAME.fullmatch(name)
        return give_picture(self._whites.read(story.row, name) if story and is_right else None)

    async def give_numbers(self, request: Request) -> Response:
        """Give out the L*a*b* values of a job's proof."""
        job = request.path_params["job"]
        data = None
        if JOB_NAME.fullmatch(job):
            data = await errands.do(partial(pictures.read_numbers, self._root, job))
        return give_numbers(data)

    async def give_sheet(self, request: Request) -> Response:
        """Give out a job's proof sheet, which can do nothing here."""
        job = request.path_params["job"]
        data = None
        if JOB_NAME.fullmatch(job):
            data = await errands.do(partial(pictures.read_attachment, self._root, job, SHEET))
        return _give_page(data)

    async def give_page(self, request: Request) -> Response:
        """Give out another page about a job, which can do nothing here."""
        job, number = request.path_params["job"], request.path_params["number"]
        data = None
        if JOB_NAME.fullmatch(job):
            data = await errands.do(partial(pictures.read_page, self._root, job, number))
        return _give_page(data)

    async def give_result(self, request: Request) -> Response:
        """Give out what was delivered, as a file to be saved."""
        job, number = request.path_params["job"], request.path_params["number"]
        found = None
        if JOB_NAME.fullmatch(job):
            found = await errands.do(partial(pictures.open_result, self._root, job, number))
        if found is None:
            return _gone()
        result, file = found
        name = result.path.rpartition("/")[2]
        return StreamingResponse(
            pictures.pieces_of(file),
            media_type="application/octet-stream",
            headers={
                "content-security-policy": STRANGERS_POLICY,
                "content-disposition": say_name(name),
            },
        )

    async def _find_whites(self, request: Request, story: Story) -> Whites | None:
        """Find what could be white in the picture, for a person who may decide it."""
        if not (visitor_of(request).may_decide and story.can_be_decided):
            return None
        found = await errands.do(partial(self._whites.find, story.row))
        return found if found is None or not found.is_done or CAME in found.views else None

    async def _find(self, job: str) -> Story | None:
        if not JOB_NAME.fullmatch(job):
            return None
        return await errands.do(partial(read_story, self._root, job, self._small.find_address))


def give_picture(data: bytes | None) -> Response:
    """Give a JPEG file out, which stays what it is under its address; 404 for None."""
    if data is None or not data.startswith(b"\xff\xd8"):
        return _gone()
    headers = {**_FOR_EVER, "content-security-policy": STRANGERS_POLICY}
    return Response(data, media_type="image/jpeg", headers=headers)


def give_numbers(data: bytes | None) -> Response:
    """Give out L*a*b* values as `hotfolder.pages.numbers` has them; 404 for None."""
    if data is None:
        return _gone()
    return Response(data, media_type="application/octet-stream", headers=_FOR_EVER)


def proof_of_job(story: Story, views: Iterable[str], *, has_numbers: bool) -> Proof:
    """Return what a page shows of a job's proof sheet."""
    at, version = f"/job/{story.row.id}", version_of(story.record)
    numbers = f"{at}/numbers?of={version}" if has_numbers else ""
    results = story.record.results if story.record else ()
    return make_proof(f"{at}/view", version, views, numbers, story.shown, results)


def list_others(root: Root, destination: str) -> list[tuple[str, str]]:
    """List the other destinations: name and title."""
    found = sorted(root.destinations.glob("*.toml"))
    return [(each.stem, read_title(each)) for each in found if each.stem != destination]


def _give_page(data: bytes | None) -> Response:
    if data is None:
        return _gone()
    headers = {"content-security-policy": STRANGERS_POLICY}
    return Response(data, media_type="text/html", headers=headers)


def _gone() -> Response:
    return Response("It is not there any more.\n", 404, media_type="text/plain")


def say_name(name: str) -> str:
    """Return the header that names a file to be saved (RFC 6266)."""
    plain = _SLASHES.sub("_", name).encode("ascii", "replace").decode().replace("?", "_")
    exact = quote(name.encode("utf-8", "replace"), safe="")
    return f"attachment; filename=\"{plain}\"; filename*=UTF-8''{exact}"


def version_of(record: Record | None) -> str:
    """Return what changes when a job's pictures do, for their addresses."""
    if record is None:
        return ""
    return next((each.sha256[:16] for each in record.attachments if each.kind == SHEET), "")


def find_login() -> str:
    """Return the name under which this process runs; "" when it has none."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return ""  # a process without a name


def _list_reasons(record: Record) -> list[str]:
    """Why a picture is held; of one that was let go, without what could be done about it."""
    is_done = record.state == "delivered"
    messages = [each.message for each in record.reasons]
    return [leave_out_advice(each) for each in messages] if is_done else messages


def _list_facts(record: Record) -> list[tuple[str, str]]:
    """What is known of a picture and of what was made of it, as short facts."""
    original = record.original
    size = f"{original.width_px} × {original.height_px} px" if original.width_px else ""
    profile = original.profile
    said = [
        ("Came", f"{local_time(record.arrived)}, as {record.source}"),
        ("Picture", ", ".join(filter(None, [size, _say_bits(record), original.format or ""]))),
    ]
    if profile:
        assumed = ", assumed: the file says none" if profile.assumed else ""
        said.append(("Profile", f"{profile.description}{assumed}"))
    facts = find_facts(record)
    for each in record.results:
        made = f"{each.width_px} × {each.height_px} px"
        if each.ppi and facts.effective_ppi:  # not on a screen, which has inches of its own
            made += f" at {each.ppi:g} per inch"
            width, height = (px / each.ppi * MM_PER_INCH for px in (each.width_px, each.height_px))
            made += f" ({width:.0f} × {height:.0f} mm)"
        term = f"Made, {each.variant}" if each.variant else "Made"
        said.append((term, f"{made}, {each.bits} bit {colours_in_words(each.colour_space)}"))
        if each.profile and each is record.results[0]:
            said.append(("For", each.profile.description))
    if facts.effective_ppi:
        wanted = f", {facts.wanted_ppi:.0f} wanted" if facts.wanted_ppi else ""
        said.append(("Own pixels", f"{facts.effective_ppi:.0f} per inch{wanted}"))
    if facts.share_lost is not None:
        which = f", {facts.lost_in_words}" if facts.lost_in_words else ""
        said.append(("Lost", f"{say_share(facts.share_lost)} of the picture{which}"))
    if facts.share_out_of_gamut is not None:
        said.append(("Cannot be made", f"{say_share(facts.share_out_of_gamut)} of the picture"))
    if facts.cropped_share:
        said.append(("Cropped", f"{say_share(facts.cropped_share, 2)} of its area"))
    said += [(each.title, describe_column(each.to_json())) for each in facts.columns]
    return [(term, value) for term, value in said if value]


def _say_bits(record: Record) -> str:
    original = record.original
    if not original.bits or not original.colour_space:
        return ""
    return f"{original.bits} bit {colours_in_words(original.colour_space)}"


def _say_display(root: Root) -> str:
    """Say what somebody answered last about a display; "" when nobody has."""
    answers = read_answers(root)
    return describe_answer(answers[0]) if answers else ""
