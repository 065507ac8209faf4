"""A test strip of a destination: small pieces of what would be delivered, pixel for pixel.

Two trials, one after the other. The first takes the picture through the destination's own stages,
with one more that says which pieces tell most, and keeps what comes out as 16-bit TIFF, so that
nothing is lost before the cut. The second cuts the pieces out of that and writes them as the
destination's own format.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from hotfolder.disk import names
from hotfolder.errors import HotfolderError
from hotfolder.model.records import ResultRecord
from hotfolder.model.units import Money
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root
from hotfolder.stages.contract import Place
from hotfolder.stages.registry import load_registry
from hotfolder.stages.roles import PlacesFindings, Role, StripFindings, StripPiece, Telling
from hotfolder.work.pipeline import SUFFIXES
from hotfolder.work.trial import Part, Tell, read_findings, say_places, try_out, with_stage

_LOSSLESS = {"format": "tiff", "bits": 16, "compression": "none"}


class NoStrip(HotfolderError):
    """No pixels were made of this picture, or none of them can be cut; the message says why."""

    exit_code = 3


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
        }


def make_strip(
    root: Root,
    image: Path,
    destination: Destination,
    folder: Path,
    tell: Tell,
    at: Sequence[tuple[float, float]] = (),
) -> Strip:
    """Make the test strip of a picture for a destination.

    Parameters
    ----------
    folder
        Where trials may write; the strip is in it.
    at
        Places that a person wants to see: shares of the print's width and height, 0 … 1.

    Raises
    ------
    NoStrip
        When no pixels come out of the destination's stages.
    SettingsError, StorageError
        As `try_out` does.
    StageError
        When a stage that finds or cuts pieces does not say what its role asks for.
    """
    registry = load_registry(root.plugins)
    choosing, cutting = (registry.name_in_role(each) for each in (Role.PLACES, Role.STRIP))
    named: dict[str, object] = {"at": say_places(at)} if at else {}
    raw = with_stage(destination, choosing, named, leave_out=Role.SHEET) | {"result": _LOSSLESS}
    whole = try_out(root, image, destination, raw, folder, Part(tell, "", 0, 2))
    places = read_findings(whole, choosing, PlacesFindings)
    if whole.work is None or not whole.work.results or places is None:
        raise NoStrip(f"No strip can be made: {' '.join(whole.reasons)}")
    result, picture = whole.folder / "result.tif", whole.work.results[0]
    heading = _heading(image, destination, picture, places.conversion_in_words)
    raw = _cut(destination, cutting, places.pieces, heading)
    cut = try_out(root, result, destination, raw, folder, Part(tell, "", 1, 2))
    result.unlink()
    found = read_findings(cut, cutting, StripFindings)
    if cut.work is None or not cut.work.results or found is None:
        raise NoStrip(f"No strip can be made: {' '.join(cut.reasons)}")
    print_mm = _mm(found.picture_px, picture.ppi) if picture.ppi else None
    made = cut.work.results[0]
    strip_mm = _mm((made.width_px, made.height_px), picture.ppi) if picture.ppi else None
    return Strip(
        path=cut.folder / made.path,
        pieces=found.pieces,
        strip_mm=strip_mm,
        print_mm=print_mm,
        strip_cost=_cost(destination, strip_mm),
        print_cost=_cost(destination, print_mm),
        shown_share=found.shown_share,
        end=whole.end,
        reasons=tuple(whole.reasons),
    )


def suffix_of(destination: Destination) -> str:
    """Return the ending of a name of what a destination makes: ``.tif``."""
    return SUFFIXES[destination.file.result.format]


def _cut(
    destination: Destination, cutting: str, places: Sequence[Telling], heading: str
) -> dict[str, object]:
    """The destination's file for the strip: what is cut, and what works on whatever is written."""
    pieces = [
        each.model_dump(exclude={"why"})
        | {"label": f"{', '.join(each.why)}; at {each.left_px}, {each.top_px} px"}
        for each in places
    ]
    last = [name for name, stage in destination.stages.items() if stage.place is Place.LAST]
    tables = {name: destination.file.stage.get(name, {}) for name in last}
    tables[cutting] = {"pieces": pieces, "heading": heading}
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
