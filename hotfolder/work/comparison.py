"""Which of several destinations keeps most of a picture: a ranking, and one page side by side.

The same page compares renderings of one destination.

Ranked is what comes out: the mean ΔE00 between the picture and the print, over the whole picture,
each seen by an eye used to its own white. Colours that cannot be made, a weaker black and what the
chosen intent moves all count in it. A mean can hide a small part that is spoilt, so the share of
colours that cannot be made is said beside it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from html.parser import HTMLParser
from pathlib import Path

from markupsafe import Markup

from hotfolder.colour.rendering import allowed_ways, is_black_weak
from hotfolder.errors import Problem, SettingsError
from hotfolder.model.destination import Surface
from hotfolder.model.earlier_findings import find_facts
from hotfolder.model.records import SHEET, WayOn
from hotfolder.model.rendering import PERCEPTUAL, RELATIVE, Way
from hotfolder.model.standing import MediumStanding
from hotfolder.model.units import Money
from hotfolder.model.wishes import RenderingWish
from hotfolder.pages.frame import load_template, source_hash, style, text_of
from hotfolder.pages.numbers import unpack_numbers
from hotfolder.pages.words import say_standing
from hotfolder.settings.changes import grant, who_grants, with_changes
from hotfolder.settings.files import Destination, check_destination
from hotfolder.settings.root import Root
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import Registry, load_registry
from hotfolder.stages.roles import Kept, Rectangle, Role, SheetFindings, ShownPlace
from hotfolder.work.trial import (
    End,
    Part,
    Tell,
    Trial,
    read_findings,
    say_places,
    try_out,
    with_stage,
)

MOST_BYTES = 3_000_000
_WORDS_BYTES = 120_000
MOST_SHOWN = 6
"""Destinations whose pictures are on the page: with more, they would be too coarse to judge."""

_PLACES_OF_MANY = 2
_MAX_PAGE_BYTES = 16 * 2**20
_PICTURE = re.compile(r"data:image/jpeg;base64,[A-Za-z0-9+/]+=*")


@dataclass(frozen=True)
class Candidate:
    """One destination, as far as the picture came there."""

    destination: str
    title: str
    rank: int | None
    """1 keeps most; None when no pixels were made."""
    end: End
    """What would happen to the picture."""
    reasons: tuple[str, ...]
    ways_on: tuple[WayOn, ...] = ()
    """Changes of settings that answer them."""
    lost_share: float | None = None
    """Of what is delivered, 0 … 1."""
    lost_words: str = ""
    tolerance: float | None = None
    """ΔE00 above which they count."""
    moved: float | None = None
    """Mean ΔE00, and what one pixel in twenty exceeds."""
    moved_p95: float | None = None
    """Mean ΔE00, and what one pixel in twenty exceeds."""
    black: float | None = None
    """L* of the medium's."""
    white: tuple[int, int, int] = (255, 255, 255)
    print_mm: tuple[float, float] | None = None
    """Width and height, None on a screen or when the file does not say."""
    cost: Money | None = None
    size_px: tuple[int, int] | None = None
    face: Rectangle | None = None
    """What is looked at, in pixels; None when that is all of it, without wrap and bleed."""
    places: tuple[ShownPlace, ...] = ()
    sheet: Path | None = None
    rendering: str = ""
    """Its name, where renderings of one destination are compared."""
    is_own: bool = False
    """Whether that is what the destination's settings say."""
    kept: Kept | None = None
    """What of the picture is kept."""
    standing: MediumStanding | None = None
    """How the medium stands, by its control strips; None of a screen."""

    @property
    def medium_in_words(self) -> str:
        """When the medium was measured, and what came of it; "" of a screen."""
        return say_standing(self.standing) if self.standing else ""

    def summary(self) -> dict[str, object]:
        """Return what ``--json`` says of it."""
        return {
            "rank": self.rank,
            "destination": self.destination,
            "rendering": self.rendering or None,
            "title": self.title,
            "end": self.end,
            "reasons": list(self.reasons),
            "ways_on": [each.model_dump(mode="json") for each in self.ways_on],
            "moved_delta_e_00": {"mean": self.moved, "p95": self.moved_p95},
            "lost_share": self.lost_share,
            "lost_in_words": self.lost_words,
            "tolerance_delta_e_00": self.tolerance,
            "medium_black_lightness": self.black,
            "print_mm": self.print_mm and list(self.print_mm),
            "material_cost": self.cost and vars(self.cost),
            "kept": self.kept and self.kept.model_dump(),
            "medium_measured": self.standing and self.standing.summarise(),
            "places": [each.model_dump() for each in self.places],
        }


