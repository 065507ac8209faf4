"""A test strip of a destination: small pieces of what would be delivered, pixel for pixel.

With several renderings, each piece lies there in all of them, beside each other.

Two trials, one after the other. The first takes the picture through the destination's own stages,
with one more that says which pieces tell most, and keeps what comes out as 16-bit TIFF, so that
nothing is lost before the cut. The second cuts the pieces out of that and writes them as the
destination's own format.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from hotfolder.disk import names
from hotfolder.errors import HotfolderError
from hotfolder.model.records import ResultRecord, WayOn
from hotfolder.model.rendering import Way
from hotfolder.model.standing import MediumStanding
from hotfolder.model.units import Money
from hotfolder.pages.words import describe_standing, title_standing
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root
from hotfolder.stages.contract import Place
from hotfolder.stages.registry import load_registry
from hotfolder.stages.roles import PlacesFindings, Role, StripFindings, StripPiece, Telling
from hotfolder.work.comparison import render_as
from hotfolder.work.several import SUFFIXES
from hotfolder.work.trial import Part, Tell, Trial, read_findings, say_places, try_out, with_stage

_LOSSLESS = {"format": "tiff", "bits": 16, "compression": "none"}


class NoStrip(HotfolderError):
    """No pixels were made of this picture, or none of them can be cut; the message says why."""

    exit_code = 3

    def __init__(self, message: str, ways_on: Sequence[WayOn] = ()) -> None:
        super().__init__(message)
        self.ways_on = ways_on
        """Changes of settings with which one can be made."""


@dataclass(frozen=True)
class Strip:
    """A strip that was made."""

    path: Path
    """The file, in the folder of trials."""
    pieces: tuple[StripPiece, ...]
    """Where each is from and lies, with its label."""
    strip_mm: tuple[float, float] | None
    """Width and height; None when the picture has no resolution."""
    print_mm: tuple[float, float] | None
    """The same, of the whole picture."""
    strip_cost: Money | None
    """Of the material; None when its price is not known."""
    print_cost: Money | None
    """The same, of the whole picture."""
    shown_share: float
    """Of the strip's area, by pieces."""
    end: str
    """What would happen to the picture itself."""
    reasons: tuple[str, ...]
    """Why."""
    standing: MediumStanding
    """How the medium stands, by its control strips."""

    def summary(self) -> dict[str, object]:
        """Return what ``--json`` says of it, without where it is."""
        return {
            "pieces": [each.model_dump() for each in self.pieces],
            "strip_mm": self.strip_mm and list(self.strip_mm),
            "print_mm": self.print_mm and list(self.print_mm),
            "strip_cost": self.strip_cost and vars(self.strip_cost),
            "print_cost": self.print_cost and vars(self.print_cost),
            "shown_share": self.shown_share,
            "end": self.end,
            "reasons": list(self.reasons),
            "medium_measured": self.standing.summarise(),
        }


def make_strip(
    root: Root,
    image: Path,
    destination: Destination,
    folder: Path,
    tell: Tell,
    at: Sequence[tuple[float, float]] = (),
    ways: Sequence[Way] = (),
) -> Strip:
    """Make the test strip of a picture for a destination.

    Parameters
    ----------
    folder
        Where trials may write; the strip is in it.
    at
        Places that a person wants to see: shares of the print's width and height, 0 … 1.
    ways
        Renderings, each of which shows every piece; by default the destination's own.

    Raises
    ------
    NoStrip
        When no pixels come out of the destination's stages.
    SettingsError, StorageError
        As `try_out` does.
    StageError
        When a stage that finds or cuts pieces does not say what its role asks for.
    """
    maker = _Maker(root, image, folder, at)
    several = [(str(way), render_as(root, way, destination, maker.registry)) for way in ways]
    beside: list[dict[str, str]] = []
    *others, (name, last) = several or [("", destination)]
    for number, (other, changed) in enumerate(others):
        part = Part(tell, other, number, len(several))
        bare = folder / f"pieces-{number}"
        maker.cut(other, changed, part, ", ".join(map(str, ways)), {"raw_to": str(bare)})
        beside.append({"file": str(bare), "rendering": other})
    part = Part(tell, name, len(others), 1 + len(others))
    conversion = ", ".join(map(str, ways))
    path, made, found = maker.cut(name, last, part, conversion, {"beside": beside})
    whole, picture, _ = maker.first
    print_mm = _mm(found.picture_px, picture.ppi) if picture.ppi else None
    strip_mm = _mm((made.width_px, made.height_px), picture.ppi) if picture.ppi else None
    return Strip(
        path=path,
        pieces=found.pieces,
        strip_mm=strip_mm,
        print_mm=print_mm,
        strip_cost=_cost(destination, strip_mm),
        print_cost=_cost(destination, print_mm),
        shown_share=found.shown_share,
        end=whole.end,
        reasons=tuple(whole.reasons),
        standing=whole.standing,
    )


