"""A test strip of a destination: small pieces of what would be delivered, pixel for pixel.

Two trials, one after the other. The first takes the picture through the destination's own stages,
with one more that says which pieces tell most, and keeps what comes out as 16-bit TIFF, so that
nothing is lost before the cut. The second cuts the pieces out of that and writes them as the
destination's own format.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hotfolder.disk import names
from hotfolder.errors import HotfolderError
from hotfolder.model.rendering import Rendering
from hotfolder.model.units import Money
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root
from hotfolder.work.pipeline import SUFFIXES
from hotfolder.work.trial import Part, Tell, Trial, try_out, with_stage

CHOOSING, CUTTING, TAGGING = "strip-places", "strip-sheet", "tagging"
_NOT_NEEDED = "proof-sheet"
_LOSSLESS = {"format": "tiff", "bits": 16, "compression": "none"}


class NoStrip(HotfolderError):
    """No pixels were made of this picture, or none of them can be cut; the message says why."""

    exit_code = 3


@dataclass(frozen=True)
class Strip:
    """A strip that was made."""

    path: Path
    """The file, in the folder of trials."""
    pieces: tuple[Mapping[str, object], ...]
    """Where each is from and lies, with its label."""
    strip_mm: tuple[float, float] | None
    """Width and height, None when the picture has no resolution; strip_cost,."""
    print_mm: tuple[float, float] | None
    """Width and height, None when the picture has no resolution; strip_cost,."""
    strip_cost: Money | None
    print_cost: Money | None
    """Of the material, None when its price is not known."""
    shown_share: float
    """Of the strip's area, by pieces."""
    end: str
    """What would happen to the picture itself, and reasons: why."""
    reasons: tuple[str, ...]

    def summary(self) -> dict[str, Any]:
        """Return what ``--json`` says of it, without where it is."""
        return {
            "pieces": [dict(each) for each in self.pieces],
            "strip_mm": self.strip_mm and list(self.strip_mm),
            "print_mm": self.print_mm and list(self.print_mm),
            "strip_cost": self.strip_cost and vars(self.strip_cost),
            "print_cost": self.print_cost and vars(self.print_cost),
            "shown_share": self.shown_share,
            "end": self.end,
            "reasons": list(self.reasons),
        }


def make_strip(
    root: Root, image: Path, destination: Destination, folder: Path, tell: Tell
) -> Strip:
    """Make the test strip of a picture for a destination.

    Parameters
    ----------
    folder
        Where trials may write; the strip is in it.

    Raises
    ------
    NoStrip
        When no pixels come out of the destination's stages.
    SettingsError, StorageError
        As `try_out` does.
    """
    whole = try_out(root, image, destination, _choosing(destination), folder, Part(tell, "", 0, 2))
    result = whole.folder / "result.tif"
    if whole.work is None or not whole.work.results or CHOOSING not in whole.work.findings:
        raise NoStrip(f"No strip can be made: {' '.join(whole.reasons)}")
    pieces: Any = whole.work.findings[CHOOSING]["pieces"]
    raw = _cutting(destination, pieces, _heading(image, destination, whole))
    cut = try_out(root, result, destination, raw, folder, Part(tell, "", 1, 2))
    result.unlink()
    if cut.work is None or not cut.work.results:
        raise NoStrip(f"No strip can be made: {' '.join(cut.reasons)}")
    found: Any = cut.work.findings[CUTTING]
    ppi = whole.work.results[0].ppi
    print_mm = _mm(found["picture_px"], ppi) if ppi else None
    made = cut.work.results[0]
    strip_mm = _mm([made.width_px, made.height_px], ppi) if ppi else None
    return Strip(
        path=cut.folder / made.path,
        pieces=tuple(found["pieces"]),
        strip_mm=strip_mm,
        print_mm=print_mm,
        strip_cost=_cost(destination, strip_mm),
        print_cost=_cost(destination, print_mm),
        shown_share=found["shown_share"],
        end=whole.end,
        reasons=tuple(whole.reasons),
    )


def suffix_of(destination: Destination) -> str:
    """Return the ending of a name of what a destination makes: ``.tif``."""
    return SUFFIXES[destination.file.result.format]


def _choosing(destination: Destination) -> dict[str, Any]:
    raw = with_stage(destination, CHOOSING, {}, leave_out=_NOT_NEEDED)
    return {**raw, "result": _LOSSLESS}


def _cutting(
    destination: Destination, pieces: list[dict[str, Any]], heading: str
) -> dict[str, Any]:
    raw = dict(destination.raw)
    cut = [
        {key: value for key, value in piece.items() if key != "why"}
        | {"label": f"{', '.join(piece['why'])}; at {piece['left_px']}, {piece['top_px']} px"}
        for piece in pieces
    ]
    tables: dict[str, object] = {CUTTING: {"pieces": cut, "heading": heading}}
    stages = [CUTTING]
    if TAGGING in destination.file.stages:
        stages.append(TAGGING)
        tables[TAGGING] = destination.file.stage.get(TAGGING, {})
    return {**raw, "stages": stages, "stage": tables}


def _heading(image: Path, destination: Destination, whole: Trial) -> str:
    """What a person must know who finds the strip on a table."""
    work = whole.work
    result = work.results[0] if work else None
    name = names.display_name(image.name)
    if result is None:
        return name
    said = [name, f"for {destination.file.title or destination.name}"]
    if result.ppi:
        width, height = _mm([result.width_px, result.height_px], result.ppi)
        said.append(f"from {width:.0f} x {height:.0f} mm at {result.ppi:g} ppi")
    said.append(f"profile {destination.profile.description}")
    found: Any = work.findings.get("profile-conversion", {}) if work else {}
    if found:
        black = "" if found["black_point_compensation"] else ", black not compensated"
        refined = ", refined" if found["rendering"] == Rendering.REFINED else ""
        said.append(f"{found['intent']}{refined}{black}")
    return "; ".join(said)


def _mm(size_px: list[int], ppi: float) -> tuple[float, float]:
    width, height = (round(each / ppi * 25.4, 1) for each in size_px)
    return width, height


def _cost(destination: Destination, size_mm: tuple[float, float] | None) -> Money | None:
    price = destination.file.medium.cost_per_square_metre
    if price is None or size_mm is None:
        return None
    return Money(round(price.amount * size_mm[0] * size_mm[1] / 1e6, 2), price.currency)