def compare(
    root: Root,
    image: Path,
    wanted: Sequence[Destination],
    folder: Path,
    tell: Tell,
    *,
    as_measured: bool = False,
) -> list[Candidate]:
    """Try a picture out in every destination and rank them, the best first.

    Parameters
    ----------
    folder
        Where trials may write. The candidates' sheets stay in it.
    tell
        Called with what is being done and the share of all of it that is done.
    as_measured
        Whether sheets show a medium first as it was measured, where it was.

    Raises
    ------
    SettingsError, StorageError
        As `try_out` does.
    StageError
        When the stage that shows does not say what its role asks for.
    """
    found = []
    registry = load_registry(root.plugins)
    same: tuple[tuple[float, float], ...] = ()
    for number, destination in enumerate(wanted):
        note = Part(tell, destination.name, number, len(wanted))
        showing = registry.name_in_role(Role.SHEET, destination.file.stages)
        raw = _raw(destination, showing, len(wanted), same, as_measured=as_measured)
        trial = try_out(root, image, destination, raw, folder, note)
        found.append(made := _candidate(trial, showing))
        same = same or tuple(each.at for each in made.places)
        for each in trial.folder.glob("result.*"):
            each.unlink()  # the room is needed for the next
    return ranked(found)


def compare_renderings(
    root: Root,
    image: Path,
    destination: Destination,
    ways: Sequence[Way],
    folder: Path,
    tell: Tell,
) -> list[Candidate]:
    """Try a picture out in several renderings of one destination, and rank them.

    The places that the first one shows are shown of all.

    Parameters
    ----------
    ways
        Renderings; `list_ways` says which the destination allows.
    folder, tell
        As `compare` takes them.

    Raises
    ------
    SettingsError
        When no stage of the destination renders otherwise, or the picture cannot be read.
    StorageError, StageError
        As `compare` does.
    """
    found = []
    registry = load_registry(root.plugins)
    showing = registry.name_in_role(Role.SHEET, destination.file.stages)
    same: tuple[tuple[float, float], ...] = ()
    for number, way in enumerate(ways):
        changed = render_as(root, way, destination, registry)
        note = Part(tell, str(way), number, len(ways))
        raw = _raw(changed, showing, len(ways), same)
        trial = try_out(root, image, changed, raw, folder, note)
        made = _candidate(trial, showing)
        is_own = changed.stage_settings == destination.stage_settings
        title = f"{str(way).capitalize()}{', as set' if is_own else ''}"
        found.append(replace(made, rendering=str(way), is_own=is_own, title=title))
        same = same or tuple(each.at for each in made.places)
        for each in trial.folder.glob("result.*"):
            each.unlink()
    return ranked(found)


def list_ways(destination: Destination) -> tuple[Way, ...]:
    """List the renderings of a destination that are worth seeing beside each other.

    All that its profile allows; and the last of them with depth, where the medium's black is weak.
    """
    profile = destination.profile
    ways = allowed_ways(profile)
    if not is_black_weak(profile):
        return ways
    return (*ways, replace(ways[-1] if ways[-1] != PERCEPTUAL else RELATIVE, depth=True))


def render_as(root: Root, way: Way, destination: Destination, registry: Registry) -> Destination:
    """Return a destination that renders in another way.

    Raises
    ------
    SettingsError
        When no stage of it does that.
    """
    path = root.destinations / f"{destination.name}.toml"
    wish = RenderingWish(str(way))
    granted = grant(wish, destination)
    if not granted:
        able = " or ".join(who_grants(wish, registry)) or "that can set it"
        got = f"no stage of it sets {wish.what}"
        raise SettingsError([Problem(str(path), "stages", got, f"a stage {able}")])
    raw = with_changes(destination.raw, granted)
    return check_destination(path, raw, registry, Intake())


def ranked(found: Iterable[Candidate]) -> list[Candidate]:
    """Order candidates and number those that can be judged; equal ones share a rank."""
    order = sorted(
        found,
        key=lambda each: (each.moved is None, each.moved or 0.0, each.lost_share or 0.0),
    )
    ranks: list[Candidate] = []
    for number, each in enumerate(order, 1):
        if each.moved is None:
            ranks.append(each)
            continue
        before = ranks[-1] if ranks else None
        same = before and (before.moved, before.lost_share) == (each.moved, each.lost_share)
        ranks.append(replace(each, rank=before.rank if before and same else number))
    return ranks