class _Maker:
    """Cuts the same pieces out of one picture in several renderings."""

    def __init__(
        self, root: Root, image: Path, folder: Path, at: Sequence[tuple[float, float]]
    ) -> None:
        self.registry = load_registry(root.plugins)
        roles = (Role.PLACES, Role.STRIP)
        self._choosing, self._cutting = (self.registry.name_in_role(each) for each in roles)
        self._root, self._image, self._folder = root, image, folder
        self._named: dict[str, object] = {"at": say_places(at)} if at else {}
        self._first: tuple[Trial, ResultRecord, PlacesFindings] | None = None

    @property
    def first(self) -> tuple[Trial, ResultRecord, PlacesFindings]:
        """The first rendering of the whole picture, whose most telling pieces all show."""
        if self._first is None:
            raise NoStrip("No strip can be made: no rendering was tried.")
        return self._first

    def cut(
        self,
        rendering: str,
        destination: Destination,
        part: Part,
        conversion: str,
        more: Mapping[str, object],
    ) -> tuple[Path, ResultRecord, StripFindings]:
        """Make the whole picture, and a strip of it."""
        root, folder = self._root, self._folder
        raw = with_stage(destination, self._choosing, self._named, Role.SHEET, bare=True)
        raw |= {"result": _LOSSLESS}
        whole = try_out(root, self._image, destination, raw, folder, Part(part, "", 0, 2))
        places = read_findings(whole, self._choosing, PlacesFindings)
        if whole.work is None or not whole.work.results or places is None:
            raise NoStrip(f"No strip can be made: {' '.join(whole.reasons)}", whole.ways_on)
        self._first = self._first or (whole, whole.work.results[0], places)
        _, picture, shown = self._first
        said = conversion or places.conversion_in_words
        heading = _heading(self._image, destination, picture, said)
        measured, when = title_standing(whole.standing), describe_standing(whole.standing)[0]
        heading += f"; {measured.lower()}: {when.lower()}"
        more = {"rendering": rendering, **more}
        raw = _cut(destination, self._cutting, shown.pieces, heading, more)
        result = whole.folder / "result.tif"
        cut = try_out(root, result, destination, raw, folder, Part(part, "", 1, 2))
        result.unlink()
        found = read_findings(cut, self._cutting, StripFindings)
        if cut.work is None or not cut.work.results or found is None:
            raise NoStrip(f"No strip can be made: {' '.join(cut.reasons)}")
        made = cut.work.results[0]
        return cut.folder / made.path, made, found


def suffix_of(destination: Destination) -> str:
    """Return the ending of a name of what a destination makes: ``.tif``."""
    return SUFFIXES[destination.file.result.format]


def _cut(
    destination: Destination,
    cutting: str,
    places: Sequence[Telling],
    heading: str,
    more: Mapping[str, object],
) -> dict[str, object]:
    """The destination's file for the strip: what is cut, and what works on whatever is written."""
    pieces = [
        each.model_dump(exclude={"why"})
        | {"label": f"{', '.join(each.why)}; at {each.left_px}, {each.top_px} px"}
        for each in places
    ]
    last = [name for name, stage in destination.stages.items() if stage.place is Place.LAST]
    tables = {name: destination.file.stage.get(name, {}) for name in last}
    tables[cutting] = {"pieces": pieces, "heading": heading, **more}
    return {**destination.raw, "stages": [cutting, *last], "stage": tables}


def _heading(image: Path, destination: Destination, picture: ResultRecord, conversion: str) -> str:
    """What a person must know who finds the strip on a table."""
    said = [names.display_name(image.name), f"for {destination.file.title or destination.name}"]
    if picture.ppi:
        width, height = _mm((picture.width_px, picture.height_px), picture.ppi)
        said.append(f"from {width:.0f} x {height:.0f} mm at {picture.ppi:g} ppi")
    said.append(f"profile {destination.profile.description}")
    if conversion:
        said.append(conversion)
    return "; ".join(said)


def _mm(size_px: tuple[int, int], ppi: float) -> tuple[float, float]:
    width, height = (round(each / ppi * 25.4, 1) for each in size_px)
    return width, height


def _cost(destination: Destination, size_mm: tuple[float, float] | None) -> Money | None:
    price = destination.file.medium.cost_per_square_metre
    if price is None or size_mm is None:
        return None
    return Money(round(price.amount * size_mm[0] * size_mm[1] / 1e6, 2), price.currency)