def page(name: str, candidates: Sequence[Candidate], root: Root) -> str:
    """Make the page that shows them side by side; at most about `MOST_BYTES`.

    root: for which its command is.
    """
    shown: list[tuple[Candidate, dict[str, str]]] = []
    for each in candidates:
        if each.sheet and len(shown) < MOST_SHOWN:
            pictures = pictures_of(each.sheet.read_text("utf-8"))
            shown.append((each, pictures))
    papers = {f"paper-{number}": each.white for number, (each, _) in enumerate(shown)}
    rules = "".join(
        f".paper-{number} {{ --paper: var(--paper-{number}); }}\n" for number in range(len(shown))
    )
    look = style(papers, text_of("hotfolder.pages", "comparison.css") + rules)
    return load_template("hotfolder.pages", "comparison.html").render(
        name=name,
        strip=root.command("strip", "IMAGE", "--for", "NAME"),
        candidates=candidates,
        shown=shown,
        by_rendering=any(each.rendering for each in candidates),
        all_shown=len(shown) == sum(each.sheet is not None for each in candidates),
        style=Markup(look),  # noqa: S704 - ours, with numbers
        style_hash=source_hash(look),
    )


def pictures_of(sheet: str) -> dict[str, str]:
    """Take the pictures out of a proof sheet: ``data:`` URIs by the name of the view.

    The page was written by a process that has parsed a stranger's file, so nothing else is taken.
    """
    found: dict[str, str] = {}

    class Images(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            given = dict(attrs)
            name, source = given.get("data-view"), given.get("src") or ""
            if tag == "img" and name and _PICTURE.fullmatch(source):
                found[name] = source

    Images().feed(sheet)
    return found


def numbers_of(sheet: str) -> bytes | None:
    """Take the numbers out of a proof sheet; None when it has none.

    See Also
    --------
    hotfolder.pages.numbers
    """
    found: list[str] = []

    class Elements(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            given = dict(attrs)
            if tag == "data" and "data-numbers" in given:
                found.append(given.get("value") or "")

    Elements().feed(sheet)
    return unpack_numbers(found[0]) if found else None


def _raw(
    destination: Destination,
    showing: str,
    number: int,
    at: Sequence[tuple[float, float]],
    *,
    as_measured: bool = False,
) -> dict[str, object]:
    """The destination's file with a proof sheet that leaves room for the others beside it.

    at: the places that another one shows, so that all show the same; the worst, when empty.
    """
    own: dict[str, object] = {"at": say_places(at)} if at else {}
    if as_measured:
        own["first"] = "measured"
    if number > 1:
        asked = destination.file.stage.get(showing, {})
        places = asked.get("places")
        most = places if isinstance(places, int) else _PLACES_OF_MANY
        own["places"] = min(most, _PLACES_OF_MANY)
        room = (MOST_BYTES - _WORDS_BYTES) // min(number, MOST_SHOWN)
        own["page_size"] = f"{room + _WORDS_BYTES} B"
    return with_stage(destination, showing, own)


def _candidate(trial: Trial, showing: str) -> Candidate:
    destination, work = trial.destination, trial.work
    nothing = Candidate(
        destination=destination.name,
        title=destination.file.title or destination.name,
        rank=None,
        end=trial.end,
        reasons=tuple(trial.reasons),
        ways_on=trial.ways_on,
        standing=None if destination.file.medium.surface is Surface.SCREEN else trial.standing,
    )
    found = read_findings(trial, showing, SheetFindings)
    pages = [each.path for each in work.attachments if each.kind == SHEET] if work else []
    if work is None or found is None or not work.results or not pages:
        return nothing
    sheet = trial.folder / pages[0]
    if sheet.stat().st_size > _MAX_PAGE_BYTES:
        return nothing
    measured = find_facts(work)
    # of every pixel, where a stage has measured it; the sheet knows a reduced picture
    is_measured = measured.share_lost is not None
    result = work.results[0]
    return replace(
        nothing,
        lost_share=measured.share_lost if is_measured else found.lost_share_of_reduced,
        lost_words=measured.lost_in_words if is_measured else found.lost_in_words,
        tolerance=found.tolerance_delta_e_00,
        kept=found.kept,
        moved=found.moved_delta_e_00.mean,
        moved_p95=found.moved_delta_e_00.p95,
        black=found.medium_black_lightness,
        white=found.medium_white_srgb,
        print_mm=found.print_mm,
        cost=found.material_cost,
        size_px=(result.width_px, result.height_px),
        face=found.face,
        places=found.places,
        sheet=sheet,
    )
